"""Telemetry by file: samples and events as CSV or Parquet, by the function that the command line uses, in a process of its own."""

import shutil
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any, Final

from anyio import to_thread
from fastapi import APIRouter, Query, Request
from starlette.datastructures import UploadFile

from api.deps import Caller, Conn, Settings
from api.import_jobs import ImportJobs
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER, PERSONAL
from api.problems import Refused
from api.settings import ApiSettings
from api.spec import problem
from api.stages import AUDIT_DETAIL
from api.tables import CSV, PARQUET
from domain.answers import Page
from domain.errors import InvalidInput, NotFound
from domain.transfer_answers import ImportCrane, ImportDone, ImportProblem, ImportRow, ImportRunning
from store import audit
from store.columns import from_ms
from store.site_scope import signed_for
from transfer.child import Order

router = APIRouter(tags=["import"])

FORM: Final = "multipart/form-data"
MAPPING_BYTES_MAX: Final = 100_000
NAME_CHARS_MAX: Final = 200
WRITTEN_AT_ONCE: Final = 1_000_000
TOLD_IN_REFUSAL: Final = 20
PARQUET_START: Final = b"PAR1"
TAKEN_OVER: Final = ("stored", "rows", "empty_rows", "new", "known", "samples", "problem_count")

_ROWS: Final = "crane,at,boot,seq,dt_ms,received_at,channels,utilisation_pct\nheron-3,2026-03-02T06:00:00Z,1,1,1000,2026-03-02T06:00:05Z,1,41.5\n"
_MAPPING: Final = (
    'kind = "samples"\ndelimiter = ";"\n[crane]\nname = "heron-3"\n[time]\ncolumn = "Zeit"\n[step]\nms = 1000\n'
    '[channels]\nutilisation_pct = "Auslastung"\n'
)
BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": "A table with the columns of `boomledger export`; any other as a form, with a mapping in TOML.",
        "content": {
            CSV: {"schema": {"type": "string"}, "examples": {"example": {"value": _ROWS}}},
            PARQUET: {
                "schema": {"type": "string", "format": "binary"},
                "examples": {"example": {"summary": "the bytes of the file", "value": "PAR1"}},
            },
            FORM: {
                "schema": {
                    "type": "object",
                    "properties": {
                        "file": {"type": "string", "format": "binary", "description": "CSV or Parquet"},
                        "mapping": {"type": "string", "maxLength": MAPPING_BYTES_MAX},
                    },
                    "required": ["file"],
                },
                "examples": {
                    "example": {
                        "value": {
                            "file": "Zeit;Auslastung\n2026-03-02T06:00:00Z;41.5\n",
                            "mapping": _MAPPING,
                        }
                    }
                },
            },
        },
    }
}


@router.post(
    "/imports",
    dependencies=[ENGINEER],
    openapi_extra=BODY,
    responses={
        400: problem("No form that can be read"),
        409: problem("An import of this account is under way, or this one was cancelled"),
        415: problem("Unknown form of body"),
    },
)
async def import_table(
    request: Request,
    caller: Caller,
    settings: Settings,
    dry_run: Annotated[
        bool, Query(description="store nothing; tell what would be new and what is wrong")
    ] = False,
    skip_bad: Annotated[bool, Query(description="store the good rows of a file that has bad ones")] = False,
) -> ImportDone:
    """Store samples or events from a file, of cranes that you may see. What was imported before counts once.

    A file with a problem in any line is refused whole, unless `skip_bad`. A reading out of its channel's range is no
    such problem: it is stored as missing and told under `refused`. `dry_run` answers every problem with its line. The
    limits are those of messages; the days that changed are counted next. An account has one import at a time; it is read in
    a process of its own with limits of memory, time, rows, columns and cells, and 422 says which one a file is over.
    """
    jobs: ImportJobs = request.app.state.imports
    with (
        jobs.begun(caller.account, dry_run=dry_run) as job,
        TemporaryDirectory(prefix="boomledger-import-") as folder,
    ):
        file, mapping, job.file = await _received(request, Path(folder))
        order = Order(
            url=request.app.state.database_url,
            file=str(file),
            mapping=mapping,
            dry_run=dry_run,
            skip_bad=skip_bad,
            sites=None if caller.sites is None else list(caller.sites),
            **settings.import_bounds(),
        )
        sign = partial(signed_for, request.app.state.pool, sites=caller.sites, **caller.who)
        done = await jobs.read(job, order, settings, sign)
    if not done["stored"] and not dry_run:
        raise InvalidInput(_refusal(_told(done["problems"]), done["problem_count"]), field="file")
    request.scope[AUDIT_DETAIL] = {
        "file": job.file,
        "cranes": len(done["cranes"]),
        **{name: done[name] for name in ("stored", "rows", "new", "known", "samples", "problem_count")},
    }
    return ImportDone(
        **{name: done[name] for name in TAKEN_OVER},
        cranes=tuple(
            ImportCrane(crane=name, rows=rows, first_at=from_ms(first_ms), last_at=from_ms(last_ms))
            for name, (rows, first_ms, last_ms) in sorted(done["cranes"].items())
        ),
        problems=_told(done["problems"]),
        refused_count=done["refused_readings"],
        refused=_told(done["refused"]),
    )


@router.get("/imports/running", dependencies=[ENGINEER])
async def running_import(request: Request, caller: Caller) -> ImportRunning:
    """The import of your account that is under way, and how far it is."""
    jobs: ImportJobs = request.app.state.imports
    job = jobs.of(caller.account)
    return ImportRunning(running=None if job is None else job.told())


@router.delete(
    "/imports/running",
    dependencies=[ENGINEER],
    responses={404: problem("No import of this account is under way")},
)
async def cancel_import(request: Request, caller: Caller) -> ImportRunning:
    """Cancel the import of your account: its own request is answered with 409. What was stored before stays."""
    jobs: ImportJobs = request.app.state.imports
    job = jobs.of(caller.account)
    if job is None:
        raise NotFound("no import of this account is under way")
    job.scope.cancel()
    return ImportRunning(running=job.told())


@router.get("/imports", dependencies=[ENGINEER, PERSONAL])
async def list_imports(
    conn: Conn, caller: Caller, limit: Limit = 50, cursor: Cursor = None
) -> Page[ImportRow]:
    """Files that were stored, newest first: everyone's for who has every site in scope, else one's own."""
    before = decode_cursor(cursor, (int,))
    own = caller.account if caller.sites is not None else None
    rows = await audit.list_imports(conn, before[0] if before else 2**62, own, limit + 1)
    listed = [
        ImportRow(import_id=row["audit_id"], **row["detail"], at=row["at"], account=row["account"])
        for row in rows
    ]
    return page(listed, limit, [(row.import_id,) for row in listed])


def _told(found: Iterable[tuple[int, int, str]]) -> tuple[ImportProblem, ...]:
    return tuple(ImportProblem(first_line=first, last_line=last, text=text) for first, last, text in found)


def _refusal(problems: Sequence[ImportProblem], count: int) -> str:
    told = "; ".join(
        f"line {one.first_line}{'' if one.last_line == one.first_line else f'-{one.last_line}'}: {one.text}"
        for one in problems[:TOLD_IN_REFUSAL]
    )
    more = count - TOLD_IN_REFUSAL
    return (
        f"nothing was stored: {told}{f'; and {more} more' if more > 0 else ''}."
        " Mend these lines, or leave them out with skip_bad=true; dry_run=true tells every one"
    )


async def _received(request: Request, folder: Path) -> tuple[Path, str | None, str]:
    """The file of a request in a folder, the mapping that came with it as text, and what it is called."""
    form = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    arrived = folder / "file"
    mapping, name = None, ""
    if form in (CSV, PARQUET):
        await _write_stream(request, arrived)
    elif form == FORM:
        mapping, name = await _write_form(request, arrived)
    else:
        raise Refused(415, f"a file comes as {CSV}, {PARQUET} or {FORM}, not as {form or 'nothing'!r}")
    with arrived.open("rb") as opened:
        parquet = opened.read(len(PARQUET_START)) == PARQUET_START
    return arrived.rename(folder / ("file.parquet" if parquet else "file.csv")), mapping, name


async def _write_stream(request: Request, file: Path) -> None:
    waiting = bytearray()
    with file.open("wb") as out:
        async for part in request.stream():
            waiting += part
            if len(waiting) >= WRITTEN_AT_ONCE:
                await to_thread.run_sync(out.write, bytes(waiting))
                waiting.clear()
        out.write(waiting)


async def _write_form(request: Request, file: Path) -> tuple[str | None, str]:
    async with request.form(max_files=2, max_fields=2, max_part_size=MAPPING_BYTES_MAX) as form:
        given = form.get("file")
        if given is None:
            raise InvalidInput("the form has no part `file` with the table", field="file")
        if isinstance(given, UploadFile):
            source = given.file

            def copy() -> None:
                with file.open("wb") as out:
                    shutil.copyfileobj(source, out, WRITTEN_AT_ONCE)

            await to_thread.run_sync(copy)
        else:  # a part that has no file name
            await to_thread.run_sync(file.write_bytes, given.encode())
        text = form.get("mapping")
        if isinstance(text, UploadFile):
            raw = await text.read(MAPPING_BYTES_MAX)
            text = raw.decode("utf-8", errors="replace")
        called = (given.filename or "") if isinstance(given, UploadFile) else ""
        return text or None, called[:NAME_CHARS_MAX]


def bounds(settings: ApiSettings) -> dict[str, tuple[int, float]]:
    """Paths whose bodies may be larger: most bytes and seconds."""
    return {"/imports": (settings.import_bytes_max, settings.import_seconds_max)}
