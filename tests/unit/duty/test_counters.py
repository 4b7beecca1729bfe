"""Counters of the crane's own: readings of a day as one, gains between days, and what is told of contradictions."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest

from domain.remark import coded
from duty.counters import DayReadings, Gained, day_readings, gains, short
from words.remarks import text

DAYS = [date(2026, 5, day) for day in (1, 9, 20, 30, 31)]


@dataclass
class Read:
    """A reading; least and largest of its day are the value itself where none are given."""

    read_on: date
    value: float
    low: float = -1.0
    high: float = -1.0
    restarted: bool = False
    kind: str = "operating_hours"

    def __post_init__(self) -> None:
        self.low = self.value if self.low < 0 else self.low
        self.high = self.value if self.high < 0 else self.high


def read(*values: float) -> list[Read]:
    return [Read(day, value) for day, value in zip(DAYS, values, strict=False)]


def gained(readings: list[Read]) -> list[tuple[date, date, float]]:
    return [(one.after, one.upto, one.gained) for one in gains(readings)[0]]


def test_gains_follow_each_other_in_time_whatever_the_order_of_the_readings() -> None:
    there = [(DAYS[0], DAYS[1], 30.0), (DAYS[1], DAYS[2], 5.0)]
    assert gained(read(10, 40, 45)) == gained(read(10, 40, 45)[::-1]) == there
    assert isinstance(gains(read(10, 40))[0][0], Gained)
    assert gains([]) == gains(read(10)) == ([], [])


def test_over_a_counter_that_ran_backwards_nothing_is_reckoned_and_it_is_told() -> None:
    readings = read(10, 40, 5, 50, 60)
    found, problems = gains(readings)
    # neither 40 nor 5 is preferred, so nothing is reckoned from or to them
    assert [(one.after, one.upto, one.gained) for one in found] == [(DAYS[3], DAYS[4], 10.0)]
    (told,) = map(text, problems)
    assert "ran backwards: 40 on 9 May 2026, 5 on 20 May 2026" in told
    assert "enter a reading of the later day as restarted" in told
    readings[2].restarted = True
    assert gains(readings)[1] == []
    assert gained(readings) == [(DAYS[0], DAYS[1], 30.0), (DAYS[2], DAYS[3], 45.0), (DAYS[3], DAYS[4], 10.0)]


def test_what_people_round_off_contradicts_nothing() -> None:
    assert gains(read(10.0, 9.4, 20)) == (
        [Gained("operating_hours", DAYS[0], DAYS[1], 0.0), Gained("operating_hours", DAYS[1], DAYS[2], 10.6)],
        [],
    )


def test_readings_of_one_day_are_one_where_they_agree() -> None:
    """Typed in the morning as 3121, sent in samples from 3120.4 to 3126.0: the crane's own stands for the end of the day."""
    typed, sent = Read(DAYS[1], 3121), Read(DAYS[1], 3126.0, low=3120.4)
    for order in ([typed, sent], [sent, typed]):
        assert gained([Read(DAYS[0], 3100), *order, Read(DAYS[2], 3130)]) == [
            (DAYS[0], DAYS[1], 26.0),
            (DAYS[1], DAYS[2], 4.0),
        ]


def test_readings_of_one_day_that_contradict_each_other_count_neither_before_nor_after() -> None:
    typed, sent = Read(DAYS[1], 3140), Read(DAYS[1], 3126.0, low=3120.4)
    found, problems = gains([Read(DAYS[0], 3100), typed, sent, Read(DAYS[2], 3150)])
    assert found == []
    assert len(problems) == 1
    assert "contradict each other, 3\u202f126 and 3\u202f140: withdraw the wrong one" in text(problems[0])


def test_a_counter_that_falls_within_a_day_is_told() -> None:
    fell = Read(DAYS[1], 20.0, low=20.0, high=3126.0)
    found, problems = gains([Read(DAYS[0], 3100), fell, Read(DAYS[2], 30.0)])
    assert found == []
    assert any("ran backwards on 9 May 2026: 3\u202f126, then 20" in text(one) for one in problems)
    # a person who knows says so: what was read before on that day then contradicts nothing
    known = Read(DAYS[1], 0.0, restarted=True)
    assert gains([Read(DAYS[0], 3100), fell, known, Read(DAYS[2], 30.0)]) == (
        [Gained("operating_hours", DAYS[1], DAYS[2], 30.0)],
        [],
    )


def test_a_reading_of_0_now_and_then_is_told_as_a_counter_that_ran_backwards() -> None:
    dip = Read(DAYS[1], 3126.0, low=0.0)  # 0 until the box could read it
    found, problems = gains([Read(DAYS[0], 3100), dip, Read(DAYS[2], 3130)])
    assert (found, len(problems)) == ([], 1)


def test_more_hours_than_there_are_is_told() -> None:
    """From the 1st to the 9th, whenever they were read: 9 days of 24 h, and one for rounding."""
    assert gained(read(10, 10 + 24 * 9)) == [(DAYS[0], DAYS[1], 216.0)]
    found, problems = gains(read(10, 10 + 24 * 9 + 2))
    assert found == []
    assert "rose by 218 h from 1 May 2026 to 9 May 2026, more than there are" in text(problems[0])
    lifts = [Read(DAYS[0], 0, kind="lifts"), Read(DAYS[1], 5000, kind="lifts")]
    assert len(gains(lifts)[0]) == 1


def test_kinds_do_not_mix() -> None:
    readings = [
        Read(DAYS[0], 10),
        Read(DAYS[0], 9000, kind="lifts"),
        Read(DAYS[1], 12),
        Read(DAYS[1], 9100, kind="lifts"),
    ]
    assert [(one.kind, one.gained) for one in gains(readings)[0]] == [
        ("operating_hours", 2.0),
        ("lifts", 100.0),
    ]


@pytest.mark.parametrize(
    ("sent", "known"),
    [
        ([np.nan, np.nan], None),
        ([], None),
        ([np.nan, 7.5, np.nan, 8.0, np.nan], DayReadings(7.5, 8.0, 8.0)),
        ([9.0, 0.0, 3.0], DayReadings(0.0, 9.0, 3.0)),
    ],
)
def test_a_day_knows_the_least_the_largest_and_the_last_reading(
    sent: list[float], known: DayReadings | None
) -> None:
    assert day_readings(np.array(sent, np.float32)) == known


def test_of_many_problems_the_newest_are_told_and_how_many_more() -> None:
    a, b, c, d, e = map(coded, "abcde")
    assert short([a, b]) == (a, b)
    *newest, more = short([a, b, c, d, e])
    assert (newest, text(more)) == ([c, d, e], "and 2 more such readings of counters")
