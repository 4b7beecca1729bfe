"""What the watch reads and writes: facts of every crane, open alerts, waiting news, and messages to send.

Whoever writes findings has `Lock.JUDGE_ALERTS` for its session, so that two processes never judge at once. Messages need no
lock: each is claimed by one sender for a time, and comes up again when that sender dies.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import Connection
from psycopg.types.json import Jsonb

from store.alerts import AlertFacts, TargetRow
from store.statement import Statement, run, scalar

Key = tuple[int, int | None, str]  # rule_id, crane_id (None: about an account), subject


@dataclass(frozen=True, kw_only=True, slots=True)
class WatchedRule:
    """One rule in force with the keys of its scope."""

    rule_id: int
    name: str
    spec: dict[str, Any]
    site_id: int | None
    type_id: int | None
    crane_id: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneFacts:
    """One crane with what it was heard and judged last."""

    crane_id: int
    crane: str
    site_id: int
    type_id: int
    site: str
    time_zone: str
    today: date
    heard: bool  # whether a message of it was ever stored
    heard_at: datetime
    used_share: float | None
    forecast_early_on: date | None
    unknown_years: float | None
    assessment_on: date | None  # None: nothing counted yet, the entries decide
    entries: dict[str, Any] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class DutyFacts:
    """One crane over its last local days."""

    crane_id: int
    near_limit_ms: int
    loaded_ms: int
    limiter_overrides: int


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenCode:
    """An open fault."""

    crane_id: int
    code: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundDays:
    """On how many days something was found at one crane."""

    crane_id: int
    code: str
    days: int


@dataclass(frozen=True, kw_only=True, slots=True)
class TokenFacts:
    """One token of an account that is not disabled."""

    token: str
    title: str
    account: str
    expires_at: datetime
    renewed: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class SetAside:
    """Messages of one crane in quarantine."""

    crane_id: int
    messages: int


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenAlert:
    """An alert that is not cleared."""

    alert_id: int
    crane_id: int | None
    rule_id: int
    subject: str
    calm_since: datetime | None
    value: float | None
    worst_value: float | None
    detail: str = ""

    @property
    def key(self) -> Key:
        """What at most one open alert has."""
        return self.rule_id, self.crane_id, self.subject


@dataclass(frozen=True, kw_only=True, slots=True)
class _Shelf:
    rule_id: int
    crane_id: int | None
    subject: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadyTarget:
    """A target with something to tell now."""

    target_id: int
    high: bool  # something of high priority was raised
    told_at: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class News(AlertFacts):
    """One thing to tell one target."""

    news_id: int
    what: str
    time_zone: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Claimed:
    """A message to send now."""

    delivery_id: int
    message_id: str
    made_at: datetime
    tries: int  # this one included
    body: dict[str, Any]
    target: str
    spec: dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """Messages that are not sent."""

    waiting: int
    given_up: int  # in the last day


RULES: Final = Statement("watch_rules", WatchedRule)
CRANES: Final = Statement("watch_cranes", CraneFacts)
_DUTY: Final = Statement("watch_duty", DutyFacts)
OPEN_CODES: Final = Statement("watch_faults", OpenCode)
_FINDINGS: Final = Statement("watch_findings", FoundDays)
TOKENS: Final = Statement("watch_tokens", TokenFacts)
_QUARANTINE: Final = Statement("watch_quarantine", SetAside)
OPEN_ALERTS: Final = Statement("watch_open", OpenAlert)
_SHELVES: Final = Statement("watch_shelves", _Shelf)
TARGETS: Final = Statement("watch_targets", TargetRow)
READY_TARGETS: Final = Statement("news_ready", ReadyTarget)
NEWS: Final = Statement("news_of_target", News)
DELIVERY_CLAIMED: Final = Statement("delivery_claimed", Claimed)
_WAITING: Final = Statement("deliveries_waiting", Waiting)


def duty_of_days(conn: Connection[Any], days: int, now: datetime) -> dict[int, DutyFacts]:
    """Counted duty of every counted crane over its last local days, today included."""
    return {row.crane_id: row for row in _DUTY.all(conn, days=days, now=now)}


def findings(conn: Connection[Any], days: int, now: datetime) -> list[FoundDays]:
    """What was found at each crane in its last local days, by code."""
    return _FINDINGS.all(conn, days=days, now=now)


def set_aside(conn: Connection[Any], days: int, now: datetime) -> dict[int, int]:
    """Messages in quarantine of the last days, by crane."""
    return {row.crane_id: row.messages for row in _QUARANTINE.all(conn, days=days, now=now)}


def shelved(conn: Connection[Any], now: datetime) -> set[Key]:
    """What is on the shelf now; what ran out a day ago is forgotten."""
    run(conn, "watch_shelves_cleaned", now=now)
    return {(row.rule_id, row.crane_id, row.subject) for row in _SHELVES.all(conn, now=now)}


def raise_alert(
    conn: Connection[Any], key: Key, at: datetime, value: float | None, note: str, detail: str = ""
) -> int | None:
    """A new alert with its first line of history; None where it is open already."""
    rule_id, crane_id, subject = key
    values = {"rule_id": rule_id, "crane_id": crane_id, "subject": subject, "at": at, "value": value}
    values["detail"] = detail
    alert_id: int | None = scalar(conn, "alert_raised", **values)
    if alert_id is None:
        return None
    run(conn, "alert_history_written", alert_id=alert_id, at=at, what="raised", note=note)
    return alert_id


def see_alert(
    conn: Connection[Any],
    alert_id: int,
    value: float | None,
    worst_value: float | None,
    calm_since: datetime | None,
    detail: str = "",
) -> None:
    """The newest value of an open alert."""
    seen = {"value": value, "worst_value": worst_value, "calm_since": calm_since, "detail": detail}
    run(conn, "alert_seen", alert_id=alert_id, **seen)


def clear_alert(conn: Connection[Any], alert_id: int, at: datetime, value: float | None, note: str) -> bool:
    """An alert is over; False when it was before."""
    if run(conn, "alert_cleared", alert_id=alert_id, at=at, value=value) == 0:
        return False
    run(conn, "alert_history_written", alert_id=alert_id, at=at, what="cleared", note=note)
    return True


def write_news(
    conn: Connection[Any], target_id: int, alert_id: int, what: str, at: datetime, not_before: datetime
) -> None:
    """Something that one target is to be told."""
    run(
        conn,
        "alert_news_written",
        target_id=target_id,
        alert_id=alert_id,
        what=what,
        at=at,
        not_before=not_before,
    )


def make_delivery(
    conn: Connection[Any], target_id: int, body: Mapping[str, Any], now: datetime, news_ids: list[int]
) -> int:
    """One message that carries the news; its number."""
    number = int(scalar(conn, "delivery_made", target_id=target_id, now=now, body=Jsonb(dict(body))))
    run(conn, "news_put_into", delivery_id=number, news_ids=news_ids)
    return number


def delivery_sent(conn: Connection[Any], delivery_id: int) -> None:
    """The other side has it."""
    run(conn, "delivery_sent", delivery_id=delivery_id)


def delivery_failed(
    conn: Connection[Any], delivery_id: int, error: str, wait_s: float, *, give_up: bool
) -> None:
    """A try that failed."""
    run(conn, "delivery_failed", delivery_id=delivery_id, error=error[:500], wait_s=wait_s, give_up=give_up)


def deliveries_waiting(conn: Connection[Any]) -> Waiting:
    """Messages that are not sent."""
    return _WAITING.first(conn) or Waiting(waiting=0, given_up=0)


def forget_deliveries(conn: Connection[Any], days: int) -> int:
    """Drops messages that are over and older than that; how many."""
    return run(conn, "deliveries_forgotten", days=days)
