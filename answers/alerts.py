"""Alerts as they stand: one with what happened to it, and the words of its rule."""

from typing import Any

from psycopg import AsyncConnection

from domain.alerts import UNITS, AlertDetail, AlertRow, AlertRuleAsked
from domain.answers import of_row
from domain.errors import NotFound
from store import alerts
from store.alerts import AlertListing
from store.statement import Sites
from words.alerts import alert_words, sentence


async def alert_in_scope(
    conn: AsyncConnection[Any], sites: Sites, alert_id: int, *, accounts: bool
) -> AlertListing:
    """The alert if its crane is in scope, or it is about an account and `accounts` says so, else NotFound."""
    rows = await alerts.alerts(conn, sites, accounts=accounts, alert_id=alert_id, rows=1)
    if not rows:
        raise NotFound(f"no alert {alert_id} that you may see: see the list of alerts")
    return rows[0]


async def alert_detail(
    conn: AsyncConnection[Any], sites: Sites, alert_id: int, *, accounts: bool
) -> AlertDetail:
    """One alert in scope with its history."""
    row = await alert_in_scope(conn, sites, alert_id, accounts=accounts)
    history = await alerts.HISTORY.all_async(conn, alert_id=alert_id)
    return AlertDetail(
        alert=alert_row(row),
        history=tuple(history),
    )


def alert_row(row: AlertListing) -> AlertRow:
    """One alert with the words of its rule, or of its kind."""
    rule = AlertRuleAsked.model_validate(row.spec)
    words = alert_words(rule.kind, row.subject)
    value = row.value
    if row.cleared_at is not None:
        state = "cleared"
        value = row.worst_value  # what it found, not the value at which it cleared
    elif row.shelved_until is not None:
        state = "shelved"
    else:
        state = "open" if row.acknowledged_at is None else "acknowledged"
    return of_row(
        AlertRow,
        row,
        kind=rule.kind,
        priority=rule.priority,
        state=state,
        text=sentence(rule.kind, value, row.subject, rule.days, row.detail),
        unit=UNITS[rule.kind],
        raise_at=rule.raise_at,
        cause=rule.cause or words.cause,
        consequence=rule.consequence or words.consequence,
        action=rule.action or words.action,
    )
