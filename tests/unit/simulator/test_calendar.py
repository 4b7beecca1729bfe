"""Working days, breakdowns and status codes over a year."""

from datetime import date, timedelta

from duty.status_csv import read_codes
from simulator.calendar import BREAKDOWN, CODES, invented_codes, outages_on, works_on
from simulator.yard import load_yard

YARD = load_yard()
YEAR = [date(2025, 1, 1) + timedelta(days=k) for k in range(365)]


def test_nobody_works_on_weekends_and_the_hardly_used_crane_seldom() -> None:
    days = {crane.name: [day for day in YEAR if works_on(crane, day, 1)] for crane in YARD.cranes}
    assert all(day.weekday() < 5 for worked in days.values() for day in worked)
    assert min(days, key=lambda name: len(days[name])) == "yard-06"
    assert 180 < len(days["yard-01"]) < 245


def test_every_code_is_raised_before_it_is_cleared_and_once() -> None:
    for crane in YARD.cranes[:6]:
        open_codes: dict[object, date] = {}
        for day in YEAR:
            raised, cleared = outages_on(crane, day, 1)
            if raised or cleared:
                assert works_on(crane, day, 1)
            for outage in raised:
                assert outage not in open_codes
                if outage.cleared_on is None or outage.cleared_on > day:
                    open_codes[outage] = day
                else:
                    assert outage.cleared_on == day
            for outage in cleared:
                before = open_codes.pop(outage, None)
                assert (before or outage.raised_on) < day
                assert (day - outage.raised_on).days >= min(outage.code.days)


def test_a_broken_crane_stands_still() -> None:
    seen = 0
    for crane in YARD.cranes:
        for day in YEAR:
            for outage in outages_on(crane, day, 1)[0]:
                if outage.code == BREAKDOWN and outage.cleared_on is not None:
                    seen += 1
                    standing = [day + timedelta(days=k) for k in range(1, (outage.cleared_on - day).days)]
                    assert not any(works_on(crane, later, 1) for later in standing)
    assert seen > 5


def test_abuse_and_age_bring_more_codes() -> None:
    def codes(name: str) -> int:
        return sum(len(outages_on(YARD.crane(name), day, 1)[0]) for day in YEAR)

    assert codes("yard-04") > codes("yard-09")


def test_the_drifting_crane_mostly_complains_about_its_pressure_sensor() -> None:
    raised = [o.code.code for day in YEAR for o in outages_on(YARD.crane("yard-03"), day, 1)[0]]
    assert raised.count("L-301") > len(raised) / 2


def test_the_invented_catalogue_explains_every_code_that_is_raised() -> None:
    found = read_codes(invented_codes())
    assert found.problems == ()
    assert {row.code for row in found.codes} == {code.code for code in (*CODES, BREAKDOWN)}
    assert all("(invented)" in row.meaning and row.advice for row in found.codes)
