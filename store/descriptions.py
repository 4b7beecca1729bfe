"""Dated descriptions of cranes: read, entered, corrected, taken out; the days that they change are queued to be counted again."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any, Final

from psycopg import AsyncConnection, Connection
from psycopg.types.json import Jsonb

from domain.crane import CraneType, LoadChart, charts_in_force
from domain.description import (
    BEGINNING,
    Attachment,
    DescriptionEntry,
    SensorReplaced,
    counts_alike,
    on_day,
)
from domain.errors import Conflict, InvalidInput, NotFound
from store import charts
from store.exclusions import touch_between
from store.reading import CraneInScope
from store.sql import query
from store.statement import Statement, run, scalar

LAST_DAY: Final = date(9999, 12, 31)


@dataclass(frozen=True, kw_only=True, slots=True)
class DescriptionRow:
    """One description as it is stored."""

    valid_from: date
    spec: dict[str, Any]
    attachments: list[dict[str, Any]]
    sensors_replaced: list[dict[str, Any]]
    note: str
    entered_at: datetime
    entered_by: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SpecText:
    """The figures of a description as JSON."""

    spec: str


DESCRIPTIONS_OF: Final = Statement("descriptions_of", DescriptionRow)
DESCRIPTION_ON: Final = Statement("description_on", SpecText)


def descriptions_of(conn: Connection[Any], crane_id: int) -> list[DescriptionEntry]:
    """The descriptions of a crane, newest first."""
    return _entries(DESCRIPTIONS_OF.all(conn, crane_id=crane_id))


async def descriptions(conn: AsyncConnection[Any], crane_id: int) -> list[DescriptionEntry]:
    """The same on an asyncio connection."""
    return _entries(await DESCRIPTIONS_OF.all_async(conn, crane_id=crane_id))


async def type_on(conn: AsyncConnection[Any], crane_id: int, day: date) -> CraneType:
    """What a crane was like on a local day. Raises NotFound for a crane that is not there."""
    row = await DESCRIPTION_ON.first_async(conn, crane_id=crane_id, day=day)
    if row is None:
        raise NotFound("this crane is not there any more")
    return _crane_type(row.spec)


async def charts_on(conn: AsyncConnection[Any], crane: CraneInScope, day: date) -> tuple[LoadChart, ...]:
    """The charts of a crane that hold on a day: its own version, its type's, or those of the description that held."""
    version = await charts.IN_FORCE.first_async(conn, crane=crane.name, day=day)
    if version is None:
        return charts_in_force((await type_on(conn, crane.crane_id, day)).charts, day)
    return tuple(LoadChart.model_validate(one) for one in version.charts)


@lru_cache(maxsize=64)
def _crane_type(spec: str) -> CraneType:
    return CraneType.model_validate_json(spec)


def describe(
    conn: Connection[Any],
    crane_id: int,
    valid_from: date,
    crane_type: CraneType,
    *,
    attachments: Sequence[Attachment],
    sensors_replaced: Sequence[SensorReplaced] = (),
    note: str = "",
    account: str = "",
) -> list[date]:
    """Enter what a crane is like from a day on, in place of what was entered for that day; the days that are counted again."""
    before = descriptions_of(conn, crane_id)
    run(
        conn,
        "description_written",
        crane_id=crane_id,
        valid_from=valid_from,
        spec=Jsonb(crane_type.model_dump(mode="json")),
        attachments=_json(attachments),
        sensors_replaced=_json(sensors_replaced),
        note=note,
        entered_by=account,
    )
    return _follow(conn, crane_id, before, valid_from)


def drop(conn: Connection[Any], crane_id: int, valid_from: date) -> list[date]:
    """Take the description of a day out: the one before it holds on. The days that are counted again.

    Raises NotFound without it, Conflict for the first one.
    """
    before = descriptions_of(conn, crane_id)
    if valid_from == before[-1].valid_from:
        raise Conflict("the first description holds from the beginning and stays: correct it instead")
    if not run(conn, "description_dropped", crane_id=crane_id, valid_from=valid_from):
        raise NotFound(f"this crane has no description of {valid_from}: see its list of descriptions")
    return _follow(conn, crane_id, before, valid_from)


def refuse_unheard_charts(
    conn: Connection[Any], crane_id: int, held: CraneType, wanted: CraneType, valid_from: date
) -> None:
    """Raises Conflict where older charts, entered by themselves, would hold before the other ones of a description."""
    if wanted.charts == held.charts:
        return
    newest = scalar(conn, "newest_charts", crane_id=crane_id, type=wanted.name)
    if newest is not None and newest < valid_from:
        raise Conflict(
            f"charts of this crane were entered by themselves, from {newest}, and hold before those of a description: "
            f"enter the new ones there (Load charts) from {valid_from}, then the description"
        )


def any_day_recorded(conn: Connection[Any], crane_id: int) -> bool:
    """Whether anything of a crane was recorded yet."""
    return bool(scalar(conn, "any_day_recorded", crane_id=crane_id))


def refuse_future(valid_from: date, today: date) -> None:
    """Raises InvalidInput for a day that is still to come, or before the beginning."""
    if not BEGINNING <= valid_from <= today:
        raise InvalidInput(
            f"valid_from lies outside {BEGINNING} to {today}: enter a change when it is made",
            field="valid_from",
        )


def _follow(
    conn: Connection[Any], crane_id: int, before: Sequence[DescriptionEntry], valid_from: date
) -> list[date]:
    """What follows from a changed description: the crane of now, and days to count again."""
    newest = conn.execute(query("newest_description"), {"crane_id": crane_id}).fetchone()
    if newest is not None:
        spec_id, type_id = newest
        run(conn, "crane_follows_description", crane_id=crane_id, spec_id=spec_id, type_id=type_id)
    now = on_day(descriptions_of(conn, crane_id), valid_from)
    if counts_alike(now.type, on_day(before, valid_from).type):
        return []
    later = [entry.valid_from for entry in before if entry.valid_from > valid_from]
    last_day = min(later) - timedelta(days=1) if later else LAST_DAY
    return touch_between(conn, crane_id, valid_from, last_day)


def _json(values: Sequence[Attachment | SensorReplaced]) -> Jsonb:
    return Jsonb([value.model_dump(mode="json") for value in values])


def _entries(rows: Sequence[DescriptionRow]) -> list[DescriptionEntry]:
    found, valid_to = [], None
    for row in rows:
        found.append(
            DescriptionEntry(
                valid_from=row.valid_from,
                valid_to=valid_to,
                type=CraneType.model_validate(row.spec),
                attachments=tuple(Attachment.model_validate(one) for one in row.attachments),
                sensors_replaced=tuple(SensorReplaced.model_validate(one) for one in row.sensors_replaced),
                note=row.note,
                entered_at=row.entered_at,
                entered_by=row.entered_by,
            )
        )
        valid_to = row.valid_from - timedelta(days=1) if row.valid_from > BEGINNING else None
    return found
