"""The catalogue of status codes: what each means and what to do, entered as CSV."""

from typing import Any, Final

from dash import html

from dashboard.client import Client
from dashboard.parts import form, grid, page
from dashboard.parts.form import Done, Values
from dashboard.parts.grid import column
from dashboard.visit import UTC_ZONE, Visit
from domain.accounts import WhoAmI
from domain.fault_answers import StatusCodesAsked
from words import numbers
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """The codes that are known, and a form for more."""
    rows = (await visit.client.status_codes()).items
    columns: list[dict[str, Any]] = [
        column("code", t("events.col.code"), 88, filter=True),
        column("meaning", t("codes.col.meaning"), 110, filter=True, flex=3, tall=True),
        column("advice", t("codes.col.advice"), 110, flex=3, tall=True),
        column("type", t("settings.col.type"), 110, narrow=False),
        column("source", t("codes.col.source"), 120, narrow=False, tall=True),
    ]
    data = [
        {
            "code": row.code,
            "meaning": row.meaning,
            "advice": row.advice,
            "type": row.type or t("codes.every_type"),
            "source": f"{row.source}, {numbers.day(row.imported_at.astimezone(UTC_ZONE).date())}",
        }
        for row in rows
    ]
    title = t("codes.title")
    known = grid.grid("code-grid", title, columns, data) if rows else page.nothing(t("codes.none"))
    parts = [
        html.Section(
            [html.Div([html.H2(title), page.note(t("codes.note"))]), known],
            className="bl-card bl-card-flush" if rows else "bl-card",
        )
    ]
    if who.role in MAY_ENTER:
        fields = [
            form.text("codes", "source", note=t("codes.source.note")),
            form.text("codes", "type", note=t("codes.type.note")),
            form.text("codes", "csv", "code,meaning,advice\n", lines=6, note=t("codes.csv.note")),
            form.yes_no("codes", "check_only", False, note=t("codes.check.note")),
        ]
        parts.append(page.card(t("codes.new"), form.form("codes", fields, t("codes.save"))))
    else:
        parts.append(page.note(t("details.not_yours")))
    return html.Div(parts)


@form.handles("codes")
async def _enter(client: Client, values: Values, _context: Values) -> Done:
    asked = form.read(StatusCodesAsked, {**values, "check_only": values.get("check_only") == "yes"})
    made = await client.import_status_codes(asked)
    return Done(
        said=t("codes.saved" if made.stored else "codes.checked", count=made.codes), redraw=made.stored
    )
