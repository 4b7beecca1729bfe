"""The crane-days that a history written past the broker queues for counting."""

from datetime import UTC, date, datetime

import numpy as np
import psycopg

from boomledger.yard import register, write_history
from simulator.record import Batches, DayRecord
from simulator.yard import Yard, load_yard
from store.columns import to_ms

STEP_MS, SAMPLES = 600_000, 144  # the coarsest step and the longest span of one message


def record(crane: str, start: datetime) -> DayRecord:
    """A record of a single samples message."""
    t0_ms = to_ms(start)
    at = np.array([t0_ms])
    readings = np.full(SAMPLES, 10, dtype=np.float32)
    return DayRecord(
        crane=crane,
        day=start.date(),
        boots=np.array([1]),
        boot_seq=np.array([0]),
        dt_ms=STEP_MS,
        clock_offset_ms=0,
        t_ms=t0_ms + STEP_MS * np.arange(SAMPLES),
        channels={"utilisation_pct": readings},
        batches=Batches(
            t0_ms=at,
            first=np.array([0]),
            n=np.array([SAMPLES]),
            dt_ms=np.array([STEP_MS]),
            seq=np.array([0]),
            send_ms=at,
        ),
        events=(),
        truth=None,  # type: ignore[arg-type]  # is not written
    )


def test_a_segment_over_the_short_day_of_spring_queues_that_day_too(
    database: str, connection: psycopg.Connection
) -> None:
    whole = load_yard(date(2026, 3, 1))
    assert whole.site.time_zone == "Europe/Vienna"
    yard = Yard(site=whole.site, cranes=whole.cranes[:1])
    register(database, yard, date(2026, 3, 1))
    # 23:50 in the evening until 00:40 of the day after next: the day between has 23 hours.
    write_history(database, [record(yard.cranes[0].crane.name, datetime(2026, 3, 28, 22, 50, tzinfo=UTC))])
    days = connection.execute("select day from touched_day order by day").fetchall()
    assert days == [(date(2026, 3, 28),), (date(2026, 3, 29),), (date(2026, 3, 30),)]
