"""Dispatch: a job in, ranked cranes out, with headroom, reasons and the picture of the lift. Made for a phone too."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, ctx, html, no_update
from pydantic import ValidationError

from dashboard import numbers
from dashboard.numbers import Units
from dashboard.parts import charts, geometry, marks, page, states
from dashboard.parts.components import SideView
from dashboard.parts.marks import State as Attention
from dashboard.texts import t
from dashboard.visit import UTC_ZONE, Trouble, Visit, attempt, together
from domain.answers import DispatchAnswer, DispatchCandidate, DispatchQuestion
from domain.crane import Spread
from domain.job import DEFAULT_HOOK_HEIGHT_M

FIELDS: Final = ("mass_kg", "rigging_kg", "outreach_m", "hook_height_m")
MASSES: Final = ("mass_kg", "rigging_kg")
NEEDED: Final = ("mass_kg", "outreach_m")
DEFAULTS: Final = {"rigging_kg": 0.0, "hook_height_m": DEFAULT_HOOK_HEIGHT_M}
THIN_HEADROOM_PCT: Final = 10.0
SHOWN_AT_FIRST: Final = 5
RULED_OUT_AT_MOST: Final = 40


async def render(visit: Visit) -> Any:
    """The form; with a job in the address also its answer."""
    asked = question_of(visit)
    parts: list[Any] = [page.head(t("dispatch.title"), t("dispatch.context"))]
    if isinstance(asked, DispatchQuestion):
        answer = await attempt(visit.client.dispatch(asked))
        result: Any = (
            charts.missing(t("dispatch.answer"), answer)
            if isinstance(answer, Trouble)
            else await _answer(visit, answer)
        )
    elif asked is None:
        result = states.empty(t("dispatch.empty.title"), t("dispatch.empty.text"))
    else:
        result = states.empty(t("dispatch.bad.title"), asked)
    parts.append(
        html.Div(
            [_form(visit), html.Div(result, id="dispatch-answer", **{"aria-live": "polite"})],
            className="bl-dispatch",
        )
    )
    return html.Div(parts)


def question_of(visit: Visit) -> DispatchQuestion | str | None:
    """The job in the address: None without one, a sentence where it cannot be."""
    if not any(name in visit.query for name in NEEDED):
        return None
    given = {"rigging_kg": "0"} | {
        name: visit.query[name] for name in (*FIELDS, "spread_left", "spread_right") if name in visit.query
    }
    try:
        return DispatchQuestion.model_validate_strings(given)
    except ValidationError as problem:
        return "; ".join(
            t("dispatch.bad.field", field=t(f"dispatch.{error['loc'][0]}"), text=error["msg"])
            for error in problem.errors()
        )


def _form(visit: Visit) -> html.Section:
    fields = [_number_field(visit, name) for name in FIELDS]
    spreads = [_spread_field(visit, side) for side in ("left", "right")]
    return html.Section(
        [
            html.H2(t("dispatch.job")),
            html.Div(fields, className="bl-fields"),
            html.Div(spreads, className="bl-fields"),
            html.P(t("dispatch.spread.note"), className="bl-summary"),
            html.Button(t("dispatch.ask"), id="job-ask", type="button", className="bl-button bl-button-wide"),
            html.P(id="job-problem", className="bl-form-problem", role="alert"),
        ],
        className="bl-card bl-job",
    )


def _number_field(visit: Visit, name: str) -> dmc.NumberInput:
    is_mass = name in MASSES
    factor = (numbers.mass_factor if is_mass else numbers.length_factor)(visit.units)
    unit = (numbers.mass_unit if is_mass else numbers.length_unit)(visit.units)
    default = DEFAULTS.get(name)
    known = visit.number(name, float("nan")) if name in visit.query else default
    us_mass = is_mass and visit.units is Units.US
    return dmc.NumberInput(
        id={"type": "job", "field": name},
        label=f"{t(f'dispatch.{name}')} [{unit}]",
        description=t(f"dispatch.{name}.note"),
        value="" if known is None or known != known else round(known / factor, 0 if us_mass else 3),
        min=None if name == "hook_height_m" else 0,
        step=100 if us_mass else 0.1 if is_mass else 0.5,
        decimalScale=3,
        required=name in NEEDED,
        withAsterisk=name in NEEDED,
        size="md",
        hideControls=False,
        attributes={"input": {"inputMode": "decimal"}},
    )


def _spread_field(visit: Visit, side: str) -> html.Div:
    name = f"spread_{side}"
    label = t(f"dispatch.{name}")
    control = dmc.SegmentedControl(
        id={"type": "job", "field": name},
        value=visit.choice(name, tuple(spread.value for spread in Spread)),
        data=[{"value": spread.value, "label": t(f"spread.{spread}")} for spread in Spread],
        fullWidth=True,
        size="md",
        **{"aria-label": label},
    )
    return html.Div([html.Span(label, className="bl-field-label"), control])


async def _answer(visit: Visit, answer: DispatchAnswer) -> html.Div:
    fit = [candidate for candidate in answer.candidates if candidate.fit]
    out = [candidate for candidate in answer.candidates if not candidate.fit]
    parts: list[Any] = []
    if fit:
        wanted = visit.query.get("show", "")
        shown = next((one for one in fit if one.crane == wanted), fit[0])
        cheapest = min((one.life_cost_share for one in fit if one.life_cost_share), default=None)
        cards = [
            html.Li(_card(visit, answer.question, one, rank, one is shown, cheapest))
            for rank, one in enumerate(fit, start=1)
        ]
        parts.append(
            html.Section(
                [
                    html.H2(t("dispatch.fit", count=len(fit))),
                    html.P(_job_words(answer.question, visit), className="bl-summary"),
                    html.Ol(cards[:SHOWN_AT_FIRST], className="bl-candidates"),
                    _more(cards[SHOWN_AT_FIRST:]),
                ],
                className="bl-card",
            )
        )
        parts.append(await _picture(visit, answer.question, shown))
    else:
        parts.append(states.empty(t("dispatch.none.title"), t("dispatch.none.text")))
    parts.append(marks.cautions(answer.cautions, strong=True))
    if answer.assumptions:
        parts.append(
            html.Details(
                [
                    html.Summary(t("dispatch.assumptions")),
                    html.Ul([html.Li(line) for line in answer.assumptions], className="bl-notes"),
                ],
                className="bl-card bl-numbers",
            )
        )
    if out:
        parts.append(_ruled_out(out))
    return html.Div(parts)


def _more(cards: list[Any]) -> Any:
    if not cards:
        return None
    return html.Details(
        [
            html.Summary(t("dispatch.more", count=len(cards))),
            html.Ol(cards, className="bl-candidates", start=str(SHOWN_AT_FIRST + 1)),
        ],
        className="bl-numbers",
    )


def _job_words(question: DispatchQuestion, visit: Visit) -> str:
    return t(
        "dispatch.job_words",
        mass=numbers.mass(question.mass_kg + question.rigging_kg, visit.units),
        outreach=numbers.length(question.outreach_m, visit.units),
        height=numbers.length(question.hook_height_m, visit.units),
        left=t(f"spread.{question.spread_left}"),
        right=t(f"spread.{question.spread_right}"),
    )


def _card(
    visit: Visit,
    question: DispatchQuestion,
    one: DispatchCandidate,
    rank: int,
    shown: bool,
    cheapest: float | None,
) -> html.Div:
    limit = question.planning_limit_pct
    thin = one.headroom_pct is not None and one.headroom_pct < THIN_HEADROOM_PCT
    state = Attention.WATCH if thin or not one.usable else Attention.OK
    notes = [html.Li(note) for note in _remarks(one, visit)]
    return html.Div(
        [
            html.Div(str(rank), className="bl-rank", **{"aria-hidden": "true"}),
            html.Div(
                [
                    html.Div(
                        [
                            page.crane_link(one.crane),
                            html.Span(f"{one.title or one.type} · {one.site}", className="bl-cell-note"),
                        ],
                        className="bl-candidate-name",
                    ),
                    marks.bar(
                        one.capacity_used_pct,
                        full=100.0,
                        band=(limit, 100.0),
                        state=state,
                        name=t("dispatch.headroom"),
                        text=t(
                            "dispatch.headroom.text",
                            headroom=numbers.mass(one.headroom_kg, visit.units),
                            used=numbers.percent(one.capacity_used_pct),
                            capacity=numbers.mass(one.capacity_kg, visit.units),
                            limit=numbers.percent(limit),
                        ),
                    ),
                    html.P(_life_words(one, cheapest), className="bl-summary"),
                    html.Ul(notes, className="bl-notes") if notes else None,
                ],
                className="bl-candidate-body",
            ),
            dmc.Anchor(
                t("dispatch.show"),
                href=visit.href(show=one.crane),
                className="bl-button bl-button-quiet",
                underline="never",
                **({"aria-current": "true"} if shown else {}),
                **{"aria-label": t("dispatch.show.label", crane=one.crane)},
            ),
        ],
        className="bl-candidate bl-candidate-shown" if shown else "bl-candidate",
    )


def _remarks(one: DispatchCandidate, visit: Visit) -> list[str]:
    """What to know about a crane that fits: its configuration, what holds it, and the notes of the api."""
    where = t(f"sector.{one.sector}") if one.sector else t("dispatch.any_sector")
    spreads = (
        t(
            "dispatch.configuration",
            left=t(f"spread.{one.spread_left}"),
            right=t(f"spread.{one.spread_right}"),
            where=where,
        )
        if one.spread_left and one.spread_right
        else ""
    )
    held = t("dispatch.held", until=numbers.moment(one.held_until, UTC_ZONE)) if one.held_until else ""
    return [line for line in (spreads, held, *one.notes) if line]


def _life_words(one: DispatchCandidate, cheapest: float | None) -> str:
    if not one.life_cost_share:
        return t("dispatch.life.unknown")
    words = t("dispatch.life.cost", count=numbers.plain(_three_digits(1 / one.life_cost_share)))
    if cheapest and one.life_cost_share > cheapest * 1.05:
        words += t("dispatch.life.more", times=numbers.plain(one.life_cost_share / cheapest, 1))
    if one.used_share is not None:
        words += t("dispatch.life.used", share=numbers.share(one.used_share))
    return words


def _three_digits(value: float) -> float:
    """An estimate is not shown with more digits than it deserves."""
    return float(f"{value:.3g}")


async def _picture(visit: Visit, question: DispatchQuestion, one: DispatchCandidate) -> html.Section:
    title = t("dispatch.picture", crane=one.crane)
    detail, on_file = await together(visit.client.crane(one.crane), visit.client.charts(one.crane))
    if isinstance(detail, Trouble):
        return charts.missing(title, detail)
    curve = (
        []
        if isinstance(on_file, Trouble)
        else geometry.capacity_curve(
            on_file.charts,
            one.spread_left or question.spread_left,
            one.spread_right or question.spread_right,
            hook_height_m=question.hook_height_m,
            sector=one.sector,
        )
    )
    picture = SideView(
        id="job-view",
        geometry=geometry.geometry_of(detail.crane.type),
        pose=geometry.pose_reaching(detail.crane.type, question.outreach_m, question.hook_height_m),
        reach=geometry.reach_outline(detail.crane.type),
        chart=curve,
        lifts=[[question.outreach_m, question.mass_kg + question.rigging_kg, 0]],
        target={"outreach_m": question.outreach_m, "hook_height_m": question.hook_height_m},
        tallest=360,
        state="ok",
        units=visit.units.value,
        label=t(
            "dispatch.picture.label",
            crane=one.crane,
            capacity=numbers.mass(one.capacity_kg, visit.units),
            outreach=numbers.length(question.outreach_m, visit.units),
        ),
        words={"rated": t("drawing.rated"), "at": t("drawing.at"), "outreach": t("drawing.outreach")},
    )
    return html.Section(
        [html.H2(title), html.P(t("dispatch.picture.note"), className="bl-summary"), picture],
        className="bl-card",
    )


def _ruled_out(out: list[DispatchCandidate]) -> html.Section:
    rows = [
        html.Li(
            [
                page.crane_link(one.crane),
                html.Span(one.title or one.type, className="bl-cell-note"),
                html.Ul([html.Li(reason) for reason in one.reasons], className="bl-notes"),
            ]
        )
        for one in out[:RULED_OUT_AT_MOST]
    ]
    return html.Section(
        [html.H2(t("dispatch.out", count=len(out))), html.Ul(rows, className="bl-ruled-out")],
        className="bl-card",
    )


def register(app: Dash) -> None:
    """The form writes the job into the address, which then draws the answer."""

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Output("job-problem", "children"),
        Output({"type": "job", "field": "mass_kg"}, "error"),
        Output({"type": "job", "field": "outreach_m"}, "error"),
        Input("job-ask", "n_clicks"),
        *(Input({"type": "job", "field": name}, "n_submit") for name in FIELDS),
        *(State({"type": "job", "field": name}, "value") for name in FIELDS),
        State({"type": "job", "field": "spread_left"}, "value"),
        State({"type": "job", "field": "spread_right"}, "value"),
        State("units", "data"),
        prevent_initial_call=True,
    )
    async def ask(*values: Any) -> tuple[Any, str, Any, Any]:
        if not ctx.triggered or not any(values[: 1 + len(FIELDS)]):
            return no_update, "", None, None
        return address_of(values[1 + len(FIELDS) :])


def address_of(values: tuple[Any, ...]) -> tuple[Any, str, Any, Any]:
    """The address of a job as typed, or what is wrong with it, field by field.

    values: the four numbers in the person's units, both spreads, the units.
    """
    *typed, left, right, chosen = values
    units = Units(chosen or Units.METRIC)
    query: dict[str, str] = {}
    for name, value in zip(FIELDS, typed, strict=True):
        if isinstance(value, int | float):
            factor = (numbers.mass_factor if name in MASSES else numbers.length_factor)(units)
            query[name] = f"{value * factor:.6g}"
    problems = {name: t("dispatch.needed") for name in NEEDED if float(query.get(name, 0)) <= 0}
    if problems:
        return no_update, t("dispatch.problem"), problems.get("mass_kg"), problems.get("outreach_m")
    query |= {"spread_left": left or Spread.FULL, "spread_right": right or Spread.FULL}
    return "?" + "&".join(f"{name}={value}" for name, value in query.items()), "", None, None
