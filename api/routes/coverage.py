"""What is on record and what is missing, with causes, the factor f1 that follows, and an estimate kept apart."""

from typing import Final

from fastapi import APIRouter

from answers.coverage import coverage_of
from api.bounds import DayFrom, DayTo, day_range
from api.deps import Conn, KnownCrane
from api.permissions import PERSONAL, VIEWER
from domain.coverage_answers import CoverageAnswer

router = APIRouter(tags=["maintenance"])
DEFAULT_DAYS: Final = 90


@router.get("/cranes/{name}/coverage", dependencies=[VIEWER, PERSONAL])
async def show_coverage(
    crane: KnownCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> CoverageAnswer:
    """How much is on record, what is missing and why, the f1 that follows; last 90 days by default."""
    chosen = day_range(day_from, day_to, default_days=DEFAULT_DAYS, zone=crane.time_zone)
    return await coverage_of(conn, crane, chosen)
