"""Everything that stands in the dossier of a crane for its special assessment, and what changed since an earlier one."""

from datetime import timedelta
from typing import Any, Final

import orjson
from anyio import to_thread
from psycopg import AsyncConnection

from answers.coverage import counters_of, coverage_of
from answers.dossier_changes import changes
from answers.findings import findings_of
from answers.life import life_of
from answers.life_records import as_row, records_of
from answers.spectrum import spectrum_of
from domain.dossier import Dossier, DossierChange, DossierDuty, DossierMethod
from domain.errors import Conflict, NotFound
from domain.life_answers import LifeAnswer
from domain.moments import DayRange
from domain.units import ms_to_s
from store import dossiers, exclusions, overloads, service, summary
from store.descriptions import descriptions
from store.details import DETAILS_OF
from store.duty import WHOLE_LIFE
from store.reading import CraneInScope, CraneKnown
from store.statement import Sites
from store.summary import CraneSummary
from words.dossier import sources, unknown
from words.texts import cautions

EVERY_ROW: Final = 10_000
_TIMES: Final = ("recorded", "working", "loaded", "near_limit", "over_limit", "emergency", "limit_assumed")
_COUNTS: Final = ("lifts", "near_limit_lifts", "limiter_stops", "limiter_overrides")


async def dossier_of(conn: AsyncConnection[Any], crane: CraneKnown, sites: Sites, version: str) -> Dossier:
    """Draft of a crane's dossier as the routes of the api answer its parts, with what changed since the last finished one.

    version: of the program. Read it in one snapshot.
    """
    life = await life_of(conn, crane)
    known = crane.crane()
    spectrum = await spectrum_of(conn, crane)
    coverage = await coverage_of(conn, crane, _recorded(crane, life))
    counters = await counters_of(conn, crane)
    whole = await summary.CRANE_SUMMARY.first_async(conn, crane=crane.name)
    worked, method = _duty(whole), await _method(conn, crane, whole, version)
    rows = await findings_of(conn, sites, WHOLE_LIFE, crane=crane.name, rows=EVERY_ROW)
    overloaded = tuple(map(as_row, reversed(await overloads.of_crane(conn, crane.crane_id))))
    records = await records_of(conn, crane)
    draft = Dossier(
        cautions=cautions("dossier"),
        state="draft",
        number=None,
        finished_at=None,
        finished_by="",
        note="",
        crane=known,
        site=crane.site(),
        unknown=unknown(known, life, coverage, counters, worked, spectrum, rows, overloaded, records, method),
        life=life,
        coverage=coverage,
        counters=counters,
        duty=worked,
        spectrum=spectrum,
        details=tuple(await DETAILS_OF.all_async(conn, crane=crane.name)),
        overloads=overloaded,
        findings=rows,
        exclusions=tuple(await exclusions.exclusions(conn, crane_id=crane.crane_id, rows=EVERY_ROW)),
        descriptions=tuple(await descriptions(conn, crane.crane_id)),
        records=records,
        services=tuple(await service.SERVICE_DONE.all_async(conn, crane=crane.name)),
        method=method,
        sources=sources(),
        since=None,
        changes=(),
    )
    return await _compared(conn, crane, draft)


def _recorded(crane: CraneInScope, life: LifeAnswer) -> DayRange:
    """Days of the record; the last 90 where there is none."""
    if life.recorded_from is None or life.recorded_to is None:
        return DayRange(crane.today() - timedelta(days=89), crane.today())
    return DayRange(life.recorded_from, life.recorded_to)


async def refuse_half_counted(conn: AsyncConnection[Any], crane: CraneInScope) -> None:
    """Figures that are about to move are not kept for good. The day that goes on is no reason: it moves all the time."""
    waiting = await dossiers.CRANE_DAYS_WAITING.first_async(
        conn, crane_id=crane.crane_id, before=crane.today()
    )
    if waiting is not None and waiting.days:
        raise Conflict(
            f"days of {crane.name} that are over wait to be counted again ({waiting.days}): finish the dossier when they are,"
            " mostly within a minute; where it takes longer, see whether `analyse` runs"
        )


async def content(
    conn: AsyncConnection[Any], crane: CraneInScope, number: int, *, pdf: bool = False
) -> bytes:
    """A finished dossier as it was finished: JSON, or PDF. Raises NotFound."""
    found = await dossiers.dossier_content(conn, crane.crane_id, number, pdf=pdf)
    if found is None:
        raise NotFound(f"{crane.name} has no finished dossier {number}: see its list of dossiers")
    return found


async def compared(before: bytes, after: bytes) -> tuple[DossierChange, ...]:
    """What is other in one dossier than in an earlier one."""
    return tuple(await to_thread.run_sync(lambda: changes(orjson.loads(before), orjson.loads(after))))


async def _compared(conn: AsyncConnection[Any], crane: CraneInScope, draft: Dossier) -> Dossier:
    """The draft with what changed since the last finished dossier."""
    last = await dossiers.dossiers(conn, crane.crane_id, rows=1)
    if not last:
        return draft
    before = await content(conn, crane, last[0].number)
    found = await compared(before, draft.model_dump_json().encode())
    return draft.model_copy(update={"since": last[0], "changes": found})


def _duty(whole: CraneSummary | None) -> DossierDuty:
    if whole is None:
        times, counts, days = dict.fromkeys(_TIMES, 0.0), dict.fromkeys(_COUNTS, 0), 0
    else:
        times = {name: ms_to_s(getattr(whole, f"{name}_ms")) for name in _TIMES}
        counts, days = {name: getattr(whole, name) for name in _COUNTS}, whole.days
    return DossierDuty.model_validate(
        {"days": days, **counts, **{f"{name}_s": value for name, value in times.items()}}
    )


async def _method(
    conn: AsyncConnection[Any], crane: CraneInScope, whole: CraneSummary | None, version: str
) -> DossierMethod:
    made = None
    if whole is not None and whole.counting_id is not None:
        made = await dossiers.COUNTING_OF_FIGURES.first_async(conn, counting_id=whole.counting_id)
    waiting = await dossiers.CRANE_DAYS_WAITING.first_async(conn, crane_id=crane.crane_id, before=None)
    return DossierMethod(
        program_version=version,
        method_version=None if made is None else made.version,
        settings_hash=None if made is None else made.settings_hash,
        settings={} if made is None else made.settings,
        finding_thresholds=orjson.loads(whole.judged_by)[1] if whole and whole.judged_by else {},
        counted_at=None if whole is None else whole.counted_at,
        days_waiting=0 if waiting is None else waiting.days,
    )
