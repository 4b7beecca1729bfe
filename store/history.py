"""What is entered of every crane's life before its record."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import Connection
from psycopg.types.json import Jsonb

from domain.crane import Crane
from store.statement import Statement, run


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
