"""Records that belong to a crane's life, with what each does to its figures; the overload register."""

from collections.abc import Iterator
from typing import Any

from psycopg import AsyncConnection

from domain.answers import of_row
from domain.errors import NotFound
from domain.life_record import Effect, LifeRecord, LifeRecordAnswer, LifeRecordFileRow, LifeRecordRow
from domain.overload import OverloadRow, OverloadState
from domain.remark import Remark, significant
from duty.life_records import effects
from store import life_records, overloads, summary
from store.details import DETAILS_OF
from store.life_records import LIFE_RECORD_FILES, LIFE_RECORD_VERSIONS
from store.overloads import OverloadListing
from store.reading import CraneKnown
from words.remarks import remark


async def records_of(conn: AsyncConnection[Any], crane: CraneKnown) -> tuple[LifeRecordRow, ...]:
    """Records of a crane's life as they stand, the newest day first, withdrawn ones included, with their effect on the figures."""
    rows = await life_records.life_records(conn, crane.crane_id)
    found = await summary.CRANE_SUMMARY.first_async(conn, crane=crane.name)
    done = effects(
        rows,
        details={row.name for row in await DETAILS_OF.all_async(conn, crane=crane.name)},
        first_day=None if found is None or found.first_at is None else found.first_at.date(),
        assessed_on=crane.crane().assessed_on,
    )
    files: dict[int, list[LifeRecordFileRow]] = {}
    for one in await LIFE_RECORD_FILES.all_async(conn, crane_id=crane.crane_id, record_id=None):
        files.setdefault(one.record_id, []).append(one)
    return tuple(
        LifeRecordRow(
            **dict(row),
            effect=done[row.record_id],
            effect_remarks=tuple(effect_remarks(row, done[row.record_id])),
            files=tuple(files.get(row.record_id, ())),
        )
        for row in rows
    )


async def record_of(conn: AsyncConnection[Any], crane: CraneKnown, record_id: int) -> LifeRecordAnswer:
    """One record with every version of it. Raises NotFound."""
    row = next((one for one in await records_of(conn, crane) if one.record_id == record_id), None)
    if row is None:
        raise NotFound(f"{crane.name} has no record {record_id}: see its list of records")
    versions = await LIFE_RECORD_VERSIONS.all_async(conn, crane_id=crane.crane_id, record_id=record_id)
    return LifeRecordAnswer(**dict(row), versions=tuple(versions))


def effect_remarks(row: LifeRecord, effect: Effect) -> Iterator[Remark]:
    """What a record does to the figures."""
    closes = not row.withdrawn and row.closes
    if closes:
        numbers = ", ".join(str(one) for one in sorted(row.closes))
        yield remark("record.closes", numbers=numbers, day=row.happened_on)
    if not closes or effect is not Effect.NONE:
        found = row.found_error_pct
        kind: str = "bias_found" if effect is Effect.BIAS and found is not None else effect
        if kind == "bias_found" and -(found or 0.0) > (row.left_error_pct or 0.0):
            kind = "bias_found_low"
        yield remark(
            f"record.{kind}",
            day=row.happened_on,
            closed=row.closed_on or "",
            interval=row.service_interval or "",
            detail=row.detail or "",
            left=significant(row.left_error_pct or 0.0, "%"),
            found=significant(abs(found or 0.0), "%"),
        )


async def register_of(conn: AsyncConnection[Any], *, rows: int, **of: Any) -> list[OverloadRow]:
    """At most so many entries of the register, open ones first and newest first; `of` of `store.overloads.overloads`."""
    found: list[OverloadListing] = []
    for is_open in (True, False):
        if of.get("is_open") in (None, is_open):
            found += await overloads.overloads(conn, rows=rows, **{**of, "is_open": is_open})
    return [as_row(one) for one in found[:rows]]


def as_row(listing: OverloadListing) -> OverloadRow:
    """An entry for an answer."""
    return of_row(OverloadRow, listing, state=OverloadState.OPEN if listing.open else OverloadState.DECIDED)
