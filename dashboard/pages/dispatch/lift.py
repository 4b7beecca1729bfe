"""One crane for one job: the boom at the load, the capacity curve with the point marked, estimates, hold and lift sheet."""

from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard.client import Client, NotAllowed
from dashboard.pages.dispatch.answer import configuration_words
from dashboard.pages.dispatch.question import Bad, job_query, question_of
from dashboard.parts import charts, components, form, marks, page
from dashboard.parts.components import SideView
from dashboard.parts.form import Done, Unreadable, Values
from dashboard.visit import Trouble, Visit, attempt
from domain import attention
from domain.dispatch_answers import DispatchCandidate, DispatchQuestion
from domain.drawing_answers import LiftDrawing, LiftDrawingAsked
from domain.errors import BoomledgerError
from domain.job import USUAL_HOOK_HEIGHT_M
from domain.job_answers import HoldAsked, SheetAsked
from words import numbers
from words.texts import t

FIGURE_HEIGHT: Final = 300


async def lift(
    visit: Visit, question: DispatchQuestion, one: DispatchCandidate, *, held: bool = False
) -> html.Div:
    """Pictures and figures of one crane at one job, and what can be done with it."""
    title = t("dispatch.picture", crane=one.crane)
    drawn = await attempt(visit.client.lift_drawing(LiftDrawingAsked(crane=one.crane, job=question)))
    if isinstance(drawn, Trouble):
        return html.Div(charts.missing(title, drawn))
    curve, far_m = components.lines(drawn.curve), drawn.far_m
    position = None
    if drawn.joints_m:
        position = components.joints_of(drawn.joints_m) | {"outreach_m": far_m}
        if one.capacity_kg is not None:
            position["rated_kg"] = one.capacity_kg
    picture = SideView(
        id="job-view",
        geometry=components.geometry_of(drawn.figure),
        position=position,
        reach=components.lines(drawn.figure.outline),
        chart=curve,
        lifts=[[far_m, question.hook_load_kg, False]],
        target=None
        if question.hook_height_m is None
        else {"outreach_m": question.outreach_m, "hook_height_m": question.hook_height_m},
        tallest=340,
        state="ok",
        units=numbers.drawn(visit.units),
        label=t(
            "dispatch.picture.label",
            crane=one.crane,
            capacity=numbers.rated(one.capacity_kg, visit.units),
            outreach=numbers.length(far_m, visit.units),
        ),
        words=components.drawing_words(),
    )
    parts: list[Any] = [
        html.Section(
            [
                html.H2(title, id="lift"),
                page.note(configuration_words(one)),
                page.note(t("dispatch.picture.note")),
                page.note(
                    t("dispatch.picture.height", height=numbers.length(USUAL_HOOK_HEIGHT_M, visit.units))
                )
                if question.hook_height_m is None
                else None,
                picture,
                _figures(visit, one),
                None if held else _hold(visit, question, one),
            ],
            className="bl-card",
        )
    ]
    if curve:
        parts.append(_curve(visit, question, one, drawn))
    return html.Div(parts)


def _figures(visit: Visit, one: DispatchCandidate) -> html.Div:
    estimate = t("dispatch.estimate")
    facts = marks.facts(
        marks.fact(
            t("dispatch.fact.capacity"),
            numbers.rated(one.capacity_kg, visit.units),
            t("dispatch.fact.used", used=numbers.percent(one.capacity_used_pct, "least")),
        ),
        marks.fact(
            t("dispatch.fact.headroom"),
            numbers.rated(one.headroom_kg, visit.units),
            t("dispatch.fact.headroom.note", points=numbers.percent(one.headroom_pct, "most")),
        ),
        marks.fact(t("dispatch.fact.pad_left"), _up_to(one.pad_left_kn, visit), estimate),
        marks.fact(t("dispatch.fact.pad_right"), _up_to(one.pad_right_kn, visit), estimate),
        marks.fact(
            t("dispatch.fact.pressure"), numbers.pressure(one.pad_pressure_kpa, visit.units), estimate
        ),
        marks.fact(
            t("dispatch.fact.margin"), numbers.length(one.stability_margin_m, visit.units, "most"), estimate
        ),
        marks.fact(
            t("dispatch.fact.expected"), numbers.percent(one.expected_utilisation_pct, "least"), estimate
        ),
    )
    return html.Div([facts, page.note(t("dispatch.estimate.note"))])


def _up_to(value_kn: float | None, visit: Visit) -> str:
    return (
        numbers.MISSING
        if value_kn is None
        else t("dispatch.up_to", force=numbers.force(value_kn, visit.units))
    )


def _curve(
    visit: Visit, question: DispatchQuestion, one: DispatchCandidate, drawn: LiftDrawing
) -> html.Figure:
    far_m = drawn.far_m
    mass, length = numbers.mass_factor(visit.units), numbers.length_factor(visit.units)
    mass_unit, length_unit = numbers.mass_unit(visit.units), numbers.length_unit(visit.units)
    x = [outreach / length for outreach, _ in drawn.curve]
    rated = {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": [capacity / mass for _, capacity in drawn.curve],
        "line": {"shape": "linear", "color": "@ink_soft", "width": 2},
        "name": t("dispatch.curve.rated"),
    }
    planned = {
        **rated,
        "y": [capacity / mass for _, capacity in drawn.planned],
        "line": {"shape": "linear", "color": "@ink_soft", "width": 1.5, "dash": "dash"},
        "name": t("dispatch.curve.planned"),
    }
    point = {
        "type": "scatter",
        "mode": "markers+text",
        "x": [far_m / length],
        "y": [question.hook_load_kg / mass],
        "text": [t("dispatch.curve.lift")],
        "textposition": "bottom center",
        "textfont": {"color": "@ink"},
        "marker": {
            "size": 13,
            "symbol": "diamond",
            "color": "@series",
            "line": {"width": 2, "color": "@ink"},
        },
        "name": t("dispatch.curve.lift"),
    }
    there = {
        "type": "scatter",
        "mode": "markers",
        "x": [far_m / length],
        "y": [(one.capacity_kg or 0) / mass],
        "marker": {"size": 11, "symbol": "circle-open", "color": "@ink", "line": {"width": 2}},
        "name": t("dispatch.curve.rated"),
    }
    layout = charts.layout(
        x_title=f"{t('dispatch.outreach_m')} [{length_unit}]",
        y_title=f"{t('dispatch.curve.mass')} [{mass_unit}]",
        height=FIGURE_HEIGHT,
        xaxis={"rangemode": "tozero"},
        yaxis={"rangemode": "tozero"},
    )
    summary = t(
        "dispatch.curve.summary",
        load=numbers.load(question.hook_load_kg, visit.units),
        outreach=numbers.length(far_m, visit.units),
        capacity=numbers.rated(one.capacity_kg, visit.units),
        limit=numbers.percent(question.planning_limit_pct),
    )
    return charts.chart(
        "capacity",
        t("dispatch.curve.title", crane=one.crane),
        summary,
        {"data": [rated, planned, there, point], "layout": layout},
        headers=(f"{t('dispatch.outreach_m')} [m]", f"{t('dispatch.curve.rated')} [kg]"),
        rows=components.lines(drawn.curve),
    )


def _hold(visit: Visit, question: DispatchQuestion, one: DispatchCandidate) -> html.Div:
    """Reserve the crane for the window of the job; without a window, say where to enter it."""
    context = {"crane": one.crane, "query": job_query(visit.query)}
    title = form.text(
        "hold", "title", visit.query.get("title", ""), key=one.crane, note=t("dispatch.hold.title.note")
    )
    sheet = html.Div(
        [
            dcc.Store(id="sheet-job", data=context),
            dcc.Download(id="sheet-file"),
            html.Button(
                t("dispatch.sheet"),
                id="sheet-print",
                type="button",
                className="bl-button bl-button-quiet bl-button-tall",
            ),
            html.P(id="sheet-problem", className="bl-form-problem", role="alert"),
        ],
        className="bl-sheet",
    )
    if question.window is None:
        reserve: Any = page.nothing(t("dispatch.hold.when"))
    elif one.held_until is not None:
        reserve = page.nothing(t("dispatch.hold.taken", crane=one.crane))
    else:
        why = form.text("hold", "override_reason", key=one.crane, note=t("dispatch.override.note"))
        fields = [title, why] if one.needs_override else [title]
        reserve = form.form(
            "hold", fields, t("dispatch.hold", crane=one.crane), key=one.crane, context=context
        )
    return html.Div([html.H3(t("dispatch.hold.head")), _override(one), reserve, sheet], className="bl-hold")


def _override(one: DispatchCandidate) -> html.P | None:
    """What only an engineer may pass over."""
    if not one.needs_override:
        return None
    what = numbers.listed([state.text for state in one.states if state.needs_override])
    words = t("dispatch.override.what", crane=one.crane, what=what)
    return page.note([marks.mark(attention.State.ACT, t("dispatch.override")), " ", words])


@form.handles("hold")
async def _hold_now(client: Client, values: Values, context: Values) -> Done:
    """Reserve the crane and go to the reservation."""
    try:
        question = question_of(context["query"])
    except Bad as problem:
        raise Unreadable({"": str(problem)}) from problem
    asked = form.read(
        HoldAsked,
        {
            "crane": context["crane"],
            "title": values.get("title"),
            "window": question.window,
            "job": question,
            "override_reason": values.get("override_reason") or None,
        },
    )
    held = await client.hold(asked)
    return Done(
        said=t("dispatch.hold.done", crane=held.crane),
        go_to=f"/dispatch/reservation/{held.reservation_id}",
        redraw=False,
    )


def register(app: Dash, client: Client) -> None:
    """The lift sheet comes as a file."""

    @app.callback(
        Output("sheet-file", "data"),
        Output("sheet-problem", "children"),
        Input("sheet-print", "n_clicks"),
        State("sheet-job", "data"),
        prevent_initial_call=True,
    )
    async def print_sheet(clicks: int | None, context: dict[str, Any]) -> tuple[Any, str]:
        if not clicks:
            return no_update, ""
        return await sheet_of(client, context)


async def sheet_of(client: Client, context: Values) -> tuple[Any, str]:
    """The file of a lift sheet, or why there is none."""
    crane = str(context["crane"])
    try:
        if "reservation_id" in context:
            content = await client.pdf(f"/reservations/{context['reservation_id']}/lift-sheet")
        else:
            job = question_of(context["query"])
            content = await client.lift_sheet(
                SheetAsked(crane=crane, title=t("dispatch.sheet.title", crane=crane), job=job)
            )
    except (Bad, BoomledgerError, NotAllowed) as problem:
        return no_update, str(problem)
    return dcc.send_bytes(content, f"lift-sheet-{crane}.pdf"), ""
