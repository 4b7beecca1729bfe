"""Work without end: rising times of sending, several cranes at work at once."""

import os
from datetime import UTC, datetime, timedelta
from itertools import takewhile
from pathlib import Path
from typing import Any

import orjson

from boomledger.simulate import last_change
from simulator.generate import generate_from
from simulator.live import live_messages
from simulator.yard import load_yard

START = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)


def test_three_hours_of_three_cranes() -> None:
    until_ms = (START + timedelta(hours=3)).timestamp() * 1000
    cranes = [load_yard().crane(name) for name in ("yard-01", "yard-07", "yard-09")]
    messages = list(
        takewhile(
            lambda message: message.send_ms < until_ms,
            live_messages(cranes, START, dt_ms=500, samples_per_message=20),
        )
    )
    sent = [message.send_ms for message in messages]
    assert sent == sorted(sent)
    for crane in cranes:
        mine = [message for message in messages if message.crane == crane.name]
        assert len({message.boot for message in mine}) > 1
        keys = [(message.boot, message.seq) for message in mine]
        assert len(set(keys)) == len(keys)
        spans = sorted(
            (orjson.loads(m.payload)["t0"], len(orjson.loads(m.payload)["channels"]["mode"]))
            for m in mine
            if m.topic.endswith("samples")
        )
        begins = [datetime.fromisoformat(t0) for t0, _ in spans]
        ends = [at + timedelta(milliseconds=500 * n) for at, (_, n) in zip(begins, spans, strict=True)]
        assert all(end <= begin for end, begin in zip(ends, begins[1:], strict=False))
        assert begins[0] < START + timedelta(minutes=1)


def test_live_work_ends_within_its_hours() -> None:
    for crane in load_yard().cranes:
        record = generate_from(crane, START, 2.0, 5, dt_ms=1000)
        assert record.t_ms[-1] - record.clock_offset_ms < (START + timedelta(hours=2)).timestamp() * 1000


def test_a_start_soon_after_a_run_does_not_work_twice_at_a_time(tmp_path: Path) -> None:
    cranes = load_yard().cranes[:4]
    stopped = START - timedelta(minutes=2)
    file = tmp_path / "outbox.sqlite"
    assert last_change(file) is None
    for name in ("outbox.sqlite", "outbox.sqlite-wal"):
        (tmp_path / name).touch()
    os.utime(file, (0, stopped.timestamp() - 60))
    os.utime(tmp_path / "outbox.sqlite-wal", (0, stopped.timestamp()))
    assert last_change(file) == stopped

    def first_at(**more: Any) -> list[datetime]:
        begun: dict[str, datetime] = {}
        for message in live_messages(cranes, START, dt_ms=500, samples_per_message=20, **more):
            if message.topic.endswith("samples") and message.crane not in begun:
                begun[message.crane] = datetime.fromisoformat(orjson.loads(message.payload)["t0"])
            if len(begun) == len(cranes):
                return list(begun.values())
        raise AssertionError("the work ended")

    assert min(first_at()) < stopped
    assert min(first_at(not_before=last_change(file))) >= stopped
