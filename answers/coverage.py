"""What is on record and what is missing, with causes, the factor f1 that follows, an estimate kept apart; what the own counters of a crane say."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from anyio import to_thread
from psycopg import AsyncConnection

from answers.life import counter_spans
from domain.answers import of_row, of_rows
from domain.coverage_answers import CauseTime, CoverageAnswer, EstimatedDuty
from domain.crane import Crane, DesignClass
from domain.errors import InvalidInput
from domain.history import COUNTER_TEXT, CounterReadingRow, CountersAnswer, CounterSpanRow
from domain.maintenance import GapRow
from domain.moments import DayRange
from domain.units import ms_to_s
from duty import life
from duty.recording import CounterSpan, Month, Recording, coverage, span_f1
from duty.unrecorded import missing_duty
from store import duty, summary
from store.counters import READINGS
from store.duty import Day
from store.reading import CraneInScope, CraneKnown
from store.summary import CraneSummary
from words.remarks import kept, remark, worded
from words.texts import cautions, t

MOST_GAPS: Final = 100
GAP_CAUSES: Final = ("offline", "quarantine", "hole")


async def coverage_of(conn: AsyncConnection[Any], crane: CraneKnown, chosen: DayRange) -> CoverageAnswer:
    """How much of some local days is on record, what is missing and why, and the f1 that follows."""
    days = await duty.days(conn, crane.name, chosen.first, chosen.last)
    start = datetime.combine(chosen.first, datetime.min.time(), UTC) - timedelta(days=1)
    first_at = days[0].day_start_at if days else start
    last_at = days[-1].day_end_at if days else start + timedelta(days=1)
    gaps = await duty.GAPS_READ.all_async(conn, crane=crane.name, time_from=first_at, time_to=last_at)
    whole = await summary.CRANE_SUMMARY.first_async(conn, crane=crane.name)
    counters, _ = await counter_spans(conn, crane, None if whole is None else whole.counting_id)
    return await to_thread.run_sync(coverage_answer, crane.crane(), chosen, days, gaps, whole, counters)


def coverage_answer(
    crane: Crane,
    chosen: DayRange,
    days: Sequence[Day],
    gaps: Sequence[GapRow],
    whole: CraneSummary | None,
    counters: Sequence[CounterSpan],
) -> CoverageAnswer:
    """Everything about the record of a period."""
    recorded_ms = sum(day.recorded_ms for day in days)
    by_cause = _by_cause_ms(days, gaps)
    missing_ms = sum(by_cause.values())
    uncounted_ms = sum(day.uncounted_ms for day in days)
    share = coverage(recorded_ms, missing_ms, uncounted_ms)
    unrecorded_ms = sum(by_cause[cause] for cause in ("excluded", "overlap", "clock", "pose"))
    record = Month(chosen.first, recorded_ms, missing_ms, unrecorded_ms, uncounted_ms=uncounted_ms)
    factor = span_f1(chosen.first, chosen.last, record, crane.recorder_runs, counters)
    longest = sorted(gaps, key=lambda gap: -gap.missing_ms)[:MOST_GAPS]
    return CoverageAnswer(
        note=t("coverage.note"),
        cautions=cautions("duty"),
        crane=crane.name,
        day_from=chosen.first,
        day_to=chosen.last,
        days_recorded=len(days),
        days_without_record=(days[-1].day - days[0].day).days + 1 - len(days) if days else 0,
        recorded_s=ms_to_s(recorded_ms),
        missing_s=ms_to_s(missing_ms),
        coverage=share,
        f1=factor.f1,
        f1_reason=worded(factor.reason),
        life_coverage=None if whole is None else whole.coverage,
        life_f1=Recording.UNKNOWN.value if whole is None or whole.f1 is None else whole.f1,
        life_f1_reason=remark("f1.nothing_recorded") if whole is None else kept(whole.f1_reason),
        causes=_causes(by_cause, gaps),
        gaps=tuple(longest),
        estimated=_estimated(crane.design, missing_ms - unrecorded_ms, days),
    )


def _by_cause_ms(days: Sequence[Day], gaps: Sequence[GapRow]) -> dict[str, int]:
    return {
        **{cause: sum(gap.missing_ms for gap in gaps if gap.cause == cause) for cause in GAP_CAUSES},
        "sensor": sum(day.sensor_gap_ms for day in days),
        "overlap": sum(day.overlap_ms for day in days),
        "clock": sum(day.clock_ms for day in days),
        "excluded": sum(day.excluded_ms for day in days),
        "pose": sum(day.no_pose_ms for day in days),
    }


def _causes(by_cause_ms: Mapping[str, int], gaps: Sequence[GapRow]) -> tuple[CauseTime, ...]:
    return tuple(
        CauseTime(
            cause=cause,
            missing_s=ms_to_s(ms),
            gaps=sum(gap.cause == cause for gap in gaps),
            what_to_do=remark(f"coverage.{cause}"),
        )
        for cause, ms in by_cause_ms.items()
        if ms
    )


def _estimated(design: DesignClass | None, missing_ms: int, days: Sequence[Day]) -> EstimatedDuty | None:
    found = missing_duty(
        missing_ms,
        [day.recorded_ms for day in days],
        [day.lifts for day in days],
        [day.peak_cubed_sum for day in days],
    )
    if found is None or missing_ms == 0:
        return None
    try:
        shares = [None if design is None else life.share_of_design(design, each) for each in found.cube_sum]
    except InvalidInput:
        shares = [None] * 3
    return EstimatedDuty(
        note=t("coverage.note.estimated"),
        missing_hours=found.hours,
        days_of_record=found.days,
        lifts=found.lifts.value,
        lifts_low=found.lifts.low,
        lifts_high=found.lifts.high,
        design_share=shares[0],
        design_share_low=shares[1],
        design_share_high=shares[2],
    )


async def counters_of(conn: AsyncConnection[Any], crane: CraneInScope) -> CountersAnswer:
    """Readings of the crane's own counters in force, and what they gained beside what was recorded."""
    found = await summary.CRANE_SUMMARY.first_async(conn, crane=crane.name)
    rows = await READINGS.all_async(
        conn, crane_id=crane.crane_id, zone=crane.time_zone, counter_text=COUNTER_TEXT
    )
    spans, problems = await counter_spans(conn, crane, None if found is None else found.counting_id)
    return CountersAnswer(
        crane=crane.name,
        readings=of_rows(CounterReadingRow, rows),
        spans=tuple(of_row(CounterSpanRow, one, agrees=one.gained <= one.recorded) for one in spans),
        problems=tuple(map(worded, problems)),
    )
