"""The load spectrum of a crane against its design class, and where in its working area it was used."""

import math
from collections.abc import Sequence
from functools import reduce
from typing import Annotated, Final

import numpy as np
from anyio import to_thread
from fastapi import APIRouter, Query

from api.bounds import DayFrom, DayRange, DayTo, day_range
from api.deps import Conn, KnownCrane, SeenCrane
from api.permissions import VIEWER
from domain.answers import (
    AreaCell,
    Beyond,
    Crossing,
    LevelBin,
    NearLimitPlace,
    RangeBin,
    SmallestLift,
    SpectrumAnswer,
    WorkingAreaAnswer,
)
from domain.channels import CHANNEL_BY_NAME
from domain.crane import Crane, CraneType, Edition
from domain.remark import written_count
from domain.units import ms_to_s
from duty import ledger, levels, reading, spectrum
from duty.edges import DEFAULT_EDGES
from duty.geometry import full_stroke_m
from duty.ledger import Ledger
from duty.levels import SLEW_SECTORS, Tallies
from duty.lifts import smallest_lift_kg
from duty.reading import ResidueRule
from store import duty, summary
from store.duty import DaysRecorded, Span
from store.reading import CraneKnown
from store.summary import CraneSummary

SMALLEST_AT_M: Final = (2.0, 4.0, 8.0, 12.0, 16.0, 20.0)  # outreaches of which the smallest lift is told
router = APIRouter(tags=["duty"])

RANGE_STEP_PCT: Final = 5.0
DEFAULT_EDITION: Final = Edition.EN_13001_1
Rule = Annotated[ResidueRule, Query(description="how open turning points are read")]
Threshold = Annotated[
    float, Query(ge=0, le=150, allow_inf_nan=False, description="ranges below it are left out [%]")
]


@router.get("/cranes/{name}/spectrum", dependencies=[VIEWER])
async def show_spectrum(
    crane: KnownCrane,
    conn: Conn,
    day_from: DayFrom = None,
    day_to: DayTo = None,
    residue_rule: Rule = ResidueRule.HALF_CYCLES,
    threshold_pct: Threshold = 0.0,
) -> SpectrumAnswer:
    """Cycles, crossings, levels and lifts over whole local days; over the whole recorded life without days."""
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    spans = await duty.spans(conn, crane.name, chosen.first, chosen.last)
    peaks = await duty.structural_peaks(conn, crane.name, chosen.first, chosen.last)
    recorded = await _recorded(conn, crane, chosen)
    whole = await summary.crane_summary(conn, crane.name)
    answer = await to_thread.run_sync(
        spectrum_answer, crane.crane(), spans, peaks, residue_rule, threshold_pct, whole
    )
    first = recorded.first_day or chosen.first
    last = recorded.last_day or chosen.last
    if chosen.first != duty.FIRST_DAY:
        first, last = chosen.first, chosen.last
    return answer.model_copy(
        update={
            "day_from": first,
            "day_to": last,
            "group": answer.group if chosen_life(chosen) else None,
            "whole_life": chosen_life(chosen),
            "days_recorded": recorded.days,
            "recorded_s": ms_to_s(recorded.recorded_ms),
            "spikes": recorded.spikes,
            "spikes_counted": recorded.spikes_counted,
            "largest_spike_pct": recorded.largest_spike_pct,
            "days_without_pose": recorded.days_without_pose,
            "no_pose_s": ms_to_s(recorded.no_pose_ms),
            "smallest_lifts": await to_thread.run_sync(smallest_lifts, crane.crane().type),
        }
    )


def smallest_lifts(crane_type: CraneType) -> tuple[SmallestLift, ...]:
    """The smallest lift found for certain at some outreaches of a crane, by the default rule, at a limit of 100 %."""
    jib = crane_type.jib
    lengths = [crane_type.main_boom.length_m, crane_type.knuckle_boom.length_m]
    lengths += [] if jib is None else [jib.boom.length_m, full_stroke_m(jib.extensions)]
    reach_m = crane_type.pivot_offset_m + sum(lengths) + full_stroke_m(crane_type.extensions)
    at = [outreach for outreach in SMALLEST_AT_M if outreach <= reach_m]
    found = smallest_lift_kg(crane_type, at)
    return tuple(
        SmallestLift(outreach_m=outreach, mass_kg=round(mass))
        for outreach, mass in zip(at, found.tolist(), strict=True)
        if math.isfinite(mass)
    )


async def _recorded(conn: Conn, crane: CraneKnown, chosen: DayRange) -> DaysRecorded:
    whole = None
    if chosen_life(chosen):
        whole = await duty.life_recorded(conn, crane.crane_id)
    return whole or await duty.days_recorded(conn, crane.name, chosen.first, chosen.last)


@router.get("/cranes/{name}/working-area", dependencies=[VIEWER])
async def show_working_area(
    crane: SeenCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> WorkingAreaAnswer:
    """Time by slewing angle and outreach, and how much of it near the limit, over whole local days."""
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    spans = await duty.spans(conn, crane.name, chosen.first, chosen.last)

    def answer() -> WorkingAreaAnswer:
        tallied = merged_tallies(spans)
        return WorkingAreaAnswer(
            crane=crane.name,
            day_from=spans[0].first_day if spans else chosen.first,
            day_to=spans[-1].last_day if spans else chosen.last,
            near_limit_from_pct=levels.NEAR_LIMIT_PCT,
            cells=area_cells(tallied),
            near_limit_place=place_near_limit(crane.name, tallied),
        )

    return await to_thread.run_sync(answer)


def chosen_days(day_from: DayFrom, day_to: DayTo, time_zone: str) -> DayRange:
    """The local days asked for; the whole recorded life when none are."""
    if day_from is None and day_to is None:
        return DayRange(duty.FIRST_DAY, duty.LAST_DAY)
    return day_range(day_from or duty.FIRST_DAY, day_to, default_days=1, zone=time_zone)


def chosen_life(chosen: DayRange) -> bool:
    """Whether no days were asked for."""
    return (chosen.first, chosen.last) == (duty.FIRST_DAY, duty.LAST_DAY)


def merged_ledger(spans: Sequence[Span]) -> Ledger:
    """One ledger out of spans in time order."""
    parts = [ledger.from_bytes(span.ledger) for span in spans]
    return ledger.merge_all(parts) if len(parts) > 1 else parts[0] if parts else ledger.empty(DEFAULT_EDGES)


def merged_tallies(spans: Sequence[Span]) -> Tallies:
    """One set of tallies out of spans."""
    return reduce(levels.merge, (levels.from_bytes(span.tallies) for span in spans), levels.empty())


def spectrum_answer(
    crane: Crane,
    spans: Sequence[Span],
    peaks_pct: Sequence[float],
    rule: ResidueRule,
    threshold_pct: float,
    whole: CraneSummary | None,
) -> SpectrumAnswer:
    """Everything that the counted spans and lifts say; days and recorded time are filled in by the caller."""
    merged, tallied = merged_ledger(spans), merged_tallies(spans)
    counted = reading.cycles(merged, rule, threshold_pct)
    crossings = reading.level_crossings(merged)
    crossed = np.flatnonzero(crossings.upward)
    history = spectrum.stress_history(counted.range_pct, counted.count)
    design = crane.design
    edition = design.edition if design is not None else DEFAULT_EDITION
    structural = np.array(peaks_pct, np.float64)
    factor = spectrum.kq(structural)
    limits = spectrum.design_limits(design) if design is not None else None
    lifts = _life_lifts(crane, whole, structural.size)
    u, q = spectrum.u_class(lifts, edition), spectrum.q_class(factor, edition)
    u_period = spectrum.u_class(structural.size, edition)
    s = spectrum.s_class(history.s_m, edition) if edition is Edition.EN_13001_1 else None
    day_from, day_to = (spans[0].first_day, spans[-1].last_day) if spans else (duty.FIRST_DAY, duty.FIRST_DAY)
    return SpectrumAnswer(
        crane=crane.name,
        day_from=day_from,
        day_to=day_to,
        days_recorded=0,
        recorded_s=0.0,
        samples=merged.samples,
        lifts=structural.size,
        kq=None if math.isnan(factor) else factor,
        kq_level_pct=None if math.isnan(factor) else spectrum.kq_level_pct(factor),
        edition=edition,
        q_class=None if q is None else q.letter,
        u_class=None if u is None else u.letter,
        life_lifts=lifts,
        life_lifts_at_least=whole is not None and bool(whole.unknown_years or whole.used_share_unrecorded),
        u_class_of_period=None if u_period is None else u_period.letter,
        group=spectrum.group(u, q) if u and q and edition is Edition.ISO_4301_1_1986 else None,
        s_m=history.s_m,
        s_class=None if s is None else s.letter,
        design=design,
        design_cycles=None if limits is None else limits[0],
        design_kq=None if limits is None else limits[1],
        design_kq_level_pct=None if limits is None else spectrum.kq_level_pct(limits[1]),
        residue_rule=rule,
        threshold_pct=threshold_pct,
        beyond=beyond_answer([merged]),
        near_limit_from_pct=levels.NEAR_LIMIT_PCT,
        near_limit_s=ms_to_s(levels.near_limit_ms(tallied)),
        below_zero_s=ms_to_s(levels.below_zero_ms(tallied)),
        ranges=_bins(RangeBin, "cycles", counted.range_pct, counted.count, merged.edges.edges_pct[-1]),
        crossings=tuple(
            Crossing(level_pct=crossings.edge_pct[i], crossings=int(crossings.upward[i])) for i in crossed
        ),
        time_at_level=level_bins(tallied),
        lift_peaks=_bins(
            LevelBin, "value", structural, np.ones_like(structural), structural.max(initial=RANGE_STEP_PCT)
        ),
    )


def _life_lifts(crane: Crane, whole: CraneSummary | None, here: int) -> float:
    """Lifts of the whole record and those entered for the time before it."""
    before = crane.prior_duty.lifts if crane.prior_duty is not None else 0.0
    return before + (here if whole is None else max(whole.lifts, here))


def level_bins(found: Tallies) -> tuple[LevelBin, ...]:
    """Seconds by utilisation, 1 % wide, the empty ones left out; what lies below 0 in one step of its own."""
    every_mode = found.utilisation_ms.sum(axis=0)
    lowest = CHANNEL_BY_NAME["utilisation_pct"].low
    return tuple(
        LevelBin(low_pct=i - 1 if i else lowest, high_pct=i, value=ms_to_s(int(every_mode[i])))
        for i in np.flatnonzero(every_mode).tolist()
    )


def beyond_answer(ledgers: Sequence[Ledger]) -> Beyond | None:
    """Readings that no class of ledgers of the same samples reaches, with what that does to the figures."""
    found = reading.beyond(ledgers)
    if found is None:
        return None
    many = found.below + found.above
    return Beyond(
        **found._asdict(),
        sentence=f"{written_count(many)} reading{'s' if many > 1 else ''} beyond the classes ({found.from_pct:g} to {found.to_pct:g} %) "
        "counted as if inside: cycles, stress history and damage are too small by what lies outside.",
    )


def area_cells(found: Tallies) -> tuple[AreaCell, ...]:
    """Time by cell of the working area, the empty ones left out."""
    step_deg = 360 / SLEW_SECTORS
    return tuple(
        AreaCell(
            slew_from_deg=sector * step_deg,
            slew_to_deg=(sector + 1) * step_deg,
            quarter=levels.quarter_of(sector),
            outreach_from_m=ring,
            outreach_to_m=ring + 1,
            recorded_s=ms_to_s(int(found.area_ms[sector, ring])),
            near_limit_s=ms_to_s(int(found.area_near_limit_ms[sector, ring])),
        )
        for sector, ring in np.argwhere(found.area_ms).tolist()
    )


def place_near_limit(crane: str, found: Tallies) -> NearLimitPlace | None:
    """Where most of the near-limit time was spent; None without any at a known place."""
    place = levels.near_limit_place(found)
    if place is None:
        return None
    return NearLimitPlace(
        crane=crane,
        near_limit_s=ms_to_s(int(found.area_near_limit_ms.sum())),
        quarter=place.quarter,
        quarter_share_pct=100 * place.share,
        outreach_from_m=place.outreach_from_m,
        outreach_to_m=place.outreach_to_m,
    )


def _bins(
    kind: type[RangeBin] | type[LevelBin], field: str, values: object, weights: object, high_pct: float
) -> tuple:  # type: ignore[type-arg]
    """Sums by steps of RANGE_STEP_PCT from 0 to the one that holds high_pct; what is below 0 counts in the first."""
    edges = RANGE_STEP_PCT * np.arange(high_pct // RANGE_STEP_PCT + 2)
    place = np.clip(np.floor(np.asarray(values) / RANGE_STEP_PCT).astype(int), 0, edges.size - 2)
    sums = np.bincount(place, weights=np.asarray(weights), minlength=edges.size - 1)
    return tuple(
        kind(low_pct=edges[i], high_pct=edges[i + 1], **{field: float(sums[i])}) for i in np.flatnonzero(sums)
    )
