"""The life of cranes before their record: what is entered, what stays unknown, and the entry of many at once."""

from collections.abc import Sequence
from typing import Any, Final

from dash import html

from dashboard.client import Client
from dashboard.parts import form, grid, page
from dashboard.parts.form import Done, Values
from dashboard.parts.grid import bars, column
from dashboard.visit import Visit
from domain import attention
from domain.accounts import WhoAmI
from domain.history import COLUMNS, HistoryAsked, HistoryRow
from words import numbers, remarks
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """Every crane's history, the most unknown years first, and a form that takes many at once."""
    rows = (await visit.client.histories()).items
    title = t("history.title")
    table = (
        grid.grid("history-grid", title, _columns(), [_grid_row(row) for row in rows])
        if rows
        else page.nothing(t("history.none"))
    )
    parts: list[Any] = [
        html.Section(
            [html.Div([html.H2(title), page.note(_summary(rows))]), table],
            className="bl-card bl-card-flush" if rows else "bl-card",
        )
    ]
    if who.role not in MAY_ENTER:
        parts.append(page.note(t("details.not_yours")))
        return html.Div(parts)
    fields = [
        form.text("history", "csv", template(rows), lines=10, note=t("history.csv.note")),
        form.yes_no("history", "check_only", False, note=t("codes.check.note")),
    ]
    parts.append(
        page.card(
            t("history.new"), form.form("history", fields, t("history.save")), note=t("history.new.text")
        )
    )
    return html.Div(parts)


def template(rows: Sequence[HistoryRow]) -> str:
    """A line for every crane with unknown years, to be filled in: a blank cell leaves what is on file."""
    blank = "," * (len(COLUMNS) - 1)
    return (
        "\n".join([",".join(COLUMNS), *(f"{row.crane}{blank}" for row in rows if row.unknown_years)]) + "\n"
    )


def _summary(rows: Sequence[HistoryRow]) -> str:
    unknown = [row for row in rows if row.unknown_years]
    if not unknown:
        return t("history.all_known")
    years = numbers.plain(sum(row.unknown_years for row in unknown), 1)
    return t("history.unknown", count=len(unknown), years=years)


def _columns() -> list[dict[str, Any]]:
    return [
        column("crane", t("fleet.col.crane"), 98, "LinkCell", flex=2),
        column("since", t("history.col.since"), 130, flex=3, narrow=False, tall=True),
        column("first", t("history.col.first"), 110, "DayCell", flex=2, narrow=False),
        column("prior", t("history.col.prior"), 140, flex=4, tall=True),
        bars("unknown", t("history.col.unknown"), 130, 20.0, (20.0, 20.0), flex=3),
        column("runs", t("history.col.runs"), 120, flex=2, narrow=False, tall=True),
        column("wrong", t("history.col.wrong"), 120, flex=3, narrow=False, tall=True),
    ]


def _grid_row(row: HistoryRow) -> dict[str, Any]:
    since = row.manufactured_on or row.commissioned_on
    word = "history.since.made" if row.manufactured_on else "history.since.service"
    prior = row.prior_duty
    words = t("history.prior.none")
    if prior is not None:
        years = t("history.prior.all") if prior.years is None else numbers.plain(prior.years, 1)
        words = t(
            "history.prior", lifts=numbers.plain(prior.lifts), kq=numbers.plain(prior.kq, 3), years=years
        )
    state = attention.State.WATCH if row.unknown_years else attention.State.OK
    return {
        "crane": row.crane,
        "crane_href": f"/life/{row.crane}",
        "since": t(word, day=numbers.day(since)),
        "first": row.recorded_from.isoformat() if row.recorded_from else None,
        "first_text": numbers.day(row.recorded_from),
        "prior": words,
        "unknown": row.unknown_years,
        "unknown_state": state.value,
        "unknown_text": t(
            "history.years",
            years=numbers.plain(row.unknown_years, 1),
            share=numbers.share(row.assumed_share),
        )
        if row.unknown_years
        else t("history.years.none"),
        "runs": t(f"recorder.{row.recorder_runs}"),
        "wrong": remarks.listed(row.contradictions),
    }


@form.handles("history")
async def _enter(client: Client, values: Values, _context: Values) -> Done:
    asked = form.read(HistoryAsked, {**values, "check_only": values.get("check_only") == "yes"})
    made = await client.enter_histories(asked)
    return Done(
        said=t("history.saved" if made.stored else "history.checked", count=made.cranes), redraw=made.stored
    )
