"""The mapping file of an import: which column of a foreign table is which channel, in what unit, at what time of which crane."""

import re
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from domain.channels import CHANNEL_BY_NAME, CHANNEL_NAMES
from domain.errors import InvalidInput
from domain.messages import MAX_STEP_MS, CraneName, EventKind, EventState
from domain.units import MS_PER_S, TO_CHANNEL

EPOCH_FORMATS: Final = {"unix_s": MS_PER_S, "unix_ms": 1}  # milliseconds in one of them


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class CraneColumn(_Part):
    """One crane for the whole file, or a column with its name."""

    name: CraneName | None = None
    column: str | None = None
    names: dict[str, CraneName] = Field(default_factory=dict)  # word in the file -> crane

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if (self.name is None) == (self.column is None):
            raise ValueError("give either a fixed name or a column")
        return self


class TimeColumn(_Part):
    """Where the time of a row stands and how it is written."""

    column: str
    format: str = "iso"  # iso, unix_s, unix_ms, or a pattern as of strptime
    zone: str | None = None  # of times that carry no offset
    round_ms: int = Field(default=1, ge=1, le=MAX_STEP_MS)  # to the nearest multiple: takes jitter away

    @model_validator(mode="after")
    def _known(self) -> Self:
        if self.zone is not None:
            try:
                ZoneInfo(self.zone)
            except (ZoneInfoNotFoundError, ValueError):
                raise ValueError(
                    f"there is no time zone {self.zone!r}; write it like Europe/Vienna"
                ) from None
        if self.format not in {"iso", *EPOCH_FORMATS}:
            moment = datetime(2026, 3, 2, 6, 0)  # noqa: DTZ001  # only to try the pattern
            try:
                datetime.strptime(moment.strftime(self.format), self.format)  # noqa: DTZ007
            except (ValueError, re.error) as problem:
                raise ValueError(f"the pattern {self.format!r} does not read what it writes") from problem
        return self


class StepRule(_Part):
    """Time between samples: the same in the whole file, or a column."""

    ms: int | None = Field(default=None, ge=1, le=MAX_STEP_MS)
    column: str | None = None

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if (self.ms is None) == (self.column is None):
            raise ValueError("give either ms or a column")
        return self


class MessageColumns(_Part):
    """Columns that say which message a row belonged to; without them messages are cut by time."""

    boot: str
    seq: str
    received_at: str | None = None
    channels: str | None = None  # bits of the channels that the message had, as the cold tier writes them


class ChannelColumn(_Part):
    """A column with readings of one channel: reading = value x factor + offset, after the unit's own conversion."""

    column: str
    unit: str | None = None
    factor: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    values: dict[str, float] = Field(default_factory=dict)  # words in the file -> reading


class EventColumns(_Part):
    """Columns of events; `kinds` and `states` turn words of the file into ours."""

    kind: str = "kind"
    code: str | None = None
    state: str | None = None
    text: str | None = None
    kinds: dict[str, EventKind] = Field(default_factory=dict)
    states: dict[str, EventState] = Field(default_factory=dict)


def _column(value: Any) -> Any:
    return {"column": value} if isinstance(value, str) else value


class Mapping(_Part):
    """What a table holds and how to read it."""

    kind: Literal["samples", "events"]
    encoding: str = "utf-8-sig"
    delimiter: str = Field(default=",", min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    missing: frozenset[str] = frozenset({"", "NaN", "nan", "null", "NULL"})
    crane: CraneColumn
    time: TimeColumn
    step: StepRule | None = None
    message: MessageColumns | None = None
    channels: dict[str, Annotated[ChannelColumn, BeforeValidator(_column)]] = Field(default_factory=dict)
    events: EventColumns | None = None
    absent_ok: bool = False  # a channel whose column is not in the file is one that the crane has not got

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.kind == "samples":
            if self.step is None or not self.channels:
                raise ValueError("samples need a [step] and at least one channel under [channels]")
        elif self.events is None:
            raise ValueError("events need [events] with the column of their kind")
        for name, column in self.channels.items():
            if name not in CHANNEL_BY_NAME:  # a further one, if it is registered for the cranes of the file
                if column.unit is not None:
                    raise ValueError(f"{name}: leave the unit out, and convert by factor and offset")
                continue
            units = TO_CHANNEL[CHANNEL_BY_NAME[name].unit]
            if column.unit is not None and column.unit not in units:
                raise ValueError(f"{name} in {column.unit!r}: known units are {', '.join(units)}")
        return self

    def needed(self) -> tuple[str, ...]:
        """Columns that a file must have."""
        message, events = self.message, self.events
        step = None if self.step is None else self.step.column
        found: list[str | None] = [self.time.column, self.crane.column, step]
        if message is not None:
            found += [message.boot, message.seq, message.received_at, message.channels]
        if events is not None:
            found += [events.kind, events.code, events.state, events.text]
        if not self.absent_ok:
            found += [column.column for column in self.channels.values()]
        return tuple(name for name in found if name is not None)

    def columns(self) -> frozenset[str]:
        """Columns that are read where the file has them."""
        return frozenset((*self.needed(), *(column.column for column in self.channels.values())))

    def factors(self, name: str) -> tuple[float, float]:
        """(factor, offset) from a number in the file to a reading of a channel."""
        column = self.channels[name]
        factor, offset = 1.0, 0.0
        if name in CHANNEL_BY_NAME:
            unit = CHANNEL_BY_NAME[name].unit
            factor, offset = TO_CHANNEL[unit][column.unit or unit]
        return factor * column.factor, offset * column.factor + column.offset


def read_mapping(file: Path) -> Mapping:
    """The mapping of a TOML file. Raises InvalidInput that names every wrong field."""
    try:
        text = file.read_text(encoding="utf-8")
    except UnicodeDecodeError as problem:
        raise InvalidInput(f"{file} is no TOML: {problem}", field="mapping") from problem
    return mapping_of(text, str(file))


def mapping_of(text: str, name: str) -> Mapping:
    """The mapping of a TOML text that people know by a name. Raises InvalidInput that names every wrong field."""
    try:
        return Mapping.model_validate(tomllib.loads(text), strict=False)
    except RecursionError as problem:
        raise InvalidInput(
            f"{name} is no mapping: its tables lie too deep in one another", field="mapping"
        ) from problem
    except tomllib.TOMLDecodeError as problem:
        raise InvalidInput(f"{name} is no TOML: {problem}", field="mapping") from problem
    except ValidationError as wrong:
        lines = [
            f"{'.'.join(map(str, problem['loc'])) or 'file'}: {problem['msg']}" for problem in wrong.errors()
        ]
        raise InvalidInput(
            f"{name} cannot be used as a mapping:\n" + "\n".join(lines), field="mapping"
        ) from wrong


_OWN_MESSAGE: Final = {"boot": "boot", "seq": "seq", "received_at": "received_at"}
OWN_SAMPLES: Final = Mapping.model_validate(
    {
        "kind": "samples",
        "crane": {"column": "crane"},
        "time": {"column": "at"},
        "step": {"column": "dt_ms"},
        "message": {**_OWN_MESSAGE, "channels": "channels"},
        "channels": {name: name for name in CHANNEL_NAMES},
        "absent_ok": True,
    }
)
OWN_EVENTS: Final = Mapping.model_validate(
    {
        "kind": "events",
        "crane": {"column": "crane"},
        "time": {"column": "at"},
        "message": _OWN_MESSAGE,
        "events": {"code": "code", "state": "state", "text": "text"},
        # An empty text of an event is a text, not a missing one.
        "missing": [],
    }
)
