"""The load spectrum of a crane against its design class, where in its working area it was used, and its cycles themselves."""

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from anyio import to_thread
from psycopg import AsyncConnection

from answers.counted import beyond_answer, merged_ledger, merged_tallies, rows_of
from domain.answers import (
    AreaCell,
    Crossing,
    LevelBin,
    NearLimitPlace,
    RangeBin,
    SmallestLift,
    SpectrumAnswer,
    WorkingAreaAnswer,
)
from domain.channels import CHANNEL_BY_NAME
from domain.crane import Crane, CraneType, DesignClass, Edition
from domain.moments import DayRange
from domain.spectrum_answers import LedgerAnswer, LedgerCell
from domain.units import ms_to_s
from duty import levels, reading, spectrum
from duty.geometry import Floats, full_stroke_m
from duty.ledger import Ledger
from duty.levels import SLEW_SECTORS, Tallies
from duty.lifts import smallest_lift_kg
from duty.reading import ResidueRule
from store import duty, summary
from store.duty import WHOLE_LIFE, Span
from store.reading import CraneInScope, CraneKnown
from store.summary import CraneSummary
from words.texts import cautions

SMALLEST_AT_M: Final = (2.0, 4.0, 8.0, 12.0, 16.0, 20.0)  # outreaches of which the smallest lift is told
RANGE_STEP_PCT: Final = 5.0
DEFAULT_EDITION: Final = Edition.EN_13001_1


async def spectrum_of(
    conn: AsyncConnection[Any],
    crane: CraneKnown,
    chosen: DayRange = WHOLE_LIFE,
    rule: ResidueRule = ResidueRule.HALF_CYCLES,
    threshold_pct: float = 0.0,
) -> SpectrumAnswer:
    """Cycles, crossings, levels and lifts over whole local days; ranges below `threshold_pct` are left out."""
    life = chosen == WHOLE_LIFE
    spans = await duty.spans(conn, crane.name, chosen.first, chosen.last)
    peaks = await duty.structural_peaks(conn, crane.name, chosen.first, chosen.last)
    recorded = await duty.LIFE_RECORDED.first_async(conn, crane_id=crane.crane_id) if life else None
    recorded = recorded or await duty.days_recorded(conn, crane.name, chosen.first, chosen.last)
    whole = await summary.CRANE_SUMMARY.first_async(conn, crane=crane.name)
    known = crane.crane()
    answer = await to_thread.run_sync(spectrum_answer, known, spans, peaks, rule, threshold_pct, whole)
    first, last = chosen.first, chosen.last
    if first == duty.FIRST_DAY:
        first, last = recorded.first_day or first, recorded.last_day or last
    return answer.model_copy(
        update={
            "day_from": first,
            "day_to": last,
            "group": answer.group if life else None,
            "whole_life": life,
            "days_recorded": recorded.days,
            "recorded_s": ms_to_s(recorded.recorded_ms),
            "spikes": recorded.spikes,
            "spikes_counted": recorded.spikes_counted,
            "largest_spike_pct": recorded.largest_spike_pct,
            "days_without_pose": recorded.days_without_pose,
            "no_pose_s": ms_to_s(recorded.no_pose_ms),
            "smallest_lifts": await to_thread.run_sync(smallest_lifts, known.type),
        }
    )


async def working_area(
    conn: AsyncConnection[Any], crane: CraneInScope, chosen: DayRange
) -> WorkingAreaAnswer:
    """Time by slewing angle and outreach, and how much of it near the limit, over whole local days."""
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


async def ledger_of(conn: AsyncConnection[Any], crane: CraneInScope, chosen: DayRange) -> LedgerAnswer:
    """Closed cycles of structural percent by class pair and the open turning points, over whole local days."""
    spans = await duty.spans(conn, crane.name, chosen.first, chosen.last)
    counted = await to_thread.run_sync(merged_ledger, spans)
    days = (spans[0].first_day, spans[-1].last_day) if spans else (None, None)
    return ledger_answer(crane.name, counted, *days)


def ledger_answer(crane: str, counted: Ledger, first: object, last: object) -> LedgerAnswer:
    """A ledger with its classes as percent."""
    centres = counted.edges.centres_pct
    return LedgerAnswer.model_validate(
        {
            "crane": crane,
            "day_from": first,
            "day_to": last,
            "samples": counted.samples,
            "class_width_pct": counted.edges.width_pct,
            "wide_class_pct": counted.edges.wide_pct,
            "equal_from_pct": counted.edges.low_pct,
            "equal_to_pct": counted.edges.high_pct,
            "beyond": beyond_answer([counted]),
            "rows": rows_of(
                LedgerCell,
                low_pct=centres[counted.low_class],
                high_pct=centres[counted.high_class],
                cycles=counted.counts,
            ),
            "open_pct": centres[counted.residue].tolist(),
            "cautions": cautions("duty"),
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
    structural = np.array(peaks_pct, np.float64)
    s_m = spectrum.stress_history(counted.range_pct, counted.count).s_m
    day_from, day_to = (spans[0].first_day, spans[-1].last_day) if spans else (duty.FIRST_DAY, duty.FIRST_DAY)
    return SpectrumAnswer(
        cautions=cautions("duty"),
        crane=crane.name,
        day_from=day_from,
        day_to=day_to,
        days_recorded=0,
        recorded_s=0.0,
        samples=merged.samples,
        lifts=structural.size,
        s_m=s_m,
        **_classes(crane.design, structural, _life_lifts(crane, whole, structural.size), s_m),
        **_design_of(crane.design),
        life_lifts_at_least=whole is not None and bool(whole.unknown_years or whole.used_share_unrecorded),
        residue_rule=rule,
        threshold_pct=threshold_pct,
        beyond=beyond_answer([merged]),
        near_limit_from_pct=levels.NEAR_LIMIT_PCT,
        near_limit_s=ms_to_s(levels.near_limit_ms(tallied)),
        below_zero_s=ms_to_s(levels.below_zero_ms(tallied)),
        ranges=_bins(RangeBin, "cycles", counted.range_pct, counted.count, merged.edges.edges_pct[-1]),
        crossings=_crossings(merged),
        time_at_level=level_bins(tallied),
        lift_peaks=_bins(
            LevelBin, "value", structural, np.ones_like(structural), structural.max(initial=RANGE_STEP_PCT)
        ),
    )


def _crossings(merged: Ledger) -> tuple[Crossing, ...]:
    found = reading.level_crossings(merged)
    crossed = np.flatnonzero(found.upward)
    return rows_of(Crossing, level_pct=found.edge_pct[crossed], crossings=found.upward[crossed])


def _classes(design: DesignClass | None, structural_pct: Floats, lifts: float, s_m: float) -> dict[str, Any]:
    """Fields of the load spectrum factor, and of the classes by the edition of the design class."""
    edition = design.edition if design is not None else DEFAULT_EDITION
    factor = spectrum.kq(structural_pct)
    u, q = spectrum.u_class(lifts, edition), spectrum.q_class(factor, edition)
    u_period = spectrum.u_class(structural_pct.size, edition)
    s = spectrum.s_class(s_m, edition) if edition is Edition.EN_13001_1 else None
    return {
        "kq": None if math.isnan(factor) else factor,
        "kq_level_pct": None if math.isnan(factor) else spectrum.kq_level_pct(factor),
        "edition": edition,
        "q_class": q and q.letter,
        "u_class": u and u.letter,
        "life_lifts": lifts,
        "u_class_of_period": u_period and u_period.letter,
        "group": spectrum.group(u, q) if u and q and edition is Edition.ISO_4301_1_1986 else None,
        "s_class": s and s.letter,
    }


def _design_of(design: DesignClass | None) -> dict[str, Any]:
    """Fields of what the crane is designed for; None where that is not entered."""
    cycles, kq = (None, None) if design is None else spectrum.design_limits(design)
    level = None if kq is None else spectrum.kq_level_pct(kq)
    return {"design": design, "design_cycles": cycles, "design_kq": kq, "design_kq_level_pct": level}


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
