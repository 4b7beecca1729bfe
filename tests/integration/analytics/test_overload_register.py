"""The overload register follows the counted lifts: exact whatever came late, twice or again, and no decision is lost."""

import asyncio
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import psycopg
import pytest
from psycopg import AsyncConnection

from analytics import rebuild
from analytics.counting import CountingSettings
from domain.channels import Mode
from domain.errors import NotFound
from domain.exclusion import ExclusionAsked
from domain.overload import OverloadCause, OverloadDecisionAsked
from duty.lifts import LiftRule
from duty.overloads import OVERLOAD_PCT
from store import exclusions, overloads
from tests.integration.analytics.crane_at_work import Yard, hours, shuffled, working
from tests.integration.analytics.test_spikes import spiked
from tests.support import rows

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
ASKED = OverloadDecisionAsked(
    cause=OverloadCause.MOVED_OUT, note="bundle", decided="boom inspected, released"
)


def register(yard: Yard) -> list[overloads.OverloadListing]:
    async def read() -> list[overloads.OverloadListing]:
        async with await AsyncConnection.connect(yard.url, options="-c timezone=UTC") as conn:
            return await overloads.of_crane(conn, yard.crane_id)

    return asyncio.run(read())


def decide(yard: Yard, at: datetime, asked: OverloadDecisionAsked = ASKED) -> int:
    async def write() -> int:
        async with await AsyncConnection.connect(yard.url) as conn:
            return await overloads.decide(conn, yard.crane_id, at, asked, "ida")

    return asyncio.run(write())


def lifts_above(yard: Yard) -> list[dict[str, Any]]:
    return [row for row in yard.rows("lift") if row["peak_structural_pct"] > OVERLOAD_PCT]


def figures(of: Any) -> tuple[Any, ...]:
    row = of if isinstance(of, dict) else {name: getattr(of, name) for name in of.__dataclass_fields__}
    names = ("started_at", "ended_at", "day", "peak_structural_pct", "peak_utilisation_pct", "mass_kg")
    return tuple(row[name] for name in (*names, "peak_outreach_m", "limiter_stops", "limiter_overrides"))


def rectangles(*lifts: tuple[int, int, float], minutes: int = 40) -> dict[str, np.ndarray]:
    """Utilisation once a second: lifts as (second, seconds, percent), 4 % between them."""
    used = np.full(minutes * 60, 4.0)
    for first, length, level in lifts:
        used[first : first + length] = level
    return {"utilisation_pct": used, "limit_pct": np.full(used.size, 100.0), "mode": np.full(used.size, 2.0)}


def test_it_holds_the_counted_lifts_above_100_percent_in_whatever_order_they_came(yard: Yard) -> None:
    parts = yard.messages(START, working(5, seed=3))
    for lot in shuffled(parts, seed=1):
        yard.store(lot)
        yard.count()
    lifts = lifts_above(yard)
    assert 5 < len(lifts) < len(yard.rows("lift"))
    assert [figures(one) for one in register(yard)] == [figures(one) for one in lifts]
    assert all(one.open and one.counted and one.decisions == 0 for one in register(yard))


def test_a_lift_at_100_percent_and_a_spike_are_no_overload(yard: Yard) -> None:
    clean = rectangles((300, 60, 100.0), (900, 60, 80.0))
    dense = {name: np.repeat(values, 5) for name, values in clean.items()}
    dense["utilisation_pct"] = spiked(dense["utilisation_pct"], apart=400)
    yard.store(yard.messages(START, dense, dt_ms=200, per_message=300))
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["lifts"], day["spikes"]) == (2, 28)
    assert register(yard) == []


def test_a_day_sent_again_and_a_late_message_neither_double_nor_lose_a_decision(yard: Yard) -> None:
    parts = yard.messages(START, rectangles((300, 120, 108.0), (1200, 60, 115.0)))
    without = [part for number, part in enumerate(parts) if number != 5]  # the first minute of the first lift
    yard.store(without)
    yard.count()
    first, second = register(yard)
    number = decide(yard, first.started_at + timedelta(seconds=5))
    yard.store(without)
    yard.count()
    assert [(one.decision_id, one.open) for one in register(yard)] == [(number, False), (None, True)]
    yard.store(parts)
    yard.count()
    earlier, same = register(yard)
    assert earlier.started_at < first.started_at
    assert (earlier.decision_id, earlier.open, earlier.counted) == (number, False, True)
    assert (earlier.decided, earlier.decided_by) == (ASKED.decided, "ida")
    assert figures(same) == figures(second)
    with psycopg.connect(yard.url) as conn:
        assert rows.count(conn, "overload_decision") == 1


def test_a_late_message_with_a_higher_peak_opens_the_entry_again(yard: Yard) -> None:
    whole = rectangles((300, 120, 108.0))
    whole["utilisation_pct"][380:395] = 125.0
    parts = yard.messages(START, whole)
    yard.store([part for number, part in enumerate(parts) if number != 6])
    yard.count()
    decide(yard, register(yard)[0].started_at)
    assert not register(yard)[0].open
    yard.store(parts)
    yard.count()
    (risen,) = register(yard)
    assert (risen.open, risen.decisions, risen.cause) == (True, 1, "moved_out")
    assert (risen.decided_peak_structural_pct, risen.peak_structural_pct) == pytest.approx((108, 125))
    decide(yard, risen.started_at)
    (entry,) = register(yard)
    assert (entry.open, entry.decisions) == (False, 2)


def test_an_exclusion_takes_no_overload_out_of_the_register(yard: Yard) -> None:
    """Neither a decided one nor one that nobody has looked at: its lift is gone, its time above the rating is not."""
    yard.store(yard.messages(START, rectangles((300, 120, 108.0), (1200, 60, 115.0))))
    yard.count()
    first, second = register(yard)
    number = decide(yard, first.started_at)
    asked = ExclusionAsked(from_at=START, to_at=START + hours(0.5), reason="sensor hung")
    with psycopg.connect(yard.url) as conn:
        row, _ = exclusions.exclude(conn, yard.crane_id, yard.zone, asked, "ida")
    yard.count()
    assert lifts_above(yard) == []
    kept, still = register(yard)
    assert (kept.in_lift, kept.counted, kept.open, kept.decision_id) == (False, True, False, number)
    assert (still.in_lift, still.counted, still.open, still.decision_id) == (False, True, True, None)
    assert [one.peak_structural_pct for one in (kept, still)] == pytest.approx([108.0, 115.0])
    later = decide(yard, kept.started_at, ASKED.model_copy(update={"cause": OverloadCause.READING_FALSE}))
    with psycopg.connect(yard.url) as conn:
        exclusions.withdraw(conn, yard.crane_id, yard.zone, row.exclusion_id, "ida")
    yard.count()
    back, other = register(yard)
    assert (back.in_lift, back.counted, back.open, back.decision_id, back.decisions) == (
        True,
        True,
        False,
        later,
        2,
    )
    assert (figures(back), figures(other)) == (figures(first), figures(second))


def test_a_decided_overload_of_which_no_reading_is_left_stays_and_says_so(yard: Yard) -> None:
    """Days that were counted before they kept the time above the rating know of lifts alone."""
    yard.store(yard.messages(START, rectangles((300, 120, 108.0))))
    yard.count()
    (first,) = register(yard)
    number = decide(yard, first.started_at)
    with psycopg.connect(yard.url) as conn:
        rows.change(conn, "day_figure", {"over_part": None})
        rows.remove(conn, "lift")
        rows.change(conn, "crane_summary", {"made_of": None})
    yard.count()
    (kept,) = register(yard)
    assert (kept.counted, kept.open, kept.decision_id) == (False, False, number)
    assert figures(kept) == figures(first)


def test_time_above_the_rating_that_is_no_lift_is_in_the_register(yard: Yard) -> None:
    """Held when the record began and never set down on it; in transport; and a lift, each once."""
    sent = rectangles((0, 120, 108.0), (600, 90, 125.0), (1200, 60, 115.0))
    sent["mode"][580:720] = float(Mode.TRANSPORT)
    yard.store(yard.messages(START, sent))
    yard.count()
    found = register(yard)
    assert [figures(one) for one in found if one.in_lift] == [figures(one) for one in lifts_above(yard)]
    assert [round(one.peak_structural_pct) for one in found] == [108, 125, 115]
    (moved,) = [one for one in found if not one.in_lift and round(one.peak_structural_pct) == 125]
    assert moved.open
    assert moved.started_at == START + timedelta(seconds=600)
    assert (moved.ended_at - moved.started_at, moved.mass_kg) == (timedelta(seconds=90), None)


def test_it_follows_a_change_of_counts(yard: Yard) -> None:
    yard.store(yard.messages(START, working(3, seed=4)))
    yard.count()
    before = register(yard)
    decide(yard, before[0].started_at)
    other = replace(CountingSettings(), lift_rule=LiftRule(plain_tolerance_pct=17.5))
    assert rebuild.rebuild(yard.url, other, threading.Event())
    rebuild.drop_unused(yard.url)
    found = register(yard)
    assert [figures(one) for one in found if one.counted] == [figures(one) for one in lifts_above(yard)]
    assert sum(one.decisions for one in found) == 1


def test_a_crane_counted_before_there_was_a_register_gets_one(yard: Yard) -> None:
    yard.store(yard.messages(START, rectangles((300, 120, 108.0))))
    yard.count()
    before = register(yard)
    with psycopg.connect(yard.url) as conn:  # as the migration leaves it
        rows.remove(conn, "overload")
        rows.change(conn, "crane_summary", {"made_of": None})
    assert register(yard) == []
    yard.count()
    assert register(yard) == before != []


def test_there_is_nothing_to_decide_where_no_lift_is(yard: Yard) -> None:
    yard.store(yard.messages(START, rectangles((300, 120, 99.0))))
    yard.count()
    with pytest.raises(NotFound, match="see the list"):
        decide(yard, START + timedelta(seconds=320))
