"""Accounts: who may sign in, with which role and for which sites. For administrators."""

import asyncio
from collections.abc import Sequence
from typing import Any, Final

from dash import html

from dashboard.client import Client
from dashboard.pages.settings import access
from dashboard.parts import charts, form, page
from dashboard.parts.form import Done, Values
from dashboard.visit import UTC_ZONE, Visit
from domain.accounts import Account, AuditRow, WhoAmI
from words import numbers
from words.texts import t

AUDIT_ROWS: Final = 50
ROLES: Final = ("viewer", "dispatcher", "engineer", "admin")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """Every account with a form to change it, and one to add another."""
    if who.role != "admin":
        return charts.nothing(t("people.title"), t("people.not_yours"))
    users, audit, tokens = await asyncio.gather(
        visit.client.users(),
        visit.client.audit(reads=False, limit=AUDIT_ROWS),
        visit.client.tokens(everyone=True),
    )
    rows = users.items
    new = [
        form.text("person", "name", note=t("people.name.note")),
        form.text("person", "password", secret=True, note=t("people.password.none")),
        form.choose("person", "role", "viewer", _roles()),
        form.text("person", "sites", note=t("people.sites.note")),
    ]
    return html.Div(
        [
            page.card(
                t("people.title"),
                page.entries(
                    [_line(row, visit.href("/settings", tab="kept", account=row.name)) for row in rows]
                ),
                note=t("people.note"),
            ),
            page.card(t("people.new"), form.form("person", new, t("people.add"))),
            page.card(
                t("people.tokens"),
                page.entries(
                    [access.token_line(row, row.account) for row in tokens.items], t("people.tokens.none")
                ),
                id="tokens",
            ),
            _audit(audit.items),
        ]
    )


def _done(row: AuditRow) -> str:
    words = f"{row.action.partition(' ')[0]} {row.target}" if row.target else row.action
    if row.detail.get("stored") is False:
        words = t("people.audit.looked", what=words)
    return f"{words}: {row.detail['file']}" if row.detail.get("file") else words


def _audit(rows: Sequence[AuditRow]) -> html.Section:
    """What was written, exported and signed in to, newest first."""
    head = [t(f"people.audit.{name}") for name in ("when", "what", "who", "from")]
    lines = [
        (numbers.moment(row.at, UTC_ZONE, seconds=True), _done(row), row.account, row.address) for row in rows
    ]
    return page.card(
        t("people.audit"),
        page.table(head, lines, t("people.audit")),
        note=t("people.audit.note", count=len(rows)),
        id="audit",
    )


def _roles() -> list[tuple[str, str]]:
    return [(role, t(f"role.{role}")) for role in ROLES]


def _line(row: Account, kept: str) -> list[Any]:
    sites = numbers.listed(list(row.sites)) if row.sites is not None else t("people.every_site")
    standing = t("people.closed") if row.disabled else t(f"role.{row.role}")
    words = t("people.line", standing=standing, sites=sites, day=numbers.moment(row.created_at, UTC_ZONE))
    name, key = "person_change", row.name
    fields = [
        form.choose(name, "role", row.role, _roles(), key=key),
        form.text(name, "sites", ", ".join(row.sites or ()), key=key, note=t("people.sites.note")),
        form.text(name, "password", key=key, secret=True, note=t("people.password.keep")),
        form.yes_no(name, "disabled", row.disabled, key=key, note=t("people.disabled.note")),
    ]
    return [
        html.Div([html.Strong(row.name), html.Br(), words, html.Br(), _kept_link(row.name, kept)]),
        html.Details(
            [
                html.Summary(t("people.change"), **{"aria-label": f"{t('people.change')}: {row.name}"}),
                form.form(name, fields, t("people.save"), key=key, context={"account": row.name}, label=f"{t('people.save')}: {row.name}"),
                None if row.signs_on or row.disabled else form.sure("person_link", t("people.link"), t("people.link.sure"), key=row.name, context={"account": row.name}),
            ],
            className="bl-sure",
        ),
    ]  # fmt: skip


def _kept_link(name: str, href: str) -> html.A:
    return html.A(
        t("people.kept"), href=href, className="bl-link", **{"aria-label": f"{t('people.kept')}: {name}"}
    )


@form.handles("person")
async def _add(client: Client, values: Values, _context: Values) -> Done:
    if not values.get("name"):
        raise form.Unreadable({"name": t("form.needed")})
    asked = {name: values[name] for name in ("name", "password", "role") if values.get(name)}
    made = await client.add_user({**asked, "sites": _sites(values)})
    if "password" not in asked:
        return await _link(client, {}, {"account": made.name})
    return Done(said=t("people.added", name=made.name))


@form.handles("person_link")
async def _link(client: Client, _values: Values, context: Values) -> Done:
    made = await client.make_reset_link(context["account"])
    until = numbers.moment(made.expires_at, UTC_ZONE)
    shown = [
        html.Strong(t("people.link.made", name=made.account, until=until)),
        html.A(made.link, href=made.link, className="bl-command", id="reset-link"),
        t("people.link.once"),
    ]
    return Done(said=shown, redraw=False)


def _sites(values: Values) -> list[str] | None:
    """Names of sites as typed; None for every site."""
    return str(values.get("sites") or "").replace(",", " ").split() or None


@form.handles("person_change")
async def _change(client: Client, values: Values, context: Values) -> Done:
    change: dict[str, Any] = {
        "role": values["role"],
        "sites": _sites(values),
        "disabled": values["disabled"] == "yes",
    }
    if values.get("password"):
        change["password"] = values["password"]
    await client.change_user(context["account"], change)
    return Done(said=t("people.changed", name=context["account"]))
