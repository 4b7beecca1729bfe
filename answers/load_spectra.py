"""The load spectrum of a crane beside its design, its type and the fleet, and by configuration."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any, Final

import numpy as np
from psycopg import AsyncConnection

from answers.counted import rows_of
from answers.spectrum import RANGE_STEP_PCT
from domain.crane import DesignClass
from domain.errors import InvalidInput
from domain.moments import DayRange
from domain.remark import Quantity, Remark, count, significant
from domain.spectrum_answers import (
    ConfigurationsAnswer,
    ConfigurationSpectrum,
    DesignSpectrum,
    LoadSpectrum,
    PeakStep,
    SpectrumComparison,
)
from domain.units import DAYS_PER_YEAR, ms_to_h
from duty import spectrum
from duty.circumstances import SPREAD_FULL_PCT, SPREAD_NONE_PCT
from duty.edges import DEFAULT_EDGES
from duty.levels import NEAR_LIMIT_PCT
from store import duty
from store.duty import ConfigurationBin, LiftBin, WorkingTime
from store.reading import CraneInScope, CraneKnown
from store.statement import Sites
from words.remarks import remark
from words.texts import cautions, t

LAST_STEP: Final = int(DEFAULT_EDGES.edges_pct[-1] // RANGE_STEP_PCT)  # holds everything above too
CLEAR_RATIO: Final = 1.25  # from which one spectrum is called heavier than another; our choice, no source


async def comparison(
    conn: AsyncConnection[Any], crane: CraneKnown, chosen: DayRange, sites: Sites
) -> SpectrumComparison:
    """Lifts by their peak beside those of the type, of the fleet in scope and of the design."""
    bins, worked = await duty.lift_bins(
        conn,
        crane_id=crane.crane_id,
        day_from=chosen.first,
        day_to=chosen.last,
        sites=sites,
        step_pct=RANGE_STEP_PCT,
        last_step=LAST_STEP,
    )
    made = {scope: load_spectrum(scope, bins, worked) for scope in ("crane", "type", "fleet")}
    design = design_spectrum(crane.crane().design, made["crane"], chosen)
    return SpectrumComparison(
        cautions=cautions("duty"),
        crane=crane.name,
        type=crane.type_name,
        day_from=chosen.first,
        day_to=chosen.last,
        step_pct=RANGE_STEP_PCT,
        own=made["crane"],
        own_type=made["type"],
        fleet=made["fleet"],
        design=design,
        remark=_remark(crane.name, made, design),
    )


async def by_configuration(
    conn: AsyncConnection[Any], crane: CraneInScope, chosen: DayRange
) -> ConfigurationsAnswer:
    """Lifts by their peak for every spread of the stabilisers that was used."""
    bins = await duty.LIFT_CONFIGURATIONS.all_async(
        conn,
        crane=crane.name,
        day_from=chosen.first,
        day_to=chosen.last,
        step_pct=RANGE_STEP_PCT,
        last_step=LAST_STEP,
        near_limit_pct=NEAR_LIMIT_PCT,
        none_pct=SPREAD_NONE_PCT,
        full_pct=SPREAD_FULL_PCT,
    )
    return ConfigurationsAnswer(
        note=t("configurations.note"),
        cautions=cautions("duty"),
        crane=crane.name,
        day_from=chosen.first,
        day_to=chosen.last,
        step_pct=RANGE_STEP_PCT,
        full_from_pct=SPREAD_FULL_PCT,
        none_to_pct=SPREAD_NONE_PCT,
        rows=tuple(configurations(bins)),
    )


def load_spectrum(scope: str, bins: Sequence[LiftBin], worked: Sequence[WorkingTime]) -> LoadSpectrum:
    """The spectrum of one scope."""
    own = [each for each in bins if each.scope == scope]
    lifts = sum(each.lifts for each in own)
    cubes = sum(each.peak_cubed_sum for each in own)
    hours = ms_to_h(sum(each.working_ms for each in worked if each.scope == scope))
    kq = cubes / lifts if lifts else None
    return LoadSpectrum(
        cranes=next((each.cranes for each in worked if each.scope == scope), 0),
        lifts=lifts,
        working_hours=hours,
        lifts_per_hour=lifts / hours if hours > 0 else None,
        kq=kq,
        equivalent_peak_pct=None if kq is None else _equivalent_pct(kq),
        steps=_steps({each.step: each.lifts for each in own}),
    )


def design_spectrum(design: DesignClass | None, own: LoadSpectrum, chosen: DayRange) -> DesignSpectrum | None:
    """The design beside the crane; None where it is not entered or has no limits."""
    if design is None:
        return None
    try:
        cycles, kq = spectrum.design_limits(design)
    except InvalidInput:
        return None
    years = ((chosen.last - chosen.first).days + 1) / DAYS_PER_YEAR
    return DesignSpectrum(
        design=design,
        cycles=cycles,
        kq=kq,
        equivalent_peak_pct=_equivalent_pct(kq),
        kq_over_design=None if own.kq is None else own.kq / kq,
        years_to_cycles=cycles / (own.lifts / years) if own.lifts else None,
    )


def configurations(bins: Iterable[ConfigurationBin]) -> list[ConfigurationSpectrum]:
    """Spectra by configuration, most lifts first."""
    rows = list(bins)
    whole, cubes = sum(each.lifts for each in rows), sum(each.peak_cubed_sum for each in rows)
    found = []
    for (left, right), group in groupby(rows, key=lambda each: (each.left_spread, each.right_spread)):
        own = list(group)
        lifts, own_cubes = sum(each.lifts for each in own), sum(each.peak_cubed_sum for each in own)
        found.append(
            ConfigurationSpectrum.model_validate(
                {
                    "left": left,
                    "right": right,
                    "share": lifts / whole,
                    "near_limit_lifts": sum(each.near_limit_lifts for each in own),
                    "lifts": lifts,
                    "kq": own_cubes / lifts,
                    "kq_share": own_cubes / cubes if cubes > 0 else 0.0,
                    "steps": _steps({each.step: each.lifts for each in own}),
                }
            )
        )
    return sorted(found, key=lambda row: -row.lifts)


def _steps(lifts: Mapping[int, int]) -> tuple[PeakStep, ...]:
    if not lifts:
        return ()
    counts = np.bincount(list(lifts), weights=list(lifts.values())).astype(int)
    low = RANGE_STEP_PCT * np.arange(counts.size)
    return rows_of(
        PeakStep,
        low_pct=low,
        high_pct=low + RANGE_STEP_PCT,
        lifts=counts,
        share=counts / counts.sum(),
        share_at_or_above=np.cumsum(counts[::-1])[::-1] / counts.sum(),
    )


def _equivalent_pct(kq: float) -> float:
    return float(100 * np.cbrt(kq))


def _remark(crane: str, made: Mapping[str, LoadSpectrum], design: DesignSpectrum | None) -> Remark:
    own = made["crane"]
    if own.kq is None:
        return remark("spectrum.no_lift", crane=crane)
    beside = [
        remark(f"spectrum.{_step(own.kq / other.kq)}_of_{scope}", ratio=_ratio(own.kq / other.kq))
        for scope, other in made.items()
        if scope != "crane" and other.kq and other.cranes > 1
    ]
    if design is not None and design.kq_over_design is not None:
        ratio = design.kq_over_design
        beside.append(
            remark(f"spectrum.{_step(ratio)}_of_design", ratio=_ratio(ratio), kq=significant(design.kq))
        )
    found = remark("spectrum.own", crane=crane, count=count(own.lifts), kq=significant(own.kq, digits=3))
    return remark("spectrum.beside", parts=[found, *beside])


def _step(ratio: float) -> str:
    return "times" if ratio >= CLEAR_RATIO or ratio <= 1 / CLEAR_RATIO else "about"


def _ratio(ratio: float) -> Quantity:
    return (
        Quantity(value=ratio, unit="1", decimals=1) if ratio >= CLEAR_RATIO else significant(ratio, digits=2)
    )
