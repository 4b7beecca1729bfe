"""What the store answers from counted days: gaps with causes, faults with context, overrides, service, weld details."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any, TypeVar

import numpy as np
import psycopg
import pytest

from domain.detail import CurveFamily, DetailSpec
from domain.errors import NotFound
from domain.messages import EventKind
from duty import circumstances, damage, directions, ledger, levels
from duty.damage import COMPARISON
from store import details, duty, faults, service, summary
from store.connection import connect
from store.duty import LIFE_READ
from tests.integration.analytics.crane_at_work import Yard, hours, working

Answer = TypeVar("Answer")

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
ALWAYS = {"time_from": datetime(2020, 1, 1, tzinfo=UTC), "time_to": datetime(2030, 1, 1, tzinfo=UTC)}
MINUTE = timedelta(minutes=1)


def ask(yard: Yard, question: Callable[[psycopg.AsyncConnection[Any]], Awaitable[Answer]]) -> Answer:
    """Asks as the api does, on an asyncio connection, and commits."""

    async def run() -> Answer:
        async with await psycopg.AsyncConnection.connect(yard.url, options="-c timezone=UTC") as conn:
            return await question(conn)

    return asyncio.run(run())


def name(yard: Yard) -> str:
    return yard.crane.name


def test_gaps_have_causes_inside_days_and_between(yard: Yard) -> None:
    parts = yard.messages(START, working(20))
    quarantined = parts[70]
    kept = [part for part in parts if part.seq not in {10, 11, 12, 70, *range(1000, 1100)}]
    blind = kept[200]
    kept[200] = type(blind)(
        **{field: getattr(blind, field) for field in blind.__slots__ if field != "values"},
        values=np.where(np.arange(len(blind.channels))[:, None] == 0, np.nan, blind.values),
    )
    with psycopg.connect(yard.url) as conn:
        conn.execute(
            "insert into quarantine (received_at, last_received_at, topic, crane_name, reason, detail, raw, digest)"
            " values (now(), now(), 't', %s, 'out_of_range', '', %s, 'x')",
            [name(yard), b'{"boot": %d, "seq": %d, "t0": ' % (quarantined.boot, quarantined.seq)],
        )
    yard.store(kept)
    yard.count()
    found = ask(yard, lambda conn: duty.GAPS_READ.all_async(conn, crane=name(yard), **ALWAYS))
    assert [(gap.cause, gap.from_at, gap.to_at, gap.missing_ms, gap.messages) for gap in found] == [
        ("offline", START + 10 * MINUTE, START + 13 * MINUTE, 180_000, 3),
        ("quarantine", START + 70 * MINUTE, START + 71 * MINUTE, 60_000, 1),
        ("sensor", START + 204 * MINUTE, START + 205 * MINUTE, 60_000, 0),
        ("offline", START + 1000 * MINUTE, START + 1100 * MINUTE, 6_000_000, 100),
    ]
    whole = ask(yard, lambda conn: summary.CRANE_SUMMARY.first_async(conn, crane=name(yard)))
    assert whole is not None
    assert whole.missing_ms == 6_300_000
    assert whole.recorded_ms == (1200 - 105) * 60_000
    assert whole.coverage == pytest.approx(1095 / 1200)
    assert whole.f1 == 1.1


def set_aside(yard: Yard, parts: Iterable[Any], reason: str = "bad_shape") -> None:
    with psycopg.connect(yard.url) as conn:
        conn.cursor().executemany(
            "insert into quarantine (received_at, last_received_at, topic, crane_name, reason, detail, raw, digest)"
            " values (now(), now(), 't', %s, %s, '', %s::bytea, sha256(%s::bytea))",
            [
                (name(yard), reason, raw, raw)
                for one in parts
                if (raw := b'{"boot": %d, "seq": %d, ' % (one.boot, one.seq))
            ],
        )


def test_the_end_of_a_boot_that_lies_in_quarantine_is_missing_once(yard: Yard) -> None:
    """From 23:30 local time on what comes is refused, until 00:30 of the next day; then the boot goes on."""
    parts = yard.messages(START + hours(16), working(3))
    set_aside(yard, parts[30:90])
    yard.store(parts[:30])
    yard.count()
    days = {row["day"]: (row["quarantine_gap_ms"], row["last_seq"]) for row in yard.rows("day_figure")}
    assert days == {date(2026, 3, 9): (30 * 60_000, 59)}
    whole = ask(yard, lambda conn: summary.CRANE_SUMMARY.first_async(conn, crane=name(yard)))
    assert whole is not None
    assert whole.coverage == pytest.approx(0.5)
    yard.store(parts[90:])
    yard.count()
    whole = ask(yard, lambda conn: summary.CRANE_SUMMARY.first_async(conn, crane=name(yard)))
    assert whole is not None
    assert (whole.missing_ms, whole.recorded_ms) == (60 * 60_000, 120 * 60_000)
    found = ask(yard, lambda conn: duty.GAPS_READ.all_async(conn, crane=name(yard), **ALWAYS))
    assert [(gap.from_at, gap.to_at, gap.missing_ms) for gap in found] == [
        (START + hours(16.5), START + hours(17), 1_800_000),
        (START + hours(17), START + hours(17.5), 1_800_000),
    ]


def test_a_gap_over_midnight_lies_between_the_days(yard: Yard) -> None:
    """22:00 to 24:00 UTC is 23:00 to 01:00 in Vienna; an hour around its midnight never came."""
    parts = yard.messages(START + hours(16), working(2))
    yard.store([part for part in parts if not 30 <= part.seq < 90])
    yard.count()
    found = ask(yard, lambda conn: duty.GAPS_READ.all_async(conn, crane=name(yard), **ALWAYS))
    assert [(gap.cause, gap.missing_ms, gap.messages) for gap in found] == [("offline", 3_600_000, 60)]
    days = {row["day"]: row["offline_gap_ms"] for row in yard.rows("day_figure")}
    assert days == {date(2026, 3, 9): 0, date(2026, 3, 10): 0}
    whole = ask(yard, lambda conn: summary.CRANE_SUMMARY.first_async(conn, crane=name(yard)))
    assert whole is not None
    assert whole.coverage == pytest.approx(0.5)


def test_faults_with_what_the_crane_was_doing(yard: Yard) -> None:
    signals = working(3)
    at = [START + hours(x) for x in (0.5, 1.0, 1.5, 1.75)]
    yard.store(
        yard.messages(START, signals),
        [
            yard.event(at[0], EventKind.FAULT, 9000, code="H-1"),
            yard.event(at[1], EventKind.FAULT, 9001, code="H-1", cleared=True),
            yard.event(at[2], EventKind.FAULT, 9002, code="H-1"),
            yard.event(at[3], EventKind.FAULT, 9003, code="E-7"),
            yard.event(START + hours(50), EventKind.FAULT, 9004, code="E-7"),  # no readings then
        ],
    )
    yard.count()
    known = [("H-1", "oil filter clogged (invented)", "change it")]
    with connect(yard.url) as conn:
        faults.enter_status_codes(conn, known, source="test")
    found = ask(
        yard, lambda conn: faults.FAULT_EPISODES.all_async(conn, crane=name(yard), **ALWAYS, repeat_days=7)
    )
    assert [(f.code, f.raised_at, f.cleared_at, f.repeats, f.raised_times) for f in found] == [
        ("E-7", at[3], None, 0, 2),
        ("H-1", at[2], None, 1, 1),
        ("H-1", at[0], at[1], 0, 1),
    ]
    second = int((at[2] - START).total_seconds())
    assert found[1].utilisation_pct == pytest.approx(signals["utilisation_pct"][second], rel=1e-6)
    assert found[1].outreach_m == pytest.approx(signals["outreach_m"][second], rel=1e-6)
    peak = signals["utilisation_pct"][second - 30 : second + 1].max()
    assert found[1].peak_utilisation_pct == pytest.approx(peak, rel=1e-6)
    assert (found[1].meaning, found[0].meaning) == ("oil filter clogged (invented)", None)

    pareto = ask(
        yard,
        lambda conn: faults.FAULT_PARETO.all_async(conn, **ALWAYS, crane=None, sites=None, repeat_days=7),
    )
    assert [(row.code, row.count, row.open) for row in pareto] == [("H-1", 2, 1), ("E-7", 1, 1)]
    assert pareto[-1].running_share == pytest.approx(1.0)
    by_crane = ask(yard, lambda conn: faults.FAULT_PARETO_BY_CRANE.all_async(conn, **ALWAYS, sites=None))
    assert [(row.crane, row.count, row.open, row.working_hours) for row in by_crane] == [
        (name(yard), 3, 2, 3.0)
    ]
    opened = ask(yard, faults.OPEN_FAULTS.all_async)
    assert [(row.code, row.raised_at) for row in opened] == [("H-1", at[2]), ("E-7", at[3])]
    with connect(yard.url) as conn, pytest.raises(NotFound):
        faults.enter_status_codes(conn, [("X", "", "")], source="test", type="no-such")


def test_overrides_name_their_lift(yard: Yard) -> None:
    yard.store(yard.messages(START, working(2)))
    yard.count()
    lift = yard.rows("lift")[3]
    inside = lift["started_at"] + (lift["ended_at"] - lift["started_at"]) / 2
    yard.store([], [yard.event(inside, EventKind.LIMITER_OVERRIDE, 9000)])
    yard.count()
    found = ask(yard, lambda conn: faults.OVERRIDES.all_async(conn, **ALWAYS, crane=None, rows=500))
    assert [(row.at, row.lift_started_at) for row in found] == [(inside, lift["started_at"])]
    assert found[0].utilisation_pct is not None
    assert [row["limiter_overrides"] for row in yard.rows("lift")][3] == 1


def test_service_counts_from_when_it_was_done(yard: Yard) -> None:
    for day in range(4):
        yard.store(yard.messages(START + timedelta(days=day), working(1, seed=day), boot=day + 1))
    yard.count()
    ask(
        yard,
        lambda conn: service.write_service_plan(conn, name="oil (invented)", every_hours=500, every_days=365),
    )

    def state() -> service.ServiceState:
        (found,) = ask(
            yard, lambda conn: service.service_states(conn, today=date(2026, 3, 12), crane=name(yard))
        )
        return found

    assert (state().hours_since, state().done_at) == (4.0, None)
    done_at, plan_id = START + timedelta(days=1, hours=12), state().plan_id
    ask(
        yard,
        lambda conn: service.write_service_done(
            conn, crane=name(yard), plan_id=plan_id, done_at=done_at, done_by="a fitter"
        ),
    )
    assert (state().hours_since, state().hours_of_late, state().done_by) == (2.0, 4.0, "a fitter")
    assert state().lifts_since == sum(row["lifts"] for row in yard.rows("day_figure")[2:])
    with pytest.raises(NotFound):
        ask(
            yard, lambda conn: service.write_service_plan(conn, name="x", every_days=1, crane="no-such-crane")
        )


def test_a_weld_detail_changes_the_summary_without_a_recount(yard: Yard) -> None:
    yard.store(yard.messages(START, working(3)))
    yard.count()

    def now() -> summary.CraneSummary:
        found = ask(yard, lambda conn: summary.CRANE_SUMMARY.first_async(conn, crane=name(yard)))
        assert found is not None
        return found

    with psycopg.connect(yard.url) as conn:
        (year,) = LIFE_READ.all(conn, crane=name(yard), directions=True)
    counted = ledger.from_bytes(year.ledger)
    assert now().detail_name == COMPARISON.name
    assert now().damage_counted == damage.of_ledger(COMPARISON, counted).total

    spec = DetailSpec(mpa_per_pct=1.4, curve=CurveFamily.EN_1993_1_9, reference_mpa=80.0, direction="worst")
    ask(
        yard,
        lambda conn: details.write_detail(
            conn, name="mounting", spec=spec.model_dump(mode="json"), entered_by="e", is_default=True
        ),
    )
    yard.count()
    assert year.directions is not None
    worst = damage.of_directions(damage.detail_of("mounting", spec), directions.from_bytes(year.directions))
    assert (now().detail_name, now().damage_counted, now().damage_direction_deg) == (
        "mounting",
        worst.total,
        worst.phi_deg,
    )


def test_a_period_is_read_from_the_fewest_spans(yard: Yard) -> None:
    """Any period adds up to the count of its days, whichever spans it is made of."""
    first_days = [
        date(2024, 12, 30),
        date(2025, 1, 1),
        date(2025, 6, 30),
        date(2025, 12, 31),
        date(2026, 1, 1),
    ]
    for number, day in enumerate(first_days):
        start = datetime(day.year, day.month, day.day, 9, tzinfo=UTC)
        yard.store(yard.messages(start, working(0.2, seed=number), boot=number + 1))
    yard.count()
    with psycopg.connect(yard.url) as conn:
        days = duty.SPANS_OF.all(
            conn,
            crane_id=yard.crane_id,
            counting_id=1,
            span="day",
            first_day=duty.FIRST_DAY,
            past=duty.LAST_DAY,
        )
    assert [span.first_day for span in days] == first_days
    for day_from, day_to, spans in [
        (date(2025, 1, 1), date(2025, 12, 31), 1),
        (date(2024, 12, 1), date(2026, 1, 1), 3),
        (date(2025, 6, 30), date(2025, 12, 31), 2),
        (date(2025, 1, 2), date(2025, 6, 30), 1),
        (date(2026, 1, 2), date(2026, 6, 30), 0),
    ]:
        found = ask(
            yard, lambda conn, a=day_from, b=day_to: duty.spans(conn, name(yard), a, b, directions=True)
        )
        assert len(found) == spans
        inside = [span for span in days if day_from <= span.first_day <= day_to]
        assert sum(span.samples for span in found) == sum(span.samples for span in inside)
        if not inside:
            continue
        assert ledger.merge_all([ledger.from_bytes(span.ledger) for span in found]) == ledger.merge_all(
            [ledger.from_bytes(span.ledger) for span in inside]
        )
        near = [circumstances.from_bytes(span.circumstances) for span in found]
        assert circumstances.merge_all(near) == circumstances.merge_all(
            [circumstances.from_bytes(span.circumstances) for span in inside]
        )
        assert sum(levels.near_limit_ms(levels.from_bytes(span.tallies)) for span in found) == sum(
            row["near_limit_ms"] for row in yard.rows("day_figure") if day_from <= row["day"] <= day_to
        )
