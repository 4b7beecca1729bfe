"""How much structural life is used: share of the design working period, damage of weld details, a date with a range."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from anyio import to_thread
from fastapi import APIRouter

from api.deps import Conn, SeenCrane
from api.spectrum import merged_ledger
from api.upkeep import earliest_due
from domain.answers import DetailDamage, DirectionDamage, Forecast, LifeAnswer
from domain.crane import Crane
from domain.detail import DetailSpec
from duty import damage, directions, life
from duty.damage import Damage, Detail
from store import duty, service, summary
from store.duty import DetailRow, Span, WeekUse
from store.summary import CraneSummary

router = APIRouter(tags=["duty"])

SEED: Final = 12_482
"""Of the forecast: the same record gives the same dates."""


@router.get("/cranes/{name}/life")
async def show_life(crane: SeenCrane, conn: Conn) -> LifeAnswer:
    """Used share of the design working period with its safety factor, damage by detail, forecast, assessment date."""
    found = await summary.crane_summary(conn, crane.name)
    details = await duty.details(conn, crane.name)
    spans = (
        await duty.spans(conn, crane.name, directions=any(_around_base(row) for row in details))
        if details
        else []
    )
    weeks: list[WeekUse] = []
    if found is not None and found.counting_id is not None:
        weeks = await duty.weekly_use(conn, crane.crane_id, found.counting_id)
    today = datetime.now(ZoneInfo(crane.time_zone)).date()
    states = await service.service_states(conn, today=today, crane=crane.name)
    answer = await to_thread.run_sync(life_answer, crane.crane(), found, weeks, details, spans, today)
    return answer.model_copy(update={"service_due_on": earliest_due(states, today).get(crane.name)})


def life_answer(
    crane: Crane,
    found: CraneSummary | None,
    weeks: Sequence[WeekUse],
    details: Sequence[DetailRow],
    spans: Sequence[Span],
    today: date,
) -> LifeAnswer:
    """Everything about the life of one crane from its counted duty."""
    lifts = 0 if found is None else found.lifts
    cube_sum = 0.0 if found is None else found.peak_cubed_sum
    coverage = life.coverage(found.recorded_ms, found.missing_ms) if found is not None else None
    factor = life.f1_from_coverage(coverage)
    kq = cube_sum / lifts if lifts else None
    used, reason = None, "enter the design class from the crane's manual: there is no default"
    if crane.design is not None:
        reason = ""
        used = life.used_share(crane.design, lifts, kq or 0.0, factor.f1, crane.prior_duty)
    spent, forecast_reason = _forecast(crane, used, factor.f1, weeks, today)
    assessed = life.special_assessment(crane.commissioned_on, crane.special_assessment_after_years, spent)
    return LifeAnswer(
        crane=crane.name,
        recorded_from=None if found is None or found.first_at is None else found.first_at.date(),
        recorded_to=None if found is None or found.last_at is None else found.last_at.date(),
        lifts=lifts,
        kq=kq,
        coverage=coverage,
        f1=factor.f1,
        f1_reason=factor.reason,
        prior_duty=crane.prior_duty,
        used_share_counted=None if used is None else used.counted,
        used_share_prior=None if used is None else used.prior,
        used_share=None if used is None else used.total,
        used_share_reason=reason,
        design=crane.design,
        details=detail_damages(details, spans),
        forecast=None if spent is None else _forecast_answer(spent),
        forecast_reason=forecast_reason,
        special_assessment_on=assessed.on,
        special_assessment_reason=assessed.reason,
    )


def _forecast(
    crane: Crane, used: life.UsedShare | None, f1: float, weeks: Sequence[WeekUse], today: date
) -> tuple[life.Forecast | None, str]:
    if crane.design is None or used is None:
        return None, "no forecast without a design class"
    use = [life.share_of_design(crane.design, week.peak_cubed_sum, f1) for week in _whole_weeks(weeks, today)]
    made = life.forecast(use, used.total, life.SPECIAL_EVALUATION_SHARE, today, seed=SEED)
    return (None, made.reason) if isinstance(made, life.NoForecast) else (made, "")


def _whole_weeks(weeks: Sequence[WeekUse], today: date) -> list[WeekUse]:
    """Weeks that are over: the running one is not whole yet."""
    return [week for week in weeks if (today - week.week).days >= 7]


def _forecast_answer(made: life.Forecast) -> Forecast:
    trend = made.trend
    return Forecast(
        threshold=made.threshold,
        early_on=made.early_on,
        middle_on=made.middle_on,
        late_on=made.late_on,
        weeks_used=made.weeks,
        trend=f"{trend.direction} (Mann-Kendall: tau {trend.tau:.2f}, p {trend.p_value:.3f})",
    )


def detail_damages(rows: Sequence[DetailRow], spans: Sequence[Span]) -> tuple[DetailDamage, ...]:
    """Comparative damage of each weld detail over the counted spans."""
    if not rows:
        return ()
    plain = merged_ledger(spans)
    around = [span.directions for span in spans if span.directions is not None]
    turned = directions.merge_all([directions.from_bytes(one) for one in around]) if around else None
    found = []
    for row in rows:
        detail = damage.detail_of(row.name, DetailSpec.model_validate(row.spec))
        if detail.direction == "none":
            found.append(_detail_answer(row.name, detail, damage.of_ledger(detail, plain)))
        elif turned is not None:
            around_base = damage.by_direction(detail, turned)
            by_direction = tuple(
                DirectionDamage(direction_deg=float(phi), damage=float(total))
                for phi, total in zip(np.asarray(around_base.phi_deg), around_base.total, strict=True)
            )
            answer = _detail_answer(row.name, detail, damage.of_directions(detail, turned))
            found.append(answer.model_copy(update={"by_direction": by_direction}))
    return tuple(found)


def _detail_answer(name: str, detail: Detail, done: Damage) -> DetailDamage:
    low, high = done.failure_range
    return DetailDamage(
        detail=name,
        damage=done.total,
        damage_low=low,
        damage_high=high,
        equivalent_range_mpa=done.equivalent_mpa,
        curve=f"{detail.curve.name} ({detail.curve.source})",
        gamma_mf=detail.gamma_mf,
        direction_deg=done.phi_deg,
    )


def _around_base(row: DetailRow) -> bool:
    return bool(row.spec.get("direction", "none") != "none")
