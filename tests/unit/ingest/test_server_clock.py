"""The server's own clock beside the database's and those of the cranes."""

from datetime import UTC, datetime, timedelta

from ingest.server_clock import HEARD_S, ServerClock

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
SLOW_MS = 360_000


def asked(clock: ServerClock, ahead: timedelta, took: timedelta = timedelta(milliseconds=4)) -> None:
    clock.compare(NOW, NOW + took / 2 + ahead, NOW + took)


def test_a_clock_that_agrees_with_the_database_is_not_doubted() -> None:
    clock = ServerClock()
    asked(clock, timedelta(seconds=3))
    assert clock.doubt(NOW) is None
    # An answer that took long says no more than that its time lies in between.
    asked(clock, timedelta(), timedelta(minutes=5))
    assert clock.doubt(NOW) is None
    assert clock.ahead_ms == 0


def test_behind_the_database_what_it_says_holds_and_ahead_of_it_ours() -> None:
    clock = ServerClock()
    asked(clock, timedelta(minutes=6))
    doubt = clock.doubt(NOW)
    assert doubt is not None
    assert doubt.text == "The clock of ingest is 6.0 minutes behind the clock of the database"
    assert clock.ahead_ms == doubt.ahead_ms == SLOW_MS - 2
    asked(clock, -timedelta(minutes=6))
    doubt = clock.doubt(NOW)
    assert doubt is not None
    assert "ahead of the clock of the database" in doubt.text
    assert clock.ahead_ms == 0


def test_most_of_the_cranes_say_that_we_are_behind() -> None:
    clock = ServerClock()
    clock.hear([("a", SLOW_MS)], NOW, 0.0)
    clock.hear([("b", SLOW_MS + 500)], NOW + timedelta(seconds=1), 1.0)
    assert clock.doubt(NOW) is None, "two cranes are not enough"
    clock.hear([("c", SLOW_MS - 500)], NOW + timedelta(seconds=2), 2.0)
    doubt = clock.doubt(NOW + timedelta(seconds=3))
    assert doubt is not None
    assert doubt.text == "The clock of ingest is 6.0 minutes behind the clocks of most of 3 cranes"
    assert (doubt.from_at, doubt.ahead_ms) == (NOW, SLOW_MS)


def test_one_wrong_crane_says_nothing_and_no_number_of_them_what_lies_days_ahead() -> None:
    clock = ServerClock()
    clock.hear([("wild", 500_000_000), ("a", -900), ("b", -20_000)], NOW, 0.0)
    assert clock.ahead_ms == 0
    clock.hear([(name, 619_315_200_000) for name in ("c", "d", "e", "f", "g")], NOW, 1.0)
    assert clock.ahead_ms == 0, "a fault that a whole fleet has, such as the week number of a satellite clock"


def test_a_backlog_does_not_hide_what_cranes_say_and_a_clock_that_was_set_is_trusted_again() -> None:
    clock = ServerClock()
    clock.hear([("a", SLOW_MS), ("b", SLOW_MS), ("c", SLOW_MS)], NOW, 0.0)
    clock.hear([("a", -7_200_000), ("b", -7_200_000)], NOW, 5.0)
    assert clock.ahead_ms == SLOW_MS
    clock.hear([("a", -300), ("b", -300), ("c", -300)], NOW, 70.0)
    assert clock.ahead_ms == 0
    assert clock.doubt(NOW) is None


def test_a_crane_that_is_silent_for_long_has_no_say() -> None:
    clock = ServerClock()
    clock.hear([("a", SLOW_MS), ("b", SLOW_MS), ("c", SLOW_MS)], NOW, 0.0)
    clock.hear([("d", -300)], NOW, HEARD_S + 1)
    assert clock.ahead_ms == 0
