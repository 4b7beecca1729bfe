"""An empty system: what leads to the first crane, step by step, with what is done already."""

from typing import Any

from dash import dcc, html

from dashboard.pages.settings.crane_form import EXAMPLE_FILE
from dashboard.pages.settings.cranes import MAY_ENTER
from dashboard.parts import page, states
from dashboard.visit import Trouble, Visit, attempt
from words.texts import t

STEPS = ("describe", "register", "account", "publish")
COMMANDS = {
    "describe": "boomledger crane example > crane.json",
    "register": "boomledger crane add crane.json",
    "account": "boomledger account issue CRANE --file /mosquitto/data/passwords",
    "publish": "boomledger/v1/CRANE/samples",
}


async def render(visit: Visit) -> Any:
    """The fleet page while no crane is registered."""
    me = await attempt(visit.client.me())
    may_enter = not isinstance(me, Trouble) and me.role in MAY_ENTER
    items = [
        html.Li(
            [
                html.Strong(t(f"first.{step}")),
                html.Span(t(f"first.{step}.text")),
                html.Code(COMMANDS[step], className="bl-command"),
            ]
        )
        for step in STEPS
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
        steps.append(html.P(t("first.ask"), className="bl-summary"))
    return html.Div([page.head(t("fleet.title")), states.empty(t("first.title"), t("first.text"), *steps)])
