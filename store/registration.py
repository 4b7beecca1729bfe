"""Registering cranes: one way for the command line and the api.

    wanted = planned(conn, registration, datetime.now(UTC))
    ...                     # may the caller do that? `wanted` says what is new and what would change
    carry_out(conn, wanted)

In one transaction: `planned` takes a lock, so that what it saw still holds when it is carried out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import Connection

from domain.crane import Crane, CraneType, Site
from domain.errors import Conflict, NotFound
from domain.registration import CraneRegistration
from store import cranes
from store.cranes import CraneRecord
from store.locks import Turn, wait_in_transaction
from store.touched import touch_recorded


@dataclass(frozen=True, kw_only=True, slots=True)
class Planned:
    """A registration with what is on file under the same names; None where nothing is."""

    crane: Crane
    site: Site
    known: CraneRecord | None
    known_site: Site | None
    known_type: CraneType | None

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
        """Whether the type on file would be replaced by another: for every crane of it."""
        return self.known_type not in (None, self.crane.type)

    @property
    def moves_midnight(self) -> bool:
        """Whether the days of every crane of the site would begin at another time."""
        return self.known_site is not None and self.known_site.time_zone != self.site.time_zone

    @property
    def counts_anew(self) -> bool:
        """Whether what was counted of the crane no longer holds: by another type, or by days of another zone."""
        return self.known is not None and (
            self.known.crane.type != self.crane.type or self.known.site.time_zone != self.site.time_zone
        )


def planned(
    conn: Connection[Any], wanted: CraneRegistration, now: datetime, sites: Sequence[str] | None = None
) -> Planned:
    """What a registration comes to. `sites`: those in sight, None for every one.

    Raises NotFound where a site or type is named that is not on file.
    """
    wait_in_transaction(conn, Turn.REGISTER_CRANE)
    asked = wanted.crane
    known_site = cranes.find_site(conn, asked.site) if sites is None or asked.site in sites else None
    site = wanted.site or known_site
    if site is None:
        raise NotFound(f"there is no site {asked.site!r} in your sight: describe it under `site`")
    known_type = cranes.find_type(conn, asked.type_name)
    crane_type = known_type if isinstance(asked.type, str) else asked.type
    if crane_type is None:
        raise NotFound(
            f"there is no crane type {asked.type_name!r}: describe it with the figures of its manual"
        )
    known = cranes.find_crane(conn, asked.name)
    if known is not None and sites is not None and known.site.name not in sites:
        known = None
    registered_at = asked.registered_at or (known.crane.registered_at if known is not None else now)
    return Planned(
        crane=asked.crane(crane_type, registered_at),
        site=site,
        known=known,
        known_site=known_site,
        known_type=known_type,
    )


def carry_out(conn: Connection[Any], wanted: Planned) -> CraneRecord:
    """Write a registration down. Days that were counted by another type or zone are queued to be counted anew.

    Raises Conflict where the name belongs to a crane that was not seen.
    """
    if wanted.site != wanted.known_site:
        cranes.save_site(conn, wanted.site)
    if wanted.crane.type != wanted.known_type:
        cranes.save_type(conn, wanted.crane.type)
    if wanted.known is None:
        if cranes.add_crane(conn, wanted.crane) is None:
            raise Conflict(f"the name {wanted.crane.name!r} is taken: choose another")
    else:
        cranes.save_crane(conn, wanted.crane)
    _queue(conn, wanted)
    return cranes.get_crane(conn, wanted.crane.name)


def _queue(conn: Connection[Any], wanted: Planned) -> None:
    if wanted.changes_type:
        touch_recorded(conn, type_name=wanted.crane.type.name)
    if wanted.moves_midnight:
        touch_recorded(conn, site=wanted.site.name)
    if wanted.counts_anew:
        touch_recorded(conn, crane=wanted.crane.name)
