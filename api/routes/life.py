"""How much structural life is used: share of the design working period, damage of weld details, dates with a range."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, replace
from datetime import date, datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from anyio import to_thread
from fastapi import APIRouter

from api.deps import Conn, KnownCrane
from api.life_words import sentence
from api.permissions import VIEWER
from api.routes.maintenance import earliest_due
from api.routes.spectrum import beyond_answer, merged_ledger
from domain.crane import Crane
from domain.detail import DetailSpec
from domain.life_answers import (
    DetailDamage,
    DirectionDamage,
    Forecast,
    InfluenceRow,
    LifeAnswer,
    MonthFactorRow,
    UnsureFigure,
)
from domain.units import ms_to_s
from duty import damage, directions, uncertainty
from duty import forecast as ahead
from duty.assessment import by_age
from duty.counters import gains, short
from duty.damage import Damage, Detail
from duty.details import COMPARISON
from duty.directions import DirectionLedger
from duty.ledger import Ledger
from duty.life_records import begins_sum, noted_in
from duty.life_status import LifeStatus, Totals, life_status, with_unrecorded
from duty.reading import Cycles
from duty.recording import CounterSpan, Month, spans_of
from store import duty, overloads, service, summary
from store.counters import MONTHLY_RECORD, READINGS, RECORDED_BETWEEN
from store.details import DetailRow, details_of
from store.duty import Span
from store.life_records import life_records
from store.reading import CraneInScope
from store.summary import CraneSummary

router = APIRouter(tags=["duty"])


@router.get("/cranes/{name}/life", dependencies=[VIEWER])
async def show_life(crane: KnownCrane, conn: Conn) -> LifeAnswer:
    """Used share of the design working period with its safety factor, damage by detail, forecast, assessment date."""
    totals, found = await crane_totals(conn, crane)
    details = await details_of(conn, crane.name)
    spans = await duty.spans(conn, crane.name, directions=any(_around_base(row) for row in details))
    today = datetime.now(ZoneInfo(crane.time_zone)).date()
    states = await service.service_states(conn, today=today, crane=crane.name)
    later = await spans_since(conn, crane.name, totals, details)
    answer = await to_thread.run_sync(life_answer, crane.crane(), found, totals, details, spans, later)
    over = (await overloads.counts(conn, crane_id=crane.crane_id)).get(crane.name)
    return answer.model_copy(
        update={
            "service_due_on": earliest_due(states, today).get(crane.name),
            "overloads": over.entries if over else 0,
            "open_overloads": over.open if over else 0,
        }
    )


async def spans_since(
    conn: Conn, crane: str, totals: Totals, details: Sequence[DetailRow]
) -> dict[date, Sequence[Span]]:
    """Counts since the days on which weld details of a crane were changed during its record."""
    turned = any(_around_base(row) for row in details)
    days = {totals.noted.changed_details.get(row.name) for row in details}
    return {
        day: await duty.spans(conn, crane, day, directions=turned)
        for day in days
        if day is not None and begins_sum(day, totals.first_day)
    }


async def crane_totals(conn: Conn, crane: CraneInScope) -> tuple[Totals, CraneSummary | None]:
    """Counted totals of one crane and the records of its life, with the summary that they come from."""
    found = await summary.crane_summary(conn, crane.name)
    noted = noted_in(await life_records(conn, crane.crane_id))
    if found is None or found.counting_id is None:
        return Totals(weeks={}, noted=noted), found
    keys = {"crane_id": crane.crane_id, "counting_id": found.counting_id}
    weeks = await duty.weekly_use(conn, **keys)
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
    return with_unrecorded(totals, await duty.weekly_record(conn, **keys) if apart else []), found


async def counter_spans(
    conn: Conn, crane: CraneInScope, counting_id: int | None
) -> tuple[list[CounterSpan], tuple[str, ...]]:
    """What the crane's own counters gained beside what was recorded, and readings that contradict each other."""
    found, told = gains(await READINGS.all_async(conn, crane_id=crane.crane_id, zone=crane.time_zone))
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
    details: Sequence[DetailRow],
    spans: Sequence[Span],
    later: Mapping[date, Sequence[Span]] | None = None,
) -> LifeAnswer:
    """Everything about the life of one crane from its counted duty; `later` of `spans_since`."""
    stands = life_status(crane, totals)
    used, review = stands.used, as_answer(stands.review)
    assessed = stands.assessment
    return LifeAnswer(
        crane=crane.name,
        recorded_from=None if found is None or found.first_at is None else found.first_at.date(),
        recorded_to=None if found is None or found.last_at is None else found.last_at.date(),
        lifts=totals.lifts,
        kq=stands.kq,
        coverage=stands.coverage,
        f1=stands.factor.f1,
        f1_reason=stands.factor.reason,
        f1_by_month=tuple(MonthFactorRow.model_validate(one, from_attributes=True) for one in stands.months),
        prior_duty=crane.prior_duty,
        used_share_counted=None if used is None else used.counted,
        used_share_prior=None if used is None else used.prior_entered,
        used_share_unknown=None if used is None else used.prior_unknown,
        used_share_unrecorded=None if used is None else used.unrecorded,
        unrecorded_s=ms_to_s(totals.unrecorded_ms),
        prior_known_from=None if stands.prior is None else stands.prior.since,
        prior_from_manufacture=crane.manufactured_on is not None,
        unknown_years=stands.unknown_years,
        blank_years=stands.blank_years,
        design_years=stands.design_years.years,
        design_years_assumed=stands.design_years.assumed,
        contradictions=stands.contradictions,
        used_share=None if used is None else used.total,
        used_share_unsure=None
        if used is None
        else _unsure(uncertainty.of_used_share(crane, used, stands.factor.f1, stands.bias)),
        used_share_reason=stands.reason,
        design=crane.design,
        details=detail_damages(details, spans, stands, later or {}),
        forecast=as_answer(stands.spent),
        forecast_reason=stands.forecast_reason,
        forecast_from=totals.last_day and stands.start,
        review_at_share=crane.review_at_share,
        review_forecast=review,
        special_assessment_on=assessed.on,
        special_assessment_reason=assessed.reason,
        special_assessment_by_use_on=None if review is None else review.early_on,
        special_assessment_by=assessed.by,
        special_assessment_by_calendar_on=by_age(crane).on,
        sentence=sentence(stands, assessed.on, assessed.reason),
    )


def as_forecast(made: ahead.Forecast | ahead.NoForecast | None) -> ahead.Forecast | None:
    """The forecast where there is one."""
    return made if isinstance(made, ahead.Forecast) else None


def as_answer(made: ahead.Forecast | ahead.NoForecast | None) -> Forecast | None:
    """The forecast for an answer; None where there is none."""
    if not isinstance(made, ahead.Forecast):
        return None
    trend = made.trend
    return Forecast(
        threshold=made.threshold,
        early_on=made.early_on,
        middle_on=made.middle_on,
        late_on=made.late_on,
        weeks_used=made.weeks,
        season_unseen=made.season_unseen,
        trend=f"{trend.direction} (Mann-Kendall: tau {trend.tau:.2f}, p {trend.p_value:.3f})",
    )


def detail_damages(
    rows: Sequence[DetailRow],
    spans: Sequence[Span],
    stands: LifeStatus,
    later: Mapping[date, Sequence[Span]],
) -> tuple[DetailDamage, ...]:
    """Comparative damage of each weld detail, counted and not counted; of the assumed one while none is entered.

    later: counts since the days on which details were changed: their sums begin again there.
    """
    merged: dict[date | None, tuple[Ledger, DirectionLedger | None]] = {
        day: (merged_ledger(part), merged_directions(part)) for day, part in [(None, spans), *later.items()]
    }
    if not rows:
        plain, _ = merged[None]
        one = _detail_answer(COMPARISON, partial(_plainly, plain), stands, [plain])
        return (one.model_copy(update={"assumed": True}),)
    found = []
    for row in rows:
        detail, since = entered(row), stands.counted_since(row.name)
        plain, turned = merged[since]
        if detail.direction == "none":
            found.append(_detail_answer(detail, partial(_plainly, plain), stands, [plain], row.spec, since))
        elif (
            turned is None and since is not None and not later.get(since)
        ):  # nothing recorded since its change
            found.append(_detail_answer(detail, _nothing, stands, [], row.spec, since))
        elif turned is not None:
            around = partial(_in_directions, turned)
            answer = _detail_answer(detail, around, stands, turned.ledgers, row.spec, since)
            found.append(answer.model_copy(update={"by_direction": around_base(detail, turned)}))
    return tuple(found)


def entered(row: DetailRow) -> Detail:
    """A weld detail as entered, ready to be computed with."""
    return damage.detail_of(row.name, DetailSpec.model_validate(row.spec))


def merged_directions(spans: Sequence[Span]) -> DirectionLedger | None:
    """The direction ledgers of spans in time order as one; None where none was read or counted."""
    parts = [span.directions for span in spans if span.directions is not None]
    return directions.merge_all([directions.from_bytes(part) for part in parts]) if parts else None


def around_base(detail: Detail, turned: DirectionLedger) -> tuple[DirectionDamage, ...]:
    """Damage of a weld by its direction around the base."""
    found = damage.by_direction(detail, turned)
    return tuple(
        DirectionDamage(direction_deg=float(phi), damage=float(total))
        for phi, total in zip(np.asarray(found.phi_deg), found.total, strict=True)
    )


def _plainly(plain: Ledger, weld: Detail) -> Damage:
    return damage.of_ledger(weld, plain)


def _nothing(weld: Detail) -> Damage:
    return damage.of_cycles(weld, Cycles(*(np.empty(0) for _ in range(3))))


def _in_directions(turned: DirectionLedger, weld: Detail) -> Damage:
    return damage.of_directions(weld, turned)


def _unsure(found: uncertainty.Unsure) -> UnsureFigure:
    return UnsureFigure(
        low=found.low,
        high=found.high,
        influences=tuple(
            InfluenceRow(source=one.source, low=one.low, high=one.high, assumed=one.assumed)
            for one in found.influences
        ),
    )


def _detail_answer(
    detail: Detail,
    damage_of: Callable[[Detail], Damage],
    stands: LifeStatus,
    ledgers: Sequence[Ledger],
    spec: Mapping[str, Any] | None = None,
    since: date | None = None,
) -> DetailDamage:
    done = damage_of(detail)
    entries = spec or {}

    def counted_at(factor: float) -> float:
        return damage_of(replace(detail, mpa_per_pct=factor * detail.mpa_per_pct)).total

    carried = stands.carried_damage(done.total, detail.allowed_sum, changed=since is not None)
    low, high = damage.failure_range(done.total + carried)
    return DetailDamage(
        detail=detail.name,
        damage=done.total + carried,
        damage_counted=done.total,
        damage_carried=carried,
        counted_since=since,
        allowed_sum=detail.allowed_sum,
        unsure=_unsure(
            uncertainty.of_damage(
                stands.crane,
                counted_at,
                carried,
                stands.factor.f1,
                entries.get("mpa_error_pct"),
                entries.get("sn_scatter_log10"),
                stands.bias,
            )
        ),
        damage_low=low,
        damage_high=high,
        equivalent_range_mpa=done.equivalent_mpa,
        curve=f"{detail.curve.name} ({detail.curve.source})",
        gamma_mf=detail.gamma_mf,
        direction_deg=done.phi_deg,
        beyond=beyond_answer(ledgers),
    )


def _around_base(row: DetailRow) -> bool:
    return bool(row.spec.get("direction", "none") != "none")
