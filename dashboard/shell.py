"""The frame around every page: skip link, header, navigation, theme, units, pause, search for a crane."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, MATCH, ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard.client import Client, NotAllowed, session_headers
from dashboard.parts import states
from dashboard.parts.components import LiveFeed
from dashboard.theme import MANTINE
from dashboard.visit import units_of
from domain.errors import BoomledgerError
from words.texts import t

NAVIGATION: Final[tuple[tuple[str, tuple[tuple[str, str], ...]], ...]] = (
    (
        "nav.today",
        (
            ("/fleet", "fleet.title"),
            ("/dispatch", "dispatch.title"),
            ("/alerts", "alerts.title"),
            ("/faults", "faults.title"),
        ),
    ),
    (
        "nav.structure",
        (
            ("/life", "life.title"),
            ("/overloads", "overloads.title"),
            ("/service", "service.title"),
            ("/replay", "replay.title"),
        ),
    ),
    ("nav.house", (("/data", "health.title"), ("/settings", "settings.title"))),
)


def layout() -> dmc.MantineProvider:
    """The whole frame, for whoever is asking now; pages are drawn into `page`."""
    units = units_of((session_headers.get() or {}).get("cookie", ""))
    stores = [
        dcc.Location(id="url", refresh="callback-nav"),
        dcc.Store(id="units", data=units.value, storage_type="local"),
        dcc.Store(id="scheme", storage_type="local"),
        dcc.Store(id="paused", data=False),
        dcc.Store(id="window-title"),
        dcc.Store(id="heard"),
        dcc.Store(id="redraw"),
        dcc.Store(id="minute"),
        dcc.Store(id="job-sent"),
        LiveFeed(id="live"),
    ]
    frame = dmc.AppShell(
        [
            dmc.AppShellHeader(header()),
            dmc.AppShellNavbar(navigation(), id="side"),
            dmc.AppShellMain(
                [
                    html.Div(id="notice", className="bl-notice", role="status"),
                    html.Div(html.Div(states.loading(), id="page"), id="page-frame", className="bl-page"),
                ],
                id="main",
            ),
        ],
        id="frame",
        header={"height": 56},
        navbar={"width": 208, "breakpoint": "md", "collapsed": {"mobile": True}},
        padding=0,
        transitionDuration=0,
    )
    return dmc.MantineProvider(
        [html.A(t("shell.skip"), href="#main", className="bl-skip"), *stores, frame],
        id="theme",
        theme=MANTINE,
        forceColorScheme="light",
    )


def header() -> html.Div:
    """The bar above: menu, name, search, pause, units, theme."""
    brand = dcc.Link(
        [
            html.Span(className="bl-sign", **{"aria-hidden": "true"}),
            html.Span(t("app.name"), className="bl-brand-word"),
        ],
        href="/",
        className="bl-brand",
    )
    search = dmc.Select(
        id="find-crane",
        placeholder=t("shell.find"),
        searchable=True,
        clearable=False,
        nothingFoundMessage=t("shell.find.none"),
        selectFirstOptionOnChange=True,
        data=[],
        limit=12,
        size="sm",
        className="bl-find",
        **{"aria-label": t("shell.find")},
    )
    buttons = [
        _toggle("pause", t("shell.pause"), "bl-icon-pause"),
        _toggle("change-units", t("shell.units"), "bl-icon-units", t("units.metric")),
        _toggle("change-theme", t("shell.theme"), "bl-icon-theme"),
    ]
    menu = dmc.Burger(
        id="menu",
        opened=False,
        hiddenFrom="md",
        size="sm",
        **{"aria-label": t("shell.menu"), "aria-controls": "side"},
    )
    return html.Div([menu, brand, search, html.Div(buttons, className="bl-tools")], className="bl-header")


def _toggle(name: str, label: str, icon: str, word: str = "") -> html.Button:
    return html.Button(
        [
            html.Span(className=f"bl-icon {icon}", **{"aria-hidden": "true"}),
            html.Span(word or label, id=f"{name}-text", className="bl-tool-text"),
        ],
        id=name,
        type="button",
        className="bl-tool",
        title=label,
    )


def navigation(path: str | None = None) -> html.Nav:
    """The way to every page. path: where somebody is, to mark it at once; later assets/ui.mjs does."""
    groups: list[Any] = []
    for name, links in NAVIGATION:
        items = [
            html.Li(
                dcc.Link(
                    [t(title), html.Span(id="alert-count", className="bl-count")]
                    if target == "/alerts"
                    else t(title),
                    href=target,
                    id={"type": "nav", "path": target},
                    className="bl-nav-link bl-nav-here" if path and _is_at(path, target) else "bl-nav-link",
                )
            )
            for target, title in links
        ]
        groups += [html.P(t(name), className="bl-nav-group"), html.Ul(items, className="bl-nav-list")]
    return html.Nav(
        [
            *groups,
            html.P(t("shell.note"), className="bl-nav-note"),
            html.P(id="who", className="bl-nav-who"),
        ],
        **{"aria-label": t("shell.nav")},
    )


def _is_at(path: str, target: str) -> bool:
    """Whether an address belongs to an entry of the navigation; a crane's page belongs to the fleet."""
    if target == "/fleet":
        return path in ("/", "/fleet") or path.startswith("/crane/")
    return path == target or path.startswith(f"{target}/")


async def alerts_waiting(client: Client) -> tuple[str, str]:
    """How many alerts nobody has acknowledged yet, as a figure and in words; nothing where there is none."""
    try:
        waiting = (await client.alert_summary()).unacknowledged
    except (BoomledgerError, NotAllowed):
        return "", ""
    return (str(waiting), t("shell.alerts", count=waiting)) if waiting else ("", "")


AT_ONCE: Final = (
    ("startScheme", Output("scheme", "data"), Input("change-theme", "n_clicks"), State("scheme", "data")),
    (
        "paint",
        Output({"type": "graph", "name": MATCH}, "figure"),
        Input({"type": "figure", "name": MATCH}, "data"),
        Input("scheme", "data"),
    ),
)
LATER: Final = (
    (
        "applyScheme",
        Output("theme", "forceColorScheme"),
        Input("scheme", "data"),
        State("theme", "forceColorScheme"),
    ),
    ("flipUnits", Output("units", "data"), Input("change-units", "n_clicks"), State("units", "data")),
    ("nameUnits", Output("change-units-text", "children"), Input("units", "data")),
    (
        "flipPause",
        Output("paused", "data"),
        Output("pause-text", "children"),
        Input("pause", "n_clicks"),
        State("paused", "data"),
    ),
    ("passPause", Output("live", "paused"), Input("paused", "data")),
    ("arrive", Output("heard", "data"), Input("window-title", "data"), State("url", "pathname")),
    (
        "openMenu",
        Output("frame", "navbar"),
        Output("menu", "opened"),
        Input("menu", "opened"),
        Input("url", "pathname"),
        State("frame", "navbar"),
    ),
    (
        "goToCrane",
        Output("url", "pathname", allow_duplicate=True),
        Output("find-crane", "value"),
        Input("find-crane", "value"),
    ),
    (
        "mergeQuery",
        Output("url", "search", allow_duplicate=True),
        Input({"type": "query", "name": ALL, "default": ALL}, "value"),
        State({"type": "query", "name": ALL, "default": ALL}, "id"),
        State("url", "search"),
    ),
    ("signOut", Output("sign-out", "title"), Input("sign-out", "n_clicks")),
)
"""Functions of assets/ui.mjs that are callbacks: these wait for a change, those of AT_ONCE run at first as well."""


def register(app: Dash, client: Client) -> None:
    """What the frame does: mostly in the browser, without asking the server."""
    for waits, functions in ((False, AT_ONCE), (True, LATER)):
        for name, *dependencies in functions:
            where = ClientsideFunction("boomledger_ui", name)
            app.clientside_callback(where, *dependencies, prevent_initial_call=waits)

    # `minute` is moved on by "arrive", when the page is drawn: what stands in the frame may wait for that.
    @app.callback(Output("find-crane", "data"), Input("minute", "data"), prevent_initial_call=True)
    async def known_cranes(_minute: int | None) -> list[dict[str, str]]:
        try:
            rows = await client.all_cranes()
        except (BoomledgerError, NotAllowed):
            return []
        return [{"value": row.name, "label": f"{row.name} {row.title}".strip()} for row in rows]

    @app.callback(Output("who", "children"), Input("minute", "data"), prevent_initial_call=True)
    async def who(_minute: int | None) -> Any:
        try:
            me = await client.me()
        except (BoomledgerError, NotAllowed):
            return html.A(t("login.sign_in"), href="/login", className="bl-quiet-link")
        words = t("shell.who", account=me.account, role=t(f"role.{me.role}"))
        if me.via != "session":
            return words
        return [
            words,
            html.Button(t("shell.sign_out"), id="sign-out", type="button", className="bl-quiet-button"),
        ]
