"""One round over all rules: what each finds at each crane, and what is to be told to whom. One transaction."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final

import structlog
from prometheus_client import Counter, Gauge
from psycopg import Connection
from pydantic import ValidationError

from alerts import judge
from alerts.judge import Clear, Raise, Reading, See
from domain.alerts import AlertKind, AlertRuleAsked, AlertTargetAsked
from duty.service import interval_due
from store import alert_watch
from store.alert_watch import CraneFacts, Key, OpenAlert, TokenFacts, WatchedRule
from store.service import LATE_DAYS, SERVICE_STATES, ServiceState
from words.alerts import sentence, token_end_words
from words.texts import t

_LOG = structlog.get_logger("alerts")
RAISED: Final = Counter("boomledger_alerts_raised", "Alerts raised")
CLEARED: Final = Counter("boomledger_alerts_cleared", "Alerts cleared")
OPEN: Final = Gauge("boomledger_alerts_open", "Alerts open after the last round")


@dataclass(frozen=True, slots=True)
class Round:
    """What one round changed."""

    raised: int
    cleared: int
    open: int


@dataclass(slots=True)
class Facts:
    """What the rules of one round look at, each read once at most."""

    conn: Connection[Any]
    now: datetime
    cranes: list[CraneFacts]
    open_alerts: list[OpenAlert]
    token_rules: list[tuple[float, int]] = field(default_factory=list)
    _read: dict[tuple[str, int], Any] = field(default_factory=dict)

    def once(self, name: str, days: int, read: Callable[[], Any]) -> Any:
        """What `read` gave the first time."""
        if (name, days) not in self._read:
            self._read[name, days] = read()
        return self._read[name, days]

    def of_days(self, read: Callable[[Connection[Any], int, datetime], Any], days: int) -> Any:
        """What `read` gives for the last days."""
        return self.once(read.__name__, days, lambda: read(self.conn, days, self.now))

    def readings(self, watched: WatchedRule, rule: AlertRuleAsked) -> list[Reading]:
        """The value of every crane in the scope of a rule."""
        cranes = [
            crane
            for crane in self.cranes
            if judge.in_scope(
                crane, site_id=watched.site_id, type_id=watched.type_id, crane_id=watched.crane_id
            )
        ]
        match rule.kind:
            case AlertKind.NEAR_LIMIT_SHARE | AlertKind.LIMITER_OVERRIDES:
                duty = self.of_days(alert_watch.duty_of_days, rule.days)
                return [
                    Reading(one.crane_id, judge.duty_value(rule.kind, duty.get(one.crane_id)))
                    for one in cranes
                ]
            case AlertKind.QUARANTINE_RATE:
                aside = self.of_days(alert_watch.set_aside, rule.days)
                return judge.quarantine_values(cranes, aside, rule.days)
            case AlertKind.FAULT_CODE:
                opened = self.once("codes", 0, lambda: alert_watch.OPEN_CODES.all(self.conn))
                return _of_codes(rule, cranes, (Reading(one.crane_id, 1.0, one.code) for one in opened))
            case AlertKind.FINDING:
                found = self.of_days(alert_watch.findings, rule.days)
                return _of_codes(
                    rule, cranes, (Reading(one.crane_id, float(one.days), one.code) for one in found)
                )
            case AlertKind.HISTORY_UNKNOWN:
                mine = {one.crane_id for one in self.open_alerts if one.rule_id == watched.rule_id}
                return judge.unknown_histories(cranes, mine)
            case AlertKind.TOKEN_EXPIRY:
                return judge.token_readings(
                    self.tokens(), (rule.raise_at, watched.rule_id), self.token_rules, self.now
                )
            case AlertKind.SERVICE_DUE:
                by_name = {crane.crane: crane for crane in cranes}
                return [
                    Reading(crane.crane_id, _days_to_service(state, crane), state.plan)
                    for state in self.once("service", 0, self._service)
                    if (crane := by_name.get(state.crane)) is not None
                ]
            case _:
                # Of a crane that was never heard there is nothing to lose; it is listed as never heard, and raises nothing.
                heard = [one for one in cranes if one.heard or rule.kind is not AlertKind.OFFLINE]
                return [Reading(one.crane_id, judge.crane_value(rule.kind, one, self.now)) for one in heard]

    def tokens(self) -> list[TokenFacts]:
        """Every token of an account that is not disabled."""
        found: list[TokenFacts] = self.once(
            "tokens", 0, lambda: alert_watch.TOKENS.all(self.conn, now=self.now)
        )
        return found

    def gone(self, rule: AlertRuleAsked, subject: str) -> str:
        """Why a rule has no reading of a subject any more."""
        if rule.kind is AlertKind.TOKEN_EXPIRY and rule.enabled:
            return token_end_words(judge.token_end(self.tokens(), subject, self.now))
        return t("alert.cleared.unwatched")

    def _service(self) -> list[ServiceState]:
        return SERVICE_STATES.all(self.conn, today=self.now.date(), crane=None, late_days=LATE_DAYS)


def _of_codes(
    rule: AlertRuleAsked, cranes: Iterable[CraneFacts], readings: Iterable[Reading]
) -> list[Reading]:
    """Readings of these cranes whose subject is a code that the rule watches; of every code where it names none."""
    ids = {crane.crane_id for crane in cranes}
    return [one for one in readings if one.crane_id in ids and (not rule.codes or one.subject in rule.codes)]


def _days_to_service(state: ServiceState, crane: CraneFacts) -> float | None:
    falls = interval_due(state, crane.today)
    # Beyond ten years counts as not due: far on the good side.
    return 3650.0 if falls.on is None else float((falls.on - crane.today).days)


def _understood(rules: Iterable[WatchedRule]) -> Iterator[tuple[WatchedRule, AlertRuleAsked]]:
    for watched in rules:
        try:
            yield watched, AlertRuleAsked.model_validate(watched.spec)
        except ValidationError as problem:
            # Written by a newer release: this one leaves its alerts as they are.
            _LOG.error("rule_not_understood", rule=watched.name, errors=problem.error_count())


def judge_all(conn: Connection[Any], now: datetime | None = None) -> Round:
    """Judge every rule once, in one transaction with the news for every target."""
    now = now or datetime.now(UTC)
    with conn.transaction():
        open_alerts = alert_watch.OPEN_ALERTS.all(conn)
        rules = list(_understood(alert_watch.RULES.all(conn)))
        of_tokens = [
            (rule.raise_at, one.rule_id)
            for one, rule in rules
            if rule.kind is AlertKind.TOKEN_EXPIRY and rule.enabled
        ]
        facts = Facts(conn, now, alert_watch.CRANES.all(conn, now=now), open_alerts, of_tokens)
        teller = Teller(conn, now, facts.cranes)
        raised = cleared = 0
        for watched, rule in rules:
            readings, gone = facts.readings(watched, rule), partial(facts.gone, rule)
            for step in judge.steps(watched.rule_id, rule, readings, open_alerts, now, gone):
                raised_now, cleared_now = _apply(conn, teller, rule, step, now)
                raised += raised_now
                cleared += cleared_now
    RAISED.inc(raised)
    CLEARED.inc(cleared)
    found = Round(raised=raised, cleared=cleared, open=len(open_alerts) + raised - cleared)
    OPEN.set(found.open)
    return found


def _apply(
    conn: Connection[Any], teller: "Teller", rule: AlertRuleAsked, step: judge.Step, now: datetime
) -> tuple[int, int]:
    match step:
        case Raise(key, value, detail):
            note = sentence(rule.kind, value, key[2], rule.days, detail)
            alert_id = alert_watch.raise_alert(conn, key, now, value, note, detail)
            if alert_id is None:
                return 0, 0
            teller.tell(rule, key, alert_id, "raised")
            return 1, 0
        case Clear(alert, value, why):
            if not alert_watch.clear_alert(conn, alert.alert_id, now, value, why):
                return 0, 0
            teller.tell(rule, alert.key, alert.alert_id, "cleared")
            return 0, 1
        case See(alert, value, worst, calm_since, detail):
            before = (alert.value, alert.worst_value, alert.calm_since, alert.detail)
            if (value, worst, calm_since, detail) != before:
                alert_watch.see_alert(conn, alert.alert_id, value, worst, calm_since, detail)
            return 0, 0


class Teller:
    """Writes down what each target is to be told, and not before when."""

    def __init__(self, conn: Connection[Any], now: datetime, cranes: list[CraneFacts]) -> None:
        self._conn, self._now = conn, now
        self._cranes = {crane.crane_id: crane for crane in cranes}
        self._targets = [
            (row.target_id, AlertTargetAsked.model_validate(row.spec))
            for row in alert_watch.TARGETS.all(conn)
        ]
        self._shelved: set[Key] = alert_watch.shelved(conn, now)

    def tell(self, rule: AlertRuleAsked, key: Key, alert_id: int, what: str) -> None:
        """News for every target that wants it; none while it is on the shelf."""
        about_crane = key[1] is not None
        crane = self._cranes.get(key[1]) if key[1] is not None else None
        if (about_crane and crane is None) or key in self._shelved:
            return
        site, time_zone = (crane.site, crane.time_zone) if crane else ("", "UTC")
        for target_id, target in self._targets:
            if (
                not target.enabled
                or (target.sites is not None and site not in target.sites)
                or not judge.wanted(target.least_priority, rule.priority)
                or (what == "cleared" and not target.tell_cleared)
            ):
                continue
            not_before = self._now
            breaks = target.high_breaks_quiet and rule.priority.rank == 0
            if target.quiet_from is not None and target.quiet_to is not None and not breaks:
                not_before = judge.quiet_until(self._now, time_zone, target.quiet_from, target.quiet_to)
            alert_watch.write_news(self._conn, target_id, alert_id, what, self._now, not_before)
