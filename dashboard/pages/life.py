"""Life: the used share of the design working period, damage by detail and direction, and when it will be spent."""

from datetime import date, timedelta
from typing import Any, Final

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html

from dashboard import numbers
from dashboard.parts import area, charts, marks, page, states
from dashboard.texts import t
from dashboard.visit import Visit
from domain.answers import DetailDamage, LifeAnswer

REVIEW_SHARE: Final = 0.95


async def render_list(visit: Visit) -> Any:
    """Every crane by used share, the most used first."""
    fleet = await visit.client.fleet(days=30)
    if not fleet.rows:
        return html.Div(
            [page.head(t("life.title")), states.empty(t("fleet.empty.title"), t("fleet.empty.text"))]
        )
    rows = sorted(
        fleet.rows, key=lambda row: -1.0 if row.used_share is None else row.used_share, reverse=True
    )
    items = [
        html.Li(
            [
                dcc.Link(row.crane, href=f"/life/{row.crane}", className="bl-link"),
                html.Span(row.title or row.type, className="bl-cell-note"),
                marks.bar(
                    row.used_share,
                    full=1.0,
                    band=(REVIEW_SHARE, 1.0),
                    state=marks.life_state(row.used_share),
                    name=t("life.used"),
                    text=numbers.share(row.used_share)
                    if row.used_share is not None
                    else t("life.no_class.short"),
                ),
            ]
        )
        for row in rows
    ]
    return html.Div(
        [
            page.head(t("life.title"), t("life.context")),
            html.Section(
                [html.H2(t("life.list")), html.Ul(items, className="bl-life-list")], className="bl-card"
            ),
            marks.cautions(fleet.cautions),
        ]
    )


async def render(visit: Visit) -> Any:
    """One crane's structural life with the assumptions behind it."""
    name = visit.place["crane"]
    life = await visit.client.life(name)
    report = html.A(
        t("life.report"), href=f"/api/v1/cranes/{name}/report", className="bl-button", download=""
    )
    back = dcc.Link(t("life.to_crane"), href=f"/crane/{name}?tab=duty", className="bl-button bl-button-quiet")
    parts: list[Any] = [
        page.head(t("life.of", crane=name), t("life.basis"), back, report),
        _share(life),
    ]
    parts.append(html.Div([_forecast(life), _what_if(life)], className="bl-two"))
    parts += _damage(life)
    parts.append(marks.cautions(life.cautions, strong=True))
    return html.Div(parts)


def _share(life: LifeAnswer) -> html.Section:
    if life.used_share is None:
        body: Any = html.P(life.used_share_reason or t("life.no_class"), className="bl-partial")
    else:
        body = marks.bar(
            life.used_share,
            full=1.0,
            band=(REVIEW_SHARE, 1.0),
            state=marks.life_state(life.used_share),
            name=t("life.used"),
            text=t(
                "life.used.text",
                share=numbers.share(life.used_share),
                counted=numbers.share(life.used_share_counted),
                prior=numbers.share(life.used_share_prior),
            ),
        )
    design = life.design
    return html.Section(
        [
            html.H2(t("life.used")),
            body,
            marks.facts(
                marks.fact(t("duty.lifts"), numbers.plain(life.lifts), _recorded(life)),
                marks.fact(t("duty.kq"), numbers.plain(life.kq, 4), t("duty.kq.note")),
                marks.fact(
                    t("life.design"),
                    f"{design.u_class} {design.q_class}" if design else numbers.MISSING,
                    design.edition.value if design else t("life.no_class"),
                ),
                marks.fact(t("life.f1"), numbers.plain(life.f1, 1), life.f1_reason),
                marks.fact(t("life.coverage"), numbers.share(life.coverage), t("life.coverage.note")),
                marks.fact(
                    t("life.assessment"),
                    numbers.day(life.special_assessment_on),
                    life.special_assessment_reason,
                ),
            ),
            html.Details(
                [
                    html.Summary(t("formula")),
                    html.P(life.method),
                    html.P(t("life.formula")),
                    html.P(_prior(life)),
                ],
                className="bl-numbers",
            ),
        ],
        className="bl-card",
    )


def _recorded(life: LifeAnswer) -> str:
    if life.recorded_from is None or life.recorded_to is None:
        return t("life.not_recorded")
    return t("life.recorded", first=numbers.day(life.recorded_from), last=numbers.day(life.recorded_to))


def _prior(life: LifeAnswer) -> str:
    prior = life.prior_duty
    if prior is None:
        return t("life.prior.none")
    return t(
        "life.prior",
        lifts=numbers.plain(prior.lifts),
        kq=numbers.plain(prior.kq, 4),
        f1=numbers.plain(prior.f1, 1),
        source=prior.source or numbers.MISSING,
    )


def _forecast(life: LifeAnswer) -> Any:
    """The used share so far and the fan of futures, with the date of the special assessment."""
    title = t("forecast.title")
    fan = life.forecast
    if fan is None or life.used_share is None or life.recorded_to is None:
        return charts.nothing(title, life.forecast_reason or life.used_share_reason or t("forecast.none"))
    start, now = life.recorded_to, 100 * life.used_share
    late = fan.late_on or start + 2 * (fan.middle_on - start)
    goal = 100 * fan.threshold
    data: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "x": [start, fan.early_on, late, start],
            "y": [now, goal, goal, now],
            "fill": "toself",
            "fillcolor": "@series_soft",
            "line": {"width": 0},
            "hoverinfo": "skip",
        },
        {
            "type": "scatter",
            "mode": "lines",
            "x": [start, fan.middle_on],
            "y": [now, goal],
            "line": {"color": "@series", "width": 2, "dash": "dash"},
            "hovertemplate": "%{x|%d %b %Y}: %{y:.0f} %<extra></extra>",
        },
        {
            "type": "scatter",
            "mode": "markers",
            "x": [start],
            "y": [now],
            "marker": {"color": "@series", "size": 9},
            "hovertemplate": "%{x|%d %b %Y}: %{y:.1f} %<extra></extra>",
        },
    ]
    if life.recorded_from is not None:
        counted = [100 * (life.used_share_prior or 0.0), now]
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": [life.recorded_from, start],
                "y": counted,
                "line": {"color": "@series", "width": 2},
                "hoverinfo": "skip",
            }
        )
    review = life.special_assessment_on
    figure = {
        "data": data,
        "layout": charts.layout(
            x_title=t("axis.date"),
            y_title=t("axis.used_share"),
            yaxis={"range": [0, max(110, goal + 10)]},
            shapes=[
                {
                    "type": "line",
                    "xref": "paper",
                    "x0": 0,
                    "x1": 1,
                    "y0": goal,
                    "y1": goal,
                    "line": {"color": "@act", "width": 1.2},
                },
                {
                    "type": "line",
                    "x0": review,
                    "x1": review,
                    "yref": "paper",
                    "y0": 0,
                    "y1": 1,
                    "line": {"color": "@ink_soft", "width": 1, "dash": "dot"},
                },
            ],
            annotations=[
                {
                    "x": review,
                    "yref": "paper",
                    "y": 1,
                    "yanchor": "top",
                    "xanchor": "right",
                    "xshift": -4,
                    "text": t("life.assessment"),
                    "showarrow": False,
                    "font": {"color": "@ink_soft", "size": 11},
                }
            ],
        ),
    }
    words = t(
        "forecast.summary",
        early=numbers.day(fan.early_on),
        middle=numbers.day(fan.middle_on),
        late=numbers.day(fan.late_on) if fan.late_on else t("forecast.beyond"),
        share=numbers.share(fan.threshold),
        weeks=fan.weeks_used,
        trend=fan.trend,
    )
    rows = [("early", fan.early_on, goal), ("middle", fan.middle_on, goal), ("late", fan.late_on, goal)]
    return charts.chart(
        "forecast", title, words, figure, headers=("future", "reached_on", "used_share_pct"), rows=rows
    )


def _what_if(life: LifeAnswer) -> html.Section:
    """Two sliders: what other work would do to the date. Straight lines, no simulation."""
    if life.forecast is None or life.used_share is None or life.recorded_to is None:
        return charts.nothing(t("what_if.title"), t("what_if.none"))
    sliders = [
        html.Div(
            [
                html.Label(t(f"what_if.{name}"), id=f"what-if-{name}-label"),
                dmc.Slider(
                    id=f"what-if-{name}",
                    min=50,
                    max=200,
                    step=5,
                    value=100,
                    updatemode="drag",
                    size="md",
                    marks=[{"value": value, "label": f"{value} %"} for value in (50, 100, 150, 200)],
                    thumbLabel=t(f"what_if.{name}"),
                ),
            ],
            className="bl-slider",
        )
        for name in ("lifts", "load")
    ]
    base = {
        "from": life.recorded_to.isoformat(),
        "used": life.used_share,
        "goal": life.forecast.threshold,
        "middle": life.forecast.middle_on.isoformat(),
    }
    return html.Section(
        [
            html.H2(t("what_if.title")),
            html.P(t("what_if.note"), className="bl-summary"),
            dcc.Store(id="what-if-base", data=base),
            *sliders,
            html.P(what_if_words(base, 100, 100), id="what-if-answer", className="bl-answer", role="status"),
        ],
        className="bl-card",
    )


def what_if_words(base: dict[str, Any], lifts_pct: float, load_pct: float) -> str:
    """When the threshold is reached if lifts and loads change: used share goes with lifts and the cube of load."""
    start, middle = date.fromisoformat(base["from"]), date.fromisoformat(base["middle"])
    faster = (lifts_pct / 100) * (load_pct / 100) ** 3
    days = (middle - start).days / max(faster, 1e-6)
    if days > 36_525:
        return t("what_if.beyond", times=numbers.plain(faster, 2))
    return t(
        "what_if.answer",
        day=numbers.day(start + timedelta(days=round(days))),
        share=numbers.share(base["goal"]),
        times=numbers.plain(faster, 2),
    )


def _damage(life: LifeAnswer) -> list[Any]:
    if not life.details:
        return [charts.nothing(t("details.title"), t("details.none"))]
    headers = [
        t(f"details.col.{name}") for name in ("detail", "curve", "damage", "range", "equivalent", "gamma")
    ]
    rows = [
        html.Tr([html.Th(one.detail, scope="row"), *(html.Td(value) for value in _detail_cells(one))])
        for one in life.details
    ]
    table = html.Section(
        [
            html.H2(t("details.title")),
            html.P(t("details.summary"), className="bl-summary"),
            html.Div(
                html.Table(
                    [html.Thead(html.Tr([html.Th(word, scope="col") for word in headers])), html.Tbody(rows)],
                    className="bl-table",
                ),
                className="bl-table-scroll",
                tabIndex=0,
                role="region",
                **{"aria-label": t("details.title")},
            ),
        ],
        className="bl-card",
    )
    turning = [one for one in life.details if one.by_direction]
    return [table, *(_direction(one) for one in turning[:2])]


def _detail_cells(one: DetailDamage) -> tuple[str, ...]:
    spread = (
        f"{one.damage_low:.2g} – {one.damage_high:.2g}"
        if one.damage_low is not None and one.damage_high is not None
        else numbers.MISSING
    )
    equivalent = (
        numbers.MISSING
        if one.equivalent_range_mpa is None
        else f"{numbers.plain(one.equivalent_range_mpa, 1)}{numbers.NBSP}MPa"
    )
    return one.curve, f"{one.damage:.3g}", spread, equivalent, numbers.plain(one.gamma_mf, 2)


def _direction(one: DetailDamage) -> Any:
    """Damage around the base. Directions half a turn apart feel the same range, so each is drawn twice."""
    angles = [d.direction_deg for d in one.by_direction]
    values = [d.damage for d in one.by_direction]
    worst = max(one.by_direction, key=lambda d: d.damage)
    theta = [*angles, *(angle + 180 for angle in angles), angles[0] + 360]
    figure = {
        "data": [
            {
                "type": "scatterpolar",
                "mode": "lines",
                "theta": theta,
                "r": [*values, *values, values[0]],
                "fill": "toself",
                "fillcolor": "@series_soft",
                "line": {"color": "@series", "width": 2},
                "hovertemplate": "%{theta:.0f}°: %{r:.3g}<extra></extra>",
            }
        ],
        "layout": charts.layout(
            x_title="", y_title="", height=320, margin={"t": 34, "b": 30}, polar=area.polar_axes()
        ),
    }
    words = t("direction.summary", angle=numbers.plain(worst.direction_deg), damage=f"{worst.damage:.2g}")
    return charts.chart(
        f"direction-{one.detail}",
        t("direction.title", detail=one.detail),
        words,
        figure,
        headers=("direction_deg", "damage"),
        rows=list(zip(angles, values, strict=True)),
    )


def register(app: Dash) -> None:
    """The what-if sliders."""

    @app.callback(
        Output("what-if-answer", "children"),
        Input("what-if-lifts", "value"),
        Input("what-if-load", "value"),
        State("what-if-base", "data"),
    )
    async def answer(lifts: float | None, load: float | None, base: dict[str, Any]) -> str:
        return what_if_words(base, lifts or 100, load or 100)
