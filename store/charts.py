"""Load charts by the day from which they hold, and the whole fleet with the charts in force."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import AsyncConnection
from psycopg.types.json import Jsonb

from domain.charts import charts_in_force
from domain.crane import Crane, CraneType, LoadChart
from domain.errors import NotFound
from store.statement import Statement


@dataclass(frozen=True, kw_only=True, slots=True)
class FleetCrane:
    """One crane of the fleet; version_id None where the charts of its type's entry hold."""

    crane_id: int
    name: str
    spec: dict[str, Any]
    draft: bool
    type_id: int
    site: str
    latitude_deg: float | None
    longitude_deg: float | None
    version_id: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TypeRow:
    """One crane type."""

    type_id: int
    name: str
    spec: dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class VersionCharts:
    """The charts of one version."""

    version_id: int
    charts: list[dict[str, Any]]


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartVersion:
    """One import of charts; `own` tells a crane's own from its type's, `charts` how many there are."""

    version_id: int
    own: bool
    valid_from: date
    source: str
    imported_at: datetime
    imported_by: str
    charts: int


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


@dataclass(frozen=True, kw_only=True)
class FleetWithCharts:
    """Cranes by name with the charts in force; cranes of one type and version share both objects."""

    rows: tuple[FleetCrane, ...]
    cranes: tuple[Crane, ...]
    charts: tuple[tuple[LoadChart, ...], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Written:
    """Number of a new version."""

    version_id: int


FLEET_STAMP: Final = Statement("fleet_stamp", Stamp)
FLEET_CRANES: Final = Statement("fleet_cranes", FleetCrane)
FLEET_TYPES: Final = Statement("fleet_types", TypeRow)
VERSION_CHARTS: Final = Statement("chart_versions_of", VersionCharts)
VERSIONS_LISTED: Final = Statement("chart_versions_listed", ChartVersion)
IN_FORCE: Final = Statement("chart_version_in_force", InForce)
CHARTS_WRITTEN: Final = Statement("charts_written", Written)


@dataclass(frozen=True, kw_only=True, slots=True)
class FleetRows:
    """The fleet as it stands in the database, before it is parsed."""

    cranes: list[FleetCrane]
    types: list[TypeRow]
    versions: list[VersionCharts]

    def parsed(self, day: date) -> FleetWithCharts:
        """As domain values, with the charts of a day. Takes CPU time, some 0.1 s for 10 000 cranes: run it in a thread."""
        types = {row.type_id: CraneType.model_validate(row.spec) for row in self.types}
        entered = {type_id: charts_in_force(one.charts, day) for type_id, one in types.items()}
        versions = {
            row.version_id: tuple(LoadChart.model_validate(one) for one in row.charts)
            for row in self.versions
        }
        cranes = [
            Crane.model_validate({**row.spec, "type": types[row.type_id], "site": row.site})
            for row in self.cranes
        ]
        return FleetWithCharts(
            rows=tuple(self.cranes),
            cranes=tuple(cranes),
            charts=tuple(
                entered[row.type_id] if row.version_id is None else versions[row.version_id]
                for row in self.cranes
            ),
        )


async def fleet_stamp(conn: AsyncConnection[Any]) -> str:
    """A text that changes whenever a crane, a type, a site or a chart version does."""
    row = await FLEET_STAMP.first_async(conn)
    return "" if row is None else row.stamp


async def fleet_rows(conn: AsyncConnection[Any], day: date) -> FleetRows:
    """Every crane with what is needed to match a lift on a day."""
    cranes = await FLEET_CRANES.all_async(conn, day=day)
    wanted = sorted({row.version_id for row in cranes if row.version_id is not None})
    return FleetRows(
        cranes=cranes,
        types=await FLEET_TYPES.all_async(conn),
        versions=await VERSION_CHARTS.all_async(conn, version_ids=wanted),
    )


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


async def chart_versions(conn: AsyncConnection[Any], crane: str) -> list[ChartVersion]:
    """Versions that were entered for a crane or its type, newest first."""
    return await VERSIONS_LISTED.all_async(conn, crane=crane)


async def in_force(conn: AsyncConnection[Any], crane: str, day: date) -> InForce | None:
    """The version that holds for a crane on a day; None where the charts of its type's entry hold."""
    return await IN_FORCE.first_async(conn, crane=crane, day=day)
