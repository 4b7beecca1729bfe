"""Which crane can take a job, in which configuration, and why the others cannot."""

import math
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, NamedTuple

import anyio
import numpy as np
from psycopg import AsyncConnection

from answers import dispatch_reasons
from answers.dispatch_fleet import DispatchFleet, Listed, Situation
from answers.dispatch_reasons import states_of
from domain.crane import Sector
from domain.dispatch_answers import CraneState, DispatchAnswer, DispatchCandidate, DispatchQuestion, EntryName
from domain.errors import NotFound
from domain.job import LiftJob
from domain.remark import Remark
from duty.capacity import SECTORS, SPREAD_RANK, Ints
from duty.chart_pack import ALL_STAGES
from duty.dispatch import Matches, Ruling, match, worst
from duty.ranking import (
    Facts,
    Ranking,
    detail_life_ppm,
    distance_km,
    lift_life_share,
    rank,
    remaining_life_ppm,
)
from duty.sweep import span_of
from store.reservations import Held
from words.remarks import remark
from words.texts import cautions

_SPREADS: Final = tuple(sorted(SPREAD_RANK, key=lambda spread: SPREAD_RANK[spread]))


@dataclass(frozen=True)
class OfCrane:
    """One crane against one job, and the situation that it was answered from."""

    candidate: DispatchCandidate
    situation: Situation
    index: int  # of the crane in it

    @property
    def states(self) -> tuple[CraneState, ...]:
        """Everything that is the matter with the crane."""
        return states_of(self.situation, self.index)

    @property
    def charts_on(self) -> date:
        """The day whose charts the answer is of."""
        return self.candidate.charts_on or self.situation.first_day(self.index)


async def dispatch(
    conn: AsyncConnection[Any],
    fleet: DispatchFleet,
    question: DispatchQuestion,
    sites: tuple[str, ...] | None,
) -> DispatchAnswer:
    """Every crane of some sites (None: of all) measured against one lift."""
    situation = await fleet.situation(conn, question.window)
    return await anyio.to_thread.run_sync(_answer, question, situation, sites)


async def of_crane(
    conn: AsyncConnection[Any], fleet: DispatchFleet, job: DispatchQuestion, crane: str, *, with_held: bool
) -> OfCrane:
    """One crane of the fleet against one job. Raises NotFound for a crane that is not listed."""
    situation = await fleet.situation(conn, job.window, with_held=with_held)
    index = situation.listed.index.get(crane)
    if index is None:
        raise NotFound(f"no crane is named {crane!r}")
    return OfCrane(await anyio.to_thread.run_sync(_of_one, job, situation, index), situation, index)


def _answer(
    question: DispatchQuestion, situation: Situation, sites: tuple[str, ...] | None
) -> DispatchAnswer:
    """Match, rank and put into words. Pure but for the clock; takes CPU time, so run it in a thread."""
    measured = _measured(question, situation)
    found, order = measured.found, measured.ranking.order
    seen = np.ones(len(situation.listed.rows), np.bool_)
    if sites is not None:
        seen = np.isin(situation.listed.sites, sites)
    counts = np.bincount(found.ruling[seen], minlength=len(Ruling)).tolist()
    wanted = seen
    if question.rulings:
        wanted = seen & np.isin(found.ruling, [Ruling[name.upper()] for name in question.rulings])
    order = order[wanted[order]][question.skip_candidates :]
    return DispatchAnswer(
        cautions=cautions("dispatch"),
        question=question,
        candidates=tuple(
            _candidate(question, situation, measured, index)
            for index in order[: question.most_candidates].tolist()
        ),
        fit_count=counts[Ruling.FIT],
        ruled_out={one.name.lower(): counts[one] for one in Ruling if counts[one] and one is not Ruling.FIT},
        more_candidates=max(order.size - question.most_candidates, 0),
        sectors=tuple(SECTORS[index] for index in span_of(question).sectors),
        assumed=dispatch_reasons.assumed(question, found, seen),
        assumptions=dispatch_reasons.assumptions(),
    )


def _of_one(job: DispatchQuestion, situation: Situation, index: int) -> DispatchCandidate:
    return _candidate(job, situation, _measured(job, situation), index)


class _Measured(NamedTuple):
    """A whole fleet against one job."""

    found: Matches
    fleet: Ints  # by crane: which of the situation's fleets the answer is of
    facts: Facts
    ranking: Ranking
    sector: Sector | None  # of the job, where it needs one alone
    left_open: tuple[EntryName, ...]  # by the question


def _measured(question: DispatchQuestion, situation: Situation) -> _Measured:
    found, fleet = matched(question, situation)
    facts = facts_of(question, situation, found)
    ranking = rank(found, facts, question.weights)
    return _Measured(
        found, fleet, facts, ranking, only_sector(question), tuple(dispatch_reasons.left_open(question))
    )


def matched(job: LiftJob, situation: Situation) -> tuple[Matches, Ints]:
    """The worst answer of each crane over the days of a job, and of which of the situation's fleets it is."""
    return worst([match(listed.fleet, job) for listed in situation.fleets], situation.holds)


def facts_of(question: DispatchQuestion, situation: Situation, found: Matches) -> Facts:
    """What ranking needs beside the match."""
    listed, status = situation.listed, situation.status
    share = lift_life_share(found.structural_pct, listed.design_lifts, listed.design_kq)
    # A crane of which nothing was counted is not known to be unused: its life stays unknown.
    life_ppm = remaining_life_ppm(share, status.f1, status.used_share)
    for detail, cranes in status.details:
        by_detail = detail_life_ppm(found.structural_pct[cranes], detail, status.damage[cranes])
        # The dearer of the two views counts; fmax takes the one that is known.
        life_ppm[cranes] = np.fmax(life_ppm[cranes], by_detail)
    count = len(listed.rows)
    if question.at is None:
        away = np.full(count, np.nan)
    else:
        away = distance_km(
            listed.latitude_deg, listed.longitude_deg, question.at.latitude_deg, question.at.longitude_deg
        )
    none = np.zeros(count, np.bool_)
    free, overdue = np.ones(count, np.bool_), none.copy()
    free[[listed.index[name] for name in situation.held if name in listed.index]] = False
    overdue[list(status.overdue)] = True
    doubtful = none.copy()
    doubtful[list(status.findings)] = True
    faults, forbidding = np.zeros(count, np.intp), np.zeros(count, np.intp)
    for index, codes in situation.faults.items():
        faults[index] = len(codes)
        forbidding[index] = sum(code not in question.tolerated_faults for code in codes)
    return Facts(
        free=free,
        open_faults=faults,
        forbidding_faults=forbidding,
        assessment_overdue=situation.assessment_overdue,
        findings=doubtful,
        never_heard=~status.heard,
        service_overdue=overdue,
        life_ppm=life_ppm,
        distance_km=away,
    )


def _candidate(
    question: DispatchQuestion, situation: Situation, measured: _Measured, index: int
) -> DispatchCandidate:
    listed, status = situation.listed, situation.status
    found, facts, ranking = measured.found, measured.facts, measured.ranking
    of_day = situation.fleets[int(measured.fleet[index])]
    states = states_of(situation, index)
    entry, if_entered = dispatch_reasons.costliest(measured.left_open, found, index)
    crane = listed.rows[index]
    booked = situation.held.get(crane.name)
    open_faults = situation.faults.get(index, ())
    fit = bool(found.fit[index])
    share = lift_life_share(found.structural_pct[index], listed.design_lifts[index], listed.design_kq[index])
    return DispatchCandidate(
        crane=crane.name,
        title=crane.title,
        type=listed.type_of(index).name,
        site=crane.site,
        fit=fit,
        usable=fit and booked is None and not facts.needs_override[index],
        needs_override=bool(facts.needs_override[index]),
        states=states,
        ruling=Ruling(int(found.ruling[index])).name.lower(),
        **_configuration(of_day, measured.sector, found, index),
        charts_on=max(of_day.day, situation.first_day(index)),
        assumed=entry,
        capacity_if_entered_kg=if_entered,
        capacity_kg=_known(found.capacity_kg[index]) or None,
        capacity_used_pct=_known(found.capacity_used_pct[index]),
        headroom_pct=_known(found.headroom_pct[index]),
        headroom_kg=_known(found.headroom_kg[index]) if found.capacity_kg[index] > 0 else None,
        expected_utilisation_pct=_known(found.expected_utilisation_pct[index]),
        structural_pct=_known(found.structural_pct[index]),
        pad_left_kn=_known(found.pad_left_kn[index]),
        pad_right_kn=_known(found.pad_right_kn[index]),
        pad_pressure_kpa=_known(found.pad_pressure_kpa[index]),
        stability_margin_m=_known(found.stability_margin_m[index]),
        free=booked is None,
        held_until=None if booked is None else booked.ends_at,
        open_faults=open_faults,
        service_overdue=bool(facts.service_overdue[index]),
        used_share=_known(status.used_share[index]),
        life_cost_share=_known(float(share)),
        remaining_life_ppm=_known(facts.life_ppm[index]),
        distance_km=_known(facts.distance_km[index]),
        points=float(ranking.points[index]),
        terms={name: float(points[index]) for name, points in ranking.terms.items()},
        reasons=dispatch_reasons.reasons(question, found, index),
        notes=(
            *dispatch_reasons.not_compared(question, crane.wind_limit_m_s, crane.slope_limit_deg),
            *_notes(states, booked),
        ),
    )


def _configuration(listed: Listed, sector: Sector | None, found: Matches, index: int) -> dict[str, Any]:
    configuration = int(found.configuration[index])
    if configuration < 0:
        return {}
    table = listed.fleet.table
    chart = int(listed.fleet.configuration_first_chart[configuration])
    stage = int(table.stage[chart])
    jib_fitted = bool(table.jib_fitted[chart])
    jib = listed.type_of(index).jib if jib_fitted else None
    return {
        "spread_left": _SPREADS[int(table.spread_left[chart])],
        "spread_right": _SPREADS[int(table.spread_right[chart])],
        "jib_fitted": jib_fitted,
        "stage": None if stage == ALL_STAGES else stage,
        "sector": sector,
        "limited_by": dispatch_reasons.limited_by(
            found, index, None if jib is None else jib.rated_capacity_kg
        ),
    }


def only_sector(job: LiftJob) -> Sector | None:
    """The sector of a job that needs one alone, or both sides; None where several have to hold."""
    sectors = tuple(SECTORS[index] for index in span_of(job).sectors)
    return next((one for one in Sector if one.quarters == sectors), None)


def _notes(states: tuple[CraneState, ...], booked: Held | None) -> tuple[Remark, ...]:
    if booked is None:
        return states
    return (*states, remark("reserved", until=f"{booked.ends_at:%Y-%m-%d %H:%M} UTC"))


def _known(value: float) -> float | None:
    """None for what JSON cannot say: NaN and infinity."""
    return float(value) if math.isfinite(value) else None
