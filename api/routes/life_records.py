"""Records that belong to a crane's life: entered, corrected, withdrawn, with files, and what each does to the figures."""

from collections.abc import Callable
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import Response
from psycopg import AsyncConnection, Connection
from starlette.datastructures import UploadFile

from answers.life_records import record_of, records_of
from api.deps import Caller, Conn, KnownCrane, SeenCrane, Settings, written
from api.permissions import ENGINEER, PERSONAL, VIEWER
from api.problems import Refused
from api.settings import ApiSettings
from api.spec import problem
from api.stages import AUDIT_DETAIL
from domain.answers import Page
from domain.errors import InvalidInput, NotFound
from domain.life_record import (
    LifeRecordAnswer,
    LifeRecordAsked,
    LifeRecordCorrected,
    LifeRecordRow,
    file_name,
    media_type_of,
)
from store import life_records
from store.access import Principal
from store.life_records import FILE_CONTENT
from store.reading import CraneKnown

router = APIRouter(tags=["life records"])
FORM: Final = "multipart/form-data"
FORM_BYTES: Final = 20_000  # of the form around a file
EXAMPLE: Final = {"example": {"value": 1}}
RecordId = Annotated[int, Path(ge=1, le=2**31 - 1, alias="record_id", openapi_examples=EXAMPLE)]
FileId = Annotated[int, Path(ge=1, le=2**31 - 1, alias="file_id", openapi_examples=EXAMPLE)]
Reason = Annotated[
    str,
    Query(min_length=3, max_length=500, pattern=r"^[^\x00]*\S[^\x00]*$", description="why it is withdrawn"),
]
BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": "One file: PDF, PNG, JPEG, or plain text (.txt, .csv) in UTF-8.",
        "content": {
            FORM: {
                "schema": {
                    "type": "object",
                    "properties": {"file": {"type": "string", "format": "binary"}},
                    "required": ["file"],
                },
                "examples": {"example": {"value": {"file": "seen from the left side\n"}}},
            }
        },
    }
}


@router.get("/cranes/{name}/life-records", dependencies=[VIEWER, PERSONAL])
async def list_life_records(crane: KnownCrane, conn: Conn) -> Page[LifeRecordRow]:
    """Records of a crane's life as they stand, the newest day first, withdrawn ones included, with their effect on the figures."""
    return Page(items=await records_of(conn, crane))


@router.post("/cranes/{name}/life-records", status_code=201, dependencies=[ENGINEER])
async def add_life_record(
    crane: KnownCrane, asked: LifeRecordAsked, request: Request, caller: Caller, conn: Conn
) -> LifeRecordAnswer:
    """Enter an inspection, a finding, a repair, a crack, a calibration or a changed detail.

    A record that says the same as one in force is that one. An open finding or crack makes the special assessment due from its
    day on; a changed weld detail begins its damage sum again; a calibration of utilisation sets the pressure bias.
    """

    def write(own: Connection[Any]) -> int:
        return life_records.add_record(own, crane.crane_id, asked, caller.account, today=crane.today())

    return await _changed(request, caller, crane, conn, write)


@router.get("/cranes/{name}/life-records/{record_id}", dependencies=[VIEWER, PERSONAL])
async def show_life_record(crane: KnownCrane, record_id: RecordId, conn: Conn) -> LifeRecordAnswer:
    """One record with every version of it; its ETag guards a correction."""
    return await record_of(conn, crane, record_id)


@router.put("/cranes/{name}/life-records/{record_id}", dependencies=[ENGINEER])
async def correct_life_record(
    crane: KnownCrane,
    record_id: RecordId,
    asked: LifeRecordCorrected,
    request: Request,
    caller: Caller,
    conn: Conn,
) -> LifeRecordAnswer:
    """Correct a record, with a reason. What it said before is kept, with who and when."""

    def write(own: Connection[Any]) -> None:
        life_records.correct_record(
            own, crane.crane_id, record_id, asked, asked.reason, caller.account, today=crane.today()
        )

    return await _changed(request, caller, crane, conn, write, record_id)


@router.delete("/cranes/{name}/life-records/{record_id}", dependencies=[ENGINEER])
async def withdraw_life_record(
    crane: KnownCrane, record_id: RecordId, reason: Reason, request: Request, caller: Caller, conn: Conn
) -> LifeRecordAnswer:
    """Withdraw a record, with a reason: it has no effect any more and stays in the list with its files."""

    def write(own: Connection[Any]) -> None:
        life_records.withdraw_record(own, crane.crane_id, record_id, reason.strip(), caller.account)

    return await _changed(request, caller, crane, conn, write, record_id)


@router.post(
    "/cranes/{name}/life-records/{record_id}/files",
    status_code=201,
    openapi_extra=BODY,
    responses={
        400: problem("No form that can be read"),
        413: problem("Larger than a file may be"),
        415: problem("Unknown form of body"),
    },
    dependencies=[ENGINEER],
)
async def attach_life_record_file(
    crane: KnownCrane, record_id: RecordId, request: Request, caller: Caller, conn: Conn, settings: Settings
) -> LifeRecordAnswer:
    """Attach a file to a record: PDF, PNG, JPEG or plain text, as its ending and its bytes both say. It stays for good.

    The same bytes again change nothing. A file and all files of a crane together are bounded in size.
    """
    name, content = await _received(request, settings.record_file_bytes_max)
    media_type = media_type_of(name, content)

    def write(own: Connection[Any]) -> None:
        life_records.attach_file(
            own,
            crane.crane_id,
            record_id,
            name=name,
            media_type=media_type,
            content=content,
            account=caller.account,
            bytes_max_of_crane=settings.record_files_bytes_max,
        )

    return await _changed(request, caller, crane, conn, write, record_id, file=name, size_bytes=len(content))


@router.get(
    "/cranes/{name}/life-records/{record_id}/files/{file_id}",
    response_class=Response,
    responses={
        200: {"content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}}
    },
    dependencies=[VIEWER, PERSONAL],
)
async def fetch_life_record_file(
    crane: SeenCrane, record_id: RecordId, file_id: FileId, request: Request, conn: Conn
) -> Response:
    """One file as it was attached, always as a download."""
    found = await FILE_CONTENT.first_async(
        conn, crane_id=crane.crane_id, record_id=record_id, file_id=file_id
    )
    if found is None:
        raise NotFound(f"record {record_id} of {crane.name} has no file {file_id}: see its list of files")
    request.scope[AUDIT_DETAIL] = {"file": found.name, "sha256": found.sha256}
    headers = {
        "content-disposition": f"attachment; filename*=UTF-8''{quote(found.name, safe='')}",
        "content-security-policy": "default-src 'none'; sandbox",
        "x-content-type-options": "nosniff",
    }
    return Response(found.content, media_type="application/octet-stream", headers=headers)


def bounds(settings: ApiSettings) -> dict[str, tuple[int, float]]:
    """Paths, as patterns, whose bodies may be larger: most bytes and seconds."""
    most = settings.record_file_bytes_max + FORM_BYTES
    return {r"/cranes/[^/]+/life-records/\d+/files": (most, settings.import_seconds_max)}


async def _changed(
    request: Request,
    caller: Principal,
    crane: CraneKnown,
    conn: AsyncConnection[Any],
    change: Callable[[Connection[Any]], int | None],
    record_id: int | None = None,
    **detail: object,
) -> LifeRecordAnswer:
    """What a record says after a change, which answers the number of a new one."""
    made = await written(request, caller, change)
    answer = await record_of(conn, crane, record_id or made or 0)
    noted = {"record_id", "version", "kind", "happened_on", "person", "detail", "withdrawn", "reason"}
    request.scope[AUDIT_DETAIL] = {**answer.model_dump(mode="json", include=noted), **detail}
    return answer


async def _received(request: Request, bytes_max: int) -> tuple[str, bytes]:
    """Name and bytes of the one file of a form."""
    form = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if form != FORM:
        raise Refused(415, f"a file comes as {FORM}, not as {form or 'nothing'!r}")
    async with request.form(max_files=1, max_fields=1, max_part_size=FORM_BYTES) as parts:
        given = parts.get("file")
        if not isinstance(given, UploadFile):
            raise InvalidInput("the form has no part `file` with a file name", field="file")
        name = file_name(given.filename or "")
        content = await given.read(bytes_max + 1)
    if len(content) > bytes_max:
        raise Refused(413, f"a file has at most {bytes_max} bytes")
    return name, content
