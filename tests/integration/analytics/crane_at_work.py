"""A crane in a fresh database, telemetry for it, and everything that was counted as comparable rows."""

import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import psycopg

from analytics import worker
from domain.channels import CHANNEL_NAMES
from domain.crane import Crane, Site
from domain.messages import EventKind, EventState
from simulator.yard import load_yard
from store import cranes, events, segments, touched
from store.events import Event
from store.segments import Segment, from_ms, to_ms

RECEIVED = datetime(2026, 1, 1, tzinfo=UTC)
COUNTED_TABLES = {
    "day_figure": "counting_id",
    "span_ledger": "counting_id",
    "lift": "counting_id",
    "event_context": "",
    "fault_episode": "",
    "gap": "",
    "crane_summary": "counted_at, counting_id",
}


@dataclass(frozen=True, kw_only=True)
class Yard:
    """One database with one crane."""

    url: str
    crane_id: int
    crane: Crane
    zone: ZoneInfo

    def store(self, stored: Sequence[Segment], happened: Sequence[Event] = ()) -> None:
        """Stores messages as ingest does, in one transaction, and touches their days."""
        with psycopg.connect(self.url, options="-c timezone=UTC") as conn:
            segments.prepare(conn)
            events.prepare(conn)
            moments = [part.t0_ms for part in stored]
            if moments:
                segments.make_ranges(conn, from_ms(min(moments)), from_ms(max(moments)))
                segments.keep(conn, stored)
            if happened:
                events.keep(conn, happened)
            touched.touch(conn, self._days(stored, happened))

    def _days(self, stored: Iterable[Segment], happened: Iterable[Event]) -> set[tuple[int, date]]:
        found = {(each.crane_id, each.at.astimezone(self.zone).date()) for each in happened}
        for part in stored:
            for moment in (part.t0_ms, part.t0_ms + (part.values.shape[1] - 1) * part.dt_ms):
                found.add((part.crane_id, from_ms(moment).astimezone(self.zone).date()))
        return found

    def count(self) -> None:
        """Runs a worker until the queue is empty."""
        worker.run(self.url, threading.Event(), once=True)

    def rows(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table as plain values."""
        with psycopg.connect(self.url, row_factory=psycopg.rows.dict_row, options="-c timezone=UTC") as conn:
            return conn.execute(f"select * from {table} order by 1, 2, 3").fetchall()

    def counted(self) -> dict[str, list[tuple[Any, ...]]]:
        """Everything that was counted, without the time of counting."""
        found = {}
        for table, left_out in COUNTED_TABLES.items():
            names = {name.strip() for name in left_out.split(",")}
            found[table] = sorted(
                (
                    tuple((name, value) for name, value in row.items() if name not in names)
                    for row in self.rows(table)
                ),
                key=repr,
            )
        return found

    def event(
        self, at: datetime, kind: EventKind, seq: int, *, code: str = "", cleared: bool = False
    ) -> Event:
        """One event of boot 1."""
        return Event(
            crane_id=self.crane_id,
            at=at,
            boot=1,
            seq=seq,
            kind=kind,
            code=code,
            state=EventState.CLEARED if cleared else EventState.RAISED,
            text="",
            received_at=RECEIVED,
        )

    def messages(
        self,
        start_at: datetime,
        channels: dict[str, np.ndarray],
        *,
        dt_ms: int = 1000,
        per_message: int = 60,
        boot: int = 1,
        first_seq: int = 0,
    ) -> list[Segment]:
        """Samples as messages of `per_message` samples, numbered from first_seq."""
        names = tuple(name for name in CHANNEL_NAMES if name in channels)
        values = np.stack([channels[name] for name in names]).astype(np.float32)
        return [
            Segment(
                crane_id=self.crane_id,
                t0_ms=to_ms(start_at) + first * dt_ms,
                boot=boot,
                seq=first_seq + number,
                dt_ms=dt_ms,
                channels=names,
                values=values[:, first : first + per_message],
                received_ms=to_ms(RECEIVED),
            )
            for number, first in enumerate(range(0, values.shape[1], per_message))
        ]


def put_crane(url: str, time_zone: str = "Europe/Vienna") -> Yard:
    """Puts an invented crane into a database, at a site in a time zone."""
    invented = load_yard(healthy=True).cranes[0].crane
    site = Site(name="test-yard", time_zone=time_zone)
    crane = invented.model_copy(
        update={"site": site.name, "registered_at": datetime(2020, 1, 1, tzinfo=UTC), "prior_duty": None}
    )
    with psycopg.connect(url) as conn:
        cranes.save_site(conn, site)
        crane_id = cranes.save_crane(conn, crane)
    return Yard(url=url, crane_id=crane_id, crane=crane, zone=ZoneInfo(time_zone))


def working(hours: float, *, seed: int = 0, dt_ms: int = 1000) -> dict[str, np.ndarray]:
    """A crane at work without geometry: load up, swing, set down, at random; utilisation of a load 30 to 115 %."""
    rng = np.random.default_rng(seed)
    n = int(hours * 3_600_000 / dt_ms)
    time_s = np.arange(n) * dt_ms / 1000
    utilisation = 4 + rng.normal(0, 0.3, n)
    at = 0.0
    while at < time_s[-1]:
        begin, length, level = at + rng.uniform(20, 90), rng.uniform(20, 120), rng.uniform(30, 115)
        loaded = (time_s >= begin) & (time_s < begin + length)
        utilisation[loaded] = level + 3 * np.sin(time_s[loaded]) + rng.normal(0, 0.5, int(loaded.sum()))
        at = begin + length
    return {
        "utilisation_pct": utilisation,
        "limit_pct": np.where(time_s % 7200 < 3600, 100.0, 80.0),
        "slew_deg": 180 * np.sin(time_s / 300),
        "outreach_m": 8 + 4 * np.sin(time_s / 200),
        "hook_height_m": 5 + 4 * np.cos(time_s / 150),
        "mode": np.full(n, 2.0),
        "stabiliser_left_pct": np.full(n, 100.0),
        "stabiliser_right_pct": np.where(time_s % 5000 < 2500, 100.0, 40.0),
    }


def shuffled(parts: Sequence[Any], seed: int, copies: int = 2, into: int = 5) -> list[list[Any]]:
    """The parts several times over, in random order, in lots."""
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(parts) * copies) % len(parts)
    return [[parts[i] for i in lot] for lot in np.array_split(order, into)]


def hours(count: float) -> timedelta:
    """A duration."""
    return timedelta(hours=count)
