"""Registering cranes: one way for the command line and the api.

    wanted = planned(conn, registration, datetime.now(UTC))
    ...                     # may the caller do that? `wanted` says what is new and what would change
    carry_out(conn, wanted)

In one transaction: `planned` takes a lock, so that what it saw still holds when it is carried out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from psycopg import Connection
from psycopg.types.json import Jsonb

from domain.crane import Crane, CraneType, Site
from domain.description import DescriptionAsked, DescriptionEntry, on_day
from domain.errors import Conflict, NotFound
from domain.registration import CraneRegistration
from store import cranes, descriptions
from store.cranes import CraneRecord
from store.locks import Lock, wait_in_transaction
from store.statement import Statement, run
from store.touched import touch_recorded


@dataclass(frozen=True, kw_only=True, slots=True)
class Planned:
    """A registration with what is on file under the same names; None where nothing is."""

    crane: Crane
    site: Site
    known: CraneRecord | None
    known_site: Site | None
    known_type: CraneType | None  # on file under the name of its type
    valid_from: date  # from which a changed type holds for the crane
    correct_past: bool  # the description of that day is corrected
    account: str

    @property
    def new_site(self) -> bool:
        """Whether its site has to be added."""
        return self.known_site is None

    @property
    def changes_site(self) -> bool:
        """Whether the site on file would be replaced by another: for every crane of it."""
        return self.known_site not in (None, self.site)

    @property
    def changes_type(self) -> bool:
        """Whether the type on file would be replaced by another: for cranes that are registered by it from now on."""
        own = None if self.known is None else self.known.crane.type
        return self.crane.type != own and self.known_type not in (None, self.crane.type)

    @property
    def changes_description(self) -> bool:
        """Whether the crane on file is described otherwise."""
        return self.known is not None and self.known.crane.type != self.crane.type

    @property
    def moves_midnight(self) -> bool:
        """Whether the days of every crane of the site would begin at another time."""
        return self.known_site is not None and self.known_site.time_zone != self.site.time_zone

    @property
    def moves_crane(self) -> bool:
        """Whether the days of the crane itself would begin at another time."""
        return self.known is not None and self.known.site.time_zone != self.site.time_zone


def planned(
    conn: Connection[Any],
    wanted: CraneRegistration,
    now: datetime,
    sites: Sequence[str] | None = None,
    account: str = "command line",
) -> Planned:
    """What a registration comes to. `sites`: those in scope, None for every one.

    A crane that is there keeps its own description where its type is named and not described. A draft, and a crane of which
    nothing was recorded yet, has no past to keep: its description is corrected.
    Raises NotFound where a site or type is named that is not on file, InvalidInput for a day to come.
    """
    wait_in_transaction(conn, Lock.REGISTER_CRANE)
    asked = wanted.crane
    known_site = cranes.find_site(conn, asked.site) if sites is None or asked.site in sites else None
    site = wanted.site or known_site
    if site is None:
        raise NotFound(f"there is no site {asked.site!r} that you may see: describe it under `site`")
    known = cranes.find_crane(conn, asked.name)
    if known is not None and sites is not None and known.site.name not in sites:
        known = None
    known_type = cranes.find_type(conn, asked.type_name)
    crane_type = known_type if isinstance(asked.type, str) else asked.type
    if known is not None and asked.type == known.crane.type.name:
        crane_type = known.crane.type
    if crane_type is None:
        raise NotFound(
            f"there is no crane type {asked.type_name!r}: describe it with the figures of its manual"
        )
    registered_at = asked.registered_at or (known.crane.registered_at if known is not None else now)
    today = now.astimezone(ZoneInfo(site.time_zone)).date()
    valid_from = wanted.valid_from or today
    descriptions.refuse_future(valid_from, today)
    no_past = known is None or (
        wanted.valid_from is None
        and (known.crane.draft or not descriptions.any_day_recorded(conn, known.crane_id))
    )
    return Planned(
        crane=asked.crane(crane_type, registered_at),
        site=site,
        known=known,
        known_site=known_site,
        known_type=known_type,
        valid_from=valid_from,
        correct_past=wanted.correct_past or no_past,
        account=account,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Registered:
    """A registration that was written down, and the days of the crane that are counted again for its description."""

    record: CraneRecord
    days: list[date]


def carry_out(conn: Connection[Any], wanted: Planned) -> Registered:
    """Write a registration down. Days that were counted by another description or zone are queued to be counted anew.

    Raises Conflict where the name belongs to a crane that was not seen.
    """
    if wanted.site != wanted.known_site:
        cranes.save_site(conn, wanted.site)
    if wanted.changes_type or wanted.known_type is None:
        cranes.save_type(conn, wanted.crane.type)
    days: list[date] = []
    if wanted.known is None:
        if cranes.add_crane(conn, wanted.crane) is None:
            raise Conflict(f"the name {wanted.crane.name!r} is taken: choose another")
    else:
        cranes.save_entry(conn, wanted.crane)
        days = _described(conn, wanted, wanted.known)
    if wanted.moves_midnight:
        touch_recorded(conn, site=wanted.site.name)
    if wanted.moves_crane:
        touch_recorded(conn, crane=wanted.crane.name)
    return Registered(record=cranes.get_crane(conn, wanted.crane.name), days=days)


def _described(conn: Connection[Any], wanted: Planned, known: CraneRecord) -> list[date]:
    if not wanted.changes_description:
        return []
    held = on_day(descriptions.descriptions_of(conn, known.crane_id), wanted.valid_from)
    corrected = wanted.correct_past or held.valid_from == wanted.valid_from
    day = held.valid_from if corrected else wanted.valid_from
    descriptions.refuse_unheard_charts(conn, known.crane_id, held.type, wanted.crane.type, day)
    return descriptions.describe(
        conn,
        known.crane_id,
        day,
        wanted.crane.type,
        attachments=held.attachments,
        sensors_replaced=held.sensors_replaced if corrected else (),
        note=held.note if corrected else "",
        account=wanted.account,
    )


def describe_crane(
    conn: Connection[Any],
    record: CraneRecord,
    asked: DescriptionAsked,
    today: date,
    account: str,
    *,
    valid_from: date | None = None,
) -> tuple[DescriptionEntry, list[date]]:
    """Enter a description of a crane, or correct the one of `valid_from`; what then holds on that day, and days to count again.

    The type on file stays as it is; a type of a new name is put on file. Raises NotFound where a type is named that is not on
    file, or no description is of the day to correct; InvalidInput for a day to come.
    """
    wait_in_transaction(conn, Lock.REGISTER_CRANE)
    day = valid_from or asked.valid_from or today
    descriptions.refuse_future(day, today)
    entries = descriptions.descriptions_of(conn, record.crane_id)
    held = on_day(entries, day)
    if valid_from is not None and held.valid_from != valid_from:
        raise NotFound(
            f"{record.crane.name} has no description of {valid_from}: see its list of descriptions"
        )
    crane_type = asked.type
    if isinstance(crane_type, str):
        crane_type = cranes.find_type(conn, crane_type)
        if crane_type is None:
            raise NotFound(
                f"there is no crane type {asked.type!r}: describe it with the figures of its manual"
            )
    elif crane_type is not None:
        cranes.ensure_type(conn, crane_type)
    if crane_type is not None:
        descriptions.refuse_unheard_charts(conn, record.crane_id, held.type, crane_type, day)
    days = descriptions.describe(
        conn,
        record.crane_id,
        day,
        crane_type or held.type,
        attachments=held.attachments if asked.attachments is None else asked.attachments,
        sensors_replaced=asked.sensors_replaced,
        note=asked.note,
        account=account,
    )
    return on_day(descriptions.descriptions_of(conn, record.crane_id), day), days


@dataclass(frozen=True, kw_only=True, slots=True)
class History:
    """One crane as it is entered, and when its record begins."""

    name: str
    site: str
    spec: dict[str, Any]
    type_spec: dict[str, Any]
    first_at: datetime | None

    def crane(self) -> Crane:
        """The crane as a value of the domain."""
        return Crane.model_validate({**self.spec, "type": self.type_spec, "site": self.site})


@dataclass(frozen=True, kw_only=True, slots=True)
class _First:
    first_at: datetime | None


_FIRST: Final = Statement("history_begins", _First)
HISTORIES: Final = Statement("histories", History)


def histories(conn: Connection[Any], sites: Sequence[str] | None = None) -> list[History]:
    """Every completed crane, or those of some sites, by name."""
    return HISTORIES.all(conn, sites=None if sites is None else list(sites))


def recorded_from(conn: Connection[Any], crane: str) -> date | None:
    """First recorded day of a crane (UTC); None without a record."""
    found = _FIRST.first(conn, crane=crane)
    return None if found is None or found.first_at is None else found.first_at.date()


def enter(conn: Connection[Any], crane: str, changes: dict[str, object]) -> None:
    """Replaces some fields of what is entered of a crane; its summary is written again by analytics."""
    run(conn, "history_entered", crane=crane, changes=Jsonb(changes))
