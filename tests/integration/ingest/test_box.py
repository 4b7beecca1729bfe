"""A sender that was written from docs/wire.md alone loses nothing and stores nothing twice, whatever breaks on the way."""

import math
import socket
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import psycopg
import pytest

from store import events, segments
from tests.support.box import Box
from tests.support.ingesting import ingesting, register, wait_until

pytestmark = pytest.mark.mosquitto
T0 = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
CLOCK_WITHOUT_BATTERY = datetime(2020, 1, 1, tzinfo=UTC)
DT = timedelta(milliseconds=100)
MINUTE = 600
DECIMALS = {"extension_m": 2, "operating_hours_h": 3}
Reading = float | None


def work() -> Iterator[tuple[datetime, dict[str, Reading]]]:
    """Samples without end: percents, angles, lengths that need one to four bytes, some readings missing."""
    for i in range(100 * MINUTE):
        yield (
            T0 + i * DT,
            {
                "utilisation_pct": None if i % 97 == 5 else 40 + 30 * math.sin(i / 60),
                "limit_pct": 100.0,
                "slew_deg": 180 * math.sin(i / 20),
                "extension_m": 3 + 3 * math.cos(i / 50),
                "operating_hours_h": None if i % 100 else 3120.5 + i / 36_000,
                "oil_temperature_degc": None,
            },
        )


def as_stored(name: str, reading: Reading) -> float:
    return math.nan if reading is None else float(np.float32(round(reading, DECIMALS.get(name, 1))))


class Crane:
    """A box, what it was told to record, and the connection to be broken."""

    def __init__(self, name: str, thin: bool, broker: tuple[str, int], folder: Path) -> None:
        self.name, self.thin, self.broker, self.file = name, thin, broker, str(folder / f"{name}.sqlite")
        self.work, self.recorded = work(), dict[datetime, dict[str, Reading]]()
        self.wrong_boot = 0
        self.start()

    def start(self) -> None:
        self.box = Box(*self.broker, self.name, "secret", self.file, thin=self.thin, decimals=DECIMALS)

    def record(self, samples: int) -> None:
        for _ in range(samples):
            at, readings = next(self.work)
            self.box.record(at, readings)
            self.recorded[at] = readings

    def cut(self) -> None:
        assert self.box.client is not None
        connection = self.box.client.socket()
        assert isinstance(connection, socket.socket)
        connection.shutdown(socket.SHUT_RDWR)

    def stored(self, conn: psycopg.Connection, crane_id: int) -> list[tuple[datetime, dict[str, float]]]:
        return [
            (
                datetime.fromtimestamp(one.t0_ms / 1000, UTC) + i * DT,
                {name: float(column[i]) for name, column in zip(one.channels, one.values, strict=True)},
            )
            for one in segments.read_whole(conn, crane_id, T0, T0 + timedelta(days=1))
            for i in range(len(one.values[0]))
        ]


def step_until_empty(cranes: list[Crane]) -> None:
    def empty() -> bool:
        for crane in cranes:
            crane.box.step()
        return not any(crane.box.waiting() for crane in cranes)

    wait_until(empty, "empty outboxes", 20)


def step_until_acknowledged(cranes: list[Crane]) -> None:
    def acknowledged() -> bool:
        for crane in cranes:
            crane.box.step()
        return all(
            len(crane.box.sent) >= crane.box.waiting() and not crane.box.unacknowledged for crane in cranes
        )

    wait_until(acknowledged, "the broker's acknowledgements", 20)


def lose_power(crane: Crane) -> None:
    """With messages on their way, and some that were never sent."""
    crane.record(MINUTE // 2)
    crane.cut()
    boot = crane.box.boot
    crane.start()
    assert crane.box.boot != boot
    assert crane.box.waiting() > 0


def start_with_a_wrong_clock(crane: Crane) -> None:
    """It is set after two seconds."""
    for i in range(20):
        crane.box.record(CLOCK_WITHOUT_BATTERY + i * DT, {"utilisation_pct": 50.0})
    crane.wrong_boot = crane.box.boot
    crane.record(MINUTE)
    assert crane.box.boot != crane.wrong_boot


def check_refused(cranes: list[Crane]) -> None:
    """What the wrong clock wrote is apart and told; it is sent again once and refused again."""
    for waiting in (1, 0):
        step_until_empty(cranes)
        for crane in cranes:
            assert [(boot, why) for boot, _, why in crane.box.apart()] == [(crane.wrong_boot, "refused")]
            crane.box.send_refused_again()
            assert crane.box.waiting() == waiting

    def told() -> bool:
        for crane in cranes:
            crane.box.step()
        return all("before_registration" in {one["code"] for one in crane.box.notices} for crane in cranes)

    wait_until(told, "the notices")


def check_stored(crane: Crane, connection: psycopg.Connection, crane_id: int) -> None:
    found = crane.stored(connection, crane_id)
    assert [at for at, _ in found] == list(crane.recorded), "every sample once"
    names = list(crane.recorded[T0])
    np.testing.assert_array_equal(
        [[readings[name] for name in names] for _, readings in found],
        [[as_stored(name, readings[name]) for name in names] for readings in crane.recorded.values()],
    )
    stopped = events.read(connection, crane_id, T0, T0 + timedelta(days=1))
    assert [(one.at, one.kind, one.code) for one in stopped] == [
        (T0 + timedelta(seconds=30), "limiter_stop", "L102")
    ]


def test_a_box_by_the_document_loses_nothing(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int], tmp_path: Path
) -> None:
    ids = register(database, "crane-json", "crane-cbor")
    cranes = [Crane(name, name == "crane-cbor", mosquitto, tmp_path) for name in ids]

    def stored() -> bool:
        return all(len(one.stored(connection, ids[one.name])) == len(one.recorded) for one in cranes)

    def online() -> int:
        return len(connection.execute("select from live where online").fetchall())

    with ingesting(database, mosquitto):
        for crane in cranes:
            crane.record(MINUTE)
            crane.box.event(T0 + timedelta(seconds=30), "limiter_stop", "L102")
        step_until_empty(cranes)
    for crane in cranes:  # ingest is away: the broker acknowledges, and nobody gives receipts
        crane.record(MINUTE)
    step_until_acknowledged(cranes)
    for crane in cranes:
        assert crane.box.waiting() == 6
        crane.cut()  # so the receipts reach nobody
    with ingesting(database, mosquitto):
        wait_until(stored, "rows")
        step_until_empty(cranes)
        for crane in cranes:
            crane.record(MINUTE)
        step_until_acknowledged(cranes)
        for crane in cranes:
            lose_power(crane)
            start_with_a_wrong_clock(crane)
        check_refused(cranes)
        assert online() == 2
        for crane in cranes:
            crane.box.close()
        wait_until(
            lambda: online() == 0, "offline: under the boot of the connection, the clock was set since"
        )
    for crane in cranes:
        check_stored(crane, connection, ids[crane.name])
