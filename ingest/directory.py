"""The cranes that ingest knows, kept in memory and looked up again when an unknown one turns up."""

import time
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from psycopg import Connection

from domain.crane import Boom, Crane, CraneType, Site, Vehicle
from ingest.limits import Limits
from store import clock_corrections, cranes
from store.cranes import CraneEntry

REFRESH_S: Final = 30.0  # a changed site or registration time is seen after this at the latest
ASK_AGAIN_S: Final = 1.0  # a name that was not found is not looked for more often

UNASSIGNED_SITE: Final = Site(name="unassigned", title="Not yet assigned", time_zone="UTC")
# A drafted crane needs a type; figures that rest on geometry mean nothing until a person has entered the real one.
_PLACEHOLDER_BOOM: Final = Boom(length_m=1, mass_kg=1, lowest_deg=-90, highest_deg=90)
UNASSIGNED_TYPE: Final = CraneType(
    name="unassigned",
    title="Not yet assigned",
    pivot_offset_m=0,
    pivot_height_m=1,
    main_boom=_PLACEHOLDER_BOOM,
    knuckle_boom=_PLACEHOLDER_BOOM,
    rated_moment_kn_m=1,
    vehicle=Vehicle(
        mass_kg=1,
        centre_of_mass_x_m=0,
        stabiliser_spread_full_m=1,
        stabiliser_spread_none_m=1,
        rear_support_x_m=0,
        front_support_x_m=0,
        pad_area_m2=0.1,
    ),
    invented=True,
)


class Directory:
    """Cranes by name, as of the last refresh."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._cranes: dict[str, CraneEntry] = {}
        self._zones: dict[int, ZoneInfo] = {}
        self._version = -1
        self._refreshed = float("-inf")
        self._missed: dict[str, float] = {}

    @property
    def cranes(self) -> Mapping[str, CraneEntry]:
        """Every crane known now."""
        return self._cranes

    @property
    def version(self) -> int:
        """Of the corrections of clocks that it knows."""
        return self._version

    def forget(self) -> None:
        """Have the next `prepare` look everything up again."""
        self._refreshed = float("-inf")

    def prepare(self, conn: Connection[Any], names: Iterable[str]) -> None:
        """Look up what the named cranes need: refresh when it is time or one is new, draft where that is wanted."""
        now = time.monotonic()
        unknown = {name for name in names if name not in self._cranes}
        fresh = {name for name in unknown if now - self._missed.get(name, float("-inf")) > ASK_AGAIN_S}
        if not fresh and now - self._refreshed < REFRESH_S:
            return
        if fresh and self._limits.draft_unknown_cranes:
            self._draft(conn, fresh)
        known = cranes.directory(conn)
        self._version, offsets = clock_corrections.in_force(conn)
        self._cranes = {
            name: replace(entry, offsets=offsets[entry.crane_id]) if entry.crane_id in offsets else entry
            for name, entry in known.items()
        }
        self._zones = {entry.crane_id: entry.zone for entry in self._cranes.values()}
        self._refreshed = now
        if now - min(self._missed.values(), default=now) > REFRESH_S:
            self._missed.clear()
        self._missed.update({name: now for name in fresh if name not in self._cranes})

    @property
    def zones(self) -> Mapping[int, ZoneInfo]:
        """The time zone of every crane known now, by its key."""
        return self._zones

    def _draft(self, conn: Connection[Any], names: Iterable[str]) -> None:
        now = datetime.now(UTC)
        for name in sorted(names):
            crane = Crane(
                name=name,
                type=UNASSIGNED_TYPE,
                site=UNASSIGNED_SITE.name,
                registered_at=now - self._limits.draft_history,
                commissioned_on=now.date(),
                draft=True,
            )
            cranes.save_draft(conn, crane, UNASSIGNED_SITE)
