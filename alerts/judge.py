"""Whether a value raises, keeps or clears an alert: pure functions, no clock and no database."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import Enum, auto
from typing import Final
from zoneinfo import ZoneInfo

from domain.alerts import AlertKind, AlertRuleAsked, Priority
from domain.units import MS_PER_MIN, s_to_h
from duty.assessment import by_entries
from store.alert_watch import CraneFacts, DutyFacts, Key, OpenAlert, TokenFacts
from words.texts import t

LOADED_MS_LEAST = 30 * MS_PER_MIN
"""A share of less than half an hour under load says little: it raises nothing. Own choice, no source."""


GONE_IS_GOOD: Final = (AlertKind.FAULT_CODE, AlertKind.FINDING, AlertKind.HISTORY_UNKNOWN)
"""Kinds whose alerts clear as solved where nothing is read any more."""

MOST_NAMES: Final = 10
"""Cranes that an alert about several of them names."""


class Side(Enum):
    """Where a value lies by the levels of a rule."""

    BAD = auto()
    BETWEEN = auto()
    GOOD = auto()
    UNKNOWN = auto()


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one crane; `subject` where a rule watches several things at a crane."""

    crane_id: int | None  # None: about an account
    value: float | None
    subject: str = ""
    detail: str = ""  # names, where it is about several cranes of a site


@dataclass(frozen=True, slots=True)
class Raise:
    """An alert that begins."""

    key: Key
    value: float | None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class See:
    """An alert that goes on."""

    alert: OpenAlert
    value: float | None
    worst_value: float | None
    calm_since: datetime | None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Clear:
    """An alert that is over."""

    alert: OpenAlert
    value: float | None
    why: str


Step = Raise | See | Clear


def side(rule: AlertRuleAsked, value: float | None) -> Side:
    """Where a value lies. Between the two levels nothing changes: that is the hysteresis."""
    if value is None:
        return Side.UNKNOWN
    sign = -1.0 if rule.falling else 1.0
    if sign * value >= sign * rule.raise_at:
        return Side.BAD
    return Side.GOOD if sign * value < sign * rule.clear_level or rule.clear_at is None else Side.BETWEEN


def steps(
    rule_id: int,
    rule: AlertRuleAsked,
    readings: Iterable[Reading],
    open_alerts: Sequence[OpenAlert],
    now: datetime,
    gone: Callable[[str], str] = lambda _: t("alert.cleared.unwatched"),
) -> list[Step]:
    """What one rule does to its alerts. An open alert without a reading is out of scope, or its fault or finding is gone.

    gone: why there is no reading of a subject any more.
    """
    mine = {alert.key: alert for alert in open_alerts if alert.rule_id == rule_id}
    found: list[Step] = []
    for reading in readings if rule.enabled else ():
        key = (rule_id, reading.crane_id, reading.subject)
        alert = mine.pop(key, None)
        where = side(rule, reading.value)
        if alert is not None:
            found.append(_go_on(rule, alert, reading.value, where, now, reading.detail))
        elif where is Side.BAD:
            found.append(Raise(key, reading.value, reading.detail))
    gone_is_good = rule.enabled and rule.kind in GONE_IS_GOOD
    found += [
        _go_on(rule, alert, 0.0, Side.GOOD, now) if gone_is_good else Clear(alert, None, gone(alert.subject))
        for alert in mine.values()
    ]
    return found


def _go_on(
    rule: AlertRuleAsked,
    alert: OpenAlert,
    value: float | None,
    where: Side,
    now: datetime,
    detail: str = "",
) -> See | Clear:
    calm_since = alert.calm_since
    if where in (Side.BAD, Side.BETWEEN):
        calm_since = None
    elif where is Side.GOOD:
        calm_since = alert.calm_since or now
        if now - calm_since >= timedelta(minutes=rule.clear_after_min):
            return Clear(alert, value, t("alert.cleared.good"))
    known = [one for one in (alert.worst_value, value) if one is not None]
    worst = None if not known else min(known) if rule.falling else max(known)
    return See(alert, value, worst, calm_since, detail)


def in_scope(crane: CraneFacts, *, site_id: int | None, type_id: int | None, crane_id: int | None) -> bool:
    """Whether a rule with this scope watches a crane."""
    return (
        site_id in (None, crane.site_id)
        and type_id in (None, crane.type_id)
        and crane_id in (None, crane.crane_id)
    )


def duty_value(kind: AlertKind, facts: DutyFacts | None) -> float | None:
    """Near-limit share [%] or uses of the override; None where nothing is counted or too little was under load."""
    if facts is None:
        return None
    if kind is AlertKind.LIMITER_OVERRIDES:
        return float(facts.limiter_overrides)
    if facts.loaded_ms < LOADED_MS_LEAST:
        return None
    return 100.0 * facts.near_limit_ms / facts.loaded_ms


def crane_value(kind: AlertKind, crane: CraneFacts, now: datetime) -> float | None:
    """Used share [%], days to the early end of the forecast or to the special assessment, or hours of silence."""
    if kind is AlertKind.LIFE_USED:
        return None if crane.used_share is None else 100.0 * crane.used_share
    if kind is AlertKind.LIFE_DATE:
        early = crane.forecast_early_on
        return None if early is None else float((early - crane.today).days)
    if kind is AlertKind.ASSESSMENT_DUE:
        return float((assessment_on(crane) - crane.today).days)
    return s_to_h((now - crane.heard_at).total_seconds())


def assessment_on(crane: CraneFacts) -> date:
    """Day of the special assessment: as judged with what was counted, by the entries alone before any count."""
    return crane.assessment_on or by_entries(crane.entries or {}).on


def unknown_histories(cranes: Iterable[CraneFacts], carried_by: Set[int | None]) -> list[Reading]:
    """One reading a site with the number and names of its cranes with unknown years before their record.

    carried_by: cranes that carry an open alert of the rule: it stays where it is, also when that crane's own history is entered.
    """
    by_site: dict[int, list[CraneFacts]] = {}
    for crane in cranes:
        by_site.setdefault(crane.site_id, []).append(crane)
    found = []
    for at_site in by_site.values():
        unknown = sorted(one.crane for one in at_site if one.unknown_years)
        if not unknown:
            continue
        bearer = min(
            at_site, key=lambda one: (one.crane_id not in carried_by, not one.unknown_years, one.crane)
        )
        names = ", ".join(unknown[:MOST_NAMES])
        more = len(unknown) - MOST_NAMES
        found.append(
            Reading(
                bearer.crane_id,
                float(len(unknown)),
                "",
                names + (t("list.more", count=more) if more > 0 else ""),
            )
        )
    return found


def token_readings(
    tokens: Sequence[TokenFacts], rule: tuple[float, int], rules: Iterable[tuple[float, int]], now: datetime
) -> list[Reading]:
    """Days in which each token expires that holds and is not renewed, rounded up; by one rule each.

    rule, rules: level and number of the one, and of all about tokens. What one nearer to the day has raised is not this one's any more.
    """
    nearer = max((level for level, number in rules if (level, number) < rule), default=-math.inf)
    days = {one.token: math.ceil((one.expires_at - now) / timedelta(days=1)) for one in tokens}
    return [
        Reading(None, float(days[one.token]), one.token, f"{one.title}, {one.account}")
        for one in tokens
        if one.expires_at > now and not one.renewed and days[one.token] > nearer
    ]


def token_end(tokens: Iterable[TokenFacts], token: str, now: datetime) -> str:
    """Why a token is not warned of any more by a rule: expired, renewed, revoked, or nearer to its day than the rule."""
    found = next((one for one in tokens if one.token == token), None)
    if found is None:
        return "revoked"
    return "expired" if found.expires_at <= now else "renewed" if found.renewed else "nearer"


def quarantine_values(cranes: Iterable[CraneFacts], set_aside: Mapping[int, int], days: int) -> list[Reading]:
    """Messages set aside a day."""
    return [Reading(crane.crane_id, set_aside.get(crane.crane_id, 0) / days) for crane in cranes]


def quiet_until(now: datetime, zone: str, quiet_from: time, quiet_to: time) -> datetime:
    """The end of the quiet hours that `now` lies in by the clock of a zone, else `now` itself.

    Equal times mean no quiet hours. Over a change of the clock the end stays what the wall clock says.
    """
    local = now.astimezone(ZoneInfo(zone))
    clock = local.time()
    over_midnight = quiet_from > quiet_to
    if quiet_from == quiet_to:
        return now
    quiet = clock >= quiet_from or clock < quiet_to if over_midnight else quiet_from <= clock < quiet_to
    if not quiet:
        return now
    day = local.date() + timedelta(days=1 if over_midnight and clock >= quiet_from else 0)
    end = datetime.combine(day, quiet_to, local.tzinfo).replace(
        fold=local.fold
    )  # of an hour that comes twice, the one that goes on
    return max(now, end.astimezone(UTC))


def wanted(least: Priority, priority: Priority) -> bool:
    """Whether a target that asks for `least` is told about an alert of `priority`."""
    return priority.rank <= least.rank
