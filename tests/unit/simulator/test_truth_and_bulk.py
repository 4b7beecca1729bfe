"""Truth on disk, and records handed to a writer in bulk: nothing lost, nothing twice."""

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from domain.channels import CHANNEL_NAMES
from simulator.bulk import EventRow, SegmentRow, load
from simulator.generate import generate
from simulator.record import DayRecord
from simulator.truth import kq_of, read, turning_points, write
from simulator.yard import load_yard


@pytest.fixture(scope="module")
def records() -> list[DayRecord]:
    cranes = [load_yard().crane(name) for name in ("yard-02", "yard-04", "yard-07")]
    return list(generate(cranes, date(2025, 11, 3), 4, dt_ms=1000))


def test_turning_points_by_hand() -> None:
    values = np.array([1, 1, 2, 3, 3, 2, 5, 4, 4, 4, 0, 0], dtype=np.float32)
    assert turning_points(values).tolist() == [1, 3, 2, 5, 0]
    assert turning_points(values[:2]).tolist() == [1]
    assert turning_points(values[:0]).tolist() == []


def test_truth_comes_back_as_it_was_written(tmp_path: Path, records: list[DayRecord]) -> None:
    write(records, tmp_path)
    tables = read(tmp_path)
    lifts = [lift for record in records for lift in record.truth.lifts]
    rows = tables["lifts"].to_pylist()
    assert len(rows) == len(lifts)
    for row, lift in zip(rows, lifts, strict=True):
        assert row["started_at"] == datetime.fromtimestamp(lift.started_ms / 1000, UTC)
        assert (row["mass_kg"], row["limiter_stops"]) == (lift.mass_kg, lift.limiter_stops)
    days = tables["days"].to_pylist()
    assert sum(row["samples"] for row in days) == sum(record.samples for record in records)
    assert [row["kq"] for row in days] == [kq_of(record.truth.lifts) for record in records]
    events = tables["events"].to_pylist()
    assert len(events) == sum(len(record.events) for record in records)
    assert sum(row["kind"] == "limiter_override" for row in events) == sum(
        row["limiter_overrides"] for row in days
    )
    points = tables["turning_points"].to_pylist()
    np.testing.assert_array_equal(
        np.float32(points[0]["structural_pct"]), turning_points(records[0].truth.structural_pct)
    )


def test_every_sample_and_event_reaches_the_writers_once(records: list[DayRecord]) -> None:
    segments: list[SegmentRow] = []
    events: list[EventRow] = []
    calls = []

    def write_segments(rows: list[SegmentRow]) -> None:
        calls.append(len(rows))
        segments.extend(rows)

    seen: list[DayRecord] = []
    written = load(records, write_segments, events.extend, segments_at_once=40, on_record=seen.append)
    assert seen == records
    assert len(calls) > 1
    assert written.segments == len(segments) == len({(s.crane, s.boot, s.seq) for s in segments})
    assert written.samples == sum(s.values.shape[1] for s in segments) == sum(r.samples for r in records)
    assert written.events == len(events) == sum(len(r.events) for r in records)
    for segment in segments:
        assert list(segment.channels) == sorted(segment.channels, key=CHANNEL_NAMES.index)
        assert segment.values.dtype == np.float32
        assert segment.received_ms >= segment.t0_ms + (segment.values.shape[1] - 1) * segment.dt_ms
    of_first = np.concatenate([s.values[0] for s in segments if s.boot in records[0].boots])
    np.testing.assert_array_equal(of_first, records[0].channels["utilisation_pct"])
