"""A day is written out: numbers, which a parser takes for seconds since 1970, are refused."""

from datetime import UTC, date, datetime

import pytest
from pydantic import TypeAdapter, ValidationError

from domain.moments import Day, Instant

DAY: TypeAdapter[date] = TypeAdapter(Day)
INSTANT: TypeAdapter[datetime] = TypeAdapter(Instant)


@pytest.mark.parametrize("text", ["0", '"0"', '"12345"', '"-5"', '"-2.7e-260"', '"20260302"', "1.5"])
def test_bare_numbers_are_refused(text: str) -> None:
    for kind in (DAY, INSTANT):
        with pytest.raises(ValidationError, match="write it as"):
            kind.validate_json(text)


def test_what_is_written_out_is_read() -> None:
    assert DAY.validate_json('"2026-03-02"') == date(2026, 3, 2)
    assert INSTANT.validate_json('"2026-03-02T05:00:00Z"') == datetime(2026, 3, 2, 5, tzinfo=UTC)
    assert DAY.validate_python(date(2026, 3, 2)) == date(2026, 3, 2)
