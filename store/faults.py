"""Faults from raised to cleared, what the crane was doing, limiter overrides, and the catalogue of status codes."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from psycopg import Connection

from domain.errors import NotFound
from domain.fault_answers import CodeRow, StatusCodeRow
from domain.maintenance import OpenFaultRow, OverrideRow
from store.sql import query
from store.statement import Statement


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultEpisode:
    """One fault of one crane, with what the crane was doing when it was raised (None: no readings then)."""

    code: str
    raised_at: datetime
    cleared_at: datetime | None  # None: open
    raised_times: int  # raised again while open counts here
    text: str
    repeats: int  # earlier episodes of this code within `repeat_days`
    utilisation_pct: float | None
    peak_utilisation_pct: float | None  # of the 30 s before
    structural_pct: float | None
    outreach_m: float | None
    hook_height_m: float | None
    slew_deg: float | None
    mode: float | None
    meaning: str | None  # from the imported catalogue
    advice: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneFaults:
    """One crane in a Pareto list. Hours between faults is working_hours / count."""

    crane: str
    count: int
    codes: int
    open: int
    working_hours: float


class Override(OverrideRow):
    """One use of the limiter override; read the 30 s around it with store.segments."""

    boot: int
    seq: int


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultsAndOverloads:
    """One crane-day: input of duty.faults."""

    faults: int
    limiter_events: int
    over_limit_ms: int
    working_ms: int


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenCodes:
    """A crane with its open faults."""

    crane: str
    codes: list[str]


CRANES_WITH_FAULTS: Final = Statement("cranes_with_faults", OpenCodes)
FAULT_EPISODES: Final = Statement("fault_episodes_read", FaultEpisode)
OPEN_FAULTS: Final = Statement("open_faults", OpenFaultRow)
FAULT_PARETO: Final = Statement("fault_pareto", CodeRow)
FAULT_PARETO_BY_CRANE: Final = Statement("fault_pareto_by_crane", CraneFaults)
OVERRIDES: Final = Statement("overrides_read", Override)
FAULTS_AND_OVERLOADS: Final = Statement("faults_and_overloads", FaultsAndOverloads)
STATUS_CODES: Final = Statement("status_codes_read", StatusCodeRow)


def enter_status_codes(
    conn: Connection[Any],
    codes: Iterable[tuple[str, str, str]],
    *,
    source: str,
    type: str | None = None,  # noqa: A002
) -> None:
    """Enters (code, meaning, advice) rows for one crane type or for every type, replacing the same codes."""
    rows = [
        {"type": type, "code": code, "meaning": meaning, "advice": advice, "source": source}
        for code, meaning, advice in codes
    ]
    with conn.cursor() as cursor:
        cursor.executemany(query("status_code_written"), rows)
        if cursor.rowcount != len(rows):
            raise NotFound(f"no crane type is named {type!r}: no status code was entered")
