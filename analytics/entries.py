"""What people entered about a crane, as counting needs it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import orjson
import psycopg

from domain.crane import Crane, CraneType, Site
from domain.errors import NotFound
from store.sql import query


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneEntry:
    """A crane as entered, with its key, its site's zone, and what it was like from which local day on."""

    crane_id: int
    crane: Crane
    zone: ZoneInfo
    descriptions: tuple[tuple[date, CraneType], ...]  # in order of the day, at least one

    def type_on(self, day: date) -> CraneType:
        """What the crane was like on a local day; the first description before its day."""
        held = [crane_type for valid_from, crane_type in self.descriptions if valid_from <= day]
        return held[-1] if held else self.descriptions[0][1]


def crane_entry(conn: psycopg.Connection[Any], crane_id: int) -> CraneEntry:
    """What counting needs to know about a crane. Raises NotFound."""
    row = conn.execute(query("crane_entries"), {"crane_id": crane_id}).fetchone()
    if row is None:
        raise NotFound(f"no crane has the number {crane_id}")
    spec, site_spec, days, specs = row
    return _entry(crane_id, spec, site_spec, tuple(days), tuple(specs))


# Cached by content: charts make reading a type slow, and a live crane is counted every few seconds.
@lru_cache(maxsize=1024)
def _entry(
    crane_id: int, spec: str, site_spec: str, days: Sequence[date], specs: Sequence[str]
) -> CraneEntry:
    site = Site.model_validate_json(site_spec)
    descriptions = tuple(zip(days, map(_crane_type, specs), strict=True))
    crane = Crane.model_validate({**orjson.loads(spec), "type": descriptions[-1][1], "site": site.name})
    return CraneEntry(
        crane_id=crane_id, crane=crane, zone=ZoneInfo(site.time_zone), descriptions=descriptions
    )


@lru_cache(maxsize=256)
def _crane_type(type_spec: str) -> CraneType:
    return CraneType.model_validate_json(type_spec)
