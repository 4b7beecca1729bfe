"""The dossier of a crane for its special assessment: a draft at any time; finished ones kept byte for byte, with what changed."""

from typing import Annotated

from anyio import to_thread
from fastapi import APIRouter, Path, Query, Request, Response

from answers.dossier import compared, content, dossier_of, refuse_half_counted
from api.deps import PDF, PDF_ANSWER, Caller, Conn, CraneNamePath, SeenCrane, file_response, get_known_crane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER, PERSONAL, VIEWER
from api.settings import running_version
from api.stages import AUDIT_DETAIL
from domain.answers import Page
from domain.dossier import SINCE_DESCRIPTION, Dossier, DossierAsked, DossierChanges, DossierRow
from domain.errors import Conflict, InvalidInput, NotFound
from domain.moments import now_utc
from reports.dossier_pages import dossier_pdf
from store import dossiers
from store.site_scope import site_scope

router = APIRouter(tags=["dossier"])

Number = Annotated[
    int,
    Path(
        ge=1, le=2**31 - 1, description="of the finished dossier", openapi_examples={"example": {"value": 1}}
    ),
]


@router.get("/cranes/{name}/dossier", dependencies=[VIEWER, PERSONAL])
async def draft_dossier(name: CraneNamePath, request: Request, caller: Caller) -> Dossier:
    """Draft of a crane's dossier for its special assessment, as of now, with what changed since the last finished one."""
    async with site_scope(request.app.state.pool, caller.sites, steady=True, **caller.who) as conn:
        crane = await get_known_crane(name, conn, caller)
        return await dossier_of(conn, crane, caller.site_list, running_version())


@router.get(
    "/cranes/{name}/dossier/report",
    response_class=Response,
    responses=PDF_ANSWER,
    dependencies=[VIEWER, PERSONAL],
)
async def draft_dossier_report(name: CraneNamePath, request: Request, caller: Caller) -> Response:
    """The draft as PDF/UA, marked as a draft on each page. Printed from the JSON of the draft and nothing else."""
    draft = await draft_dossier(name, request, caller)
    pdf = await to_thread.run_sync(dossier_pdf, draft.model_dump_json().encode())
    return file_response(pdf, PDF, f"dossier-{name}-draft.pdf")


@router.post("/cranes/{name}/dossiers", status_code=201, dependencies=[ENGINEER])
async def finish_dossier(
    name: CraneNamePath, asked: DossierAsked, request: Request, caller: Caller
) -> DossierRow:
    """Finish a dossier: its JSON and its PDF are kept byte for byte with their hashes, and never changed.

    It holds what was counted and entered at this moment; 409 while days of the crane that are over wait to be counted again. To correct it, mend what is entered and finish another one.
    """
    async with site_scope(request.app.state.pool, caller.sites, steady=True, **caller.who) as conn:
        crane = await get_known_crane(name, conn, caller)
        if crane.draft:
            raise Conflict(f"{name} is a draft that was seen on the wire: complete its entries first")
        await refuse_half_counted(conn, crane)
        draft = await dossier_of(conn, crane, caller.site_list, running_version())
        finished = draft.model_copy(
            update={
                "state": "finished",
                "number": 1 if draft.since is None else draft.since.number + 1,
                "finished_at": now_utc(),
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
        (row,) = await dossiers.dossiers(conn, crane.crane_id, rows=1)
    request.scope[AUDIT_DETAIL] = row.model_dump(mode="json", include={"number", "data_sha256", "pdf_sha256"})
    return row


@router.get("/cranes/{name}/dossiers", dependencies=[VIEWER, PERSONAL])
async def list_dossiers(
    crane: SeenCrane, conn: Conn, limit: Limit = 200, cursor: Cursor = None
) -> Page[DossierRow]:
    """Finished dossiers of a crane with their hashes, newest first."""
    before = decode_cursor(cursor, (int,))
    rows = await dossiers.dossiers(conn, crane.crane_id, before=before[0] if before else None, rows=limit + 1)
    return page(rows, limit, [(row.number,) for row in rows])


@router.get("/cranes/{name}/dossiers/{number}", response_model=Dossier, dependencies=[VIEWER, PERSONAL])
async def show_dossier(crane: SeenCrane, number: Number, conn: Conn) -> Response:
    """A finished dossier as JSON, byte for byte as it was finished: its SHA-256 is the one in the list."""
    return file_response(
        await content(conn, crane, number), "application/json", f"dossier-{crane.name}-{number}.json"
    )


@router.get(
    "/cranes/{name}/dossiers/{number}/report",
    response_class=Response,
    responses=PDF_ANSWER,
    dependencies=[VIEWER, PERSONAL],
)
async def show_dossier_report(crane: SeenCrane, number: Number, conn: Conn) -> Response:
    """A finished dossier as PDF/UA, byte for byte as it was finished: its SHA-256 is the one in the list."""
    pdf = await content(conn, crane, number, pdf=True)
    return file_response(pdf, PDF, f"dossier-{crane.name}-{number}.pdf")


@router.get("/cranes/{name}/dossiers/{number}/changes", dependencies=[VIEWER])
async def show_dossier_changes(
    crane: SeenCrane,
    number: Number,
    conn: Conn,
    since: Annotated[int | None, Query(ge=1, le=2**31 - 1, description=SINCE_DESCRIPTION)] = None,
) -> DossierChanges:
    """What changed up to a finished dossier: figures, entries and records, old beside new."""
    after = await content(conn, crane, number)
    if since is None and number == 1:
        raise NotFound(f"dossier 1 of {crane.name} is its first: there is none to compare it with")
    before = number - 1 if since is None else since
    if before >= number:
        raise InvalidInput("since must name an earlier dossier than the one asked for", field="since")
    old = await content(conn, crane, before)
    return DossierChanges(crane=crane.name, since=before, number=number, changes=await compared(old, after))
