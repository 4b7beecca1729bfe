"""What depends on the day, for days and nights on which such code has gone wrong: each takes the moment as a value."""

import ast
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from alerts.judge import quiet_until
from analytics.samples import LocalDay
from api.bounds import day_range
from boomledger.yard import running_day
from dashboard.parts.period import chosen
from dashboard.visit import Visit
from domain.crane import AssessmentEntries
from domain.moments import answered_at, now_utc, today_in
from duty.assessment import by_age, years_after
from duty.forecast import whole_weeks
from duty.service import due
from simulator.calendar import works_on
from simulator.yard import load_yard
from store.columns import to_ms
from store.touched import local_days
from tests.support.days import Moment, on_any_day

ROOT = Path(__file__).parents[2]
# Log-ins, an import that runs and a shelf are compared with the clock that runs, or with that of the database.
REAL_CLOCK = {
    "api/import_jobs.py",
    "api/routes/access.py",
    "api/routes/alert_rules.py",
    "api/routes/alerts.py",
    "api/sessions.py",
    "dashboard/pages/alerts.py",
    "dashboard/parts/form.py",
}


def test_no_answer_reads_a_clock_of_its_own() -> None:
    found = set()
    for room in ("api", "answers", "dashboard", "duty", "reports", "domain"):
        for file in (ROOT / room).rglob("*.py"):
            for call in ast.walk(ast.parse(file.read_text())):
                if isinstance(call, ast.Attribute) and call.attr in ("now", "utcnow", "today"):
                    owner = ast.unparse(call.value)
                    if owner in ("datetime", "date"):
                        found.add(file.relative_to(ROOT).as_posix())
    assert found - REAL_CLOCK == {"domain/moments.py"}


@on_any_day
def test_an_answer_is_that_of_its_moment(moment: Moment) -> None:
    with answered_at(moment.at):
        assert (now_utc(), today_in(moment.zone)) == (moment.at, moment.day)
    assert now_utc() > datetime(2026, 1, 1, tzinfo=UTC)
    assert now_utc() != moment.at


@on_any_day
def test_the_last_days_end_with_the_day_of_the_yard(moment: Moment) -> None:
    with answered_at(moment.at):
        found = day_range(None, None, default_days=90, zone=moment.zone)
    assert (found.first, found.last) == (moment.day - timedelta(days=89), moment.day)
    shown = chosen(Visit(path="/", query={}, now=moment.at, client=None), ("90",), ZoneInfo(moment.zone))
    assert (shown.first, shown.last) == (found.first, found.last)
    assert shown.end == datetime.combine(moment.day + timedelta(days=1), time(), ZoneInfo(moment.zone))


@on_any_day
def test_a_local_day_holds_its_moments_and_the_next_begins_where_it_ends(moment: Moment) -> None:
    zone = ZoneInfo(moment.zone)
    day = LocalDay(moment.day, zone)
    assert day.start_at <= moment.at < day.end_at
    hours = (day.end_at - day.start_at) / timedelta(hours=1)
    shift = (day.end_at.astimezone(zone).utcoffset() or timedelta()) - (
        day.start_at.astimezone(zone).utcoffset() or timedelta()
    )
    assert hours == 24 - shift / timedelta(hours=1)
    assert (hours != 24) == ("time in" in moment.name)
    each = np.array([to_ms(day.start_at) + minute * 60_000 for minute in range(round(hours * 60))])
    told = day.hours(each)
    assert (told[0], told[-1]) == (0, 23)
    assert local_days(zone, int(each[0]), int(each[-1])) == (moment.day,)
    assert local_days(zone, int(each[0]) - 1, int(each[-1]) + 60_000) == (
        moment.day - timedelta(days=1),
        moment.day,
        moment.day + timedelta(days=1),
    )


@on_any_day
def test_quiet_hours_end_when_the_wall_clock_says_so(moment: Moment) -> None:
    zone = ZoneInfo(moment.zone)
    for quiet_from, quiet_to in (
        (time(20), time(6)),
        (time(0), time(23, 59)),
        (time(22), time(1, 30)),
        (time(20), time(2, 30)),
    ):
        end = quiet_until(moment.at, moment.zone, quiet_from, quiet_to)
        clock = moment.at.astimezone(zone).time()
        over_midnight = quiet_from > quiet_to
        quiet = (clock >= quiet_from or clock < quiet_to) if over_midnight else quiet_from <= clock < quiet_to
        assert moment.at <= end <= moment.at + timedelta(hours=25)
        assert (end > moment.at) == quiet
        if quiet and (quiet_to.hour, "summer" in moment.name) not in ((2, True), (1, True)):
            assert end.astimezone(zone).time() == quiet_to


@on_any_day
def test_the_yards_running_day_and_what_a_calendar_says_of_it(moment: Moment) -> None:
    yard = load_yard(moment.day)
    assert running_day(moment.at) == moment.at.astimezone(ZoneInfo(yard.site.time_zone)).date()
    for crane in yard.cranes:
        worked = [works_on(crane, moment.day - timedelta(days=back), seed=1) for back in range(28)]
        assert 0 < sum(worked) < 28
        assert worked == [works_on(crane, moment.day - timedelta(days=back), seed=1) for back in range(28)]


@on_any_day
def test_weeks_of_a_forecast_are_over_on_their_sunday(moment: Moment) -> None:
    monday = moment.day - timedelta(days=moment.day.weekday())
    mondays = [monday - timedelta(weeks=back) for back in range(10, -1, -1)]
    use = np.arange(11.0)
    # The first is left out because the record begins inside it, the last because it still goes on.
    np.testing.assert_array_equal(whole_weeks(mondays, use, moment.day), use[1:-1])
    np.testing.assert_array_equal(whole_weeks(mondays, use, monday + timedelta(days=7)), use[1:])


@on_any_day
def test_service_falls_due_by_the_calendar_and_by_use(moment: Moment) -> None:
    last = moment.day - timedelta(days=300)
    by_calendar = due(today=moment.day, counted_from=last, every_days=365)
    assert (by_calendar.on, by_calendar.overdue) == (last + timedelta(days=365), False)
    late = due(today=moment.day, counted_from=last, every_days=299)
    assert (late.on, late.overdue) == (moment.day, True)
    by_use = due(today=moment.day, counted_from=last, every_hours=100, hours_since=40, hours_per_day=4)
    assert by_use.on == moment.day + timedelta(days=15)


@on_any_day
def test_ten_years_after_a_day_are_a_day(moment: Moment) -> None:
    made = moment.day
    tenth = years_after(made, 10)
    assert tenth == date(made.year + 10, made.month, 28 if (made.month, made.day) == (2, 29) else made.day)
    entries = AssessmentEntries(manufactured_on=made, commissioned_on=made)
    assert by_age(entries).on == tenth
