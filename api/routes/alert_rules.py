"""Alert rules, and whom alerts are told to."""

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter
from psycopg import AsyncConnection

from api.bounds import EntryName
from api.deps import Caller, Conn, Settings
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ADMIN_OF_ALL_SITES, ENGINEER, PERSONAL, VIEWER
from api.problems import Refused
from api.tables import TableRoute
from domain.alerts import (
    UNITS,
    AlertDeliveryRow,
    AlertRuleAsked,
    AlertRuleEntry,
    AlertRuleRow,
    AlertTargetAsked,
    AlertTargetRow,
)
from domain.answers import Page, of_row
from domain.errors import NotFound
from domain.web_address import refuse_local
from store import alerts
from store.access import Principal
from store.alerts import RuleRow, TargetRow
from store.site_scope import whole_fleet
from words.texts import t

router = APIRouter(tags=["alerts"], route_class=TableRoute)
writes = APIRouter(tags=["alerts"])


@router.get("/alert-rules", dependencies=[VIEWER, PERSONAL])
async def list_rules(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[AlertRuleRow]:
    """Rules whose scope is that you may see, by name; those over the fleet or a type are in everyone's."""
    after = decode_cursor(cursor, (str,))
    rows = await alerts.rules(conn, caller.site_list, after=after[0] if after else "", rows=limit + 1)
    return page([rule_row(row) for row in rows], limit, [(row.name,) for row in rows])


@writes.get("/alert-rules/{entry}", dependencies=[VIEWER, PERSONAL])
async def show_rule(entry: EntryName, conn: Conn, caller: Caller) -> AlertRuleEntry:
    """One rule as it is entered; its ETag guards a change."""
    rows = await alerts.rules(conn, caller.site_list, name=entry)
    if not rows:
        raise NotFound(f"there is no rule {entry!r} that you may see: see the list of rules")
    return AlertRuleEntry.model_validate(rule_row(rows[0]).model_dump())


@writes.put("/alert-rules/{entry}", dependencies=[ENGINEER], status_code=204)
async def write_rule(entry: EntryName, asked: AlertRuleAsked, conn: Conn, caller: Caller) -> None:
    """Enter a rule, replacing the one of that name. It is judged within a minute."""
    if asked.site is None and asked.crane is None and caller.sites is not None:
        raise Refused(
            403, "a rule over the fleet or a type needs every site in scope: name a site or a crane"
        )
    await may_change(conn, caller, entry)
    await alerts.write_rule(conn, entry, asked, caller.account, caller.site_list)


@writes.delete("/alert-rules/{entry}", dependencies=[ENGINEER], status_code=204)
async def drop_rule(entry: EntryName, conn: Conn, caller: Caller) -> None:
    """Take a rule out of force. Its open alerts are cleared; what it found before stays in the list."""
    if not await may_change(conn, caller, entry):
        raise NotFound(f"there is no rule {entry!r}: see the list of rules")
    await alerts.retire_rule(conn, entry, caller.account)


@router.get("/alert-targets", dependencies=[ADMIN_OF_ALL_SITES, PERSONAL])
async def list_targets(conn: Conn, limit: Limit = 200, cursor: Cursor = None) -> Page[AlertTargetRow]:
    """Whom alerts are told to, by name."""
    after = decode_cursor(cursor, (str,))
    rows = await alerts.targets(conn, after=after[0] if after else "", rows=limit + 1)
    return page([target_row(row) for row in rows], limit, [(row.name,) for row in rows])


@writes.get("/alert-targets/{entry}", dependencies=[ADMIN_OF_ALL_SITES, PERSONAL])
async def show_target(entry: EntryName, conn: Conn) -> AlertTargetRow:
    """One target; its ETag guards a change."""
    rows = await alerts.targets(conn, name=entry)
    if not rows:
        raise NotFound(f"there is no target {entry!r}: see the list of targets")
    return target_row(rows[0])


@writes.put("/alert-targets/{entry}", dependencies=[ADMIN_OF_ALL_SITES], status_code=204)
async def write_target(
    entry: EntryName, asked: AlertTargetAsked, conn: Conn, caller: Caller, settings: Settings
) -> None:
    """Enter a target, replacing the one of that name. Holds no secret: passwords and keys are settings."""
    if asked.web_address is not None and not settings.webhook_local:
        refuse_local(asked.web_address)
    await alerts.write_target(conn, entry, asked.model_dump(mode="json"), caller.account)


@writes.delete("/alert-targets/{entry}", dependencies=[ADMIN_OF_ALL_SITES], status_code=204)
async def drop_target(entry: EntryName, conn: Conn) -> None:
    """Forget a target, with what waits for it and what was sent to it."""
    if not await alerts.drop_target(conn, entry):
        raise NotFound(f"there is no target {entry!r}: see the list of targets")


@writes.post("/alert-targets/{entry}/trial", dependencies=[ADMIN_OF_ALL_SITES], status_code=202)
async def try_target(entry: EntryName, conn: Conn, caller: Caller) -> None:
    """Have a message sent that only says that messages arrive; the list of deliveries tells how it went."""
    now = datetime.now(UTC)
    body = {
        "kind": "trial",
        "made_at": now.isoformat(),
        "text": t("mail.trial.text", who=caller.account),
    }
    if not await alerts.make_trial(conn, entry, body):
        raise NotFound(f"there is no target {entry!r}: see the list of targets")


@router.get("/alert-deliveries", dependencies=[ADMIN_OF_ALL_SITES, PERSONAL])
async def list_deliveries(conn: Conn, limit: Limit = 200, cursor: Cursor = None) -> Page[AlertDeliveryRow]:
    """Messages that were sent, wait, or were given up, newest first, with the last error."""
    before = decode_cursor(cursor, (int,))
    rows = await alerts.DELIVERIES.all_async(conn, before=before[0] if before else None, rows=limit + 1)
    return page(rows, limit, [(row.delivery_id,) for row in rows])


async def may_change(conn: AsyncConnection[Any], caller: Principal, name: str) -> bool:
    """Whether there is a rule of that name; refuses one whose scope reaches beyond the caller's sites."""
    async with whole_fleet(conn):  # a name is taken also by a rule that the caller does not see
        everywhere = await alerts.rules(conn, None, name=name)
    if not everywhere or caller.sites is None:
        return bool(everywhere)
    mine = await alerts.rules(conn, caller.site_list, name=name)
    if not mine or (mine[0].site is None and mine[0].crane is None):
        raise Refused(403, f"the rule {name!r} reaches beyond the sites that you may see: take another name")
    return True


def rule_row(row: RuleRow) -> AlertRuleRow:
    """A rule as it is answered."""
    spec = AlertRuleAsked.model_validate({**row.spec, "site": row.site, "type": row.type, "crane": row.crane})
    return of_row(AlertRuleRow, row, **spec.model_dump(), unit=UNITS[spec.kind])


def target_row(row: TargetRow) -> AlertTargetRow:
    """A target as it is answered."""
    return of_row(AlertTargetRow, row, **row.spec)
