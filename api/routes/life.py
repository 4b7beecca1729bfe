"""How much structural life is used, where the damage comes from, and what would change it."""

from typing import Annotated

from fastapi import APIRouter, Query

from answers.life import factors_of, life_of
from answers.weld_damage import damage_of
from answers.what_if import what_if_of
from api.bounds import DayFrom, DayTo, chosen_days
from api.deps import Caller, Conn, KnownCrane, SeenCrane, no_crane
from api.permissions import VIEWER
from domain.errors import InvalidInput
from domain.life_answers import DamageAnswer, FactorsAnswer, LifeAnswer, WhatIfAnswer
from domain.messages import CRANE_NAME_PATTERN
from duty.reading import ResidueRule
from store import reading

router = APIRouter(tags=["duty"])


@router.get("/cranes/{name}/life", dependencies=[VIEWER])
async def show_life(crane: KnownCrane, conn: Conn) -> LifeAnswer:
    """Used share of the design working period with its safety factor, damage by detail, forecast, assessment date."""
    return await life_of(conn, crane)


@router.get("/cranes/{name}/life/what-if", dependencies=[VIEWER])
async def show_what_if(
    crane: KnownCrane,
    conn: Conn,
    caller: Caller,
    duty_factor: Annotated[
        float, Query(ge=0.05, le=20, allow_inf_nan=False, description="times the work on record")
    ] = 1.0,
    heavy_from_pct: Annotated[
        float | None,
        Query(
            ge=1, le=150, allow_inf_nan=False, description="move lifts whose structural peak is this or more"
        ),
    ] = None,
    moved_share: Annotated[
        float, Query(ge=0, le=1, allow_inf_nan=False, description="share of the heavy lifts that is moved")
    ] = 1.0,
    to: Annotated[
        str | None, Query(pattern=CRANE_NAME_PATTERN, description="crane that gets the heavy lifts")
    ] = None,
) -> WhatIfAnswer:
    """How long a crane would last with more or less work, or with its heavy lifts moved to another crane."""
    if to is not None and heavy_from_pct is None:
        raise InvalidInput("say from which peak lifts are moved", field="heavy_from_pct")
    if to == crane.name:
        raise InvalidInput("lifts are moved to another crane", field="to")
    other = (
        None if to is None else await reading.CRANE_KNOWN.first_async(conn, crane=to, sites=caller.site_list)
    )
    if to is not None and other is None:
        raise no_crane(to)
    return await what_if_of(
        conn, crane, other, duty_factor=duty_factor, heavy_from_pct=heavy_from_pct, moved_share=moved_share
    )


@router.get("/cranes/{name}/life/factors", dependencies=[VIEWER])
async def show_factors(crane: KnownCrane, conn: Conn) -> FactorsAnswer:
    """What each safety factor f1 would make of the counted duty, and of the prior duty as stated."""
    return await factors_of(conn, crane)


@router.get("/cranes/{name}/life/damage", dependencies=[VIEWER])
async def show_damage(
    crane: SeenCrane,
    conn: Conn,
    detail: Annotated[
        str | None, Query(max_length=80, description="weld detail by name; the default one where left out")
    ] = None,
    day_from: DayFrom = None,
    day_to: DayTo = None,
    residue_rule: Annotated[
        ResidueRule, Query(description="how open turning points are read")
    ] = ResidueRule.HALF_CYCLES,
) -> DamageAnswer:
    """Damage of a weld detail by stress range, by cell of cycles and by direction, with its S-N curve to draw."""
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    return await damage_of(conn, crane, detail, chosen, residue_rule)
