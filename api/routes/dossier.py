"""The dossier of a crane for its special assessment: a draft at any time; finished ones kept byte for byte, with what changed."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

import orjson
from anyio import to_thread
from fastapi import APIRouter, Path, Query, Request, Response
from psycopg import AsyncConnection

from api.deps import Caller, Conn, CraneNamePath, SeenCrane, get_known_crane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER, VIEWER
from api.routes.counters import show_counters
from api.routes.coverage import show_coverage
from api.routes.descriptions import list_descriptions
from api.routes.findings import finding_row
from api.routes.health import running_version
from api.routes.life import show_life
from api.routes.life_records import list_life_records
from api.routes.maintenance import list_details, list_service_done
from api.routes.overloads import as_row
from api.routes.spectrum import show_spectrum
from api.stages import AUDIT_DETAIL
from domain.answers import Page
from domain.dossier import (
    SINCE_DESCRIPTION,
    Dossier,
    DossierAsked,
    DossierChanges,
    DossierDuty,
    DossierMethod,
    DossierRow,
)
from domain.errors import Conflict, InvalidInput, NotFound
from domain.exclusion import ExclusionRow
from domain.findings import FindingRow
from domain.units import ms_to_s
from reports.dossier_changes import changes
from reports.dossier_pages import dossier_pdf
from reports.dossier_words import SOURCES, unknown
from store import dossiers, duty, exclusions, findings, overloads, summary
from store.access import Principal
from store.reading import CraneInScope, CraneKnown
from store.site_scope import site_scope
from store.summary import CraneSummary

router = APIRouter(tags=["dossier"])

EVERY_ROW: Final = 10_000
PDF: Final[dict[int | str, dict[str, Any]]] = {
    200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}}
}
Number = Annotated[
    int,
    Path(
        ge=1, le=2**31 - 1, description="of the finished dossier", openapi_examples={"example": {"value": 1}}
    ),
]


@router.get("/cranes/{name}/dossier", dependencies=[VIEWER])
async def draft_dossier(name: CraneNamePath, request: Request, caller: Caller) -> Dossier:
    """Draft of a crane's dossier for its special assessment, as of now, with what changed since the last finished one."""
    async with site_scope(request.app.state.pool, caller.sites, steady=True) as conn:
        return await gathered(conn, await get_known_crane(name, conn, caller), caller)


@router.get("/cranes/{name}/dossier/report", dependencies=[VIEWER], response_class=Response, responses=PDF)
async def draft_dossier_report(name: CraneNamePath, request: Request, caller: Caller) -> Response:
    """The draft as PDF/UA, marked as a draft on each page. Printed from the JSON of the draft and nothing else."""
    draft = await draft_dossier(name, request, caller)
    pdf = await to_thread.run_sync(dossier_pdf, draft.model_dump_json().encode())
    return _file(pdf, "application/pdf", f"dossier-{name}-draft.pdf")


@router.post("/cranes/{name}/dossiers", dependencies=[ENGINEER], status_code=201)
async def finish_dossier(
    name: CraneNamePath, asked: DossierAsked, request: Request, caller: Caller
) -> DossierRow:
    """Finish a dossier: its JSON and its PDF are kept byte for byte with their hashes, and never changed.

    It holds what was counted and entered at this moment; 409 while days of the crane that are over wait to be counted again. To correct it, mend what is entered and finish another one.
    """
    async with site_scope(request.app.state.pool, caller.sites, steady=True) as conn:
        crane = await get_known_crane(name, conn, caller)
        if crane.draft:
            raise Conflict(f"{name} is a draft that was seen on the wire: complete its entries first")
        await _refuse_half_counted(conn, crane)
        draft = await gathered(conn, crane, caller)
        finished = draft.model_copy(
            update={
                "state": "finished",
                "number": 1 if draft.since is None else draft.since.number + 1,
                "finished_at": datetime.now(UTC),
                "finished_by": caller.account,
                "note": asked.note.strip(),
            }
        )
        data = finished.model_dump_json().encode()
        pdf = await to_thread.run_sync(dossier_pdf, data)
        await dossiers.add_dossier(
            conn,
            crane_id=crane.crane_id,
            program_version=finished.method.program_version,
            data=data,
            pdf=pdf,
            **finished.model_dump(include={"number", "finished_at", "finished_by", "note"}),
        )
        row = _row((await dossiers.dossiers(conn, crane.crane_id, rows=1))[0])
    request.scope[AUDIT_DETAIL] = row.model_dump(mode="json", include={"number", "data_sha256", "pdf_sha256"})
    return row


@router.get("/cranes/{name}/dossiers", dependencies=[VIEWER])
async def list_dossiers(
    crane: SeenCrane, conn: Conn, limit: Limit = 200, cursor: Cursor = None
) -> Page[DossierRow]:
    """Finished dossiers of a crane with their hashes, newest first."""
    before = decode_cursor(cursor, (int,))
    rows = await dossiers.dossiers(conn, crane.crane_id, before=before[0] if before else None, rows=limit + 1)
    return page([_row(row) for row in rows], limit, [(row.number,) for row in rows])


@router.get("/cranes/{name}/dossiers/{number}", dependencies=[VIEWER], response_model=Dossier)
async def show_dossier(crane: SeenCrane, number: Number, conn: Conn) -> Response:
    """A finished dossier as JSON, byte for byte as it was finished: its SHA-256 is the one in the list."""
    return _file(
        await _content(conn, crane, number), "application/json", f"dossier-{crane.name}-{number}.json"
    )


@router.get(
    "/cranes/{name}/dossiers/{number}/report", dependencies=[VIEWER], response_class=Response, responses=PDF
)
async def show_dossier_report(crane: SeenCrane, number: Number, conn: Conn) -> Response:
    """A finished dossier as PDF/UA, byte for byte as it was finished: its SHA-256 is the one in the list."""
    pdf = await _content(conn, crane, number, pdf=True)
    return _file(pdf, "application/pdf", f"dossier-{crane.name}-{number}.pdf")


@router.get("/cranes/{name}/dossiers/{number}/changes", dependencies=[VIEWER])
async def show_dossier_changes(
    crane: SeenCrane,
    number: Number,
    conn: Conn,
    since: Annotated[int | None, Query(ge=1, le=2**31 - 1, description=SINCE_DESCRIPTION)] = None,
) -> DossierChanges:
    """What changed up to a finished dossier: figures, entries and records, old beside new."""
    after = await _content(conn, crane, number)
    if since is None and number == 1:
        raise NotFound(f"dossier 1 of {crane.name} is its first: there is none to compare it with")
    before = number - 1 if since is None else since
    if before >= number:
        raise InvalidInput("since must name an earlier dossier than the one asked for", field="since")
    old = await _content(conn, crane, before)
    found = await to_thread.run_sync(lambda: changes(orjson.loads(old), orjson.loads(after)))
    return DossierChanges(crane=crane.name, since=before, number=number, changes=tuple(found))


async def gathered(conn: AsyncConnection[Any], crane: CraneKnown, caller: Principal) -> Dossier:
    """Everything that stands in a dossier, as the routes of the api answer it, read in one snapshot."""
    life = await show_life(crane, conn)
    known = crane.crane()
    spectrum = await show_spectrum(crane, conn)
    coverage = await show_coverage(crane, conn, life.recorded_from, life.recorded_to)
    counters = await show_counters(crane, conn)
    whole = await summary.crane_summary(conn, crane.name)
    worked, method = _duty(whole), await _method(conn, crane, whole)
    rows = await _findings(conn, crane, caller)
    overloaded = tuple(map(as_row, reversed(await overloads.of_crane(conn, crane.crane_id))))
    records = (await list_life_records(crane, conn)).items
    draft = Dossier(
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
        details=(await list_details(crane, conn)).items,
        overloads=overloaded,
        findings=rows,
        exclusions=await _exclusions(conn, crane),
        descriptions=(await list_descriptions(crane, conn)).items,
        records=records,
        services=(await list_service_done(crane, conn)).items,
        method=method,
        sources=SOURCES,
        since=None,
        changes=(),
    )
    return await _compared(conn, crane, draft)


async def _refuse_half_counted(conn: AsyncConnection[Any], crane: CraneInScope) -> None:
    """Figures that are about to move are not kept for good. The day that goes on is no reason: it moves all the time."""
    today = datetime.now(ZoneInfo(crane.time_zone)).date()
    waiting = await dossiers.CRANE_DAYS_WAITING.first_async(conn, crane_id=crane.crane_id, before=today)
    if waiting is not None and waiting.days:
        raise Conflict(
            f"days of {crane.name} that are over wait to be counted again ({waiting.days}): finish the dossier when they are,"
            " mostly within a minute; where it takes longer, see whether `analyse` runs"
        )


async def _findings(
    conn: AsyncConnection[Any], crane: CraneInScope, caller: Principal
) -> tuple[FindingRow, ...]:
    days = duty.FIRST_DAY, duty.LAST_DAY
    found = await findings.findings(conn, caller.site_list, *days, crane=crane.name, rows=EVERY_ROW)
    return tuple(map(finding_row, found))


async def _exclusions(conn: AsyncConnection[Any], crane: CraneInScope) -> tuple[ExclusionRow, ...]:
    found = await exclusions.exclusions(conn, crane_id=crane.crane_id, rows=EVERY_ROW)
    return tuple(ExclusionRow.model_validate(row, from_attributes=True) for row in found)


async def _compared(conn: AsyncConnection[Any], crane: CraneInScope, draft: Dossier) -> Dossier:
    """The draft with what changed since the last finished dossier."""
    last = await dossiers.dossiers(conn, crane.crane_id, rows=1)
    if not last:
        return draft
    before = await _content(conn, crane, last[0].number)
    found = await to_thread.run_sync(
        lambda: changes(orjson.loads(before), orjson.loads(draft.model_dump_json()))
    )
    return draft.model_copy(update={"since": _row(last[0]), "changes": tuple(found)})


def _duty(whole: CraneSummary | None) -> DossierDuty:
    if whole is None:
        times, counts, days = dict.fromkeys(_TIMES, 0.0), dict.fromkeys(_COUNTS, 0), 0
    else:
        times = {name: ms_to_s(getattr(whole, f"{name}_ms")) for name in _TIMES}
        counts, days = {name: getattr(whole, name) for name in _COUNTS}, whole.days
    return DossierDuty.model_validate(
        {"days": days, **counts, **{f"{name}_s": value for name, value in times.items()}}
    )


_TIMES: Final = ("recorded", "working", "loaded", "near_limit", "over_limit", "emergency", "limit_assumed")
_COUNTS: Final = ("lifts", "near_limit_lifts", "limiter_stops", "limiter_overrides")


async def _method(
    conn: AsyncConnection[Any], crane: CraneInScope, whole: CraneSummary | None
) -> DossierMethod:
    made = None
    if whole is not None and whole.counting_id is not None:
        made = await dossiers.COUNTING_OF_FIGURES.first_async(conn, counting_id=whole.counting_id)
    waiting = await dossiers.CRANE_DAYS_WAITING.first_async(conn, crane_id=crane.crane_id, before=None)
    return DossierMethod(
        program_version=running_version(),
        method_version=None if made is None else made.version,
        settings_hash=None if made is None else made.settings_hash,
        settings={} if made is None else made.settings,
        finding_thresholds=orjson.loads(whole.judged_by)[1] if whole and whole.judged_by else {},
        counted_at=None if whole is None else whole.counted_at,
        days_waiting=0 if waiting is None else waiting.days,
    )


async def _content(
    conn: AsyncConnection[Any], crane: CraneInScope, number: int, *, pdf: bool = False
) -> bytes:
    found = await dossiers.dossier_content(conn, crane.crane_id, number, pdf=pdf)
    if found is None:
        raise NotFound(f"{crane.name} has no finished dossier {number}: see its list of dossiers")
    return found


def _row(listed: dossiers.DossierListed) -> DossierRow:
    return DossierRow.model_validate(listed, from_attributes=True)


def _file(content: bytes, kind: str, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)
