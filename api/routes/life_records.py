"""Records that belong to a crane's life: entered, corrected, withdrawn, with files, and what each does to the figures."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import Annotated, Any, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import Response
from psycopg import AsyncConnection, Connection
from starlette.datastructures import UploadFile

from api.deps import Caller, Conn, KnownCrane, SeenCrane, Settings
from api.permissions import ENGINEER, VIEWER
from api.problems import Refused
from api.settings import ApiSettings
from api.spec import problem
from api.stages import AUDIT_DETAIL
from domain.answers import Page
from domain.errors import InvalidInput, NotFound
from domain.life_record import (
    Effect,
    LifeRecordAnswer,
    LifeRecordAsked,
    LifeRecordCorrected,
    LifeRecordFileRow,
    LifeRecordRow,
    LifeRecordVersionRow,
    file_name,
    media_type_of,
)
from domain.remark import written_day
from duty.life_records import effects
from store import life_records, summary
from store.access import Principal
from store.details import details_of
from store.life_records import FILE_CONTENT, LIFE_RECORD_FILES, LIFE_RECORD_VERSIONS, LifeRecord
from store.reading import CraneInScope, CraneKnown
from store.site_scope import scope_in_thread

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


@router.get("/cranes/{name}/life-records", dependencies=[VIEWER])
async def list_life_records(crane: KnownCrane, conn: Conn) -> Page[LifeRecordRow]:
    """Records of a crane's life as they stand, the newest day first, withdrawn ones included, with their effect on the figures."""
    return Page(items=tuple(await _rows(conn, crane)))


@router.post("/cranes/{name}/life-records", dependencies=[ENGINEER], status_code=201)
async def add_life_record(
    crane: KnownCrane, asked: LifeRecordAsked, request: Request, caller: Caller, conn: Conn
) -> LifeRecordAnswer:
    """Enter an inspection, a finding, a repair, a crack, a calibration or a changed detail.

    A record that says the same as one in force is that one. An open finding or crack makes the special assessment due from its
    day on; a changed weld detail begins its damage sum again; a calibration of utilisation sets the pressure bias.
    """
    today = _today(crane)

    def write(own: Connection[Any]) -> int:
        return life_records.add_record(own, crane.crane_id, asked, caller.account, today=today)

    return await _changed(request, caller, crane, conn, write)


@router.get("/cranes/{name}/life-records/{record_id}", dependencies=[VIEWER])
async def show_life_record(crane: KnownCrane, record_id: RecordId, conn: Conn) -> LifeRecordAnswer:
    """One record with every version of it; its ETag guards a correction."""
    return await _answer(conn, crane, record_id)


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
    today = _today(crane)

    def write(own: Connection[Any]) -> int:
        life_records.correct_record(
            own, crane.crane_id, record_id, asked, asked.reason, caller.account, today=today
        )
        return record_id

    return await _changed(request, caller, crane, conn, write)


@router.delete("/cranes/{name}/life-records/{record_id}", dependencies=[ENGINEER])
async def withdraw_life_record(
    crane: KnownCrane, record_id: RecordId, reason: Reason, request: Request, caller: Caller, conn: Conn
) -> LifeRecordAnswer:
    """Withdraw a record, with a reason: it has no effect any more and stays in the list with its files."""

    def write(own: Connection[Any]) -> int:
        life_records.withdraw_record(own, crane.crane_id, record_id, reason.strip(), caller.account)
        return record_id

    return await _changed(request, caller, crane, conn, write)


@router.post(
    "/cranes/{name}/life-records/{record_id}/files",
    dependencies=[ENGINEER],
    status_code=201,
    openapi_extra=BODY,
    responses={
        400: problem("No form that can be read"),
        413: problem("Larger than a file may be"),
        415: problem("Unknown form of body"),
    },
)
async def attach_life_record_file(
    crane: KnownCrane, record_id: RecordId, request: Request, caller: Caller, conn: Conn, settings: Settings
) -> LifeRecordAnswer:
    """Attach a file to a record: PDF, PNG, JPEG or plain text, as its ending and its bytes both say. It stays for good.

    The same bytes again change nothing. A file and all files of a crane together are bounded in size.
    """
    name, content = await _received(request, settings.record_file_bytes_max)
    media_type = media_type_of(name, content)

    def write(own: Connection[Any]) -> int:
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
        return record_id

    return await _changed(request, caller, crane, conn, write, {"file": name, "size_bytes": len(content)})


@router.get(
    "/cranes/{name}/life-records/{record_id}/files/{file_id}",
    dependencies=[VIEWER],
    response_class=Response,
    responses={
        200: {"content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}}
    },
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
    change: Callable[[Connection[Any]], int],
    detail: Mapping[str, Any] | None = None,
) -> LifeRecordAnswer:
    """Written on a connection of its own, in a thread; read again on the request's."""

    def write() -> int:
        with scope_in_thread(request.app.state.database_url, caller.sites) as own, own.transaction():
            return change(own)

    answer = await _answer(conn, crane, await to_thread.run_sync(write))
    noted = {"record_id", "version", "kind", "happened_on", "person", "detail", "withdrawn", "reason"}
    request.scope[AUDIT_DETAIL] = {**answer.model_dump(mode="json", include=noted), **(detail or {})}
    return answer


async def _answer(conn: AsyncConnection[Any], crane: CraneKnown, record_id: int) -> LifeRecordAnswer:
    row = next((one for one in await _rows(conn, crane) if one.record_id == record_id), None)
    if row is None:
        raise NotFound(f"{crane.name} has no record {record_id}: see its list of records")
    versions = await LIFE_RECORD_VERSIONS.all_async(conn, crane_id=crane.crane_id, record_id=record_id)
    return LifeRecordAnswer(
        **dict(row),
        versions=tuple(LifeRecordVersionRow.model_validate(one, from_attributes=True) for one in versions),
    )


async def _rows(conn: AsyncConnection[Any], crane: CraneKnown) -> list[LifeRecordRow]:
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
        row = LifeRecordFileRow.model_validate(one, from_attributes=True)
        files.setdefault(one.record_id, []).append(row)
    return [as_row(row, done[row.record_id], files.get(row.record_id, ())) for row in rows]


def as_row(row: LifeRecord, effect: Effect, files: Sequence[LifeRecordFileRow]) -> LifeRecordRow:
    """A record for an answer, its effect in words."""
    fields = {name: getattr(row, name) for name in LifeRecordRow.model_fields if hasattr(row, name)}
    return LifeRecordRow.model_validate(
        {**fields, "effect": effect, "effect_text": effect_words(row, effect), "files": tuple(files)}
    )


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


def _today(crane: CraneInScope) -> date:
    return datetime.now(ZoneInfo(crane.time_zone)).date()
