"""The alert of the system itself: judged by the watch, told in one message for the whole fleet."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import structlog
from psycopg import Connection

from domain.alerts import AlertTargetAsked
from domain.system_watch import Trouble, troubles
from store import alert_watch, system_watch
from store.system_watch import HEARTBEATS, OPEN, OpenTrouble
from words.alerts import system_words

_LOG = structlog.get_logger("alerts")
JUDGED_BY_OTHERS = frozenset({"watch"})
"""What the watch cannot judge: itself. The api says on every page when the watch tells nothing."""


def judge_system(conn: Connection[Any], link: str | None) -> tuple[list[Trouble], list[OpenTrouble]]:
    """What is newly wrong and what is right again; every target gets one message about all of it, at any hour."""
    with conn.transaction():
        work = system_watch.newest_work(conn)
        heartbeats = [
            heartbeat for heartbeat in HEARTBEATS.all(conn) if heartbeat.process not in JUDGED_BY_OTHERS
        ]
        now_wrong = {one.subject: one for one in troubles(heartbeats, work)}
        known = {one.subject: one for one in OPEN.all(conn)}
        raised = [one for subject, one in now_wrong.items() if subject not in known]
        cleared = [one for subject, one in known.items() if subject not in now_wrong]
        for one in now_wrong.values():
            system_watch.raise_trouble(conn, one, work.at)
        for over in cleared:
            system_watch.clear_trouble(conn, over.subject)
        if raised or cleared:
            _tell(conn, system_body(raised, cleared, work.at, link), work.at, only_cleared=not raised)
            _LOG.warning(
                "system_judged",
                raised=[one.told.code for one in raised],
                cleared=[one.subject for one in cleared],
            )
    return raised, cleared


def system_body(
    raised: Sequence[Trouble], cleared: Sequence[OpenTrouble], at: datetime, link: str | None
) -> dict[str, Any]:
    """One message about the system itself."""
    return {
        "kind": "system",
        "made_at": at.isoformat(),
        "raised": [
            {
                "part": one.subject,
                "since": one.since.isoformat(),
                "code": one.told.code,
                "text": words.text,
                "consequence": words.consequence,
                "what_to_do": words.action,
            }
            for one, words in zip(raised, map(system_words, raised), strict=True)
        ],
        "cleared": [{"part": one.subject, "raised_at": one.raised_at.isoformat()} for one in cleared],
        "link": link,
    }


def _tell(conn: Connection[Any], body: Mapping[str, Any], at: datetime, *, only_cleared: bool) -> None:
    for row in alert_watch.TARGETS.all(conn):
        target = AlertTargetAsked.model_validate(row.spec)
        if target.enabled and (target.tell_cleared or not only_cleared):
            alert_watch.make_delivery(conn, row.target_id, body, at, [])
