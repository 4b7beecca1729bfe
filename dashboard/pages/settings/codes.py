"""The catalogue of status codes: what each means and what to do, entered as CSV."""

from typing import Any, Final

from dash import html

from dashboard.client import Client
from dashboard.parts import form, grid
from dashboard.parts.form import Done, Values
from dashboard.visit import UTC_ZONE, Visit
from domain.accounts import WhoAmI
from domain.fault_answers import StatusCodesAsked
from words import numbers
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """The codes that are known, and a form for more."""
    rows = (await visit.client.status_codes()).items
    tall = {"wrapText": True, "autoHeight": True, "cellClass": "bl-cell-wrap"}
    columns: list[dict[str, Any]] = [
        {"field": "code", "headerName": t("events.col.code"), "filter": True, "minWidth": 88},
        {"field": "meaning", "headerName": t("codes.col.meaning"), "filter": True, "minWidth": 110, "flex": 3, **tall},
        {"field": "advice", "headerName": t("codes.col.advice"), "minWidth": 110, "flex": 3, **tall},
        {"field": "type", "headerName": t("settings.col.type"), "minWidth": 110, "narrow": False},
        {"field": "source", "headerName": t("codes.col.source"), "minWidth": 120, "narrow": False, **tall},
    ]  # fmt: skip
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
    known = (
        grid.grid("code-grid", title, columns, data)
        if rows
        else html.P(t("codes.none"), className="bl-nothing")
    )
    parts = [
        html.Section(
            [html.Div([html.H2(title), html.P(t("codes.note"), className="bl-summary")]), known],
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
        parts.append(
            html.Section(
                [html.H2(t("codes.new")), form.form("codes", fields, t("codes.save"))], className="bl-card"
            )
        )
    else:
        parts.append(html.P(t("details.not_yours"), className="bl-summary"))
    return html.Div(parts)


@form.handles("codes")
async def _enter(client: Client, values: Values, _context: Values) -> Done:
    asked = form.read(StatusCodesAsked, {**values, "check_only": values.get("check_only") == "yes"})
    made = await client.import_status_codes(asked)
    return Done(
        said=t("codes.saved" if made.stored else "codes.checked", count=made.codes), redraw=made.stored
    )
