"""The yard: any size, its stories told by data, and its ages counted back from the day it is shown."""

from datetime import date

import pytest

from domain.errors import NotFound
from simulator.generate import generate
from simulator.yard import load_yard


def test_ages_move_with_the_reference_day() -> None:
    one, other = load_yard(date(2026, 1, 5)), load_yard(date(2027, 3, 1))
    moved = date(2027, 3, 1) - date(2026, 1, 5)
    for before, after in zip(one.cranes, other.cranes, strict=True):
        assert after.crane.commissioned_on - before.crane.commissioned_on == moved


def test_what_cannot_be_is_said() -> None:
    with pytest.raises(NotFound, match="yard-01"):
        load_yard().crane("yard-99")


def test_two_processes_make_the_same_days_as_one() -> None:
    cranes = load_yard().cranes[:2]
    alone = list(generate(cranes, date(2025, 11, 3), 9, dt_ms=1000))
    shared = list(generate(cranes, date(2025, 11, 3), 9, dt_ms=1000, processes=2))
    assert [(r.crane, r.day, r.boot, r.samples) for r in alone] == [
        (r.crane, r.day, r.boot, r.samples) for r in shared
    ]
    assert all((a.channels["mode"] == b.channels["mode"]).all() for a, b in zip(alone, shared, strict=True))
    assert [r.truth.lifts for r in alone] == [r.truth.lifts for r in shared]
