"""How long what tells of people is kept, and what is removed once that time is over."""

from dataclasses import dataclass
from typing import Any, Final

from psycopg import Connection

from store.statement import run

FAILED_LOG_INS_DAYS: Final = 1
KNOWN_ADDRESSES_DAYS: Final = 30
KEPT_ANSWERS_DAYS: Final = 2
"""Of idempotency keys, which hold for a day."""
ROWS_AT_ONCE: Final = 20_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Retention:
    """Days that rows are kept (docs/privacy.md says why so long); None: as long as the crane."""

    audit_days: float = 730
    reads_days: float = 180
    sessions_days: float = 30
    reservations_days: float | None = None
    exported_to: str | None = None
    """Lines of the audit that have not gone there yet stay."""


def remove_past(conn: Connection[Any], keep: Retention) -> dict[str, int]:
    """Remove what is past its time, on a connection in autocommit; rows by what they were. Much of it goes in several turns."""
    days: dict[str, float | None] = {
        "past_reads": keep.reads_days,
        "past_audit": keep.audit_days,
        "past_sessions": keep.sessions_days,
        "past_tokens": keep.sessions_days,
        "past_failed_log_ins": FAILED_LOG_INS_DAYS,
        "past_known_addresses": KNOWN_ADDRESSES_DAYS,
        "past_kept_answers": KEPT_ANSWERS_DAYS,
        "past_reservations": keep.reservations_days,
    }
    return {
        name.removeprefix("past_"): run(
            conn, name, days=most, rows=ROWS_AT_ONCE, exported_to=keep.exported_to
        )
        for name, most in days.items()
        if most is not None
    }
