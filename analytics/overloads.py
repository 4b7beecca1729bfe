"""The overload register of one crane, made anew from its counted lifts and what was decided; no sample is read."""

from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import Any

import psycopg

from analytics.counting import Method
from duty.overloads import OVERLOAD_PCT, Entry, Overload, entries
from store import overloads
from store.columns import to_ms
from store.overloads import DECISIONS, LIFTS_ABOVE, DecisionRow, OverloadedLift, RegisterRow


def refresh(conn: psycopg.Connection[Any], crane_id: int, method: Method) -> None:
    """Writes the register after a count, within the caller's transaction."""
    overloads.hold(conn, crane_id)
    keys = {"crane_id": crane_id, "counting_id": method.counting_id}
    lifts = LIFTS_ABOVE.all(conn, **keys, over_pct=OVERLOAD_PCT)
    decided = DECISIONS.all(conn, crane_id=crane_id, ids=None)
    found = entries([_overload(one) for one in lifts], [_overload(one) for one in decided])
    overloads.write(conn, crane_id, [_row(entry, lifts, decided) for entry in found])


def _overload(lift: OverloadedLift) -> Overload:
    return Overload(to_ms(lift.started_at), to_ms(lift.ended_at), lift.peak_structural_pct)


def _row(entry: Entry, lifts: Sequence[OverloadedLift], decided: Sequence[DecisionRow]) -> RegisterRow:
    """The entry to write: a lift that is no longer counted stands as it was when it was last decided on."""
    lift = decided[entry.decisions[-1]] if entry.lift is None else lifts[entry.lift]
    figures = asdict(lift)
    return RegisterRow(
        **{field.name: figures[field.name] for field in fields(OverloadedLift)},
        counted=entry.lift is not None,
        open=entry.open,
        decision_ids=[decided[number].decision_id for number in entry.decisions],
    )
