"""Local days: lifts over midnight, days of 23 and 25 hours, zones off the whole hour."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import psycopg
import pytest

from analytics import rebuild
from analytics.samples import LocalDay
from domain.crane import Site
from store import cranes
from store.segments import to_ms
from tests.integration.analytics.crane_at_work import Yard, put_crane

MIDNIGHT = datetime(2026, 3, 9, 23, tzinfo=UTC)  # in Vienna: Tuesday 10 March, 00:00


def loads(spans: list[tuple[int, int]], seconds: int) -> dict[str, np.ndarray]:
    """Utilisation of 5 %, and 60 % within the spans [s]; angles of nothing, so lifts are found on percent."""
    utilisation = np.full(seconds, 5.0)
    for begin, end in spans:
        utilisation[begin:end] = 60.0
    return {"utilisation_pct": utilisation, "limit_pct": np.full(seconds, 100.0)}


def lifts_of(yard: Yard) -> list[tuple[datetime, datetime, date]]:
    return [(row["started_at"], row["ended_at"], row["day"]) for row in yard.rows("lift")]


def test_a_lift_over_midnight_counts_once_and_for_the_day_it_began(yard: Yard) -> None:
    start = MIDNIGHT - timedelta(seconds=600)
    yard.store(yard.messages(start, loads([(100, 200), (550, 700), (900, 1000)], 1200)))
    yard.count()
    assert lifts_of(yard) == [
        (start + timedelta(seconds=100), start + timedelta(seconds=199), date(2026, 3, 9)),
        (start + timedelta(seconds=550), start + timedelta(seconds=699), date(2026, 3, 9)),
        (start + timedelta(seconds=900), start + timedelta(seconds=999), date(2026, 3, 10)),
    ]
    figures = {row["day"]: (row["lifts"], row["loaded_ms"]) for row in yard.rows("day_figure")}
    assert figures == {date(2026, 3, 9): (2, 149_000), date(2026, 3, 10): (1, 198_000)}


@pytest.mark.parametrize("second_day_first", [True, False])
def test_the_other_half_of_a_lift_may_come_later(yard: Yard, second_day_first: bool) -> None:
    start = MIDNIGHT - timedelta(seconds=600)
    parts = yard.messages(start, loads([(550, 700)], 1200))
    for lot in (parts[10:], parts[:10]) if second_day_first else (parts[:10], parts[10:]):
        yard.store(lot)
        yard.count()
    assert lifts_of(yard) == [
        (start + timedelta(seconds=550), start + timedelta(seconds=699), date(2026, 3, 9))
    ]
    assert {row["day"]: row["lifts"] for row in yard.rows("day_figure")} == {
        date(2026, 3, 9): 1,
        date(2026, 3, 10): 0,
    }


def test_a_day_that_comes_between_cuts_a_lift_in_two(yard: Yard) -> None:
    """Loaded at the end of Monday and at the start of Wednesday: Tuesday, coming last, was empty all day."""
    day = timedelta(days=1)
    monday = yard.messages(MIDNIGHT - timedelta(seconds=60), loads([(20, 60)], 60))
    wednesday = yard.messages(MIDNIGHT + day, loads([(0, 30)], 60), first_seq=1000)
    tuesday = yard.messages(MIDNIGHT, loads([], 86_400), first_seq=10, per_message=600)
    for lot in (wednesday, monday, tuesday):
        yard.store(lot)
        yard.count()
    assert [when for _, _, when in lifts_of(yard)] == [date(2026, 3, 9), date(2026, 3, 11)]


def test_a_load_that_hangs_for_two_midnights_is_one_lift(yard: Yard) -> None:
    seconds = 90_000
    start = MIDNIGHT - timedelta(seconds=600)
    parts = yard.messages(start, loads([(300, seconds - 300)], seconds), per_message=900)
    yard.store(parts[: len(parts) // 2])
    yard.count()
    yard.store(parts[len(parts) // 2 :])
    yard.count()
    assert lifts_of(yard) == [
        (start + timedelta(seconds=300), start + timedelta(seconds=seconds - 301), date(2026, 3, 9))
    ]


@pytest.mark.parametrize(
    ("day", "zone", "hours"),
    [
        (date(2026, 3, 29), "Europe/Vienna", 23),
        (date(2026, 10, 25), "Europe/Vienna", 25),
        (date(2026, 3, 30), "Europe/Vienna", 24),
        (date(2018, 11, 4), "America/Sao_Paulo", 23),  # there the clock was put on at midnight itself
        (date(2026, 6, 1), "Asia/Kathmandu", 24),
    ],
)
def test_days_have_the_hours_of_their_zone(day: date, zone: str, hours: int) -> None:
    local = LocalDay(day, ZoneInfo(zone))
    assert local.end_at - local.start_at == timedelta(hours=hours)
    last = local.end_at - timedelta(milliseconds=1)
    assert local.start_at.astimezone(local.zone).date() == last.astimezone(local.zone).date() == day
    clock = local.hours(np.array([to_ms(local.start_at), to_ms(last)]))
    assert clock.tolist() == [local.start_at.astimezone(local.zone).hour, 23]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Vienna", date(2026, 10, 25), 25),
        ("Europe/Vienna", date(2026, 3, 29), 23),
        ("Asia/Kathmandu", date(2026, 6, 1), 24),
    ],
)
def test_every_sample_counts_for_one_local_day(database: str, zone: str, day: date, hours: int) -> None:
    yard = put_crane(database, zone)
    local = LocalDay(day, yard.zone)
    start = local.start_at - timedelta(hours=1)
    seconds = (hours + 2) * 3600
    yard.store(yard.messages(start, loads([], seconds), per_message=1000))
    yard.count()
    recorded = {row["day"]: row["recorded_ms"] for row in yard.rows("day_figure")}
    assert recorded == {
        day - timedelta(days=1): 3_600_000,
        day: hours * 3_600_000,
        day + timedelta(days=1): 3_600_000,
    }


def test_a_crane_that_moves_to_another_zone_is_counted_by_its_new_days(yard: Yard) -> None:
    start = MIDNIGHT - timedelta(hours=1)
    yard.store(yard.messages(start, loads([(100, 200)], 7200)))
    yard.count()
    assert [row["recorded_ms"] for row in yard.rows("day_figure")] == [3_600_000, 3_600_000]
    with psycopg.connect(yard.url) as conn:
        cranes.save_site(conn, Site(name=yard.crane.site, time_zone="Asia/Kathmandu"))
    assert rebuild.touch_recorded(yard.url) == 2
    yard.count()
    assert {row["day"]: row["recorded_ms"] for row in yard.rows("day_figure")} == {
        date(2026, 3, 10): 7_200_000
    }
    assert [day for _, _, day in lifts_of(yard)] == [date(2026, 3, 10)]
