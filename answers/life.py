"""How much structural life of a crane is used: share of the design working period, damage of weld details, dates with a range."""

from collections.abc import Mapping, Sequence
from dataclasses import astuple
from datetime import date
from typing import Any

from anyio import to_thread
from psycopg import AsyncConnection

from answers.life_remarks import life_remarks
from answers.service import earliest_due
from answers.weld_damage import around_base_wanted, damage_of_details, unsure_answer
from domain.answers import of_row, of_rows
from domain.crane import Crane
from domain.history import COUNTER_TEXT
from domain.life_answers import FactorRow, FactorsAnswer, Forecast, LifeAnswer, MonthFactorRow
from domain.maintenance import DetailEntry
from domain.remark import Remark
from domain.units import ms_to_s
from duty import forecast as ahead
from duty import life, uncertainty
from duty.assessment import by_age
from duty.counters import gains, short
from duty.life_records import begins_sum, noted_in
from duty.life_status import LifeStatus, Totals, life_status, with_unrecorded
from duty.recording import CounterSpan, Month, Recording, spans_of
from store import duty, overloads, service, summary
from store.counters import MONTHLY_RECORD, READINGS, RECORDED_BETWEEN
from store.details import DETAILS_OF
from store.duty import Span
from store.life_records import life_records
from store.reading import CraneInScope, CraneKnown
from store.summary import CraneSummary
from words.remarks import sentence, worded
from words.texts import cautions, t


async def life_of(conn: AsyncConnection[Any], crane: CraneKnown) -> LifeAnswer:
    """Used share of the design working period with its safety factor, damage by detail, forecast, assessment date."""
    totals, found = await crane_totals(conn, crane)
    details = await DETAILS_OF.all_async(conn, crane=crane.name)
    spans = await duty.spans(conn, crane.name, directions=any(map(around_base_wanted, details)))
    today = crane.today()
    states = await service.service_states(conn, today=today, crane=crane.name)
    later = await _spans_since(conn, crane.name, totals, details)
    answer = await to_thread.run_sync(life_answer, crane.crane(), found, totals, details, spans, later)
    over = (await overloads.counts(conn, crane_id=crane.crane_id)).get(crane.name)
    return answer.model_copy(
        update={
            "service_due_on": earliest_due(states, today).get(crane.name),
            "overloads": over.entries if over else 0,
            "open_overloads": over.open if over else 0,
        }
    )


async def factors_of(conn: AsyncConnection[Any], crane: CraneKnown) -> FactorsAnswer:
    """What each safety factor f1 would make of the counted duty, and of the prior duty as stated."""
    totals, _ = await crane_totals(conn, crane)
    return await to_thread.run_sync(lambda: factors_answer(crane.crane(), life_status(crane.crane(), totals)))


async def _spans_since(
    conn: AsyncConnection[Any], crane: str, totals: Totals, details: Sequence[DetailEntry]
) -> dict[date, Sequence[Span]]:
    """Counts since the days on which weld details of a crane were changed during its record."""
    turned = any(map(around_base_wanted, details))
    days = {totals.noted.changed_details.get(row.name) for row in details}
    return {
        day: await duty.spans(conn, crane, day, directions=turned)
        for day in days
        if day is not None and begins_sum(day, totals.first_day)
    }


async def crane_totals(conn: AsyncConnection[Any], crane: CraneInScope) -> tuple[Totals, CraneSummary | None]:
    """Counted totals of one crane and the records of its life, with the summary that they come from."""
    found = await summary.CRANE_SUMMARY.first_async(conn, crane=crane.name)
    noted = noted_in(await life_records(conn, crane.crane_id))
    if found is None or found.counting_id is None:
        return Totals(weeks={}, noted=noted), found
    keys = {"crane_id": crane.crane_id, "counting_id": found.counting_id}
    weeks = await duty.WEEKLY_USE.all_async(conn, **keys)
    counters, told = await counter_spans(conn, crane, found.counting_id)
    totals = Totals(
        lifts=found.lifts,
        cube_sum=found.peak_cubed_sum,
        recorded_ms=found.recorded_ms,
        missing_ms=found.missing_ms,
        months=[Month(*astuple(one)) for one in await MONTHLY_RECORD.all_async(conn, **keys)],
        counters=counters,
        counter_problems=told,
        weeks={week.week: week.peak_cubed_sum for week in weeks},
        first_day=None if found.first_at is None else found.first_at.date(),
        last_day=weeks[-1].last_day if weeks else None,
        noted=noted,
    )
    apart = found.unrecorded_ms or any(one.blind for one in counters)
    return with_unrecorded(totals, await duty.WEEKLY_RECORD.all_async(conn, **keys) if apart else []), found


async def counter_spans(
    conn: AsyncConnection[Any], crane: CraneInScope, counting_id: int | None
) -> tuple[list[CounterSpan], tuple[Remark, ...]]:
    """What the crane's own counters gained beside what was recorded, and readings that contradict each other."""
    found, told = gains(
        await READINGS.all_async(
            conn, crane_id=crane.crane_id, zone=crane.time_zone, counter_text=COUNTER_TEXT
        )
    )
    if not found or counting_id is None:
        return [], short(told)
    days = {"after": [one.after for one in found], "upto": [one.upto for one in found]}
    recorded = await RECORDED_BETWEEN.all_async(
        conn, crane_id=crane.crane_id, counting_id=counting_id, **days
    )
    return spans_of(found, recorded), short(told)


def life_answer(
    crane: Crane,
    found: CraneSummary | None,
    totals: Totals,
    details: Sequence[DetailEntry],
    spans: Sequence[Span],
    later: Mapping[date, Sequence[Span]] | None = None,
) -> LifeAnswer:
    """Everything about the life of one crane from its counted duty; `later` of `spans_since`."""
    stands = life_status(crane, totals)
    review = as_answer(stands.review)
    remarks = tuple(life_remarks(stands, stands.assessment.on, stands.assessment.reason))
    return LifeAnswer(
        method=t("life.method"),
        cautions=cautions("duty"),
        crane=crane.name,
        recorded_from=None if found is None or found.first_at is None else found.first_at.date(),
        recorded_to=None if found is None or found.last_at is None else found.last_at.date(),
        lifts=totals.lifts,
        kq=stands.kq,
        coverage=stands.coverage,
        f1=stands.factor.f1,
        f1_reason=worded(stands.factor.reason),
        f1_by_month=of_rows(
            MonthFactorRow, [one._replace(reason=worded(one.reason)) for one in stands.months]
        ),
        prior_duty=crane.prior_duty,
        **_used_share(stands),
        unrecorded_s=ms_to_s(totals.unrecorded_ms),
        **_years(stands),
        contradictions=tuple(map(worded, stands.contradictions)),
        used_share_reason=stands.reason and worded(stands.reason),
        design=crane.design,
        details=damage_of_details(details, spans, stands, later or {}),
        forecast=as_answer(stands.spent),
        forecast_reason=stands.forecast_reason and worded(stands.forecast_reason),
        forecast_from=totals.last_day and stands.start,
        review_at_share=crane.review_at_share,
        review_forecast=review,
        special_assessment_by_use_on=None if review is None else review.early_on,
        **_assessed(stands),
        remarks=remarks,
        sentence=sentence(remarks),
    )


def _used_share(stands: LifeStatus) -> dict[str, Any]:
    """Fields of the used share, by its parts, and how sure it is; None where it is not known."""
    used = stands.used
    unsure = uncertainty.of_used_share(stands.crane, used, stands.factor.f1, stands.bias) if used else None
    return {
        "used_share": used and used.total,
        "used_share_counted": used and used.counted,
        "used_share_prior": used and used.prior_entered,
        "used_share_unknown": used and used.prior_unknown,
        "used_share_unrecorded": used and used.unrecorded,
        "used_share_unsure": unsure and unsure_answer(unsure),
    }


def _years(stands: LifeStatus) -> dict[str, Any]:
    """Fields of the years that the record does not hold, and of those that the design working period is to last."""
    return {
        "prior_known_from": stands.prior and stands.prior.since,
        "prior_from_manufacture": stands.crane.manufactured_on is not None,
        "unknown_years": stands.unknown_years,
        "blank_years": stands.blank_years,
        "design_years": stands.design_years.years,
        "design_years_assumed": stands.design_years.assumed,
    }


def _assessed(stands: LifeStatus) -> dict[str, Any]:
    """Fields of the special assessment, but for the day that use alone brings."""
    return {
        "special_assessment_on": stands.assessment.on,
        "special_assessment_reason": worded(stands.assessment.reason),
        "special_assessment_by": stands.assessment.by,
        "special_assessment_by_calendar_on": by_age(stands.crane).on,
    }


def as_answer(made: ahead.Forecast | ahead.NoForecast | None) -> Forecast | None:
    """The forecast for an answer; None where there is none."""
    if not isinstance(made, ahead.Forecast):
        return None
    trend = made.trend
    return of_row(
        Forecast,
        made,
        weeks_used=made.weeks,
        trend=t(f"trend.{trend.direction}", tau=trend.tau, p=trend.p_value),
    )


def factors_answer(crane: Crane, stands: LifeStatus) -> FactorsAnswer:
    """The used share and the day of being spent under every factor of the table."""
    steps = {recording.value: t(f"factors.{recording.name.lower()}") for recording in Recording}
    steps.setdefault(stands.factor.f1, t("factors.by_its_months"))
    prior, design = crane.prior_duty, crane.design
    rows = []
    for f1 in sorted(steps):
        made = life_status(crane, stands.totals, f1)
        rows.append(
            FactorRow(
                f1=f1,
                recording=steps[f1],
                in_force=f1 == stands.factor.f1,
                used_share_counted=None if made.used is None else made.used.counted,
                used_share=None if made.used is None else made.used.total,
                used_share_prior=None
                if made.used is None or prior is None or design is None
                else life.share_of_design(design, prior.lifts * prior.kq, f1),
                spent=as_answer(made.spent),
            )
        )
    return FactorsAnswer(
        source=t("factors.source"),
        cautions=cautions("duty"),
        crane=crane.name,
        coverage=stands.coverage,
        f1=stands.factor.f1,
        f1_reason=worded(stands.factor.reason),
        prior_f1=None if prior is None else prior.f1,
        rows=tuple(rows),
    )
