"""Export: samples, events, lifts and ledgers of some cranes and a period as one CSV or Parquet file.

Samples and events come with their keys, so `boomledger import` puts them back exactly as they were.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq
from psycopg import Connection

from domain.channels import CHANNEL_NAMES
from domain.errors import Conflict, InvalidInput
from duty import ledger
from store import cranes, events, further_channels, parquet, segments
from store.columns import Segment
from store.cranes import CraneEntry
from store.duty import COUNTING_IN_USE, LIFTS_READ, SPANS_OF

What = Literal["samples", "events", "lifts", "ledgers"]
PAGE: Final = 5000
STEP: Final = timedelta(days=1)  # read at a time, so that memory does not grow with the period
_TIME: Final = pa.timestamp("ms", tz="UTC")
_MESSAGE: Final = [("boot", pa.int64()), ("seq", pa.int64())]
SCHEMAS: Final[dict[str, Any]] = {
    "samples": pa.schema(
        [
            ("crane", pa.string()),
            ("at", _TIME),
            *_MESSAGE,
            ("dt_ms", pa.int32()),
            ("received_at", _TIME),
            ("channels", pa.int32()),
            *((name, pa.float32()) for name in CHANNEL_NAMES),
        ]
    ),
    "events": pa.schema(
        [
            ("crane", pa.string()),
            ("at", _TIME),
            *((name, pa.string()) for name in ("kind", "code", "state", "text")),
            *_MESSAGE,
            ("received_at", _TIME),
        ]
    ),
    "lifts": pa.schema(
        [
            ("crane", pa.string()),
            ("started_at", _TIME),
            ("ended_at", _TIME),
            ("day", pa.date32()),
            *(
                (name, pa.float64())
                for name in ("peak_utilisation_pct", "peak_structural_pct", "peak_outreach_m", "mass_kg")
            ),
            ("slew_travel_deg", pa.float64()),
            ("limiter_stops", pa.int32()),
            ("limiter_overrides", pa.int32()),
        ]
    ),
    "ledgers": pa.schema(
        [
            ("crane", pa.string()),
            ("day", pa.date32()),
            ("entry", pa.string()),
            ("place", pa.int32()),
            ("low_class", pa.int32()),
            ("high_class", pa.int32()),
            ("low_pct", pa.float64()),
            ("high_pct", pa.float64()),
            ("count", pa.int64()),
        ]
    ),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Chosen:
    """Which cranes, and [time_from, time_to)."""

    cranes: tuple[str, ...]
    time_from: datetime
    time_to: datetime


def export(
    conn: Connection[Any],
    what: What,
    file: Path,
    chosen: Chosen,
    on_step: Callable[[], object] = lambda: None,
) -> int:
    """Write a new file, .csv or .parquet; the number of its rows. Messages that reach into the period come whole.

    Raises Conflict when the file is there, InvalidInput for an unknown crane or another ending.
    """
    if file.exists():
        raise Conflict(f"{file} is there already: name another file or remove it")
    if file.suffix not in (".csv", ".parquet"):
        raise InvalidInput(f"{file}: the name must end in .csv or .parquet", field="file")
    known = cranes.directory(conn)
    unknown = [name for name in chosen.cranes if name not in known]
    if unknown:
        raise InvalidInput(f"there is no crane {', '.join(unknown)}", field="crane")
    unfinished = file.with_name(f"{file.name}.unfinished")
    rows = 0
    schema = SCHEMAS[what]
    if what == "samples":
        schema = pa.schema([*schema, *((channel, pa.float32()) for channel in _further(conn, chosen))])
    with _sink(file.suffix, unfinished, schema) as write:
        for name in chosen.cranes or tuple(sorted(known)):
            for table in _tables(conn, what, name, known[name], chosen, schema):
                write(table)
                rows += table.num_rows
            on_step()
    unfinished.replace(file)
    return rows


def _further(conn: Connection[Any], chosen: Chosen) -> list[str]:
    """Further channels that the chosen cranes have or had."""
    listed = further_channels.listed(conn)
    return sorted({row.name for row in listed if not chosen.cranes or row.crane in (None, *chosen.cranes)})


class _sink:  # noqa: N801
    """A file of one schema; gives a function that writes a table to it."""

    def __init__(self, suffix: str, file: Path, schema: Any) -> None:
        self._csv = suffix == ".csv"
        if self._csv:
            texts = [field.with_type(pa.string()) if field.type == _TIME else field for field in schema]
            self._writer = pyarrow.csv.CSVWriter(str(file), pa.schema(texts))
        else:
            self._writer = pq.ParquetWriter(str(file), schema, compression="zstd")

    def __enter__(self) -> Callable[[Any], None]:
        return self._write

    def __exit__(self, *_: object) -> None:
        self._writer.close()

    def _write(self, table: Any) -> None:
        if self._csv:
            for place, field in enumerate(table.schema):
                if field.type == _TIME:
                    written = pc.strftime(table[field.name], "%Y-%m-%dT%H:%M:%SZ")
                    table = table.set_column(place, field.name, written)
        self._writer.write_table(table)


def _tables(
    conn: Connection[Any], what: What, name: str, entry: CraneEntry, chosen: Chosen, schema: Any
) -> Iterator[Any]:
    crane_id = entry.crane_id
    if what == "ledgers":
        yield from _ledgers(conn, name, entry, chosen)
        return
    if what == "lifts":
        yield from _lifts(conn, name, chosen)
        return
    first = chosen.time_from
    while first < chosen.time_to:
        past = min(first + STEP, chosen.time_to)
        if what == "samples":
            # A message belongs to the step that it begins in, and to the first one also when it reaches into that.
            whole = segments.read_both_tiers(conn, crane_id, first, past, reaching=first == chosen.time_from)
            if whole:
                yield _samples(name, whole, schema)
        else:
            happened = [
                {"crane": name, **{field: getattr(event, field) for field in SCHEMAS[what].names[1:]}}
                for event in events.read(conn, crane_id, first, past)
            ]
            if happened:
                yield pa.Table.from_pylist(happened, schema=SCHEMAS[what])
        first = past


def _samples(name: str, whole: Sequence[Segment], schema: Any) -> Any:
    n = np.array([segment.values.shape[1] for segment in whole])

    def spread(values: Iterable[int]) -> np.ndarray[Any, np.dtype[np.int64]]:
        return np.repeat(np.array(list(values), dtype=np.int64), n)

    within = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
    at_ms = spread(segment.t0_ms for segment in whole) + within * spread(segment.dt_ms for segment in whole)
    columns = [
        pa.array([name]).take(pa.array(np.zeros(len(at_ms), dtype=np.int64))),
        pa.array(at_ms).cast(_TIME),
        pa.array(spread(segment.boot for segment in whole)),
        pa.array(spread(segment.seq for segment in whole)),
        pa.array(spread(segment.dt_ms for segment in whole)).cast(pa.int32()),
        pa.array(spread(segment.received_ms for segment in whole)).cast(_TIME),
        pa.array(spread(parquet.channel_bits(segment.channels) for segment in whole)).cast(pa.int32()),
    ]
    for channel in schema.names[len(columns) :]:
        readings = np.concatenate([segment.readings(channel) for segment in whole])
        columns.append(pa.array(readings, mask=np.isnan(readings)))
    return pa.table(columns, schema=schema)


def _lifts(conn: Connection[Any], name: str, chosen: Chosen) -> Iterator[Any]:
    before: datetime | None = None
    while page := LIFTS_READ.all(
        conn, crane=name, time_from=chosen.time_from, time_to=chosen.time_to, before=before, rows=PAGE
    ):
        rows = [{field: getattr(row, field) for field in SCHEMAS["lifts"].names} for row in page]
        yield pa.Table.from_pylist(rows, schema=SCHEMAS["lifts"])
        before = page[-1].started_at


def _ledgers(conn: Connection[Any], name: str, entry: CraneEntry, chosen: Chosen) -> Iterator[Any]:
    counting = COUNTING_IN_USE.first(conn)
    if counting is None:
        return
    spans = SPANS_OF.all(
        conn,
        crane_id=entry.crane_id,
        counting_id=counting.counting_id,
        span="day",
        first_day=chosen.time_from.astimezone(entry.zone).date(),
        past=(chosen.time_to - timedelta(microseconds=1)).astimezone(entry.zone).date() + STEP,
    )
    for span in spans:
        rows = list(_entries(name, span.first_day, ledger.from_bytes(span.ledger)))
        yield pa.Table.from_pylist(rows, schema=SCHEMAS["ledgers"])


def _entries(name: str, day: date, counted: ledger.Ledger) -> Iterator[dict[str, Any]]:
    """A ledger as rows: closed cycles by class pair, open turning points in their order, and the samples."""
    middle = counted.edges.centres_pct
    pairs = zip(counted.low_class.tolist(), counted.high_class.tolist(), counted.counts.tolist(), strict=True)
    entries = [("cycles", place, low, high, count) for place, (low, high, count) in enumerate(pairs)]
    entries += [("turning_point", place, k, k, 1) for place, k in enumerate(counted.residue.tolist())]
    for entry, place, low, high, count in entries:
        yield {
            "crane": name,
            "day": day,
            "entry": entry,
            "place": place,
            "low_class": low,
            "high_class": high,
            "low_pct": middle[low],
            "high_pct": middle[high],
            "count": count,
        }
    totals = {"samples": counted.samples, "below": counted.clamped_low, "above": counted.clamped_high}
    for entry, count in totals.items():
        yield {"crane": name, "day": day, "entry": entry, "count": count}
