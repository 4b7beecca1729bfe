"""What people entered about a crane, as counting needs it."""

from dataclasses import dataclass
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
    """A crane as entered, with its key and its site's zone."""

    crane_id: int
    crane: Crane
    zone: ZoneInfo


def crane_entry(conn: psycopg.Connection[Any], crane_id: int) -> CraneEntry:
    """What counting needs to know about a crane. Raises NotFound."""
    row = conn.execute(query("crane_entries"), {"crane_id": crane_id}).fetchone()
    if row is None:
        raise NotFound(f"no crane has the number {crane_id}")
    spec, type_spec, site_spec = row
    return _entry(crane_id, spec, type_spec, site_spec)


# Cached by content: charts make reading a type slow, and a live crane is counted every few seconds.
@lru_cache(maxsize=1024)
def _entry(crane_id: int, spec: str, type_spec: str, site_spec: str) -> CraneEntry:
    site = Site.model_validate_json(site_spec)
    crane = Crane.model_validate({**orjson.loads(spec), "type": _crane_type(type_spec), "site": site.name})
    return CraneEntry(crane_id=crane_id, crane=crane, zone=ZoneInfo(site.time_zone))


@lru_cache(maxsize=256)
def _crane_type(type_spec: str) -> CraneType:
    return CraneType.model_validate_json(type_spec)
