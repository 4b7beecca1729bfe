"""What was recorded goes out again, shifted as a whole, under a new boot number and never into the future."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import orjson
import pytest

from domain.errors import InvalidInput
from domain.messages import EventKind, EventMessage, EventState, SamplesMessage
from simulator.replay import Happening, Recording, Segment, read_recording, replay

NOW = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
FIRST_MS = 1_700_000_000_000


def recording() -> Recording:
    level = np.arange(3000, dtype=np.float32) / 100
    level[17] = np.nan
    one = Segment("yard-01", FIRST_MS, 100, {"utilisation_pct": level, "slew_deg": -level})
    two = Segment("yard-02", FIRST_MS + 60_000, 1000, {"utilisation_pct": level[:90]})
    stop = Happening(
        "yard-01", FIRST_MS + 123_456, EventKind.LIMITER_STOP, "L-100", EventState.RAISED, "Movement blocked"
    )
    return Recording((one, two), (stop,))


@pytest.mark.parametrize("factor", [0.1, 1.0, 10.0, 1000.0])
def test_every_reading_comes_again_in_order_and_not_from_the_future(factor: float) -> None:
    messages = list(replay(recording(), factor, NOW))
    assert [m.send_ms for m in messages] == sorted(m.send_ms for m in messages)
    readings: dict[str, list[float | None]] = {}
    shifts = set()
    for message in messages:
        wall = NOW + timedelta(milliseconds=(message.send_ms - FIRST_MS) / factor)
        if message.topic.endswith("/events"):
            event = EventMessage.model_validate_json(message.payload)
            assert (event.kind, event.code, event.text) == ("limiter_stop", "L-100", "Movement blocked")
            shifts.add(event.at.timestamp() * 1000 - (FIRST_MS + 123_456))
            assert event.at <= wall + timedelta(milliseconds=1)
            continue
        body = SamplesMessage.model_validate_json(message.payload)
        values = body.channels["utilisation_pct"]
        assert body.t0 + timedelta(milliseconds=body.dt_ms * len(values)) <= wall + timedelta(milliseconds=1)
        if message.crane == "yard-01":
            already = len(readings.get("yard-01", []))
            shifts.add(round(body.t0.timestamp() * 1000 - (FIRST_MS + already * 100)))
        readings.setdefault(message.crane, []).extend(values)
    assert len({round(shift) for shift in shifts}) == 1
    level = recording().segments[0].channels["utilisation_pct"]
    sent = np.array([np.nan if v is None else v for v in readings["yard-01"]], dtype=np.float32)
    np.testing.assert_array_equal(sent, level)
    assert len(readings["yard-02"]) == 90


def test_numbers_are_new_and_count_up_per_crane() -> None:
    one, other = list(replay(recording(), 5, NOW)), list(replay(recording(), 5, NOW))
    assert {m.boot for m in one}.isdisjoint({m.boot for m in other})
    for crane in ("yard-01", "yard-02"):
        mine = [m for m in one if m.crane == crane]
        assert [m.seq for m in mine] == list(range(len(mine)))
        assert len({m.boot for m in mine}) == 1


def test_a_pause_in_the_record_begins_another_boot() -> None:
    level = np.zeros(60, np.float32)
    starts = (FIRST_MS, FIRST_MS + 60_000, FIRST_MS + 180_000)
    parts = tuple(Segment("yard-01", at, 1000, {"utilisation_pct": level}) for at in starts)
    messages = list(replay(Recording(parts, ()), 10, NOW, boots={"yard-01": 42}))
    assert [m.seq for m in messages] == list(range(len(messages)))
    assert [m.boot for m in messages] == [42] * 12 + [43] * 6


def test_a_replay_can_go_to_a_twin() -> None:
    messages = list(replay(recording(), 1, NOW, names={"yard-01": "training-01"}, boots={"yard-01": 42}))
    twin = [m for m in messages if m.crane == "training-01"]
    assert twin
    assert all(m.topic.startswith("boomledger/v1/training-01/") and m.boot == 42 for m in twin)
    assert not [m for m in messages if m.crane == "yard-01"]


@pytest.mark.parametrize("factor", [0.05, 1001.0, float("nan")])
def test_a_factor_out_of_range_is_refused(factor: float) -> None:
    with pytest.raises(InvalidInput, match=r"0\.1\.\.1000"):
        list(replay(recording(), factor, NOW))


def test_nothing_recorded_is_said() -> None:
    with pytest.raises(InvalidInput, match="choose another"):
        list(replay(Recording(()), 1, NOW))


def test_csv_is_read_into_even_segments(tmp_path: Path) -> None:
    samples, events = tmp_path / "samples.csv", tmp_path / "events.csv"
    rows = ["crane,at,utilisation_pct,jib_deg"]
    rows += [f"yard-01,2026-01-05T07:00:0{k}.000Z,{k},3" for k in range(5)]
    rows += [f"yard-01,2026-01-05T07:30:0{k}.000Z,{'' if k == 2 else 10 + k}," for k in range(0, 9, 2)]
    samples.write_text("\n".join(rows) + "\n")
    events.write_text(
        "crane,at,kind,code,state,text\nyard-01,2026-01-05T07:00:03.250Z,fault,B-104,cleared,Angle\n"
    )
    read = read_recording(samples, events)
    assert [(s.dt_ms, s.samples, sorted(s.channels)) for s in read.segments] == [
        (1000, 5, ["jib_deg", "utilisation_pct"]),
        (2000, 5, ["utilisation_pct"]),
    ]
    assert np.isnan(read.segments[1].channels["utilisation_pct"][1])
    at = datetime(2026, 1, 5, 7, 0, 3, 250_000, tzinfo=UTC)
    assert read.events == (
        Happening(
            "yard-01", round(at.timestamp() * 1000), EventKind.FAULT, "B-104", EventState.CLEARED, "Angle"
        ),
    )
    sent = [orjson.loads(m.payload) for m in replay(read, 10, NOW)]
    assert any(body.get("code") == "B-104" for body in sent)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("at,utilisation_pct\n2026-01-05T07:00:00Z,1\n", "lacks the columns"),
        ("crane,at,height\nyard-01,2026-01-05T07:00:00Z,1\n", "no channel column"),
        ("crane,at,utilisation_pct\nyard-01,yesterday,1\n", "does not hold times"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(tmp_path: Path, text: str, complaint: str) -> None:
    file = tmp_path / "samples.csv"
    file.write_text(text)
    with pytest.raises(InvalidInput, match=complaint):
        read_recording(file)
