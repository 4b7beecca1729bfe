"""What the parts of the system tell of themselves, and what was judged of it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from psycopg import AsyncConnection, Connection

from domain.system_watch import NewestWork, ProcessHeartbeat, Trouble
from store.statement import Statement, run

HEARTBEATS: Final = Statement("process_heartbeats", ProcessHeartbeat)
WORK: Final = Statement("newest_work", NewestWork)


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenTrouble:
    """What is known to be wrong, and since when."""

    subject: str
    raised_at: datetime
    detail: str


OPEN: Final = Statement("system_troubles", OpenTrouble)


def beat(conn: Connection[Any], process: str, trouble: str = "") -> None:
    """A process tells of itself; an empty `trouble` says that it works."""
    run(conn, "heartbeat_stored", process=process, trouble=trouble[:200])


def raise_trouble(conn: Connection[Any], found: Trouble, at: datetime) -> None:
    """Write down what is wrong; what is known already keeps its time."""
    run(conn, "system_trouble_raised", subject=found.subject, at=at, detail=found.text)


def clear_trouble(conn: Connection[Any], subject: str) -> None:
    """It is right again."""
    run(conn, "system_trouble_cleared", subject=subject)


def newest_work(conn: Connection[Any]) -> NewestWork:
    """The newest message and count, and what waits."""
    found = WORK.first(conn)
    assert found is not None
    return found


async def newest_work_async(conn: AsyncConnection[Any]) -> NewestWork:
    """The same, of the sites in scope."""
    found = await WORK.first_async(conn)
    assert found is not None
    return found
