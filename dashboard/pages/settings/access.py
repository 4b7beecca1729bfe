"""One's own access: tokens for programs, shown once and revoked here, and the sessions that are open."""

from typing import Any, Final

from dash import html

from dashboard.client import Client
from dashboard.parts import form, page
from dashboard.parts.form import Done, Values
from dashboard.visit import UTC_ZONE, Visit
from domain.accounts import NewToken, SessionRow, TokenRow, WhoAmI
from words import numbers
from words.texts import t

ROLES: Final = ("viewer", "dispatcher", "engineer", "admin")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """Tokens and sessions of the person who looks."""
    tokens = (await visit.client.tokens()).items
    sessions = (await visit.client.sessions()).items
    allowed = ROLES[: ROLES.index(who.role) + 1]
    fields = [
        form.text("token", "title", note=t("access.title.note")),
        form.choose("token", "role", "viewer", [(role, t(f"role.{role}")) for role in allowed]),
        form.number("token", "days", 90, note=t("access.days.note"), min=1, allowDecimal=False),
    ]
    make: Any = form.form("token", fields, t("access.make"))
    if who.via != "session":
        make = page.nothing(t("access.sign_in_first"))
    return html.Div(
        [
            page.card(
                t("access.tokens"),
                page.entries([token_line(row) for row in tokens], t("access.tokens.none")),
                make,
                note=t("access.tokens.note"),
            ),
            page.card(
                t("access.sessions"),
                page.entries([_session(row) for row in sessions], t("access.sessions.none")),
            ),
        ]
    )


def token_line(row: TokenRow, account: str = "") -> list[Any]:
    """A token with its account where that is not the reader's own: until when it holds, its last use, and a way to revoke it."""
    used = numbers.moment(row.last_used_at, UTC_ZONE) if row.last_used_at else t("access.never")
    words = t(
        "access.token.line",
        role=t(f"role.{row.role}"),
        until=numbers.moment(row.expires_at, UTC_ZONE),
        used=used,
    )
    key, title = str(row.token_id), f"{account}: {row.title}" if account else row.title
    return [
        html.Div([html.Strong(title), html.Br(), words]),
        form.sure("token-revoke", t("access.revoke"), t("access.revoke.sure"), key=key, context={"token": key, "title": title}),
    ]  # fmt: skip


def _session(row: SessionRow) -> list[Any]:
    words = t(
        "access.session.line",
        address=row.address,
        seen=numbers.moment(row.last_seen_at, UTC_ZONE),
        agent=row.agent,
    )
    name = html.Strong(t("access.this") if row.current else t("access.other"))
    key = str(row.session_id)
    end = form.sure("session-end", t("access.end"), t("access.end.sure"), key=key, context={"session": key})
    return [html.Div([name, html.Br(), words]), None if row.current else end]


@form.handles("token")
async def _make(client: Client, values: Values, _context: Values) -> Done:
    made = await client.make_token(form.read(NewToken, values))
    shown = [
        html.Strong(t("access.made", title=made.title)),
        html.Code(made.secret, className="bl-command", id="token-secret"),
        t("access.made.once"),
    ]
    return Done(said=shown, redraw=False)


@form.handles("token-revoke")
async def _revoke(client: Client, _values: Values, context: Values) -> Done:
    await client.revoke_token(int(context["token"]))
    return Done(said=t("access.revoked", title=context["title"]))


@form.handles("session-end")
async def _end(client: Client, _values: Values, context: Values) -> Done:
    await client.end_session(int(context["session"]))
    return Done(said=t("access.ended"))
