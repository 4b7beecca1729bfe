"""The counted cycles themselves, so that a program can read them by a rule of its own."""

from anyio import to_thread
from fastapi import APIRouter

from api.bounds import DayFrom, DayTo
from api.deps import Conn, SeenCrane
from api.permissions import VIEWER
from api.routes.spectrum import beyond_answer, chosen_days, merged_ledger
from api.tables import TableRoute
from domain.spectrum_answers import LedgerAnswer, LedgerCell
from duty.ledger import Ledger
from store import duty

router = APIRouter(tags=["duty"], route_class=TableRoute)


@router.get("/cranes/{name}/ledger", dependencies=[VIEWER])
async def show_ledger(
    crane: SeenCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> LedgerAnswer:
    """Closed cycles of structural percent by class pair and the open turning points, over whole local days.

    Ledgers merge exactly: cells add up, and counting goes on across the open turning points of what joins in time order.
    """
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    spans = await duty.spans(conn, crane.name, chosen.first, chosen.last)
    counted = await to_thread.run_sync(merged_ledger, spans)
    return ledger_answer(
        crane.name,
        counted,
        spans[0].first_day if spans else None,
        spans[-1].last_day if spans else None,
    )


def ledger_answer(crane: str, counted: Ledger, first: object, last: object) -> LedgerAnswer:
    """A ledger with its classes as percent."""
    centres = counted.edges.centres_pct
    return LedgerAnswer.model_validate(
        {
            "crane": crane,
            "day_from": first,
            "day_to": last,
            "samples": counted.samples,
            "class_width_pct": counted.edges.width_pct,
            "wide_class_pct": counted.edges.wide_pct,
            "equal_from_pct": counted.edges.low_pct,
            "equal_to_pct": counted.edges.high_pct,
            "beyond": beyond_answer([counted]),
            "rows": [
                LedgerCell(low_pct=low, high_pct=high, cycles=cycles)
                for low, high, cycles in zip(
                    centres[counted.low_class].tolist(),
                    centres[counted.high_class].tolist(),
                    counted.counts.tolist(),
                    strict=True,
                )
            ],
            "open_pct": centres[counted.residue].tolist(),
        }
    )
