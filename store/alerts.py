"""Alert rules, alerts with their history, the shelf, targets and deliveries, as the api reads and writes them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import psycopg
from psycopg import AsyncConnection
from psycopg.types.json import Jsonb

from domain.alerts import FLEET_KINDS, AlertDeliveryRow, AlertHistoryRow, AlertRuleAsked, AlertsOfCrane
from domain.errors import NotFound
from store.sql import query
from store.statement import Sites, Statement, run_async


@dataclass(frozen=True, kw_only=True, slots=True)
class RuleRow:
    """One rule in force; at most one of site, type and crane."""

    rule_id: int
    name: str
    spec: dict[str, Any]
    site: str | None
    type: str | None
    crane: str | None
    entered_at: datetime
    entered_by: str
    open_alerts: int


@dataclass(frozen=True, kw_only=True, slots=True)
class AlertFacts:
    """One alert with the spec of its rule, as far as a message tells it."""

    alert_id: int
    crane: str
    site: str
    rule: str
    spec: dict[str, Any]
    subject: str
    detail: str = ""
    value: float | None
    raised_at: datetime
    cleared_at: datetime | None
    acknowledged_by: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class AlertListing(AlertFacts):
    """One alert with everything that became of it."""

    worst_value: float | None
    acknowledged_at: datetime | None
    shelved_until: datetime | None
    shelved_by: str | None
    shelved_reason: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TargetRow:
    """One target."""

    target_id: int
    name: str
    spec: dict[str, Any]
    entered_at: datetime
    entered_by: str


RULES: Final = Statement("alert_rules_read", RuleRow)
ALERTS: Final = Statement("alert_rows", AlertListing)
HISTORY: Final = Statement("alert_history_read", AlertHistoryRow)
BY_CRANE: Final = Statement("alerts_by_crane", AlertsOfCrane)
TARGETS: Final = Statement("alert_targets_read", TargetRow)
DELIVERIES: Final = Statement("alert_deliveries_read", AlertDeliveryRow)


async def rules(
    conn: AsyncConnection[Any], sites: Sites, *, name: str | None = None, after: str = "", rows: int = 200
) -> list[RuleRow]:
    """Rules in force whose scope is in scope (fleet-wide and type-wide ones are in everyone's), by name."""
    return await RULES.all_async(conn, sites=sites, name=name, after=after, rows=rows)


def rule_values(name: str, asked: AlertRuleAsked, by_whom: str, sites: Sites) -> dict[str, Any]:
    """Parameters of `alert_rule_written`."""
    spec = asked.model_dump(mode="json", exclude={"site", "type", "crane"})
    return {
        "name": name,
        "spec": Jsonb(spec),
        "site": asked.site,
        "type": asked.type,
        "crane": asked.crane,
        "entered_by": by_whom,
        "sites": sites,
    }


async def write_rule(
    conn: AsyncConnection[Any], name: str, asked: AlertRuleAsked, by_whom: str, sites: Sites
) -> None:
    """Enter a rule, replacing the one of that name; NotFound for an unknown site, type or crane."""
    if await run_async(conn, "alert_rule_written", **rule_values(name, asked, by_whom, sites)) == 0:
        raise NotFound(_scope_unknown(asked))


def enter_rules(
    conn: psycopg.Connection[Any], rules_by_name: Mapping[str, AlertRuleAsked], by_whom: str
) -> int:
    """Enter rules whose names are not taken (command line); how many were new."""
    known = {row.name for row in RULES.all(conn, sites=None, name=None, after="", rows=100_000)}
    new = {name: asked for name, asked in rules_by_name.items() if name not in known}
    with conn.transaction():
        for name, asked in new.items():
            if (
                conn.execute(query("alert_rule_written"), rule_values(name, asked, by_whom, None)).rowcount
                == 0
            ):
                raise NotFound(_scope_unknown(asked))
    return len(new)


def _scope_unknown(asked: AlertRuleAsked) -> str:
    scope = asked.site or asked.type or asked.crane
    return f"nothing that you may see is named {scope!r}: the rule was not entered"


async def retire_rule(conn: AsyncConnection[Any], name: str, by_whom: str) -> bool:
    """Take a rule out of force; its open alerts are cleared, its history stays. False when there is none."""
    return await run_async(conn, "alert_rule_retired", name=name, by_whom=by_whom) == 1


async def alerts(
    conn: AsyncConnection[Any],
    sites: Sites,
    *,
    accounts: bool,
    alert_id: int | None = None,
    crane: str | None = None,
    open_only: bool = False,
    priority: str | None = None,
    before: int | None = None,
    rows: int = 200,
) -> list[AlertListing]:
    """Alerts in scope, newest first, before an alert_id; those about accounts where `accounts` says so."""
    return await ALERTS.all_async(
        conn,
        sites=sites,
        accounts=accounts,
        alert_id=alert_id,
        crane=crane,
        open_only=open_only,
        priority=priority,
        before=before,
        rows=rows,
        fleet_kinds=list(FLEET_KINDS),
    )


async def alike(conn: AsyncConnection[Any], sites: Sites, alert_id: int) -> list[int]:
    """The open alerts in scope that a row about the fleet stands for; the alert itself of any other."""
    found = await conn.execute(
        query("alerts_alike"), {"alert_id": alert_id, "sites": sites, "fleet_kinds": list(FLEET_KINDS)}
    )
    return [number for (number,) in await found.fetchall()]


async def by_crane(conn: AsyncConnection[Any], sites: Sites, *, accounts: bool) -> list[AlertsOfCrane]:
    """Open alerts in scope by crane, the most urgent first; those about accounts under an empty name."""
    return await BY_CRANE.all_async(conn, sites=sites, accounts=accounts, fleet_kinds=list(FLEET_KINDS))


async def acknowledge(conn: AsyncConnection[Any], alert_id: int, by_whom: str, note: str) -> None:
    """Write down who has an alert; whoever was first keeps it."""
    await run_async(conn, "alert_acknowledged", alert_id=alert_id, by_whom=by_whom, note=note)


async def shelve(
    conn: AsyncConnection[Any], alert_id: int, until: datetime, reason: str, by_whom: str
) -> None:
    """Send nothing about the rule, crane and subject of an alert until then, also when it comes again."""
    note = f"until {until:%Y-%m-%d %H:%M} UTC: {reason}"
    await run_async(
        conn, "alert_shelved", alert_id=alert_id, until=until, reason=reason, by_whom=by_whom, note=note
    )


async def unshelve(conn: AsyncConnection[Any], alert_id: int, by_whom: str) -> bool:
    """Take an alert off the shelf; False when it is on none."""
    return await run_async(conn, "alert_unshelved", alert_id=alert_id, by_whom=by_whom) == 1


async def targets(
    conn: AsyncConnection[Any], *, name: str | None = None, after: str = "", rows: int = 200
) -> list[TargetRow]:
    """Targets by name."""
    return await TARGETS.all_async(conn, name=name, after=after, rows=rows)


async def write_target(
    conn: AsyncConnection[Any], name: str, spec: Mapping[str, Any], entered_by: str
) -> None:
    """Enter a target, replacing the one of that name."""
    await run_async(conn, "alert_target_written", name=name, spec=Jsonb(dict(spec)), entered_by=entered_by)


async def drop_target(conn: AsyncConnection[Any], name: str) -> bool:
    """Forget a target and what was sent to it; False when there is none."""
    return await run_async(conn, "alert_target_dropped", name=name) == 1


async def make_trial(conn: AsyncConnection[Any], name: str, body: Mapping[str, Any]) -> bool:
    """Have a message sent to one target that says that messages arrive; False when there is no such target."""
    return await run_async(conn, "alert_trial_made", name=name, body=Jsonb(dict(body))) == 1
