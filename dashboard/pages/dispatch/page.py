"""Dispatch: a job in, ranked cranes out, with headroom, reasons and the picture of the lift. Made for a phone first."""

from typing import Any, get_args
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from dash import ClientsideFunction, Dash, Input, Output, dcc, html

from dashboard.client import Client
from dashboard.pages.dispatch import answer as dispatch_answer
from dashboard.pages.dispatch import form as dispatch_form
from dashboard.pages.dispatch import lift as dispatch_lift
from dashboard.pages.dispatch.parts import head
from dashboard.pages.dispatch.question import Bad, asked_for, job_query, question_of
from dashboard.parts import charts, marks, states
from dashboard.visit import ZONES, Trouble, Visit, together
from domain.dispatch_answers import DispatchAnswer, DispatchQuestion, RulingName
from words import remarks
from words.texts import t


async def render(visit: Visit) -> Any:
    """The form; with a job in the address also its answer."""
    zone = await ZONES.of_yard(visit.client)
    result: Any
    asked = asked_for(visit.query)
    if not asked:
        result = states.empty(t("dispatch.empty.title"), t("dispatch.empty.text"))
    else:
        try:
            result = await _answer(visit, question_of(visit.query, visit.units), zone)
        except Bad as problem:
            result = states.empty(t("dispatch.bad.title"), dispatch_form.problem_details(problem.problems))
    return html.Div(
        [
            head("one", t("dispatch.title"), t("dispatch.context")),
            dcc.Store(id="answer-drawn", data=urlencode(job_query(visit.query)) if asked else ""),
            html.Div(id="answer-reached"),
            html.Div(
                [
                    dispatch_form.job_form(visit, zone),
                    html.Div(
                        [_change() if asked else None, result],
                        id="dispatch-answer",
                        **{"aria-live": "polite"},
                    ),
                ],
                className="bl-dispatch bl-dispatch-asked" if asked else "bl-dispatch",
            ),
        ]
    )


def _change() -> html.A:
    """Where the answer stands before the form, for want of room beside it, the way to the form."""
    return html.A(
        t("dispatch.change"),
        href="#job",
        className="bl-button bl-button-quiet bl-button-tall bl-stacked-only",
    )


async def _answer(visit: Visit, question: DispatchQuestion, zone: ZoneInfo) -> Any:
    skip, skip_out = (max(int(visit.number(name, 0)), 0) for name in ("skip", "skip_out"))
    fitting = question.model_copy(
        update={
            "rulings": frozenset({"fit"}),
            "skip_candidates": skip,
            "most_candidates": dispatch_answer.FIT_A_PAGE,
        }
    )
    others = question.model_copy(
        update={
            "rulings": _rulings(visit.query.get("out", "")),
            "skip_candidates": skip_out,
            "most_candidates": dispatch_answer.OUT_A_PAGE,
        }
    )
    answer, out = await together(visit.client.dispatch(fitting), visit.client.dispatch(others))
    if isinstance(answer, Trouble):
        return charts.missing(t("dispatch.answer"), answer)
    wanted = visit.query.get("show", "")
    shown = next((one for one in answer.candidates if one.crane == wanted), None) or next(
        (one for one in answer.candidates if one.usable), next(iter(answer.candidates), None)
    )
    parts: list[Any] = dispatch_answer.answer_parts(visit, answer, shown, zone)
    if shown is not None:
        parts.append(await dispatch_lift.lift(visit, answer.question, shown))
    parts += [marks.cautions(answer.cautions, strong=True), _assumptions(answer)]
    if not isinstance(out, Trouble):
        parts.append(dispatch_answer.ruled_out(visit, answer.ruled_out, out.candidates, out.more_candidates))
    return html.Div(parts)


def _rulings(chosen: str) -> frozenset[RulingName]:
    """The condition chosen in the address, else every one at which cranes fall out."""
    every: tuple[RulingName, ...] = tuple(one for one in get_args(RulingName) if one != "fit")
    return frozenset(one for one in every if chosen in ("", one)) or frozenset(every)


def _assumptions(answer: DispatchAnswer) -> html.Details:
    return html.Details(
        [
            html.Summary(t("dispatch.assumptions")),
            html.Ul([html.Li(remarks.text(line)) for line in answer.assumptions], className="bl-notes"),
        ],
        className="bl-card bl-numbers",
    )


def register(app: Dash, client: Client) -> None:
    """The form and the lift sheet."""
    dispatch_form.register(app)
    dispatch_lift.register(app, client)
    app.clientside_callback(
        ClientsideFunction("boomledger_ui", "toHash"),
        Output("answer-reached", "children"),
        Input("answer-drawn", "data"),
    )
