"""The form of the dispatch page. Sending it writes the job into the address, which then draws the answer."""

from datetime import datetime
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard.pages.dispatch.question import (
    CHOICES,
    GROUND,
    LOAD,
    OBSTACLE,
    PICK,
    PLACE,
    PLANNING,
    WEIGHTS,
    Bad,
    Field,
    factor_of,
    query_of_typed,
    unit_of,
)
from dashboard.parts import page
from dashboard.parts.components import Choice
from dashboard.visit import Visit
from domain.crane import QUARTERS, Sector, Spread
from domain.job import JibRule, Way
from words import numbers
from words.numbers import Units
from words.texts import t

UNKNOWN: Final = "unknown"
"""What a field of words says while nobody has chosen: it is no value of a job."""

_OPEN_BY: Final[dict[str, tuple[str, ...]]] = {
    "obstacle": tuple(one.name for one in OBSTACLE),
    "ground": (*(one.name for one in GROUND), "sectors", "jib"),
    "planning": (*(one.name for one in (*PLANNING, *WEIGHTS)), "tolerated"),
}


def job_form(visit: Visit, zone: ZoneInfo) -> html.Section:
    """Every field of a job; what most jobs do without is folded away unless the address holds it."""
    return html.Section(
        [
            html.H2(t("dispatch.job"), id="job"),
            dcc.Store(id="job-zone", data=str(zone)),
            _fields(visit, *LOAD),
            html.H3(t("dispatch.place")),
            html.Div(
                [*(_number(visit, one) for one in PLACE), _sector(visit, "sector")],
                className="bl-fields bl-fields-two",
            ),
            html.H3(t("dispatch.pick")),
            html.Div(
                [*(_number(visit, one) for one in PICK), _sector(visit, "pick_sector"), _way(visit)],
                className="bl-fields bl-fields-two",
            ),
            html.H3(t("dispatch.stabilisers")),
            html.Div([_spread(visit, side) for side in ("left", "right")], className="bl-fields"),
            page.note(t("dispatch.spread.note")),
            _when(visit, zone),
            _folded(visit, "obstacle", _fields(visit, *OBSTACLE)),
            _folded(visit, "ground", _sectors(visit), _jib(visit), _fields(visit, *GROUND)),
            _folded(visit, "planning", _fields(visit, *PLANNING), _tolerated(visit), _weights(visit)),
            html.Button(t("dispatch.ask"), id="job-ask", type="button", className="bl-button bl-button-wide"),
            html.P(id="job-problem", className="bl-form-problem", role="alert"),
        ],
        className="bl-card bl-job",
    )


def _folded(visit: Visit, name: str, *parts: Any) -> html.Details:
    return html.Details(
        [
            html.Summary(t(f"dispatch.fold.{name}")),
            page.note(t(f"dispatch.fold.{name}.note")),
            *parts,
        ],
        open=any(one in visit.query for one in _OPEN_BY[name]),
        className="bl-fold",
    )


def _fields(visit: Visit, *fields: Field) -> html.Div:
    return html.Div([_number(visit, one) for one in fields], className="bl-fields bl-fields-two")


def _number(visit: Visit, one: Field) -> dmc.NumberInput:
    unit = unit_of(one, visit.units)
    known = visit.number(one.name, float("nan")) if one.name in visit.query else one.default
    in_lb = one.kind in ("mass", "pressure") and visit.units is Units.US
    shown = (
        ""
        if known is None or known != known
        else round(known / factor_of(one, visit.units), 0 if in_lb else 3)
    )
    label = t(f"dispatch.{one.name}")
    return dmc.NumberInput(
        id={"type": "job", "field": one.name},
        label=f"{label} [{unit}]" if unit else label,
        description=t(f"dispatch.{one.name}.note"),
        value=shown,
        step=100 if in_lb else one.step,
        decimalScale=3,
        required=one.needed,
        withAsterisk=one.needed,
        size="md",
        attributes={"input": {"inputMode": "decimal"}},
    )


def _spread(visit: Visit, side: str) -> html.Div:
    options = [(spread.value, t(f"spread.{spread}")) for spread in Spread]
    return _segmented(visit, f"spread_{side}", [(UNKNOWN, t("dispatch.spread.unknown")), *options])


def _jib(visit: Visit) -> html.Div:
    return _segmented(visit, "jib", [(rule.value, t(f"dispatch.jib.{rule}")) for rule in JibRule])


def _segmented(visit: Visit, name: str, options: list[tuple[str, str]]) -> html.Div:
    label = t(f"dispatch.{name}")
    control = Choice(
        id={"type": "job-word", "field": name},
        value=visit.choice(name, tuple(key for key, _ in options)),
        options=options,
        label=label,
        wide=True,
    )
    return html.Div([html.Span(label, className="bl-field-label"), control], className="bl-field")


def _sector(visit: Visit, name: str) -> dmc.Select:
    options = ((one.value, t(f"sector.{one}")) for one in Sector)
    return _select(visit, name, [(UNKNOWN, t("dispatch.sector.unknown")), *options])


def _way(visit: Visit) -> dmc.Select:
    options = ((one.value, t(f"dispatch.way.{one}")) for one in Way)
    return _select(visit, "way", [(UNKNOWN, t("dispatch.way.unknown")), *options])


def _select(visit: Visit, name: str, options: list[tuple[str, str]]) -> dmc.Select:
    return dmc.Select(
        id={"type": "job-choice", "field": name},
        label=t(f"dispatch.{name}"),
        value=visit.query.get(name) or UNKNOWN,
        data=[{"value": key, "label": word} for key, word in options],
        allowDeselect=False,
        size="md",
        className="bl-field",
    )


def _sectors(visit: Visit) -> dmc.CheckboxGroup:
    words = visit.query.get("sectors", CHOICES["sectors"]).split(",")
    chosen = {quarter for one in Sector if one in words for quarter in one.quarters}
    return dmc.CheckboxGroup(
        [dmc.Checkbox(label=t(f"sector.{one}"), value=one.value, size="md") for one in QUARTERS],
        id={"type": "job-choice", "field": "sectors"},
        label=t("dispatch.sectors"),
        value=[one.value for one in QUARTERS if one in chosen],
        size="md",
        className="bl-field bl-checks",
    )


def _tolerated(visit: Visit) -> dmc.TextInput:
    return dmc.TextInput(
        id={"type": "job-choice", "field": "tolerated"},
        label=t("dispatch.tolerated"),
        description=t("dispatch.tolerated.note"),
        value=visit.query.get("tolerated", ""),
        size="md",
        className="bl-field",
    )


def _weights(visit: Visit) -> html.Div:
    return html.Div(
        [
            html.H3(t("dispatch.weights")),
            page.note(t("dispatch.weights.note")),
            _fields(visit, *WEIGHTS),
        ]
    )


def _when(visit: Visit, zone: ZoneInfo) -> html.Fieldset:
    start, end = (_local(visit.query.get(name), zone) for name in ("from", "to"))
    return html.Fieldset(
        [
            html.Legend(t("dispatch.when"), className="bl-field-label"),
            page.note(t("dispatch.when.note", zone=str(zone))),
            html.Div(
                [
                    dmc.DateInput(
                        id={"type": "job-choice", "field": "day"},
                        label=t("dispatch.day"),
                        value=None if start is None else start.date().isoformat(),
                        valueFormat="YYYY-MM-DD",
                        placeholder=t("dispatch.day.form"),
                        clearable=True,
                        clearButtonProps={"aria-label": t("form.clear")},
                        size="md",
                        popoverProps={"withinPortal": False},
                    ),
                    *(
                        dmc.TimeInput(
                            id={"type": "job-choice", "field": name},
                            label=t(f"dispatch.{name}"),
                            value="" if at is None else at.strftime("%H:%M"),
                            size="md",
                        )
                        for name, at in (("from", start), ("to", end))
                    ),
                ],
                className="bl-fields bl-fields-when",
            ),
        ],
        className="bl-when",
    )


def _local(word: str | None, zone: ZoneInfo) -> datetime | None:
    try:
        return datetime.fromisoformat(word).astimezone(zone) if word else None
    except ValueError:
        return None


def register(app: Dash) -> None:
    """The button, or Enter in a field, sends the form.

    A form that has just come sets off whatever listens to its fields; that is heard in the browser, which asks the server only
    when somebody has sent it. `job-sent` stands in the frame, where it does not come anew with the form.
    """
    app.clientside_callback(
        ClientsideFunction("boomledger_ui", "sendJob"),
        Output("job-sent", "data"),
        Input("job-ask", "n_clicks"),
        Input({"type": "job", "field": ALL}, "n_submit"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Output("job-problem", "children"),
        Output({"type": "job", "field": ALL}, "error"),
        Output({"type": "job-choice", "field": ALL}, "error"),
        Input("job-sent", "data"),
        State({"type": "job", "field": ALL}, "value"),
        State({"type": "job-choice", "field": ALL}, "value"),
        State({"type": "job-word", "field": ALL}, "value"),
        State("units", "data"),
        State("job-zone", "data"),
        prevent_initial_call=True,
    )
    async def ask(
        _sent: int | None,
        typed: list[Any],
        chosen: list[Any],
        words: list[Any],
        units: str | None,
        zone: str,
    ) -> tuple[Any, Any, list[Any], list[Any]]:
        numbers_named = [one["id"]["field"] for one in ctx.states_list[0]]
        choices_named = [one["id"]["field"] for one in ctx.states_list[1]]
        words_named = [one["id"]["field"] for one in ctx.states_list[2]]
        search, problems = address_typed(
            dict(zip(numbers_named, typed, strict=True)),
            dict(zip([*choices_named, *words_named], [*chosen, *words], strict=True)),
            Units(units or Units.METRIC),
            ZoneInfo(zone),
        )
        return (
            no_update if search is None else search,
            problem_words(problems),
            [problems.get(name) for name in numbers_named],
            [problems.get(name) for name in choices_named],
        )


def address_typed(
    typed: dict[str, Any], chosen: dict[str, Any], units: Units, zone: ZoneInfo
) -> tuple[str | None, dict[str, str]]:
    """The search part of the address of a job as typed, or what is wrong with it by field."""
    words = {name: "" if value == UNKNOWN else value for name, value in chosen.items()}
    try:
        return f"?{urlencode(query_of_typed(typed, words, units, zone))}", {}
    except Bad as problem:
        return None, problem.problems


def problem_words(problems: dict[str, str]) -> str:
    """One sentence over a form that was not taken, which names the fields."""
    if not problems:
        return ""
    named = [t(f"dispatch.{name}") for name in problems if name]
    rest = [problems[""]] if problems.get("") else []
    return " ".join([*([t("dispatch.problem", fields=numbers.listed(named))] if named else []), *rest])


def problem_details(problems: dict[str, str]) -> str:
    """Every problem of a job in an address: the field and what it allows."""
    return "; ".join(
        t("dispatch.bad.field", field=t(f"dispatch.{name}"), text=text) if name else text
        for name, text in problems.items()
    )
