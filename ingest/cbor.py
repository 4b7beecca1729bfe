"""Reads CBOR (RFC 8949) with typed arrays (RFC 8746): a way to write the same messages in a third of the bytes. No I/O.

What a message may say is not decided here: it is read into the arrays that JSON is read into, or into the JSON that says the
same, and that is judged.
"""

import json
import math
import secrets
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple, Never

import cbor2
import numpy as np
from cbor2 import CBORTag
from numpy.typing import NDArray

from domain.errors import QuarantineReason, UnreadableMessage
from ingest import quick
from ingest.quick import Samples, in_order, remembered

DEEPEST: Final = 8
MOST_DECIMALS: Final = 9
MOST_OFFSET: Final = 2**31
_EXACT: Final = 2**23  # with an integer of 16 bits added, a float of 24 holds it
# RFC 8746, table 1; not 76, which is reserved, nor 83 and 87, floats of 128 bits.
_TAGS: Final = (*range(64, 76), *range(77, 83), *range(84, 87))
_KINDS: Final = "u1 >u2 >u4 >u8 u1 <u2 <u4 <u8 i1 >i2 >i4 >i8 <i2 <i4 <i8 >f2 >f4 >f8 <f2 <f4 <f8"
TYPED_ARRAYS: Final = dict(zip(_TAGS, map(np.dtype, _KINDS.split()), strict=True))
# Integers of which blocks are made, each with the one that stands for a missing reading, as a number and as bytes.
_MISSING: Final = {
    tag: np.array(np.iinfo(kind).max if kind.kind == "u" else np.iinfo(kind).min, kind)
    for tag, kind in TYPED_ARRAYS.items()
    if kind.kind in "iu" and kind.itemsize <= 4
}
_MISSING_BYTES: Final = {tag: number.tobytes() for tag, number in _MISSING.items()}
_END: Final = secrets.token_bytes(16)
_ENCODED_END: Final = cbor2.dumps(_END)


def _refuse(*_: Any) -> Never:
    raise ValueError("it has a tag that no message has")


# What the library would make something of by itself: references to what came before, big numbers, regular expressions.
_REFUSED_TAGS: Final[dict[int, Callable[..., Any]]] = dict.fromkeys(
    (
        *(2, 3, 4, 5, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100, 256),
        *(258, 260, 261, 1004, 43000, 55799),
    ),
    _refuse,
)


class _Rows(NamedTuple):
    """Numbers of some channels as they came, (channels, n), and of a block how they are scaled."""

    names: tuple[str, ...]
    numbers: NDArray[Any]
    offsets: Sequence[int] = ()  # none of numbers as they stand
    powers: NDArray[np.float32] | None = None  # (channels, 1)
    missing: NDArray[Any] | None = (
        None  # the number that stands for a missing reading, None where there is none
    )
    narrow: bool = (
        False  # whether a float holds the sums: then its quotient is a double's, rounded to a float
    )

    def write(self, out: NDArray[Any]) -> None:
        """Their readings into an array of doubles or floats, NaN for a missing one."""
        if self.powers is None:
            with np.errstate(over="ignore"):  # beyond the type's range is beyond every channel's
                out[:] = self.numbers
            return
        if out.dtype == np.float32 and not self.narrow:
            wide = np.empty(out.shape)
            self.write(wide)
            out[:] = wide
            return
        np.add(self.numbers, np.array(self.offsets, out.dtype)[:, np.newaxis], out=out)
        np.divide(out, self.powers, out=out)
        if self.missing is not None:
            out[self.numbers == self.missing] = np.nan


def loads(payload: bytes) -> Any:
    """The one item that a payload is, typed arrays as their tags. Raises UnreadableMessage."""
    try:
        item, end = _decoded(payload, repeats=False)
    except Exception as problem:
        if _repeats(payload):
            raise _bad("a name stands twice in one map: give each name once") from None
        why = str(problem.__cause__ or problem)
        raise UnreadableMessage(QuarantineReason.NOT_CBOR, f"no CBOR of a message: {why}") from None
    if end != _END:
        raise UnreadableMessage(QuarantineReason.NOT_CBOR, "other bytes follow the message")
    return item


def read(payload: bytes, *, samples: bool) -> Samples | bytes:
    """A samples message, or the JSON that says the same as the payload does. Raises UnreadableMessage."""
    body = loads(payload)
    if not isinstance(body, dict):
        raise _bad("it is no map")
    if not samples:
        return _json(body)
    lists, rows = _rows(body)
    if rows and not lists and (found := _assembled(body, rows)) is not None:
        return found
    body["channels"] = lists
    for one in rows:
        out = np.empty(one.numbers.shape)
        one.write(out)
        listed: Any = out.tolist()
        for name, readings in zip(one.names, listed, strict=True):
            if name in lists:
                raise _bad(f"{name[:64]} is given twice: give each channel once", "blocks")
            lists[name] = [None if math.isnan(reading) else reading for reading in readings]
    return _json(body)


def _decoded(payload: bytes, *, repeats: bool) -> Any:
    # The library passes over what follows an item: so it reads a list of the payload and an end that nobody can send.
    return cbor2.loads(
        b"\x82" + payload + _ENCODED_END,
        semantic_decoders=_REFUSED_TAGS,
        max_depth=DEEPEST,
        allow_duplicate_keys=repeats,
        strict_hashable_types=True,
    )


def _repeats(payload: bytes) -> bool:
    """Whether names that stand twice are all that is wrong."""
    try:
        _decoded(payload, repeats=True)
    except Exception:
        return False
    return True


def _rows(body: dict[str, Any]) -> tuple[dict[str, Any], list[_Rows]]:
    """Takes channels and blocks out of a message: channels that are no typed array, and the readings of all others."""
    channels, blocks = body.pop("channels", {}), body.pop("blocks", [])
    if not isinstance(channels, dict) or not isinstance(blocks, list):
        raise _bad("channels is a map, and blocks is a list", "channels")
    if {*map(type, channels)} - {str}:  # bytes can be a key too
        raise _bad("names are texts", "channels")
    lists = {name: found for name, found in channels.items() if not isinstance(found, CBORTag)}
    rows = [_block(block) for block in blocks]
    rows += [_Rows((name,), _typed(channels[name], name)) for name in channels if name not in lists]
    return lists, rows


def _typed(array: CBORTag, name: str) -> NDArray[Any]:
    """Numbers as they stand, (1, n)."""
    numbers = _numbers(array, TYPED_ARRAYS)[np.newaxis]
    if np.isinf(numbers).any():
        raise UnreadableMessage(
            QuarantineReason.OUT_OF_RANGE, f"infinity among the readings of {name[:64]}", field="channels"
        )
    # As JSON has them: what a double does not hold is rounded to one first.
    return numbers.astype(np.float64) if numbers.itemsize == 8 else numbers


def _block(block: Any) -> _Rows:
    """Scaled integers of some channels, one channel after the other: [names, decimals, offsets, typed array]."""
    if not isinstance(block, list) or [*map(type, block)] != [list, bytes, list, CBORTag]:
        raise _bad("a block is a list of names, decimals, offsets and a typed array", "blocks")
    try:
        names, powers = _layout(tuple(block[0]), block[1])
    except TypeError:  # a list or a map among the names
        raise _bad("names are texts", "blocks") from None
    offsets, array = block[2], block[3]
    if len(offsets) != len(names) or {*map(type, offsets)} != {int}:
        raise _bad("a block has as many whole offsets as names", "blocks")
    least, most = min(offsets), max(offsets)
    if least < -MOST_OFFSET or most > MOST_OFFSET:
        raise _bad(f"offsets are from -{MOST_OFFSET} to {MOST_OFFSET}", "blocks")
    numbers = _numbers(array, _MISSING)
    if len(numbers) % len(names):
        raise UnreadableMessage(
            QuarantineReason.BAD_LENGTHS,
            f"{len(numbers)} integers are not as many for each of {len(names)} channels",
            field="blocks",
        )
    missing = _MISSING[array.tag] if _MISSING_BYTES[array.tag] in array.value else None
    narrow = numbers.itemsize <= 2 and least >= -_EXACT and most <= _EXACT
    return _Rows(names, numbers.reshape(len(names), -1), offsets, powers, missing, narrow)


@remembered(200)
def _layout(names: tuple[Any, ...], decimals: bytes) -> tuple[tuple[str, ...], NDArray[np.float32]]:
    """The names of a block, and the powers of ten by which its integers are divided: a float holds each of them exactly."""
    if not 0 < len(names) == len(decimals) or {*map(type, names)} != {str}:
        raise _bad("a block has one or more names, and as many decimals", "blocks")
    if max(decimals) > MOST_DECIMALS:
        raise _bad(f"decimals are from 0 to {MOST_DECIMALS}", "blocks")
    return names, np.array([[10.0**places] for places in decimals], np.float32)


def _numbers(array: CBORTag, kinds: Mapping[int, Any]) -> NDArray[Any]:
    if array.tag not in kinds or not isinstance(array.value, bytes):
        raise _bad(f"tag {array.tag} is no typed array that can stand here", "channels")
    kind = TYPED_ARRAYS[array.tag]
    if len(array.value) % kind.itemsize:
        raise _bad(f"a typed array of {len(array.value)} bytes has no whole number of elements", "channels")
    return np.frombuffer(array.value, kind)


def _assembled(body: Mapping[str, Any], rows: Sequence[_Rows]) -> Samples | None:
    """The samples, None where the model has to be asked."""
    names = rows[0].names if len(rows) == 1 else tuple(name for one in rows for name in one.names)
    known, unknown, places = _order(names)
    n = rows[0].numbers.shape[1]
    if not known or len(places) != len(names) or any(one.numbers.shape[1] != n for one in rows):
        return None
    values, first = np.empty((len(names), n), np.float32), 0
    for one in rows:
        one.write(values[first : first + len(one.names)])
        first += len(one.names)
    return quick.samples(body, known, unknown, values if known == names else values[places])


@remembered(200)
def _order(names: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...], list[int]]:
    """Channels in the order of `in_order`, unknown ones, and the place of each; fewer where a name stands twice."""
    known, unknown = in_order(names)
    places = {name: place for place, name in enumerate(names)}
    return known, unknown, [places[name] for name in dict.fromkeys((*known, *unknown))]


def _json(body: dict[str, Any]) -> bytes:
    for name in ("t0", "at"):
        if isinstance(body.get(name), datetime):
            body[name] = body[name].isoformat()
    try:
        return json.dumps(body, default=_refuse).encode()
    except (TypeError, ValueError) as problem:
        raise _bad(f"it holds what JSON has no word for: {problem}") from None


def _bad(text: str, field: str | None = None) -> UnreadableMessage:
    return UnreadableMessage(QuarantineReason.BAD_SHAPE, text, field=field)
