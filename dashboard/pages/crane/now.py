"""The tab `now` of a crane: pose in side and top view, utilisation, the last hours, what happened in them."""

from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import Dash, Input, Output, html
from dash import State as Given

from dashboard.client import Client
from dashboard.parts import charts, components, marks, page, trace
from dashboard.parts import events as events_part
from dashboard.parts.components import LiveBar, LiveMark, LiveValue, SideView, TopView
from dashboard.visit import Trouble, Visit, attempt, together
from domain import attention
from domain.answers import CraneDetail, FaultRow, LiveAnswer, Page
from domain.attention import State
from domain.channels import Mode
from domain.crane import Spread
from domain.drawing_answers import DrawingAnswer, Drawn
from words import numbers
from words.texts import t

HOURS: Final = ("8", "24", "72")
RECENT_LIFTS: Final = 200
BAR_FULL_PCT: Final = 120


async def render(visit: Visit, detail: CraneDetail) -> Any:
    """Everything about the present, and the hours that led to it."""
    name = detail.crane.name
    zone = ZoneInfo(detail.site.time_zone)
    live = await attempt(visit.client.live(name))
    hours = visit.choice("hours", HOURS)
    end = (
        min(visit.now, live.at + timedelta(minutes=10))
        if isinstance(live, LiveAnswer) and live.at
        else visit.now
    )
    start = end - timedelta(hours=int(hours))
    samples, events, drawn, lifts, faults = await together(
        visit.client.samples(name, start, end, channels=("utilisation_pct", "mode"), points=900),
        visit.client.events(start, end, crane=name, limit=200),
        visit.client.drawing(name),
        visit.client.lifts(name, end - timedelta(days=7), end, limit=RECENT_LIFTS),
        visit.client.faults(name, days=1),
    )
    if isinstance(live, Trouble) or isinstance(drawn, Trouble):
        picture: Any = charts.missing(t("now.pose"), live if isinstance(live, Trouble) else drawn)
    else:
        picture = _present(visit, live, drawn, () if isinstance(lifts, Trouble) else lifts.items)
    shown_events = () if isinstance(events, Trouble) else events.items
    period = page.choice(
        "hours", hours, [(one, t("period.hours", count=one)) for one in HOURS], label=t("period"), default="8"
    )
    return html.Div(
        [
            _open_faults(name, faults),
            picture,
            html.Div(period, className="bl-period"),
            *(
                [charts.missing(t("trace.title"), samples)]
                if isinstance(samples, Trouble)
                else [trace.utilisation(samples, shown_events, zone), trace.modes(samples, zone)]
            ),
            charts.missing(t("events.title"), events)
            if isinstance(events, Trouble)
            else events_part.event_list(shown_events[:12], zone, all_at=visit.href(visit.path, tab="events")),
        ]
    )


def _open_faults(name: str, found: Page[FaultRow] | Trouble) -> Any:
    """What is open on the crane, above everything else; nothing where nothing is."""
    if isinstance(found, Trouble):
        return charts.missing(t("faults.open"), found)
    opened = [row for row in found.items if row.open_since is not None]
    if not opened:
        return None
    codes = numbers.listed([f"{row.code} {row.text}".strip() for row in opened])
    return html.P(
        [
            marks.mark(State.ACT, t("attention.fault", count=len(opened))),
            " ",
            page.crane_link(name, codes, tab="events", kinds="faults"),
        ],
        className="bl-open-now",
    )


def _present(visit: Visit, live: LiveAnswer, drawn: DrawingAnswer, lifts: Any) -> html.Div:
    values, name = live.values, live.crane
    stale = attention.stale(live.age_s)
    state = attention.utilisation_state(values.get("utilisation_pct"), live.age_s)
    now, figure = drawn.now, drawn.figure
    position = components.position_of(now)
    with_lifts = now is not None and now.spread_left is now.spread_right is Spread.FULL
    side = SideView(
        id="side-view",
        crane=name,
        geometry=components.geometry_of(figure),
        position=position,
        utilisation_pct=values.get("utilisation_pct"),
        reach=components.lines(figure.outline),
        chart=components.lines(now.curve) if now else [],
        lifts=[
            [
                round(lift.peak_outreach_m, 2),
                round(lift.mass_kg),
                lift.peak_utilisation_pct >= attention.WARNING_PCT,
            ]
            for lift in (lifts if with_lifts else ())
            if lift.mass_kg is not None and lift.peak_outreach_m is not None
        ],
        state=state.value,
        units=numbers.drawn(visit.units),
        label=_pose_words(visit, live, now),
        words=components.drawing_words(),
    )
    top = TopView(
        id="top-view",
        position=position,
        carrier=components.carrier_of(figure),
        reach_m=figure.reach_m,
        state=state.value,
        units=numbers.drawn(visit.units),
        label=t(
            "now.top.label",
            slew=numbers.plain(values.get("slew_deg")),
            left=_spread(now.spread_left if now else None),
            right=_spread(now.spread_right if now else None),
        ),
        words={"cab": t("drawing.cab")},
    )
    return html.Div(
        [
            html.Section(
                [
                    html.Div(
                        [
                            html.H2(t("now.pose")),
                            page.note([t("now.measured"), " ", page.age(live.at, crane=name)]),
                        ],
                        className="bl-card-head",
                    ),
                    side,
                    html.P(_chart_words(now), id="side-words", className="bl-summary"),
                ],
                className="bl-card bl-now-side",
            ),
            page.card(t("now.readings"), _readings(visit, live, now, state), kind="bl-now-facts"),
            page.card(t("now.top"), top, kind="bl-now-top"),
        ],
        className="bl-now bl-now-stale" if stale else "bl-now",
    )


def _spread(spread: Spread | None) -> str:
    return numbers.MISSING if spread is None else t(f"spread.{spread}")


def _chart_words(now: Drawn | None) -> str:
    if now is None:
        return t("now.label.unknown")
    key = "now.chart" if now.curve else "now.no_chart"
    return t(key, left=_spread(now.spread_left), right=_spread(now.spread_right))


def _pose_words(visit: Visit, live: LiveAnswer, now: Drawn | None) -> str:
    values = live.values
    if now is None:
        return t("now.label.unknown")
    return t(
        "now.label",
        main=numbers.plain(values.get("main_boom_deg")),
        knuckle=numbers.plain(values.get("knuckle_boom_deg")),
        outreach=numbers.length(now.outreach_m, visit.units),
        utilisation=numbers.percent(values.get("utilisation_pct")),
    )


def _readings(visit: Visit, live: LiveAnswer, now: Drawn | None, state: State) -> html.Div:
    name, values = live.crane, live.values

    def reading(
        channel: str,
        decimals: int,
        unit: str,
        factor: float = 1.0,
        computed: float | None = None,
    ) -> LiveValue:
        sent = values.get(channel)
        return LiveValue(
            id=f"now-{channel}",
            crane=name,
            channel=channel,
            value=computed if sent is None else sent,
            decimals=decimals,
            unit=f"{numbers.NBSP}{unit}",
            factor=factor,
            missing=numbers.MISSING,
        )

    per_length = 1 / numbers.length_factor(visit.units)
    unit = numbers.length_unit(visit.units)
    hook = (None, None) if now is None else (now.outreach_m, now.hook_height_m)
    noted = None if values.get("outreach_m") is not None else t("now.computed")
    mark = LiveMark(
        crane=name,
        state=state.value,
        words={each.value: t(f"utilisation.{each}") for each in State},
    )
    return html.Div(
        [
            html.Div(
                [
                    mark,
                    html.Span(
                        marks.mark(
                            State.OK if live.online else State.STALE,
                            t("crane.online" if live.online else "crane.offline"),
                        ),
                        className="bl-while-heard",
                    ),
                    html.Span(marks.mark(State.STALE, t("contact.unknown")), className="bl-while-not-heard"),
                ],
                className="bl-mark-row",
            ),
            LiveBar(
                crane=name,
                value=values.get("utilisation_pct"),
                state=state.value,
                full=BAR_FULL_PCT,
                band=[attention.WARNING_PCT, attention.LIMIT_PCT],
                label=t("now.bar", full=BAR_FULL_PCT, warning=attention.WARNING_PCT),
            ),
            marks.facts(
                marks.fact(
                    t("channel.utilisation_pct"),
                    reading("utilisation_pct", 0, "%"),
                    t("note.warning", warning=attention.WARNING_PCT),
                ),
                marks.fact(
                    t("channel.limit_pct"),
                    reading("limit_pct", 0, "%"),
                    t("note.of_structural")
                    if values.get("limit_pct") is not None
                    else t("note.limit_assumed"),
                ),
                *(
                    marks.fact(
                        t(f"channel.{channel}"),
                        html.Span(
                            reading(channel, 1, unit, per_length, computed),
                            className="bl-cell-estimated" if noted else None,
                        ),
                        noted,
                    )
                    for channel, computed in zip(("outreach_m", "hook_height_m"), hook, strict=True)
                ),
                marks.fact(t("channel.mode"), _mode(values.get("mode"))),
                marks.fact(t("channel.oil_temperature_degc"), reading("oil_temperature_degc", 0, "°C")),
                marks.fact(t("channel.radio_quality_pct"), reading("radio_quality_pct", 0, "%")),
                marks.fact(t("channel.controller_battery_pct"), reading("controller_battery_pct", 0, "%")),
            ),
        ]
    )


def _mode(value: float | None) -> str:
    if value is None or value != value or round(value) not in {mode.value for mode in Mode}:
        return numbers.MISSING
    return t(f"mode.{Mode(round(value)).name.lower()}")


def register(app: Dash, client: Client) -> None:
    """With each reading of its feed the drawing is sent anew, as the api makes it."""

    @app.callback(
        Output("side-view", "position"),
        Output("side-view", "chart"),
        Output("top-view", "position"),
        Output("side-words", "children"),
        Output("now-outreach_m", "value"),
        Output("now-hook_height_m", "value"),
        Input("side-view", "wanted"),
        Given("side-view", "crane"),
        prevent_initial_call=True,
    )
    async def draw(_wanted: str, crane: str) -> tuple[Any, ...]:
        now = (await client.drawing(crane)).now
        position = components.position_of(now)
        if now is None:
            return position, [], position, _chart_words(None), None, None
        return (
            position,
            components.lines(now.curve),
            position,
            _chart_words(now),
            now.outreach_m,
            now.hook_height_m,
        )
