"""Ground truth on disk: four Parquet files in a folder, written as the days are made.

lifts.parquet           every lift as planned, with its peaks on the noise-free signal
events.parquet          every event that was sent
days.parquet            per crane and day: samples, messages and how many came late, seconds near the limit and under
                        load, stops, overrides
turning_points.parquet  per crane and day: turning points of the noise-free structural percent, for counting cycles
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from simulator.record import DayRecord, Event, Floats32, TrueLift

Rows = dict[str, list[dict[str, Any]]]

_AT: Final = pa.timestamp("ms", tz="UTC")
_SCHEMAS: Final = {
    "lifts": pa.schema(
        [
            ("crane", pa.string()),
            ("started_at", _AT),
            ("ended_at", _AT),
            ("mass_kg", pa.float64()),
            ("peak_utilisation_pct", pa.float64()),
            ("peak_structural_pct", pa.float64()),
            ("peak_moment_kn_m", pa.float64()),
            ("peak_outreach_m", pa.float64()),
            ("slew_travel_deg", pa.float64()),
            ("highest_hook_m", pa.float64()),
            ("rope_travel_m", pa.float64()),
            ("limiter_stops", pa.int64()),
            ("limiter_overrides", pa.int64()),
        ]
    ),
    "events": pa.schema(
        [
            ("crane", pa.string()),
            ("boot", pa.int64()),
            ("seq", pa.int64()),
            ("at", _AT),
            ("kind", pa.string()),
            ("code", pa.string()),
            ("state", pa.string()),
        ]
    ),
    "days": pa.schema(
        [
            ("crane", pa.string()),
            ("day", pa.date32()),
            ("boot", pa.int64()),
            ("dt_ms", pa.int64()),
            ("samples", pa.int64()),
            ("sample_messages", pa.int64()),
            ("event_messages", pa.int64()),
            ("late_messages", pa.int64()),
            ("recorded_s", pa.float64()),
            ("engine_working_s", pa.float64()),
            ("load_s", pa.float64()),
            ("near_limit_s", pa.float64()),
            ("lifts", pa.int64()),
            ("limiter_stops", pa.int64()),
            ("limiter_overrides", pa.int64()),
            ("kq", pa.float64()),
        ]
    ),
    "turning_points": pa.schema(
        [("crane", pa.string()), ("day", pa.date32()), ("structural_pct", pa.list_(pa.float32()))]
    ),
}


def turning_points(values: Floats32) -> Floats32:
    """First and last value and every local extreme between them; equal neighbours count once."""
    distinct = values[np.concatenate([[True], np.diff(values) != 0])] if len(values) else values
    if len(distinct) < 3:
        return distinct
    step = np.sign(np.diff(distinct))
    extreme = np.concatenate([[True], step[1:] != step[:-1], [True]])
    return np.asarray(distinct[extreme], dtype=np.float32)


def kq_of(lifts: Iterable[TrueLift]) -> float:
    """Mean cube of the lifts' peak structural share; NaN without lifts."""
    peaks = np.array([lift.peak_structural_pct for lift in lifts]) / 100.0
    return float(np.mean(peaks**3)) if len(peaks) else float("nan")


class TruthWriter:
    """Writes the truth of records as they are made. Use it as a context manager: a Parquet file ends at its close."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._writers = {
            name: pq.ParquetWriter(folder / f"{name}.parquet", schema, compression="zstd")
            for name, schema in _SCHEMAS.items()
        }

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for writer in self._writers.values():
            writer.close()

    def write(self, record: DayRecord) -> None:
        """Append the truth of one record."""
        self.append(rows_of(record))

    def append(self, rows: Rows) -> None:
        """Append rows of `rows_of`, of one record or of several."""
        for name, content in rows.items():
            if content:
                self._writers[name].write_table(pa.Table.from_pylist(content, schema=_SCHEMAS[name]))


def rows_of(record: DayRecord) -> Rows:
    """The truth of one record as rows by table."""
    points = turning_points(record.truth.structural_pct)
    return {
        "lifts": _lift_rows(record),
        "events": _event_rows(record),
        "days": [_day_row(record)],
        "turning_points": [{"crane": record.crane, "day": record.day, "structural_pct": points}],
    }


def joined(parts: Iterable[Rows]) -> Rows:
    """The rows of several records as one: a file of many small pieces is slow to read."""
    rows: Rows = {name: [] for name in _SCHEMAS}
    for part in parts:
        for name, content in part.items():
            rows[name] += content
    return rows


def _lift_rows(record: DayRecord) -> list[dict[str, Any]]:
    rows = []
    for lift in record.truth.lifts:
        row = lift._asdict()
        row["started_at"], row["ended_at"] = _utc(row.pop("started_ms")), _utc(row.pop("ended_ms"))
        rows.append(row)
    return rows


def _event_rows(record: DayRecord) -> list[dict[str, Any]]:
    return [
        {
            "crane": record.crane,
            "boot": record.boot_of(event.seq),
            "seq": event.seq,
            "at": event.at,
            "kind": str(event.kind),
            "code": event.code,
            "state": str(event.state),
        }
        for event in record.events
    ]


def _day_row(record: DayRecord) -> dict[str, Any]:
    truth = record.truth
    return {
        "crane": record.crane,
        "day": record.day,
        "boot": record.boot,
        "dt_ms": record.dt_ms,
        "samples": truth.samples,
        "sample_messages": len(record.batches),
        "event_messages": len(record.events),
        "late_messages": late_messages(record),
        "recorded_s": truth.recorded_s,
        "engine_working_s": truth.engine_working_s,
        "load_s": truth.load_s,
        "near_limit_s": truth.near_limit_s,
        "lifts": len(truth.lifts),
        "limiter_stops": len(truth.limiter_stops_ms),
        "limiter_overrides": len(truth.limiter_overrides_ms),
        "kq": kq_of(truth.lifts),
    }


def late_messages(record: DayRecord) -> int:
    """Messages that left the crane later than they were ready, because it had no coverage."""
    batches = record.batches
    late = batches.send_ms + record.offset_ms(batches.seq) > batches.t0_ms + batches.n * batches.dt_ms
    send_ms, at_ms, seq = (
        np.array([event[name] for event in map(Event._asdict, record.events)], np.int64)
        for name in ("send_ms", "at_ms", "seq")
    )
    return int(np.count_nonzero(late)) + int(np.count_nonzero(send_ms + record.offset_ms(seq) > at_ms))


def _utc(moment_ms: int) -> datetime:
    return datetime.fromtimestamp(moment_ms / 1000, tz=UTC)


def write(records: Iterable[DayRecord], folder: Path) -> None:
    """Write the truth of records to a folder; existing files there are replaced."""
    with TruthWriter(folder) as writer:
        for record in records:
            writer.write(record)


def read(folder: Path) -> dict[str, pa.Table]:
    """The tables of a truth folder by name: lifts, events, days, turning_points."""
    return {name: pq.read_table(folder / f"{name}.parquet") for name in _SCHEMAS}
