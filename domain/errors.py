"""Errors that callers are meant to catch.

BoomledgerError
├── InvalidInput          the caller can mend it: names the field and the allowed range
│   ├── UnreadableMessage   a wire message that goes to quarantine, with a reason code
│   └── InvalidChart        a load chart that cannot be used, each problem with its line
├── NotFound              nothing with that name
├── Conflict              it clashes with what is there (double booking, second start)
└── Unavailable           a database, broker or file that cannot be reached now
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from pydantic_core import PydanticCustomError


class BoomledgerError(Exception):
    """Root of every error that this project raises on purpose."""


class InvalidInput(BoomledgerError, ValueError):
    """A value outside what is allowed. `field` names it, the text says the allowed range.

    `by_field` holds what is wrong by field, where more than one is.
    """

    def __init__(
        self, text: str, *, field: str | None = None, by_field: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(text)
        self.field = field
        self.by_field = dict(by_field) if by_field else {field or "": text}


def field_error(field: str, text: str) -> PydanticCustomError:
    """What a validator of a whole model raises: the field it is about, and what is wrong with it."""
    return PydanticCustomError("value_error", "{text}", {"text": text, "field": field})


def field_of(error: Mapping[str, Any]) -> tuple[str | int, ...]:
    """Where one error of a model stands, with the field that its validator named."""
    named = (error.get("ctx") or {}).get("field")
    return (*error["loc"], *(() if named is None else str(named).split(".")))


class QuarantineReason(StrEnum):
    """Why a message was set aside instead of stored."""

    TOO_LARGE = "too_large"
    NOT_JSON = "not_json"
    NOT_CBOR = "not_cbor"
    BAD_ENCODING = "bad_encoding"
    BAD_SHAPE = "bad_shape"
    BAD_LENGTHS = "bad_lengths"
    OUT_OF_RANGE = "out_of_range"
    IN_FUTURE = "in_future"
    BEFORE_REGISTRATION = "before_registration"
    UNKNOWN_CRANE = "unknown_crane"
    UNKNOWN_TOPIC = "unknown_topic"
    CRANE_MISMATCH = "crane_mismatch"
    KEY_REUSED = "key_reused"
    NOT_SPARKPLUG = "not_sparkplug"
    NO_BIRTH = "no_birth"


class UnreadableMessage(InvalidInput):
    """A message that cannot be stored as it is; it goes to quarantine with this reason."""

    def __init__(self, reason: QuarantineReason, text: str, *, field: str | None = None) -> None:
        super().__init__(text, field=field)
        self.reason = reason


class InvalidChart(InvalidInput):
    """A load chart that cannot be used. `problems` holds (line number, text) pairs."""

    def __init__(self, problems: tuple[tuple[int, str], ...]) -> None:
        super().__init__("; ".join(f"line {line}: {text}" for line, text in problems), field="chart")
        self.problems = problems


class NotFound(BoomledgerError, LookupError):
    """Nothing with that name is known."""


class Conflict(BoomledgerError):
    """It clashes with something that is already there."""


class Unavailable(BoomledgerError):
    """Something this needs cannot be reached now; the text says what to check."""


class FilesUnavailable(Unavailable):
    """Files of the cold tier cannot be read, written or removed now; the database has nothing to do with it."""
