"""Load charts by the day from which they hold, and the whole fleet with the charts in force."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from psycopg import AsyncConnection
from psycopg.types.json import Jsonb

from domain.attention import REVIEW_SHARE
from domain.crane import LoadChart
from domain.errors import NotFound
from domain.job_answers import ChartVersionRow
from store.statement import Statement


@dataclass(frozen=True, kw_only=True, slots=True)
class ListedCrane:
    """What dispatch needs of one crane; version_id None where the charts of its type's entry hold."""

    name: str
    title: str
    draft: bool
    type_id: int
    spec_id: int  # of the description that holds now
    site: str
    design: str | None  # JSON of the design class
    prior_duty: bool  # whether duty before the first record is entered
    entries: str  # JSON of those that decide the special assessment before any count
    review_at_share: float
    wind_limit_m_s: float | None
    slope_limit_deg: float | None
    time_zone: str
    latitude_deg: float | None
    longitude_deg: float | None
    version_id: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TypeRow:
    """One description that holds for a crane now; it never changes."""

    spec_id: int
    spec: dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class VersionCharts:
    """The charts of one version as parallel lists in JSON: one entry a chart, and from outreach_m on one a point."""

    version_id: int
    spread_left: str
    spread_right: str
    sector: str
    jib_fitted: str
    stage: str
    points: str
    outreach_m: str
    capacity_kg: str
    hook_height_m: str


@dataclass(frozen=True, kw_only=True, slots=True)
class InForce:
    """The version that holds for a crane on a day."""

    version_id: int
    own: bool
    valid_from: date
    source: str
    charts: list[dict[str, Any]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Stamp:
    """Changes with the fleet."""

    stamp: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartDay:
    """A day on which some version of charts begins to hold."""

    valid_from: date


@dataclass(frozen=True, kw_only=True, slots=True)
class Written:
    """Number of a new version."""

    version_id: int


FLEET_STAMP: Final = Statement("fleet_stamp", Stamp)
FLEET_CRANES: Final = Statement("fleet_cranes", ListedCrane)
FLEET_TYPES: Final = Statement("fleet_types", TypeRow)
VERSION_CHARTS: Final = Statement("chart_versions_of", VersionCharts)
VERSIONS_LISTED: Final = Statement("chart_versions_listed", ChartVersionRow)
IN_FORCE: Final = Statement("chart_version_in_force", InForce)
CHART_DAYS: Final = Statement("chart_days", ChartDay)
CHARTS_WRITTEN: Final = Statement("charts_written", Written)


CRANES_A_PAGE: Final = 1000  # read page by page, so that the event loop gets its turn in between


async def fleet_stamp(conn: AsyncConnection[Any]) -> str:
    """A text that changes whenever a crane, a type, a site or a chart version does."""
    row = await FLEET_STAMP.first_async(conn)
    return "" if row is None else row.stamp


async def fleet_cranes(conn: AsyncConnection[Any], day: date) -> list[ListedCrane]:
    """Every crane by name with the chart version that holds for it on a day."""
    found: list[ListedCrane] = []
    while True:
        after = found[-1].name if found else ""
        page = await FLEET_CRANES.all_async(
            conn, day=day, after=after, rows=CRANES_A_PAGE, review_at_share=REVIEW_SHARE
        )
        found += page
        if len(page) < CRANES_A_PAGE:
            return found


async def chart_days(conn: AsyncConnection[Any], after: date, until: date) -> list[date]:
    """Days after one and up to another on which some version of charts begins to hold, in order."""
    return [row.valid_from for row in await CHART_DAYS.all_async(conn, after=after, until=until)]


async def write_charts(
    conn: AsyncConnection[Any],
    charts: Sequence[LoadChart],
    *,
    valid_from: date,
    source: str,
    imported_by: str,
    crane: str | None = None,
    type: str | None = None,  # noqa: A002
) -> int:
    """Add a version of the charts of one crane or of one type (exactly one is named); its number.

    Raises NotFound where that crane or type is not known.
    """
    row = await CHARTS_WRITTEN.first_async(
        conn,
        crane=crane,
        type=type,
        valid_from=valid_from,
        charts=Jsonb([chart.model_dump(mode="json") for chart in charts]),
        source=source,
        imported_by=imported_by,
    )
    if row is None:
        raise NotFound(f"no crane is named {crane!r} and no type {type!r}: name exactly one that exists")
    return row.version_id
