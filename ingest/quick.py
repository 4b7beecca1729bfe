"""Reads the samples message that nearly all are, in half the time of the model; whatever it does not take is the model's.

What is accepted, and why something is not, is said by `domain.messages.SamplesMessage` alone: this module may decline any
message, and a test compares what it takes with what the model makes of it.
"""

import re
import struct
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import lru_cache, wraps
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
import orjson

from domain.channels import CHANNEL_NAMES
from domain.messages import MAX_INT63, MAX_SAMPLES, MAX_SPAN_MS, MAX_STEP_MS
from store.segments import Floats, to_ms

_FIELDS: Final = {"boot", "seq", "t0", "dt_ms"}  # beside the channels
_TIME: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:Z|\+00:00)", re.ASCII)

MOST_NAMES: Final = 100
MOST_CHARACTERS: Final = 5000
T = TypeVar("T")


def remembered(most: int) -> Callable[[Callable[..., T]], Callable[..., T]]:
    """Remembers what a function says of the names of a message, unless these are so many or long that they would fill the memory."""

    def made(function: Callable[..., T]) -> Callable[..., T]:
        kept: dict[Any, T] = {}

        @wraps(function)
        def asked(*of: Any) -> T:
            found = kept.get(of)
            if found is None:
                found, names = function(*of), of[0]
                if len(names) <= MOST_NAMES and sum(map(len, names)) <= MOST_CHARACTERS:
                    if len(kept) >= most:
                        kept.clear()
                    kept[of] = found
            return found

        return asked

    return made


class Samples(NamedTuple):
    """What a samples message says, in a twentieth of the memory: lists of numbers in a waiting batch cost time as well."""

    boot: int
    seq: int
    t0_ms: int
    dt_ms: int
    channels: tuple[str, ...]  # in the order of domain.channels
    values: Floats  # (channels and then unknown, samples), NaN for a missing reading
    unknown: tuple[
        str, ...
    ] = ()  # channels that are none of ours: left out unless they are registered for the crane

    @property
    def last_ms(self) -> int:
        """Time of the last sample [ms]."""
        n: int = self.values.shape[1]
        return self.t0_ms + (n - 1) * self.dt_ms


def read(payload: bytes) -> Samples | None:
    """The samples, None where the model has to be asked."""
    if _has(payload, b"true", 2) or _has(payload, b"false", 0):
        return None  # a truth value would be packed as a number
    try:
        body = orjson.loads(payload)
        lists = body.pop("channels")
        listed = tuple(lists)
        names, unknown = in_order(listed)
        values = _packed([lists[name] for name in (*names, *unknown)])
        found = stated(body, names, values.shape[1])
        if found is None or _repeats(payload, body["t0"], listed):
            return None
        return Samples(*found, names, values, unknown)
    except (ValueError, TypeError, LookupError, AttributeError, struct.error, OverflowError):
        return None


def stated(body: Any, names: tuple[str, ...], n: int) -> tuple[int, int, int, int] | None:
    """boot, seq, t0 [ms] and dt [ms] of a message with n samples of known channels, None where the model has to be asked.

    body: what it says beside its channels.
    """
    if body.keys() != _FIELDS or not names:
        return None
    t0 = body["t0"]
    if isinstance(t0, str):
        if not _TIME.fullmatch(t0):
            return None
        try:
            t0 = datetime.fromisoformat(t0)
        except ValueError:
            return None
    if not isinstance(t0, datetime):
        return None
    boot, seq, dt_ms = body["boot"], body["seq"], body["dt_ms"]
    if not (_whole(boot, MAX_INT63) and _whole(seq, MAX_INT63) and _whole(dt_ms, MAX_STEP_MS)):
        return None
    if not (dt_ms >= 1 and 1 <= n <= MAX_SAMPLES and n * dt_ms <= MAX_SPAN_MS):
        return None
    return boot, seq, to_ms(t0), dt_ms


@remembered(1000)
def in_order(names: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Channels in the order of domain.channels, and those that are unknown."""
    known = tuple(name for name in CHANNEL_NAMES if name in names)
    return known, tuple(name for name in names if name not in CHANNEL_NAMES)


def _repeats(payload: bytes, t0: str, names: tuple[str, ...]) -> bool:
    """Whether a name may have come twice: the reader keeps the last, but the colon after each stands in the payload."""
    colons = 1 + len(_FIELDS) + _colons(names) + t0.count(":")
    return b"\\" in payload or payload.count(b":") != colons


@remembered(1000)
def _colons(names: tuple[str, ...]) -> int:
    return sum(1 + name.count(":") for name in names)


def _has(payload: bytes, word: bytes, rare: int) -> bool:
    """Whether the word is in it, in half the time of `in`: looks for the letter of it that is `rare` in messages."""
    letter = word[rare : rare + 1]
    at = payload.find(letter)
    while at >= 0:
        if at >= rare and payload.startswith(word, at - rare):
            return True
        at = payload.find(letter, at + 1)
    return False


def _whole(value: Any, most: int) -> bool:
    return type(value) is int and 0 <= value <= most


def _packed(lists: Sequence[list[float]]) -> Floats:
    """Readings as (channels, n). Raises where lists differ in length or a reading is no number of the type."""
    n = len(lists[0])
    pack = _packer(n)
    return np.frombuffer(b"".join([pack(*readings) for readings in lists]), np.float32).reshape(-1, n)


@lru_cache(maxsize=100)
def _packer(n: int) -> Callable[..., bytes]:
    return struct.Struct(f"{n}f").pack
