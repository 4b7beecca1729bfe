"""Sites, crane types and cranes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from psycopg import Connection
from psycopg.rows import dict_row
from psycopg.types.json import Jsonb

from domain.crane import Crane, CraneType, Site
from domain.errors import NotFound
from domain.further_channel import FurtherRange
from store import descriptions
from store.sql import query
from store.statement import scalar


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneRecord:
    """A crane as it is stored: its key, itself and the site that it belongs to."""

    crane_id: int
    crane: Crane
    site: Site


class ClockOffset(NamedTuple):
    """What is added to the times that some messages of a crane state."""

    boot: int
    seq_from: int
    seq_to: int
    offset_ms: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneEntry:
    """What ingest needs to know of a crane."""

    crane_id: int
    registered_at: datetime
    zone: ZoneInfo
    offsets: tuple[ClockOffset, ...] = ()  # corrections of its sender's clock
    further: tuple[FurtherRange, ...] = ()  # channels registered for it, by name

    def ranges(self, of: Mapping[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
        """Smallest and largest reading of its further channels, and of others as given."""
        return {**{one.name: (one.low, one.high) for one in self.further}, **of}

    def offset_ms(self, boot: int, seq: int) -> int:
        """What is added to the time that a message states [ms]."""
        for one in self.offsets:
            if one.boot == boot and one.seq_from <= seq <= one.seq_to:
                return one.offset_ms
        return 0


def save_site(conn: Connection[Any], site: Site) -> int:
    """Add a site, or replace the one with its name; its site_id."""
    return _one_id(conn, "site_saved", name=site.name, spec=Jsonb(site.model_dump(mode="json")))


def save_type(conn: Connection[Any], crane_type: CraneType) -> int:
    """Add a crane type, or replace the one with its name; its type_id."""
    return _one_id(
        conn, "crane_type_saved", name=crane_type.name, spec=Jsonb(crane_type.model_dump(mode="json"))
    )


def ensure_type(conn: Connection[Any], crane_type: CraneType) -> None:
    """Add a crane type unless there is one of its name."""
    spec = Jsonb(crane_type.model_dump(mode="json"))
    conn.execute(query("crane_type_ensured"), {"name": crane_type.name, "spec": spec})


def save_crane(conn: Connection[Any], crane: Crane, *, on_file: bool = True) -> int:
    """Add a crane with its type, or replace the one with its name; its crane_id. Raises NotFound without its site.

    Of a crane that is there the description that holds now is corrected, with what it was in the past; nothing is queued.
    on_file: whether the type on file under its name becomes that of the crane; a new type is put on file in any case.
    """
    if on_file:
        save_type(conn, crane.type)
    else:
        ensure_type(conn, crane.type)
    crane_id = save_entry(conn, crane)
    newest = descriptions.descriptions_of(conn, crane_id)[0]
    if newest.type != crane.type:
        descriptions.describe(
            conn, crane_id, newest.valid_from, crane.type, attachments=newest.attachments,
            sensors_replaced=newest.sensors_replaced, note=newest.note,
        )  # fmt: skip
    return crane_id


def save_entry(conn: Connection[Any], crane: Crane) -> int:
    """Add a crane whose type is on file, or replace what is entered of the one with its name but its description; its crane_id."""
    try:
        return _one_id(conn, "crane_saved", **_fields(conn, crane))
    except NotFound:
        raise NotFound(f"crane {crane.name}: there is no site {crane.site}; add the site first") from None


def add_crane(conn: Connection[Any], crane: Crane) -> int | None:
    """Add a crane whose site and type are on file; its crane_id, None when there is a crane of that name."""
    crane_id: int | None = scalar(conn, "crane_added", **_fields(conn, crane))
    return crane_id


def save_draft(conn: Connection[Any], crane: Crane, site: Site) -> int | None:
    """Add a crane that was seen on the wire with its placeholder site and type; None when it is there already."""
    conn.execute(query("site_ensured"), {"name": site.name, "spec": Jsonb(site.model_dump(mode="json"))})
    ensure_type(conn, crane.type)
    return add_crane(conn, crane)


def list_cranes(conn: Connection[Any]) -> list[CraneRecord]:
    """Every crane, by name."""
    with conn.cursor(row_factory=dict_row) as cursor:
        return [record(row) for row in cursor.execute(query("cranes_all")).fetchall()]


def find_crane(conn: Connection[Any], name: str) -> CraneRecord | None:
    """One crane by its name, None without it."""
    with conn.cursor(row_factory=dict_row) as cursor:
        row = cursor.execute(query("crane_by_name"), {"name": name}).fetchone()
    return None if row is None else record(row)


def get_crane(conn: Connection[Any], name: str) -> CraneRecord:
    """One crane by its name. Raises NotFound."""
    found = find_crane(conn, name)
    if found is None:
        raise NotFound(f"there is no crane {name}")
    return found


def find_site(conn: Connection[Any], name: str) -> Site | None:
    """One site by its name, None without it."""
    spec = scalar(conn, "site_by_name", name=name)
    return None if spec is None else Site.model_validate(spec)


def find_type(conn: Connection[Any], name: str) -> CraneType | None:
    """One crane type by its name, None without it."""
    spec = scalar(conn, "crane_type_by_name", name=name)
    return None if spec is None else CraneType.model_validate(spec)


def directory(conn: Connection[Any], sites: Sequence[str] | None = None) -> dict[str, CraneEntry]:
    """Every crane by its name, or those of some sites, with what ingest needs to know of it."""
    params = {"sites": None if sites is None else list(sites)}
    further: dict[int | None, dict[str, FurtherRange]] = {}
    for crane_id, *of in conn.execute(query("further_channels_in_force")).fetchall():
        further.setdefault(crane_id, {})[of[0]] = FurtherRange(*of)
    return {
        name: CraneEntry(
            crane_id=crane_id,
            registered_at=registered_at,
            zone=ZoneInfo(time_zone),
            further=tuple(sorted((further.get(None, {}) | further.get(crane_id, {})).values())),
        )
        for name, crane_id, registered_at, time_zone in conn.execute(
            query("crane_directory"), params
        ).fetchall()
    }


def record(row: dict[str, Any]) -> CraneRecord:
    """A row of the queries `cranes_all` and `crane_by_name` as values of the domain."""
    site = Site.model_validate(row["site_spec"])
    crane = Crane.model_validate({**row["spec"], "type": row["type_spec"], "site": site.name})
    return CraneRecord(crane_id=row["crane_id"], crane=crane, site=site)


def _fields(conn: Connection[Any], crane: Crane) -> dict[str, Any]:
    return {
        "spec_id": scalar(conn, "spec_id_of_type", type=crane.type.name),
        "draft": crane.draft,
        "name": crane.name,
        "site": crane.site,
        "type": crane.type.name,
        "registered_at": crane.registered_at,
        "spec": Jsonb(crane.model_dump(mode="json", exclude={"type", "site"})),
    }


def _one_id(conn: Connection[Any], statement: str, /, **params: object) -> int:
    number = scalar(conn, statement, **params)
    if number is None:
        raise NotFound(f"{statement} wrote nothing")
    return int(number)
