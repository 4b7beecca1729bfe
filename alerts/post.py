"""Turns waiting news into messages, and sends the messages that are due.

A message is claimed, sent, and marked as sent, in this order. Killed in between, it is sent again when the claim has
run out: at least once, with the same id, so that the other side can tell the copy.
"""

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import orjson
import structlog
from prometheus_client import Counter, Gauge
from psycopg import Connection
from pydantic import ValidationError

from alerts.delivery import Delivery, NotSent, send_mail, send_web_call
from alerts.messages import alerts_body
from domain.alerts import AlertTargetAsked
from store import alert_watch
from store.alert_watch import Claimed, ReadyTarget

_LOG = structlog.get_logger("alerts")
CLAIM_S: Final = 120.0
FIRST_WAIT_S: Final = 30.0
LONGEST_WAIT_S: Final = 3600.0
GIVE_UP_AFTER: Final = timedelta(hours=24)
BETWEEN_WITH_HIGH: Final = timedelta(minutes=1)
SENT: Final = Counter("boomledger_alerts_messages_sent", "Messages that the other side took", ["means"])
FAILED: Final = Counter("boomledger_alerts_messages_failed", "Tries of messages that failed", ["means"])
GIVEN_UP: Final = Counter(
    "boomledger_alerts_messages_given_up", "Messages that are not tried again", ["means"]
)
WAITING: Final = Gauge("boomledger_alerts_messages_waiting", "Messages that wait to be sent")
Send = Callable[[Delivery, Claimed, AlertTargetAsked], None]


def collect(conn: Connection[Any], link: str | None, now: datetime | None = None) -> int:
    """One message for every target that has news and was not told just now; how many."""
    now = now or datetime.now(UTC)
    made = 0
    with conn.transaction():
        targets = {row.target_id: row for row in alert_watch.TARGETS.all(conn)}
        for ready in alert_watch.READY_TARGETS.all(conn, now=now):
            target = AlertTargetAsked.model_validate(targets[ready.target_id].spec)
            if not _may_tell(ready, target, now):
                continue
            news = alert_watch.NEWS.all(conn, target_id=ready.target_id, now=now)
            body = alerts_body(news, now, link)
            alert_watch.make_delivery(conn, ready.target_id, body, now, [one.news_id for one in news])
            made += 1
    return made


def _may_tell(ready: ReadyTarget, target: AlertTargetAsked, now: datetime) -> bool:
    between = timedelta(minutes=target.minutes_between)
    if ready.high:
        between = min(between, BETWEEN_WITH_HIGH)
    return ready.told_at is None or now - ready.told_at >= between


def deliver(delivery: Delivery, claimed: Claimed, target: AlertTargetAsked) -> None:
    """Send one message to its target."""
    if target.web_address is not None:
        body = {"id": claimed.message_id, "target": claimed.target, **claimed.body}
        send_web_call(delivery, claimed.target, target.web_address, claimed.message_id, orjson.dumps(body))
    else:
        send_mail(delivery, target.recipients, claimed.message_id, claimed.made_at, claimed.body)


def send_due(
    conn: Connection[Any],
    delivery: Delivery,
    *,
    most: int = 10,
    claim_s: float = CLAIM_S,
    send: Send = deliver,
    now: datetime | None = None,
) -> int:
    """Send messages that are due, one after the other, until none is left or `most` were tried; how many went out.

    The connection must be in autocommit: what was sent is written down at once.
    """
    sent = 0
    for _ in range(most):
        claimed = alert_watch.DELIVERY_CLAIMED.first(conn, claim_s=claim_s)
        if claimed is None:
            break
        sent += _send_one(conn, delivery, claimed, send, now or datetime.now(UTC))
    WAITING.set(alert_watch.deliveries_waiting(conn).waiting)
    return sent


def _send_one(conn: Connection[Any], delivery: Delivery, claimed: Claimed, send: Send, now: datetime) -> bool:
    means = "web" if claimed.spec.get("web_address") else "mail"
    try:
        send(delivery, claimed, AlertTargetAsked.model_validate(claimed.spec))
    except (NotSent, ValidationError) as problem:
        text = (
            str(problem) if isinstance(problem, NotSent) else "the target is not understood by this release"
        )
        final = isinstance(problem, NotSent) and problem.final
        give_up = final or now - claimed.made_at > GIVE_UP_AFTER
        alert_watch.delivery_failed(conn, claimed.delivery_id, text, wait_s(claimed.tries), give_up=give_up)
        (GIVEN_UP if give_up else FAILED).labels(means).inc()
        _LOG.warning(
            "message_not_sent", target=claimed.target, tries=claimed.tries, given_up=give_up, problem=text
        )
        return False
    alert_watch.delivery_sent(conn, claimed.delivery_id)
    SENT.labels(means).inc()
    _LOG.info("message_sent", target=claimed.target, means=means, message_id=claimed.message_id)
    return True


def wait_s(tries: int) -> float:
    """Seconds before the next try: twice as long each time up to an hour, spread so that many do not meet."""
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** (tries - 1)) * random.uniform(0.8, 1.2)  # noqa: S311
