"""Send what was recorded once more, as if it were happening now, under new boot numbers.

Times are shifted as a whole, steps between samples stay as recorded, and no message lies in the future:
played faster than recorded, the period ends at the present; played slower or at its own speed, it begins there.
"""

import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from domain.channels import CHANNEL_NAMES
from domain.errors import InvalidInput
from domain.messages import EventKind, EventState, Leaf, topic
from simulator.messages import Outgoing, event_payload, samples_payload
from simulator.record import Event, Floats32, Ints

SLOWEST: Final = 0.1
FASTEST: Final = 1000.0
_MESSAGE_S: Final = 1.0
_PAUSE_MS: Final = 1000  # from so much on the crane was off
_LARGEST_MESSAGE: Final = 600


class Segment(NamedTuple):
    """Evenly spaced samples of one crane, as recorded."""

    crane: str
    t0_ms: int
    dt_ms: int
    channels: Mapping[str, Floats32]

    @property
    def samples(self) -> int:
        """Number of samples."""
        return len(next(iter(self.channels.values())))


class Happening(NamedTuple):
    """One event of one crane, as recorded."""

    crane: str
    at_ms: int
    kind: EventKind
    code: str
    state: EventState
    text: str


@dataclass(frozen=True)
class Recording:
    """What is to be shown again."""

    segments: Sequence[Segment]
    events: Sequence[Happening] = field(default_factory=tuple)

    def span_ms(self) -> tuple[int, int]:
        """First moment and last one. Raises InvalidInput when there is nothing."""
        first = [s.t0_ms for s in self.segments] + [e.at_ms for e in self.events]
        last = [s.t0_ms + s.samples * s.dt_ms for s in self.segments] + [e.at_ms for e in self.events]
        if not first:
            raise InvalidInput("nothing was recorded in this period: choose another one or other cranes")
        return min(first), max(last)


def replay(
    recording: Recording,
    factor: float,
    now: datetime,
    *,
    names: Mapping[str, str] | None = None,
    boots: Mapping[str, int] | None = None,
) -> Iterator[Outgoing]:
    """Messages of a recording by time of sending; hand them to `Publisher.run` with the same factor.

    Parameters
    ----------
    factor : 0.1 to 1000 times the recorded speed
    now : when the replay begins
    names : crane as recorded to the crane to send as, such as a training twin; default the same. A replay under its own
        name adds duty to that crane, which was not worked twice: use a twin unless the ledger is a throw-away
    boots : crane as recorded to its new boot number; default a random one each. After a pause in the record the next number
        follows: within a boot a sender sends without a pause
    """
    if not SLOWEST <= factor <= FASTEST:
        raise InvalidInput(f"factor must lie in {SLOWEST:g}..{FASTEST:g}", field="factor")
    if now.tzinfo is None:
        raise InvalidInput("now needs a zone: give UTC or an offset", field="now")
    shift_ms = _shift_ms(*recording.span_ms(), factor, round(now.astimezone(UTC).timestamp() * 1000))
    waiting: list[tuple[int, Segment | Happening]] = [(event.at_ms, event) for event in recording.events]
    for segment in recording.segments:
        waiting += [(part.t0_ms + part.samples * part.dt_ms, part) for part in _cut(segment, factor)]
    waiting.sort(key=lambda entry: entry[0])
    cranes = {what.crane for _, what in waiting}
    boot = {crane: (boots or {}).get(crane, secrets.randbits(63)) for crane in cranes}
    seq = dict.fromkeys(cranes, 0)
    until_ms: dict[str, int] = {}
    for send_ms, what in waiting:
        crane = (names or {}).get(what.crane, what.crane)
        number = seq[what.crane]
        seq[what.crane] += 1
        if isinstance(what, Segment):
            if what.t0_ms - until_ms.get(what.crane, what.t0_ms) >= _PAUSE_MS:
                boot[what.crane] = (boot[what.crane] + 1) % 2**63
            until_ms[what.crane] = what.t0_ms + what.samples * what.dt_ms
        yield _message(what, crane, boot[what.crane], number, send_ms, shift_ms)


def _shift_ms(first_ms: int, last_ms: int, factor: float, now_ms: int) -> int:
    if factor <= 1:
        return now_ms - first_ms
    return now_ms + round((last_ms - first_ms) / factor) - last_ms


def _cut(segment: Segment, factor: float) -> Iterator[Segment]:
    """Parts short enough that one is sent about every second of the replay."""
    n = int(np.clip(round(_MESSAGE_S * 1000 * factor / segment.dt_ms), 1, _LARGEST_MESSAGE))
    for first in range(0, segment.samples, n):
        channels = {name: values[first : first + n] for name, values in segment.channels.items()}
        yield Segment(segment.crane, segment.t0_ms + first * segment.dt_ms, segment.dt_ms, channels)


def _message(
    what: Segment | Happening, crane: str, boot: int, seq: int, send_ms: int, shift_ms: int
) -> Outgoing:
    if isinstance(what, Segment):
        channels = {
            name: np.ascontiguousarray(values, dtype=np.float32) for name, values in what.channels.items()
        }
        payload = samples_payload(boot, seq, what.t0_ms + shift_ms, what.dt_ms, channels)
        return Outgoing(crane, boot, seq, send_ms, topic(crane, Leaf.SAMPLES), payload)
    event = Event(what.at_ms + shift_ms, what.kind, what.code, what.state, what.text, seq, send_ms)
    return Outgoing(crane, boot, seq, send_ms, topic(crane, Leaf.EVENTS), event_payload(boot, event))


def read_recording(samples_file: Path, events_file: Path | None = None) -> Recording:
    """A recording from tables in Parquet or CSV.

    The samples table has the columns `crane`, `at` (UTC, ISO 8601 in CSV) and one a channel by its name in
    docs/nomenclature.md, one row a sample; an empty cell is a missing reading, and a channel without any value
    is one that the crane has not got. The events table has `crane`, `at`, `kind`, `code`, `state`, `text`.
    """
    samples = _table(samples_file, ("crane", "at"))
    channels = [name for name in samples.column_names if name in CHANNEL_NAMES]
    if not channels:
        raise InvalidInput(
            f"{samples_file.name} has no channel column; known are {', '.join(CHANNEL_NAMES)}",
            field="channels",
        )
    events: tuple[Happening, ...] = ()
    if events_file is not None:
        rows = _table(events_file, ("crane", "at", "kind")).to_pylist()
        events = tuple(_happening(row) for row in rows)
    return Recording(tuple(_segments(samples, channels)), events)


def _table(file: Path, needed: tuple[str, ...]) -> pa.Table:
    if not file.exists():
        raise InvalidInput(f"there is no file {file}", field="file")
    table = pq.read_table(file) if file.suffix == ".parquet" else pyarrow.csv.read_csv(file)
    missing = [name for name in needed if name not in table.column_names]
    if missing:
        raise InvalidInput(f"{file.name} lacks the columns {missing}", field="file")
    at = table.column("at")
    if not pa.types.is_timestamp(at.type):
        raise InvalidInput(
            f"column at of {file.name} does not hold times such as 2026-01-05T07:30:00Z", field="at"
        )
    at_ms = pc.cast(pc.cast(at, pa.timestamp("ms"), safe=False), pa.int64())
    return table.set_column(table.column_names.index("at"), "at", at_ms).sort_by(
        [("crane", "ascending"), ("at", "ascending")]
    )


def _segments(table: pa.Table, channels: list[str]) -> Iterator[Segment]:
    crane = np.asarray(table.column("crane").to_pylist(), dtype=object)
    at_ms = table.column("at").to_numpy()
    values = {name: table.column(name).cast(pa.float32()).to_numpy(zero_copy_only=False) for name in channels}
    for first, last, dt_ms in _even_runs(crane, at_ms):
        read = {name: column[first:last] for name, column in values.items()}
        present = {name: part for name, part in read.items() if not np.isnan(part).all()}
        if present:
            yield Segment(str(crane[first]), int(at_ms[first]), dt_ms, present)


def _even_runs(crane: np.ndarray, at_ms: Ints) -> Iterator[tuple[int, int, int]]:
    """(first, last, step) of the longest runs of one crane with one step, from the front."""
    first = 0
    while first < len(at_ms):
        last, dt_ms = first + 1, 0
        while last < len(at_ms) and crane[last] == crane[first]:
            step = int(at_ms[last] - at_ms[last - 1])
            if step <= 0 or (dt_ms and step != dt_ms) or step > 60_000:
                break
            dt_ms = step
            last += 1
        yield first, last, dt_ms or 1000
        first = last


def _happening(row: dict[str, object]) -> Happening:
    try:
        return Happening(
            str(row["crane"]),
            int(str(row["at"])),
            EventKind(str(row["kind"])),
            str(row.get("code") or ""),
            EventState(str(row.get("state") or EventState.RAISED)),
            str(row.get("text") or ""),
        )
    except ValueError as problem:
        raise InvalidInput(f"an event cannot be read: {problem}", field="events") from problem
