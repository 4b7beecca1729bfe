"""Records that belong to a crane's life, and what each does to its figures."""

from typing import Any, Final

from psycopg import AsyncConnection

from domain.errors import NotFound
from domain.life_record import Effect, LifeRecord, LifeRecordAnswer, LifeRecordFileRow, LifeRecordRow
from domain.remark import written_day
from duty.life_records import effects
from store import life_records, summary
from store.details import details_of
from store.life_records import LIFE_RECORD_FILES, LIFE_RECORD_VERSIONS
from store.reading import CraneKnown

WORDS: Final[dict[Effect, str]] = {
    Effect.NONE: "no effect on the figures",
    Effect.WITHDRAWN: "withdrawn: no effect on the figures",
    Effect.CALLS: "the special assessment is due by condition from {day} on, until a repair or inspection closes it",
    Effect.CALLS_UNTIL_ASSESSED: "closed on {closed}; the special assessment is due by condition from {day} on until one is"
    " entered of the crane on or after that day",
    Effect.CLOSED: "closed on {closed}: it calls for no special assessment any more",
    Effect.INTERVAL: "the service interval {interval!r} begins anew with {day}",
    Effect.SUM_BEGINS: "the damage sum of {detail!r} begins again with {day}; nothing from before the record is carried for it",
    Effect.SUM_OF_RECORD: "changed before the record: the damage sum of {detail!r} is that of the whole record, and what is carried"
    " for the time before stays",
    Effect.SUPERSEDED: "a later entry takes its place: no effect on the figures",
    Effect.NO_SUCH_DETAIL: "no weld detail {detail!r} is entered for this crane: no effect on the figures until one of that name is",
    Effect.BIAS: "the pressure bias is taken as {left:g} % from {day} on{found}; what was counted stays",
    Effect.OTHER_CHANNEL: "the range of no figure rests on this channel: no effect on the figures",
}


async def records_of(conn: AsyncConnection[Any], crane: CraneKnown) -> tuple[LifeRecordRow, ...]:
    """Records of a crane's life as they stand, the newest day first, withdrawn ones included, with their effect on the figures."""
    rows = await life_records.life_records(conn, crane.crane_id)
    found = await summary.crane_summary(conn, crane.name)
    done = effects(
        rows,
        details={row.name for row in await details_of(conn, crane.name)},
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
            effect_text=effect_words(row, done[row.record_id]),
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


def effect_words(row: LifeRecord, effect: Effect) -> str:
    """What a record does to the figures, in words."""
    found = (
        "" if row.found_error_pct is None else f", and as at least {abs(row.found_error_pct):g} % before it"
    )
    words = WORDS[effect].format(
        day=written_day(row.happened_on),
        closed=written_day(row.closed_on) if row.closed_on else "",
        interval=row.service_interval,
        detail=row.detail,
        left=row.left_error_pct or 0.0,
        found=found,
    )
    if not row.withdrawn and row.closes:
        numbers = ", ".join(str(one) for one in sorted(row.closes))
        words = f"closes {numbers} from {written_day(row.happened_on)} on" + (
            "" if effect is Effect.NONE else f"; {words}"
        )
    return words
