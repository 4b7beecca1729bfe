"""The settings that a count rests on, their hash, and the version of the method.

Same segments, same settings, same version: same ledgers on any machine. Every day row names the settings it was
made with; other settings are counted beside it (analytics.rebuild) and put in use when they are complete.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from functools import lru_cache
from typing import Any, Final, Self
from zoneinfo import ZoneInfo

import orjson
import psycopg
from psycopg.types.json import Jsonb

from domain.crane import Crane, CraneType, Site
from domain.errors import Conflict, InvalidInput, NotFound
from duty.edges import DEFAULT_EDGES, DIRECTION_EDGES, Edges
from duty.lifts import LiftRule
from duty.peaks import SPIKE_PCT
from store.duty import COUNTING_BY_HASH, COUNTING_IN_USE, Counting
from store.locks import Lock, share_in_transaction, wait_in_transaction
from store.sql import query
from store.statement import run

METHOD_VERSION: Final = 2  # raise it when the same segments and settings would give another count


@dataclass(frozen=True, kw_only=True)
class CountingSettings:
    """How a crane-day is counted.

    directions: directions around the base for which the turned bending moment is counted.
    spike_pct: how far a single reading stands off to be a spike [percentage points].
    """

    edges: Edges = DEFAULT_EDGES
    direction_edges: Edges = DIRECTION_EDGES
    directions: int = 24
    lift_rule: LiftRule = field(default_factory=LiftRule)
    spike_pct: float = SPIKE_PCT

    @property
    def hash(self) -> str:
        """SHA-256 of the version and the settings, hexadecimal."""
        text = orjson.dumps([METHOD_VERSION, asdict(self)], option=orjson.OPT_SORT_KEYS)
        return hashlib.sha256(text).hexdigest()

    @classmethod
    def from_json(cls, spec: dict[str, Any]) -> Self:
        """The settings that `asdict` wrote. Raises InvalidInput when they are not settings of this version."""
        try:
            return cls(
                edges=_edges(spec["edges"], DEFAULT_EDGES),
                direction_edges=_edges(spec["direction_edges"], DIRECTION_EDGES),
                directions=int(spec["directions"]),
                lift_rule=_lift_rule(spec["lift_rule"]),
                spike_pct=float(spec.get("spike_pct", SPIKE_PCT)),
            )
        except (KeyError, TypeError) as problem:
            raise InvalidInput(f"these are no counting settings: {problem}", field="settings") from problem


@dataclass(frozen=True, slots=True)
class Method:
    """Settings with the number under which the database knows them, and whether answers are read from their counts."""

    counting_id: int
    settings: CountingSettings
    in_use: bool


def add(conn: psycopg.Connection[Any], settings: CountingSettings) -> Method:
    """The database's number for these settings, entered when new; in use at once when they are the first.

    Others that enter some wait until the transaction ends.
    """
    wait_in_transaction(conn, Lock.ENTER_COUNTING)
    given = {"version": METHOD_VERSION, "settings": Jsonb(asdict(settings))}
    run(conn, "counting_added", settings_hash=settings.hash, **given)
    row = COUNTING_BY_HASH.first(conn, settings_hash=settings.hash)
    assert row is not None
    return Method(row.counting_id, settings, row.in_use)


def in_use(conn: psycopg.Connection[Any]) -> Method:
    """The method whose counts are answered from, until the transaction ends; the default settings when there is none.

    The lock comes before any row: locks on rows of a table that a cluster copies to its nodes block each other there.
    Raises Conflict when the counts in use were made by another version of the method.
    """
    share_in_transaction(conn, Lock.CHANGE_COUNTS)
    row = COUNTING_IN_USE.first(conn)
    if row is None:
        return add(conn, CountingSettings())
    _refuse_other_version(row)
    return Method(row.counting_id, CountingSettings.from_json(row.settings), in_use=True)


def _edges(spec: dict[str, Any], default: Edges) -> Edges:
    """Edges as `asdict` wrote them; the default ones for those of version 1, which ended where cranes do not."""
    return Edges(**spec) if "wide_above" in spec else default


def _lift_rule(spec: dict[str, Any]) -> LiftRule:
    """The rule as `asdict` wrote it; the default one for that of version 1, whose thresholds have no counterpart."""
    return LiftRule(**spec) if "tolerance_pct" in spec else LiftRule()


def _refuse_other_version(row: Counting) -> None:
    if row.version != METHOD_VERSION:
        raise Conflict(
            f"the counts in use were made by version {row.version} of the method, this program counts by version "
            f"{METHOD_VERSION}: run `boomledger recount`, which counts anew beside them and changes over at the end"
        )


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
