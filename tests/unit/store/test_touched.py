"""The local days that data lie on."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from store.columns import from_ms, to_ms
from store.touched import local_days

ZONES = (
    "UTC",
    "Europe/Vienna",
    "America/St_Johns",
    "Asia/Kathmandu",
    "Pacific/Chatham",
    "Australia/Lord_Howe",
)


@pytest.mark.parametrize("name", ZONES)
@pytest.mark.parametrize("day", [date(2026, 3, 2), date(2026, 3, 29), date(2026, 4, 5), date(2026, 10, 25)])
def test_the_days_are_those_of_each_sample(name: str, day: date) -> None:
    zone = ZoneInfo(name)
    start = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
    for hours in (-30, -24, -23, -1, 0, 1):
        first_ms = to_ms(start + timedelta(hours=hours)) - 1
        for last_ms in (first_ms, first_ms + 1, first_ms + 86_399_999):
            each = {
                from_ms(ms).astimezone(zone).date() for ms in (*range(first_ms, last_ms, 300_000), last_ms)
            }
            assert local_days(zone, first_ms, last_ms) == tuple(sorted(each))
