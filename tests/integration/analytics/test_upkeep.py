"""Late, doubled and disordered data end in the same counts as a clean order."""

from datetime import UTC, datetime

import numpy as np
import psycopg
import pytest

from domain.messages import EventKind
from duty import ledger
from duty.edges import DEFAULT_EDGES
from duty.statics import structural_pct
from store.segments import Segment
from tests.integration.analytics.crane_at_work import Yard, hours, shuffled, working

START = datetime(2026, 3, 9, 20, tzinfo=UTC)  # Monday, 21:00 in Vienna


def three_days(yard: Yard) -> tuple[list[Segment], list]:
    """Work through two midnights, an hour off, and again the next day, with events."""
    night = yard.messages(START, working(9, seed=1))
    later = yard.messages(START + hours(30), working(6, seed=2), boot=2)
    happened = [
        yard.event(START + hours(1.2), EventKind.LIMITER_STOP, 9001),
        yard.event(START + hours(2.1), EventKind.FAULT, 9002, code="E12"),
        yard.event(START + hours(3.01), EventKind.LIMITER_OVERRIDE, 9003),
        yard.event(START + hours(31), EventKind.FAULT, 9004, code="E12", cleared=True),
        yard.event(START + hours(32), EventKind.FAULT, 9005, code="E12"),
    ]
    return night + later, happened


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_disordered_data_ends_in_the_same_counts(yard: Yard, seed: int) -> None:
    parts, happened = three_days(yard)
    yard.store(parts, happened)
    yard.count()
    clean = yard.counted()
    assert len(clean["day_figure"]) == 3
    assert len(clean["lift"]) > 100
    assert len(clean["fault_episode"]) == 2

    with_everything_removed(yard)
    for lot, few in zip(shuffled(parts, seed), shuffled(happened, seed), strict=True):
        yard.store(lot, few)
        yard.count()
    assert yard.counted() == clean


def with_everything_removed(yard: Yard) -> None:
    with psycopg.connect(yard.url) as conn:
        conn.execute(
            "truncate segment, event, touched_day, counting, crane_summary, gap, event_context, "
            "fault_episode, day_figure, span_ledger, lift cascade"
        )


def test_merged_days_are_the_count_of_the_whole(yard: Yard) -> None:
    parts, _ = three_days(yard)
    yard.store(parts)
    yard.count()
    values = {
        name: np.concatenate([part.values[part.channels.index(name)] for part in parts])
        for name in ("utilisation_pct", "limit_pct")
    }
    whole = ledger.count(structural_pct(values["utilisation_pct"], values["limit_pct"]), DEFAULT_EDGES)
    years = [row for row in yard.rows("span_ledger") if row["span"] == "year"]
    assert [row["first_day"].isoformat() for row in years] == ["2026-01-01"]
    assert ledger.from_bytes(years[0]["ledger"]) == whole
    days = [ledger.from_bytes(row["ledger"]) for row in yard.rows("span_ledger") if row["span"] == "day"]
    assert ledger.merge_all(days) == whole
