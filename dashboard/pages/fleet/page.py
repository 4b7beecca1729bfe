"""Fleet: who runs near the limit and why, life used, open faults, age of data; first in sentences."""

from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import ClientsideFunction, Dash, Input, Output, dcc, html

from dashboard.pages.fleet import morning as fleet_morning
from dashboard.pages.fleet import table as fleet_table
from dashboard.pages.fleet import weeks as fleet_weeks
from dashboard.pages.settings.crane_form import EXAMPLE_FILE
from dashboard.pages.settings.cranes import MAY_ENTER
from dashboard.parts import charts, marks, page, period, states
from dashboard.parts.area import near_limit_cell, where_near_limit
from dashboard.parts.components import Go
from dashboard.visit import UTC_ZONE, ZONES, Trouble, Visit, attempt, together
from domain.attention import State
from domain.fleet_answers import FleetAnswer, FleetRow, FleetWeeksAnswer
from domain.near_limit import NearLimitPlaces
from words import numbers
from words.texts import t

PERIODS: Final = ("7", "30", "90")
REPORT: Final = "/api/v1/fleet/report"
SHOWS: Final = ("all", "attention")
EXPLAIN_AT_MOST: Final = 6
STARTS: Final = {"dispatcher": "/dispatch", "engineer": "/life"}
"""Where the day of a role begins; everyone else's begins with the fleet."""
FIRST_STEPS: Final = ("describe", "register", "account", "publish")
FIRST_COMMANDS: Final = {
    "describe": "boomledger crane example > crane.json",
    "register": "boomledger crane add crane.json",
    "account": "boomledger account issue CRANE --file /mosquitto/data/passwords",
    "publish": "boomledger/v1/CRANE/samples",
}


async def render_start(visit: Visit) -> Any:
    """The fleet, or the way to the page of the role."""
    me = await attempt(visit.client.me())
    path = None if isinstance(me, Trouble) else STARTS.get(me.role)
    if path is None or visit.query:
        return await render(visit)
    return html.Div([Go(to=path), states.loading()])


async def render(visit: Visit) -> Any:
    """The start page of the fleet manager."""
    chosen = period.chosen(visit, PERIODS, UTC_ZONE)
    asked = _asked(chosen)
    fleet = await visit.client.fleet(**asked, rates=False)
    if not fleet.rows:
        return await _first_run(visit)
    today = visit.now.date()
    zone, why, weeks = await _background(visit, fleet)
    show = visit.choice("show", SHOWS)
    shown = [row for row in fleet.rows if show == "all" or _wanting(row, visit)]
    context = t(
        "fleet.context",
        count=len(fleet.rows),
        day=numbers.weekday(visit.now.astimezone(zone).date()),
        zone=zone.key,
    )
    return html.Div(
        [
            page.head(t("fleet.title"), context, *_controls(visit, fleet.rows, show, chosen)),
            fleet_morning.sentences(fleet, why, today),
            fleet_weeks.small_multiples(weeks, fleet) if weeks is not None else None,
            html.Section(
                [
                    html.Div([_table_head(fleet), _filter(visit)], className="bl-card-head"),
                    fleet_table.table(shown, why, today),
                    html.P(charts.grid_csv("fleet-grid", fleet_table.CSV_FIELDS), className="bl-after-grid"),
                ],
                className="bl-card bl-card-flush",
            ),
            marks.cautions(fleet.cautions),
        ]
    )


async def _first_run(visit: Visit) -> Any:
    """The fleet page while no crane is registered."""
    me = await attempt(visit.client.me())
    may_enter = not isinstance(me, Trouble) and me.role in MAY_ENTER
    items = [
        html.Li(
            [
                html.Strong(t(f"first.{step}")),
                html.Span(t(f"first.{step}.text")),
                html.Code(FIRST_COMMANDS[step], className="bl-command"),
            ]
        )
        for step in FIRST_STEPS
    ]
    steps: list[Any] = [html.Ol(items, className="bl-first-steps")]
    if may_enter:
        steps.append(
            html.Div(
                [
                    dcc.Link(t("first.form"), href="/settings?tab=cranes", className="bl-button"),
                    html.A(
                        t("first.example"),
                        href=EXAMPLE_FILE,
                        download="crane.json",
                        className="bl-button bl-button-quiet",
                    ),
                ],
                className="bl-inline",
            )
        )
    else:
        steps.append(page.note(t("first.ask")))
    return html.Div([page.head(t("fleet.title")), states.empty(t("first.title"), t("first.text"), *steps)])


def _asked(chosen: period.Period) -> dict[str, Any]:
    """The period as the api wants it: each site has its own today, so that typed days alone are days."""
    if chosen.word == period.DATES:
        return {"day_from": chosen.first, "day_to": chosen.last}
    return {"days": int(chosen.word)}


def _controls(visit: Visit, rows: Sequence[FleetRow], show: str, chosen: period.Period) -> list[Any]:
    wanting = sum(_wanting(row, visit) for row in rows)
    shows = [
        ("all", t("fleet.show.all", count=len(rows))),
        ("attention", t("fleet.show.attention", count=wanting)),
    ]
    return [
        page.choice("show", show, shows, label=t("fleet.show"), default="all"),
        period.control(visit, chosen, PERIODS),
        html.A(
            t("fleet.report"),
            href=f"{REPORT}?{urlencode(_asked(chosen))}",
            className="bl-button bl-button-quiet",
            download="",
        ),
    ]


def _wanting(row: FleetRow, visit: Visit) -> bool:
    return fleet_table.pressing(row, visit.now.date())[0] is not State.OK


def _table_head(fleet: FleetAnswer) -> html.Div:
    note = t("fleet.table.note", percent=numbers.percent(fleet.near_limit_from_pct))
    return html.Div([html.H2(t("fleet.table")), page.note(note)])


def _filter(visit: Visit) -> html.Div:
    """A field that narrows the table down while somebody types; its text stays in the address."""
    return html.Div(
        [
            html.Label(t("fleet.filter"), htmlFor="fleet-filter", className="bl-control-label"),
            dmc.TextInput(
                id="fleet-filter",
                value=visit.query.get("q", ""),
                placeholder=t("fleet.filter.hint"),
                size="sm",
            ),
        ],
        className="bl-control",
    )


async def _background(
    visit: Visit, fleet: FleetAnswer
) -> tuple[ZoneInfo, Mapping[str, tuple[str, str]], FleetWeeksAnswer | None]:
    """The time zone, where the worst cranes ran near their limit, and how the weeks went."""
    worst = [row.crane for row in fleet.rows if fleet_morning.is_near(row)][:EXPLAIN_AT_MOST]
    first = fleet.rows[0]
    zone, weeks, *places = await together(
        ZONES.of_site(first.site, first.crane, visit.client),
        visit.client.fleet_weeks(cranes=[row.crane for row in fleet.rows[: fleet_weeks.AT_MOST]]),
        *(
            [visit.client.near_limit_places(worst, day_from=fleet.day_from, day_to=fleet.day_to)]
            if worst
            else []
        ),
    )
    why = {
        place.crane: (near_limit_cell(place, visit.units), where_near_limit(place, visit.units))
        for answer in places
        if isinstance(answer, NearLimitPlaces)
        for place in answer.rows
    }
    return (
        zone if isinstance(zone, ZoneInfo) else UTC_ZONE,
        why,
        weeks if isinstance(weeks, FleetWeeksAnswer) else None,
    )


def register(app: Dash) -> None:
    """The field that filters the table: it works in the browser and asks nobody."""
    app.clientside_callback(
        ClientsideFunction("boomledger_ui", "filterGrid"),
        Output("fleet-filter", "title"),
        Input("fleet-filter", "value"),
    )
