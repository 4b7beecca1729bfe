"""Finished dossiers, kept byte for byte, and what a dossier says about the count that it rests on."""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from psycopg import AsyncConnection
from psycopg.errors import UniqueViolation

from domain.dossier import DossierRow
from domain.errors import Conflict
from store.statement import Statement, run_async


@dataclass(frozen=True, kw_only=True, slots=True)
class Cache:
    """Bytes as they are kept."""

    content: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """Days of one crane that wait to be counted."""

    days: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CountMade:
    """Method and settings that figures were counted with."""

    version: int
    settings_hash: str
    settings: dict[str, Any]


DOSSIERS_LISTED: Final = Statement("dossiers_listed", DossierRow)
DOSSIER_DATA: Final = Statement("dossier_data", Cache)
DOSSIER_PDF: Final = Statement("dossier_pdf", Cache)
CRANE_DAYS_WAITING: Final = Statement("crane_days_waiting", Waiting)
COUNTING_OF_FIGURES: Final = Statement("counting_of_figures", CountMade)


async def dossiers(
    conn: AsyncConnection[Any], crane_id: int, *, before: int | None = None, rows: int = 200
) -> list[DossierRow]:
    """Finished dossiers of a crane, newest first."""
    return await DOSSIERS_LISTED.all_async(conn, crane_id=crane_id, before=before, rows=rows)


async def dossier_content(
    conn: AsyncConnection[Any], crane_id: int, number: int, *, pdf: bool = False
) -> bytes | None:
    """The JSON or the PDF of a finished dossier, byte for byte; None where there is none of that number."""
    found = await (DOSSIER_PDF if pdf else DOSSIER_DATA).first_async(conn, crane_id=crane_id, number=number)
    return None if found is None else bytes(found.content)


async def add_dossier(
    conn: AsyncConnection[Any],
    *,
    crane_id: int,
    number: int,
    finished_at: datetime,
    finished_by: str,
    note: str,
    program_version: str,
    data: bytes,
    pdf: bytes,
) -> None:
    """Keep a finished dossier for good. Raises Conflict where one of that number is there."""
    try:
        await run_async(
            conn,
            "dossier_added",
            crane_id=crane_id,
            number=number,
            finished_at=finished_at,
            finished_by=finished_by,
            note=note,
            program_version=program_version,
            data=data,
            data_sha256=hashlib.sha256(data).hexdigest(),
            pdf=pdf,
            pdf_sha256=hashlib.sha256(pdf).hexdigest(),
        )
    except UniqueViolation as problem:
        raise Conflict(
            f"dossier {number} of this crane was finished by somebody else just now: look at it, then decide"
        ) from problem
