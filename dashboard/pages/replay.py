"""Replay: a recorded span played back, the boom drawn in its pose at every moment."""

from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import numbers
from dashboard.pages.crane_tables import span_of
from dashboard.parts import geometry, page, states, trace
from dashboard.parts.components import SideView
from dashboard.texts import t
from dashboard.visit import Visit, attempt
from domain.answers import SamplesAnswer

CHANNELS: Final = ("utilisation_pct", *geometry.POSE_CHANNELS, "slew_deg", "outreach_m")
FRAMES: Final = 1200


async def render_list(visit: Visit) -> Any:
    """Choose a crane; the newest recorded hour of it is played."""
    fleet = await visit.client.fleet(days=7)
    if not fleet.rows:
        return html.Div(
            [page.head(t("replay.title")), states.empty(t("fleet.empty.title"), t("fleet.empty.text"))]
        )
    items = [
        html.Li(
            [
                dcc.Link(row.crane, href=f"/replay/{row.crane}", className="bl-link"),
                html.Span(row.title or row.type, className="bl-cell-note"),
                page.age(row.last_at),
            ]
        )
        for row in sorted(fleet.rows, key=lambda row: row.crane)
    ]
    return html.Div(
        [
            page.head(t("replay.title"), t("replay.context")),
            html.Section(
                [html.H2(t("replay.choose")), html.Ul(items, className="bl-life-list")], className="bl-card"
            ),
        ]
    )


async def render(visit: Visit) -> Any:
    """The span that the address names, or the newest hour with data."""
    name = visit.place["crane"]
    detail = await visit.client.crane(name)
    zone = ZoneInfo(detail.site.time_zone)
    if "from" in visit.query:
        start, end = span_of(visit)
    else:
        live = await attempt(visit.client.live(name))
        end = getattr(live, "at", None) or visit.now
        start = end - timedelta(hours=1)
    samples = await visit.client.samples(name, start, end, channels=CHANNELS, points=FRAMES)
    head = page.head(
        t("replay.of", crane=name),
        t(
            "trace.span",
            start=numbers.moment(start, zone, seconds=True),
            end=numbers.moment(end, zone, seconds=True),
            samples=numbers.plain(samples.recorded_samples),
        ),
        *_steps(visit, start, end),
    )
    frames = _frames(samples)
    if not frames["at_ms"]:
        return html.Div([head, states.empty(t("replay.empty.title"), t("replay.empty.text"))])
    curve = geometry.capacity_curve(
        (await visit.client.charts(name)).charts,
        *(geometry.spread_of(frames[f"stabiliser_{side}_pct"][0]) for side in ("left", "right")),
    )
    return html.Div([head, _player(visit, detail, frames, curve, zone), trace.utilisation(samples, (), zone)])


def _steps(visit: Visit, start: Any, end: Any) -> list[Any]:
    span = end - start
    back = visit.href(visit.path, **{"from": (start - span).isoformat(), "to": start.isoformat()})
    onward = visit.href(visit.path, **{"from": end.isoformat(), "to": (end + span).isoformat()})
    return [
        dcc.Link(t("replay.back"), href=back, className="bl-button bl-button-quiet"),
        dcc.Link(t("replay.onward"), href=onward, className="bl-button bl-button-quiet"),
    ]


def _frames(samples: SamplesAnswer) -> dict[str, list[Any]]:
    """Readings by channel at the times that have any; the middle of the extremes where samples are reduced."""
    columns: dict[str, list[Any]] = {}
    for name in CHANNELS:
        series = samples.series.get(name)
        if series is None:
            columns[name] = [None] * len(samples.at_ms)
            continue
        columns[name] = [
            None if low is None or high is None else round((low + high) / 2, 2)
            for low, high in zip(series.low, series.high, strict=True)
        ]
    kept = [place for place in range(len(samples.at_ms)) if columns["main_boom_deg"][place] is not None]
    frames: dict[str, list[Any]] = {
        name: [column[place] for place in kept] for name, column in columns.items()
    }
    if not kept:
        frames = {name: [] for name in CHANNELS}
    frames["at_ms"] = [samples.at_ms[place] for place in kept]
    return frames


def _player(
    visit: Visit, detail: Any, frames: dict[str, list[Any]], curve: list[list[float]], zone: ZoneInfo
) -> html.Section:
    first = {name: frames[name][0] for name in CHANNELS}
    return html.Section(
        [
            html.H2(t("replay.pose")),
            dcc.Store(id="replay-frames", data={**frames, "zone": zone.key}),
            dcc.Interval(id="replay-clock", interval=100, disabled=True),
            SideView(
                id="replay-view",
                geometry=geometry.geometry_of(detail.crane.type),
                pose=geometry.pose_of(first),
                utilisation_pct=first["utilisation_pct"],
                reach=geometry.reach_outline(detail.crane.type),
                chart=curve,
                state="ok",
                units=visit.units.value,
                label=t("replay.label", crane=detail.crane.name),
                words={"rated": t("drawing.rated"), "at": t("drawing.at"), "outreach": t("drawing.outreach")},
            ),
            html.Div(
                [
                    html.Button(t("replay.play"), id="replay-play", type="button", className="bl-button"),
                    dmc.SegmentedControl(
                        id="replay-speed",
                        value="8",
                        data=[{"value": speed, "label": f"{speed}×"} for speed in ("1", "8", "30", "120")],
                        size="sm",
                        **{"aria-label": t("replay.speed")},
                    ),
                    html.Output(id="replay-time", className="bl-replay-time"),
                ],
                className="bl-player",
            ),
            dmc.Slider(
                id="replay-place",
                min=0,
                max=max(1, len(frames["at_ms"]) - 1),
                value=0,
                step=1,
                updatemode="drag",
                label=None,
                thumbLabel=t("replay.place"),
                size="md",
            ),
        ],
        className="bl-card",
    )


def register(app: Dash) -> None:
    """Playing happens in the browser: one answer of the api is enough for a span."""

    def clientside(function: str, *dependencies: Any, **options: Any) -> None:
        app.clientside_callback(ClientsideFunction("boomledger_replay", function), *dependencies, **options)

    clientside(
        "toggle",
        Output("replay-clock", "disabled"),
        Output("replay-play", "children"),
        Input("replay-play", "n_clicks"),
        State("replay-clock", "disabled"),
        prevent_initial_call=True,
    )
    clientside(
        "advance",
        Output("replay-place", "value"),
        Input("replay-clock", "n_intervals"),
        State("replay-place", "value"),
        State("replay-speed", "value"),
        State("replay-frames", "data"),
        prevent_initial_call=True,
    )
    clientside(
        "show",
        Output("replay-view", "pose"),
        Output("replay-view", "utilisation_pct"),
        Output("replay-time", "children"),
        Input("replay-place", "value"),
        State("replay-frames", "data"),
    )
