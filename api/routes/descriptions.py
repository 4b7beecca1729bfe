"""Dated descriptions of a crane: rating, geometry, charts, attachments and sensors replaced, by the day from which they hold."""

from collections.abc import Callable
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from psycopg import Connection

from api.deps import Caller, Conn, SeenCrane, written
from api.permissions import ENGINEER, PERSONAL, VIEWER
from api.stages import AUDIT_DETAIL
from domain.answers import Page
from domain.crane import CraneType
from domain.description import DescriptionAsked, DescriptionDone, DescriptionEntry, on_day
from domain.errors import InvalidInput, NotFound
from domain.exclusion import CountedAgain
from domain.moments import Day
from duty.chart_rules import refuse_charts
from store import cranes, descriptions
from store.access import Principal
from store.registration import describe_crane

router = APIRouter(tags=["registration"])

ValidFrom = Annotated[
    Day,
    Path(
        description="first day on which it holds; 1970-01-01 for the first",
        openapi_examples={"example": {"value": "1970-01-01"}},
    ),
]
Change = Callable[[Connection[Any]], tuple[DescriptionEntry, list[date]]]


@router.get("/cranes/{name}/descriptions", dependencies=[VIEWER, PERSONAL])
async def list_descriptions(crane: SeenCrane, conn: Conn) -> Page[DescriptionEntry]:
    """What a crane was like and from which day on, newest first. A day is counted with what held on it."""
    return Page(items=tuple(await descriptions.descriptions(conn, crane.crane_id)))


@router.get("/cranes/{name}/descriptions/{valid_from}", dependencies=[VIEWER, PERSONAL])
async def show_description(crane: SeenCrane, valid_from: ValidFrom, conn: Conn) -> DescriptionEntry:
    """The description that holds from a day on; its ETag guards a correction."""
    for entry in await descriptions.descriptions(conn, crane.crane_id):
        if entry.valid_from == valid_from:
            return entry
    raise NotFound(f"{crane.name} has no description of {valid_from}: see its list of descriptions")


@router.post("/cranes/{name}/descriptions", dependencies=[ENGINEER], status_code=201)
async def describe(
    crane: SeenCrane, asked: DescriptionAsked, request: Request, caller: Caller
) -> DescriptionDone:
    """Enter what a crane is like from a day on. Its days from then on are counted again, those before stay as they are.

    The type on file and its other cranes stay as they are. One that is entered for the same day is replaced.
    """
    return await _describe(crane, asked, request, caller)


@router.put("/cranes/{name}/descriptions/{valid_from}", dependencies=[ENGINEER])
async def correct_description(
    crane: SeenCrane, valid_from: ValidFrom, asked: DescriptionAsked, request: Request, caller: Caller
) -> DescriptionDone:
    """Correct a description that was wrong: the days on which it holds are counted again."""
    if asked.valid_from not in (None, valid_from):
        raise InvalidInput(
            "a description keeps its day: enter another, and take this one out", field="valid_from"
        )
    return await _describe(crane, asked, request, caller, valid_from)


@router.delete("/cranes/{name}/descriptions/{valid_from}", dependencies=[ENGINEER])
async def drop_description(
    crane: SeenCrane, valid_from: ValidFrom, request: Request, caller: Caller
) -> DescriptionDone:
    """Take a description out: the one before it holds on, and the days on which this one held are counted again."""

    def drop(conn: Connection[Any]) -> tuple[DescriptionEntry, list[date]]:
        days = descriptions.drop(conn, crane.crane_id, valid_from)
        return on_day(descriptions.descriptions_of(conn, crane.crane_id), valid_from), days

    return await _change(request, caller, drop)


async def _describe(
    crane: SeenCrane,
    asked: DescriptionAsked,
    request: Request,
    caller: Principal,
    corrected: date | None = None,
) -> DescriptionDone:
    today = crane.today()

    def describe_it(conn: Connection[Any]) -> tuple[DescriptionEntry, list[date]]:
        if isinstance(asked.type, CraneType):
            refuse_charts(asked.type)
        record = cranes.get_crane(conn, crane.name)
        return describe_crane(conn, record, asked, today, caller.account, valid_from=corrected)

    return await _change(request, caller, describe_it)


async def _change(request: Request, caller: Principal, change: Change) -> DescriptionDone:
    entry, days = await written(request, caller, change)
    done = DescriptionDone(description=entry, counted_again=CountedAgain.of(days))
    request.scope[AUDIT_DETAIL] = {
        **done.description.model_dump(
            mode="json", include={"valid_from", "attachments", "sensors_replaced", "note"}
        ),
        "type": done.description.type.name,
        "rated_moment_kn_m": done.description.type.rated_moment_kn_m,
        "days_counted_again": done.counted_again.days,
    }
    return done
