"""The yard: any size, its stories told by data, and its ages counted back from the day it is shown."""

from datetime import date

import pytest

from domain.crane import Crane
from domain.errors import InvalidInput, NotFound
from simulator.generate import generate
from simulator.yard import load_yard


def test_ages_move_with_the_reference_day() -> None:
    one, other = load_yard(date(2026, 1, 5)), load_yard(date(2027, 3, 1))
    moved = date(2027, 3, 1) - date(2026, 1, 5)
    for before, after in zip(one.cranes, other.cranes, strict=True):
        assert after.crane.commissioned_on - before.crane.commissioned_on == moved


@pytest.mark.parametrize("size", [1, 5, 12, 40])
def test_a_yard_of_any_size_has_names_of_its_own(size: int) -> None:
    yard = load_yard().of_size(size)
    assert len({crane.name for crane in yard.cranes}) == size
    for crane in yard.cranes:
        Crane.model_validate(crane.crane.model_dump())


def test_a_copy_works_days_of_its_own() -> None:
    yard = load_yard().of_size(24)
    pair = [yard.crane("yard-01"), yard.crane("yard-13")]
    assert pair[0].crane.type == pair[1].crane.type
    records = list(generate(pair, date(2025, 11, 3), 5, dt_ms=1000))
    assert {record.crane for record in records} == {"yard-01", "yard-13"}
    assert len({record.boot for record in records}) == len(records)


def test_growing_leaves_the_first_cranes_as_they_are() -> None:
    assert load_yard().of_size(30).cranes[:12] == load_yard().cranes


def test_what_cannot_be_is_said() -> None:
    with pytest.raises(InvalidInput, match="at least one"):
        load_yard().of_size(0)
    with pytest.raises(NotFound, match="yard-01"):
        load_yard().crane("yard-99")


def test_two_processes_make_the_same_days_as_one() -> None:
    cranes = load_yard().of_size(2).cranes
    alone = list(generate(cranes, date(2025, 11, 3), 9, dt_ms=1000))
    shared = list(generate(cranes, date(2025, 11, 3), 9, dt_ms=1000, processes=2))
    assert [(r.crane, r.day, r.boot, r.samples) for r in alone] == [
        (r.crane, r.day, r.boot, r.samples) for r in shared
    ]
    assert all((a.channels["mode"] == b.channels["mode"]).all() for a, b in zip(alone, shared, strict=True))
    assert [r.truth.lifts for r in alone] == [r.truth.lifts for r in shared]
