"""When the design working period will be spent: the fan of futures, and what other work would do to it."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html

from dashboard.client import Client, NotAllowed
from dashboard.parts import charts, page
from domain.errors import BoomledgerError
from domain.life_answers import Forecast, LifeAnswer, Outlook, WhatIfAnswer
from words import numbers, remarks
from words.texts import t

NOT_MOVED: Final = 110
FORMULA: Final = ("forecast.formula", "forecast.formula.limits")


def fan(life: LifeAnswer) -> Any:
    """The used share so far and the fan of futures, with the review share and the date of the special assessment."""
    title = t("forecast.title")
    spent = life.forecast
    if spent is None or life.used_share is None or life.recorded_to is None:
        why = life.forecast_reason or life.used_share_reason
        return charts.nothing(title, remarks.text(why) if why else t("forecast.none"))
    goal, review = 100 * spent.threshold, 100 * life.review_at_share
    figure = {
        "data": _futures(life, spent),
        "layout": charts.layout(
            x_title=t("axis.date"),
            y_title=t("axis.used_share"),
            height=300,
            xaxis={"type": "date", "tickformatstops": charts.TIMES},
            yaxis={"range": [0, max(112, goal + 12)]},
            shapes=[
                charts.rule("y", goal, "@act", "solid"),
                charts.rule("y", review, "@watch", "dot"),
                charts.rule("x", life.special_assessment_on, "@ink_soft", "dot"),
            ],
            annotations=[
                charts.label(t("forecast.spent"), "@act", y=goal, yanchor="bottom"),
                charts.label(
                    t("forecast.review", share=f"{review:.0f} %"), "@watch", y=review, yanchor="top"
                ),
                charts.label(
                    t("life.assessment"),
                    "@ink_soft",
                    y=0.02,
                    yanchor="bottom",
                    yref="paper",
                    xref="x",
                    x=life.special_assessment_on,
                    xanchor="right",
                    xshift=-4,
                ),
            ],
        ),
    }
    words = t(
        "forecast.summary",
        early=numbers.day(spent.early_on),
        middle=numbers.day(spent.middle_on),
        late=numbers.day(spent.late_on) if spent.late_on else t("forecast.beyond"),
        share=numbers.share(spent.threshold),
        weeks=spent.weeks_used,
        trend=spent.trend,
    )
    if spent.season_unseen:
        words += t("forecast.season")
    rows = [
        (f"{part} {100 * one.threshold:g} %", getattr(one, f"{part}_on"), 100 * one.threshold)
        for one in (life.review_forecast, spent)
        if one is not None
        for part in ("early", "middle", "late")
    ]
    return charts.chart(
        "forecast",
        title,
        words,
        figure,
        headers=("future", "reached_on", "used_share_pct"),
        rows=rows,
        more=page.fold(t("formula"), *(html.P(t(key)) for key in FORMULA)),
    )


def _futures(life: LifeAnswer, spent: Forecast) -> list[dict[str, Any]]:
    start, now, goal = life.recorded_to, 100 * (life.used_share or 0), 100 * spent.threshold
    if start is None:
        return []
    late = spent.late_on or start + 2 * (spent.middle_on - start)
    shown = "%{x|%d %b %Y}: %{y:.1f} %<extra></extra>"
    line: dict[str, Any] = {"type": "scatter", "mode": "lines", "line": {"color": "@series", "width": 2}}
    data: list[dict[str, Any]] = [
        {
            **line,
            "x": [start, spent.early_on, late, start],
            "y": [now, goal, goal, now],
            "fill": "toself",
            "fillcolor": "@series_soft",
            "line": {"width": 0},
            "hoverinfo": "skip",
        },
        {
            **line,
            "x": [start, spent.middle_on],
            "y": [now, goal],
            "line": {"color": "@series", "width": 2, "dash": "dash"},
            "hovertemplate": shown,
        },
        {
            "type": "scatter",
            "mode": "markers",
            "x": [start],
            "y": [now],
            "marker": {"color": "@series", "size": 9},
            "hovertemplate": shown,
        },
    ]
    if life.recorded_from is not None:
        before = 100 * (life.used_share_prior or 0.0)
        data.append({**line, "x": [life.recorded_from, start], "y": [before, now], "hoverinfo": "skip"})
    return data


def what_if(life: LifeAnswer) -> html.Section:
    """Sliders: what other work would do to the date. The api simulates the weeks to come again for each position."""
    title = t("what_if.title")
    if not life.lifts:
        return charts.nothing(title, t("what_if.none"))
    return page.card(
        title,
        dcc.Store(id="what-if-crane", data=life.crane),
        _slider("work", 25, 200, 5, 100, (50, 100, 150, 200)),
        _slider("heavy", 50, NOT_MOVED, 5, NOT_MOVED, (50, 70, 90)),
        dmc.Select(
            id="what-if-to",
            label=t("what_if.to"),
            description=t("what_if.to.note"),
            data=[],
            clearable=True,
            clearButtonProps={"aria-label": t("form.clear")},
            searchable=True,
            size="sm",
        ),
        html.Div(id="what-if-answer", className="bl-answer", role="status"),
        note=t("what_if.note"),
    )


def _slider(name: str, low: int, high: int, step: int, value: int, named: tuple[int, ...]) -> html.Div:
    """A slider with a label; the right end of `heavy` means that nothing is moved."""
    word = t(f"what_if.{name}")
    ticks = [{"value": one, "label": f"{one} %"} for one in named]
    if high == NOT_MOVED:
        ticks.append({"value": NOT_MOVED, "label": t("what_if.not_moved")})
    return html.Div(
        [
            html.Label(word, id=f"what-if-{name}-label"),
            dmc.Slider(
                id=f"what-if-{name}",
                min=low,
                max=high,
                step=step,
                value=value,
                updatemode="mouseup",
                size="md",
                marks=ticks,
                thumbLabel=word,
            ),
        ],
        className="bl-slider",
    )


def answer_words(found: WhatIfAnswer) -> list[Any]:
    """The sentence, the dates side by side, and what was assumed."""
    pairs = [(found.before, found.after)]
    if found.other_before is not None and found.other_after is not None:
        pairs.append((found.other_before, found.other_after))
    headers = [t(f"what_if.col.{name}") for name in ("crane", "year", "before", "after")]
    rows = [(page.row_head(old.crane), *_cells(old, new)) for old, new in pairs]
    return [
        html.P(remarks.sentence(found.remarks)),
        page.table(headers, rows),
        page.fold(
            t("assumptions"),
            html.Ul([html.Li(remarks.text(line)) for line in found.assumptions], className="bl-notes"),
        ),
    ]


def _cells(old: Outlook, new: Outlook) -> tuple[str, ...]:
    return f"{numbers.share(old.share_a_year)} → {numbers.share(new.share_a_year)}", _dates(old), _dates(new)


def _dates(outlook: Outlook) -> str:
    spent = outlook.spent
    if spent is None:
        return remarks.text(outlook.reason) if outlook.reason else numbers.MISSING
    late = numbers.day(spent.late_on) if spent.late_on else t("forecast.beyond")
    return t(
        "what_if.dates", middle=numbers.day(spent.middle_on), early=numbers.day(spent.early_on), late=late
    )


def register(app: Dash, client: Client) -> None:
    """The sliders ask the api."""

    @app.callback(Output("what-if-to", "data"), Input("what-if-crane", "data"))
    async def others(crane: str) -> list[dict[str, str]]:
        try:
            rows = await client.all_cranes()
        except (BoomledgerError, NotAllowed):
            return []
        return [
            {"value": row.name, "label": f"{row.name} {row.title}".strip()}
            for row in rows
            if row.name != crane
        ]

    @app.callback(
        Output("what-if-answer", "children"),
        Input("what-if-work", "value"),
        Input("what-if-heavy", "value"),
        Input("what-if-to", "value"),
        State("what-if-crane", "data"),
    )
    async def answer(work: float | None, heavy: float | None, to: str | None, crane: str) -> Any:
        moving = heavy is not None and heavy < NOT_MOVED and bool(to)
        try:
            found = await client.what_if(
                crane,
                duty_factor=(work or 100) / 100,
                heavy_from_pct=heavy if moving else None,
                to=to if moving else None,
            )
        except (BoomledgerError, NotAllowed) as problem:
            return html.P(str(problem), className="bl-partial")
        words = answer_words(found)
        if not moving and found.duty_factor == 1:
            words[0] = html.P(t("what_if.as_now"))
        if to and not moving:
            words.insert(0, page.note(t("what_if.choose_heavy")))
        return words
