"""Reads CBOR (RFC 8949) with typed arrays (RFC 8746): a way to write the same messages in a third of the bytes. No I/O.

What a message may say is not decided here: it is read into the arrays that JSON is read into, or into the JSON that says the
same, and that is judged.
"""

import json
import math
import secrets
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, NamedTuple, Never

import cbor2
import numpy as np
from cbor2 import CBORTag
from numpy.typing import NDArray

from domain.errors import QuarantineReason, UnreadableMessage
from ingest import quick
from ingest.quick import Samples, in_order, remembered
from store.segments import Floats

DEEPEST: Final = 8
MOST_DECIMALS: Final = 9
MOST_OFFSET: Final = 2**31
_EXACT: Final = 2**23  # with an integer of 16 bits added, a float of 24 holds it
# RFC 8746, table 1; not 76, which is reserved, nor 83 and 87, floats of 128 bits.
_TAGS: Final = (*range(64, 76), *range(77, 83), *range(84, 87))
_KINDS: Final = "u1 >u2 >u4 >u8 u1 <u2 <u4 <u8 i1 >i2 >i4 >i8 <i2 <i4 <i8 >f2 >f4 >f8 <f2 <f4 <f8"
TYPED_ARRAYS: Final = dict(zip(_TAGS, map(np.dtype, _KINDS.split()), strict=True))
# Integers of which blocks are made, each with the one that stands for a missing reading.
_MISSING: Final = {
    tag: np.array(np.iinfo(kind).max if kind.kind == "u" else np.iinfo(kind).min, kind)
    for tag, kind in TYPED_ARRAYS.items()
    if kind.kind in "iu" and kind.itemsize <= 4
}
_ITEM_BYTES: Final[dict[int, int]] = {tag: kind.itemsize for tag, kind in TYPED_ARRAYS.items()}
_NARROW: Final = frozenset(tag for tag in _MISSING if _ITEM_BYTES[tag] <= 2)
_BLOCK: Final = [list, bytes, list, CBORTag]
PAGE_BYTES: Final = 200_000  # of readings: as many stay in the processor's cache
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


class _Plain(NamedTuple):
    """Numbers of a channel as they came, (1, n)."""

    names: tuple[str, ...]
    n: int
    numbers: NDArray[Any]

    def in_doubles(self) -> NDArray[np.float64]:
        return self.numbers.astype(np.float64)


class _Block(NamedTuple):
    """Integers of some channels one after another, n of each, and how they are scaled."""

    names: tuple[str, ...]
    n: int
    tag: int  # tells their type, and the one that stands for a missing reading
    raw: bytes
    offsets: Sequence[int]  # added to those of each channel
    powers: NDArray[np.float32]  # (channels, 1), by which the sums are divided
    narrow: bool  # whether a float holds the sums: then its quotient is a double's, rounded to a float

    def in_doubles(self) -> NDArray[np.float64]:
        return _scaled(self.raw, self.tag, self.n, self.offsets, self.powers, np.float64)


def _scaled(
    raw: bytes, tag: int, n: int, offsets: Sequence[int], powers: NDArray[np.float32], kind: Any
) -> NDArray[Any]:
    """Readings of channels one below the other, as doubles or floats, NaN for a missing one."""
    numbers = np.frombuffer(raw, TYPED_ARRAYS[tag]).reshape(len(offsets), n)
    readings: NDArray[Any] = numbers.astype(kind)
    readings += np.array(offsets, kind)[:, np.newaxis]
    readings /= powers
    missing = numbers == _MISSING[tag]
    if missing.any():
        readings[missing] = np.nan
    return readings


@dataclass(slots=True)
class _Alike:
    """Blocks of any messages whose integers are of one type."""

    raw: list[bytes] = field(default_factory=list)
    offsets: list[int] = field(default_factory=list)
    powers: list[NDArray[np.float32]] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)  # where their readings go


class _Page:
    """Room for the readings of some messages with n samples each, and what is to be written there."""

    def __init__(self, rows: int, n: int) -> None:
        self.readings = np.full((rows, n), np.nan, np.float32)
        self.used = 0
        self.blocks: dict[tuple[int, bool], _Alike] = {}

    def write(self, part: _Plain | _Block, rows: list[int]) -> None:
        if isinstance(part, _Plain):
            with np.errstate(over="ignore"):  # beyond the type's range is beyond every channel's
                self.readings[rows] = part.numbers
            return
        alike = self.blocks.get((part.tag, part.narrow))
        if alike is None:
            alike = self.blocks[part.tag, part.narrow] = _Alike()
        alike.raw.append(part.raw)
        alike.offsets += part.offsets
        alike.powers.append(part.powers)
        alike.rows += rows

    def fill(self) -> None:
        n = self.readings.shape[1]
        for (tag, narrow), alike in self.blocks.items():
            kind = np.float32 if narrow else np.float64
            powers = np.concatenate(alike.powers)
            self.readings[alike.rows] = _scaled(b"".join(alike.raw), tag, n, alike.offsets, powers, kind)


class Unfilled:
    """Messages whose blocks are to be scaled together: a call of numpy costs more than the numbers of one message.

    Their readings are missing until `fill`.
    """

    def __init__(self) -> None:
        self._pages: list[_Page] = []
        self._open: dict[int, _Page] = {}  # by samples of a message

    def take(self, parts: Sequence[_Plain | _Block], places: Sequence[int], n: int) -> Floats:
        """Where the readings of a message will stand, (channels, n); `places` of the channels of all parts in turn."""
        channels = len(places)
        page = self._open.get(n)
        if page is None or page.used + channels > len(page.readings):
            # Twice as many each time: no message takes much more than it needs, and many fill what the processor's cache holds.
            rows = min(2 * len(page.readings), PAGE_BYTES // (4 * n)) if page is not None else 0
            page = self._open[n] = _Page(max(rows, channels), n)
            self._pages.append(page)
        begin, first = page.used, 0
        page.used += channels
        for part in parts:
            past = first + len(part.names)
            page.write(part, [begin + place for place in places[first:past]])
            first = past
        return page.readings[begin : page.used]

    def fill(self) -> None:
        """Write the readings of all messages taken in."""
        for page in self._pages:
            page.fill()
        self._pages.clear()
        self._open.clear()


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


def read(payload: bytes, unfilled: Unfilled, *, samples: bool) -> Samples | bytes:
    """A samples message, or the JSON that says the same as the payload does. Raises UnreadableMessage."""
    body = loads(payload)
    if not isinstance(body, dict):
        raise _bad("it is no map")
    if not samples:
        return _json(body)
    lists, parts = _parts(body)
    if parts and not lists and (found := _assembled(body, parts, unfilled)) is not None:
        return found
    body["channels"] = lists
    for part in parts:
        listed: Any = part.in_doubles().tolist()
        for name, readings in zip(part.names, listed, strict=True):
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


def _parts(body: dict[str, Any]) -> tuple[dict[str, Any], list[_Plain | _Block]]:
    """Takes channels and blocks out of a message: channels that are no typed array, and the readings of all others."""
    channels, blocks = body.pop("channels", {}), body.pop("blocks", [])
    if not isinstance(channels, dict) or not isinstance(blocks, list):
        raise _bad("channels is a map, and blocks is a list", "channels")
    if {*map(type, channels)} - {str}:  # bytes can be a key too
        raise _bad("names are texts", "channels")
    lists = {name: found for name, found in channels.items() if not isinstance(found, CBORTag)}
    parts: list[_Plain | _Block] = [_block(block) for block in blocks]
    parts += [_plain(channels[name], name) for name in channels if name not in lists]
    return lists, parts


def _plain(array: CBORTag, name: str) -> _Plain:
    """Numbers of a channel as they stand."""
    n = _elements(array, TYPED_ARRAYS)
    numbers = np.frombuffer(array.value, TYPED_ARRAYS[array.tag])[np.newaxis]
    if np.isinf(numbers).any():
        raise UnreadableMessage(
            QuarantineReason.OUT_OF_RANGE, f"infinity among the readings of {name[:64]}", field="channels"
        )
    # As JSON has them: what a double does not hold is rounded to one first.
    return _Plain((name,), n, numbers.astype(np.float64) if numbers.itemsize == 8 else numbers)


def _block(block: Any) -> _Block:
    """Scaled integers of some channels, one channel after the other: [names, decimals, offsets, typed array]."""
    if not isinstance(block, list) or [*map(type, block)] != _BLOCK:
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
    tag, elements = array.tag, _elements(array, _MISSING)
    n, odd = divmod(elements, len(names))
    if odd:
        raise UnreadableMessage(
            QuarantineReason.BAD_LENGTHS,
            f"{elements} integers are not as many for each of {len(names)} channels",
            field="blocks",
        )
    narrow = tag in _NARROW and least >= -_EXACT and most <= _EXACT
    return _Block(names, n, tag, array.value, offsets, powers, narrow)


@remembered(200)
def _layout(names: tuple[Any, ...], decimals: bytes) -> tuple[tuple[str, ...], NDArray[np.float32]]:
    """The names of a block, and the powers of ten by which its integers are divided: a float holds each of them exactly."""
    if not 0 < len(names) == len(decimals) or {*map(type, names)} != {str}:
        raise _bad("a block has one or more names, and as many decimals", "blocks")
    if max(decimals) > MOST_DECIMALS:
        raise _bad(f"decimals are from 0 to {MOST_DECIMALS}", "blocks")
    return names, np.array([[10.0**places] for places in decimals], np.float32)


def _elements(array: CBORTag, kinds: Container[int]) -> int:
    """How many numbers a typed array of one of some kinds has."""
    if array.tag not in kinds or not isinstance(array.value, bytes):
        raise _bad(f"tag {array.tag} is no typed array that can stand here", "channels")
    size = len(array.value)
    elements, odd = divmod(size, _ITEM_BYTES[array.tag])
    if odd:
        raise _bad(f"a typed array of {size} bytes has no whole number of elements", "channels")
    return elements


def _assembled(
    body: Mapping[str, Any], parts: Sequence[_Plain | _Block], unfilled: Unfilled
) -> Samples | None:
    """The samples, None where the model has to be asked."""
    names = parts[0].names if len(parts) == 1 else tuple(name for part in parts for name in part.names)
    known, unknown, places = _order(names)
    n = parts[0].n
    if len(known) + len(unknown) != len(names) or any(part.n != n for part in parts):
        return None
    stated = quick.stated(body, known, n)
    return None if stated is None else Samples(*stated, known, unfilled.take(parts, places, n), unknown)


@remembered(200)
def _order(names: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...], tuple[int, ...]]:
    """Channels in the order of `in_order`, unknown ones, and which of these each name is; fewer where one stands twice."""
    known, unknown = in_order(names)
    every = (*known, *dict.fromkeys(unknown))
    place = {name: number for number, name in enumerate(every)}
    return known, every[len(known) :], tuple(place[name] for name in names)


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
