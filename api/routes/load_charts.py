"""Load charts of a crane: in force on a day, their versions, and the import of new ones from CSV."""

import anyio
from fastapi import APIRouter
from fastapi.responses import PlainTextResponse

from api.bounds import OnDay
from api.deps import Caller, Conn, KnownCrane, SeenCrane
from api.permissions import ENGINEER, PERSONAL, VIEWER
from domain.answers import ChartsAnswer
from domain.errors import InvalidChart
from domain.job_answers import ChartProblem, ChartsAsked, ChartsImported, ChartVersionRow
from duty.chart_csv import read_charts, write_charts
from store import charts
from store.descriptions import charts_on
from words.texts import cautions

router = APIRouter(tags=["dispatch"])


@router.get("/cranes/{name}/charts", dependencies=[VIEWER])
async def show_charts(crane: KnownCrane, conn: Conn, on: OnDay = None) -> ChartsAnswer:
    """Load charts in force on a day. The chart at the crane decides, not this copy."""
    day = on or crane.today()
    return ChartsAnswer(
        cautions=cautions("dispatch"), crane=crane.name, on=day, charts=await charts_on(conn, crane, day)
    )


@router.get("/cranes/{name}/charts.csv", dependencies=[VIEWER], response_class=PlainTextResponse)
async def export_charts(crane: KnownCrane, conn: Conn, on: OnDay = None) -> PlainTextResponse:
    """The same as CSV, in the form that the import takes."""
    in_force = await charts_on(conn, crane, on or crane.today())
    return PlainTextResponse(write_charts(in_force), media_type="text/csv; charset=utf-8")


@router.get("/cranes/{name}/chart-versions", dependencies=[VIEWER, PERSONAL])
async def list_versions(crane: SeenCrane, conn: Conn) -> tuple[ChartVersionRow, ...]:
    """Every version that was entered for the crane or for its type, newest first."""
    rows = await charts.VERSIONS_LISTED.all_async(conn, crane=crane.name)
    return tuple(rows)


@router.post("/cranes/{name}/chart-versions", dependencies=[ENGINEER])
async def import_charts(crane: KnownCrane, asked: ChartsAsked, conn: Conn, caller: Caller) -> ChartsImported:
    """Enter load charts that hold from a day on. Every problem of the file is named with its line, and then nothing
    is kept: as an answer with `check_only`, else as a refusal. Earlier versions stay for the days before.
    """
    read = await anyio.to_thread.run_sync(read_charts, asked.csv, crane.crane().type)
    if read.problems and not asked.check_only:
        raise InvalidChart(read.problems)
    version_id = None
    if not asked.check_only:
        version_id = await charts.write_charts(
            conn,
            read.charts,
            valid_from=asked.valid_from,
            source=asked.source,
            imported_by=caller.account,
            **{"type": crane.type_name} if asked.whole_type else {"crane": crane.name},
        )
    return ChartsImported(
        version_id=version_id,
        charts=read.charts,
        problems=tuple(ChartProblem(line=one.line, text=one.text) for one in read.problems),
        warnings=tuple(ChartProblem(line=one.line, text=one.text) for one in read.warnings),
    )
