"""Days and instants as callers write them: written out, never a bare number."""

import re
from datetime import date
from typing import Annotated, Final

from pydantic import AwareDatetime, BeforeValidator

_WRITTEN_OUT: Final = re.compile(r"\d{4}-\d{2}-\d{2}")


def written_out(value: object) -> object:
    """Refuse bare numbers, in text or not, which would be read as seconds since 1970."""
    if isinstance(value, int | float) or (isinstance(value, str) and not _WRITTEN_OUT.match(value)):
        raise ValueError("write it as 2026-03-02 or 2026-03-02T05:00:00Z")
    return value


Day = Annotated[date, BeforeValidator(written_out)]
Instant = Annotated[AwareDatetime, BeforeValidator(written_out)]
