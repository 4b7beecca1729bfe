"""The load spectrum of a crane: over its life or some days, beside its type and design, by configuration; its cycles themselves."""

from typing import Annotated, Final

from fastapi import APIRouter, Query

from answers import load_spectra, spectrum
from api.bounds import DayFrom, DayTo, at_most, chosen_days, day_range
from api.deps import Caller, Conn, KnownCrane, SeenCrane
from api.permissions import VIEWER
from api.tables import TableRoute
from domain.answers import SpectrumAnswer, WorkingAreaAnswer
from domain.spectrum_answers import ConfigurationsAnswer, LedgerAnswer, SpectrumComparison
from duty.reading import ResidueRule

router = APIRouter(tags=["duty"])
tables = APIRouter(tags=["duty"], route_class=TableRoute)

COMPARED_DAYS: Final = 90
LONGEST_DAYS: Final = 366  # lifts of a whole fleet are read
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
    return await spectrum.spectrum_of(conn, crane, chosen, residue_rule, threshold_pct)


@router.get("/cranes/{name}/working-area", dependencies=[VIEWER])
async def show_working_area(
    crane: SeenCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> WorkingAreaAnswer:
    """Time by slewing angle and outreach, and how much of it near the limit, over whole local days."""
    return await spectrum.working_area(conn, crane, chosen_days(day_from, day_to, crane.time_zone))


@tables.get("/cranes/{name}/ledger", dependencies=[VIEWER])
async def show_ledger(
    crane: SeenCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> LedgerAnswer:
    """Closed cycles of structural percent by class pair and the open turning points, over whole local days.

    Ledgers merge exactly: cells add up, and counting goes on across the open turning points of what joins in time order.
    """
    return await spectrum.ledger_of(conn, crane, chosen_days(day_from, day_to, crane.time_zone))


@router.get("/cranes/{name}/spectrum/comparison", dependencies=[VIEWER])
async def show_spectrum_comparison(
    crane: KnownCrane, conn: Conn, caller: Caller, day_from: DayFrom = None, day_to: DayTo = None
) -> SpectrumComparison:
    """Lifts by their peak beside those of the type, of the fleet that you may see and of the design; last 90 days by default."""
    chosen = day_range(day_from, day_to, default_days=COMPARED_DAYS, zone=crane.time_zone)
    at_most(chosen, LONGEST_DAYS, "a fleet is compared")
    return await load_spectra.comparison(conn, crane, chosen, caller.site_list)


@router.get("/cranes/{name}/spectrum/configurations", dependencies=[VIEWER])
async def show_configurations(
    crane: SeenCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> ConfigurationsAnswer:
    """Lifts by their peak for every spread of the stabilisers that was used; last 90 days by default."""
    chosen = day_range(day_from, day_to, default_days=COMPARED_DAYS, zone=crane.time_zone)
    return await load_spectra.by_configuration(conn, crane, chosen)
