"""Weld details of a crane: enter, change and forget. Damage follows at once, nothing is counted again."""

import re
from collections.abc import Sequence
from typing import Any, Final

from dash import ClientsideFunction, Dash, Input, Output, html

from dashboard.client import Client
from dashboard.parts import form, page
from dashboard.parts.form import Done, Values
from dashboard.visit import Visit
from domain.detail import Branch, CurveFamily, DetailSpec
from domain.maintenance import DetailAsked, DetailEntry
from words import numbers
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")
BRANCHES: Final = 3  # lines of an own curve that the form offers; one entered with more shows them all
NUMBERS: Final = (
    "mpa_per_pct",
    "offset_mpa",
    "reference_mpa",
    "slope_m",
    "gamma_mf",
    "allowed_sum",
    "mpa_error_pct",
    "sn_scatter_log10",
)


def editor(visit: Visit, crane: str, entries: Sequence[DetailEntry], role: str) -> html.Section:
    """What is entered, and a form for a new one or for the one that the address names."""
    parts: list[Any] = [html.H2(t("details.title")), page.note(t("details.note"))]
    parts.append(page.entries([_line(visit, crane, one, role) for one in entries], t("details.none")))
    if role in MAY_ENTER:
        chosen = next((one for one in entries if one.name == visit.query.get("edit")), None)
        parts.append(_form(crane, chosen))
    else:
        parts.append(page.note(t("details.not_yours")))
    return html.Section(parts, className="bl-card", id="details")


def _line(visit: Visit, crane: str, one: DetailEntry, role: str) -> list[Any]:
    spec = one.spec
    words = t(
        "details.line",
        curve=spec.curve,
        reference=numbers.figure(spec.reference_mpa),
        mpa=numbers.figure(spec.mpa_per_pct),
        offset=numbers.figure(spec.offset_mpa),
        gamma=numbers.plain(spec.gamma_mf, 2),
        where=_where(spec),
    )
    parts: list[Any] = [
        html.Div([html.Strong(one.name), t("details.default") if one.is_default else "", html.Br(), words]),
        page.link(t("details.show"), visit.href(detail=one.name, edit=None)),
    ]
    if role in MAY_ENTER:
        parts += [
            page.link(t("details.change"), visit.href(detail=one.name, edit=one.name)),
            form.sure(
                "detail-drop",
                t("details.drop"),
                t("details.drop.sure"),
                key=one.name,
                context={"crane": crane, "detail": one.name},
            ),
        ]
    return parts


def _where(spec: DetailSpec) -> str:
    if spec.direction == "none":
        return t("details.where.none")
    if spec.direction == "worst":
        return t("details.where.worst")
    return t("details.where.angle", angle=numbers.figure(spec.direction))


def _form(crane: str, chosen: DetailEntry | None) -> html.Div:
    spec = chosen.spec if chosen is not None else None
    name = "detail"
    angle = spec.direction if spec is not None and isinstance(spec.direction, float) else None
    kind = "angle" if angle is not None else str(spec.direction) if spec is not None else "none"
    curve = spec.curve if spec is not None else CurveFamily.EN_1993_1_9
    curves = [
        (one.value, t("details.curve.own") if one is CurveFamily.OWN else one.value) for one in CurveFamily
    ]
    fields = [
        form.text(name, "name", chosen.name if chosen is not None else "", note=t("details.name.note")),
        form.number(name, "mpa_per_pct", spec.mpa_per_pct if spec else None, note=t("details.mpa.note"), step=0.1),
        form.number(name, "offset_mpa", spec.offset_mpa if spec else 0, note=t("details.offset.note"), step=1),
        form.choose(name, "curve", curve.value, curves, note=t("details.curve.note")),
        form.number(name, "reference_mpa", spec.reference_mpa if spec else None, note=t("details.reference.note"), step=1),
        form.number(name, "slope_m", spec.slope_m if spec else 3, note=t("details.slope.note"), step=1),
        form.number(name, "gamma_mf", spec.gamma_mf if spec else 1.25, note=t("details.gamma.note"), step=0.05, decimalScale=2),
        form.number(name, "allowed_sum", spec.allowed_sum if spec else None, note=t("details.allowed.note"), step=0.1, decimalScale=2),
        form.number(name, "mpa_error_pct", spec.mpa_error_pct if spec else None, note=t("details.mpa_error.note"), step=1),
        form.number(name, "sn_scatter_log10", spec.sn_scatter_log10 if spec else None, note=t("details.scatter.note"), step=0.05, decimalScale=2),
        form.choose(
            name, "direction", kind, [(one, t(f"details.direction.{one}")) for one in ("none", "worst", "angle")],
            note=t("details.direction.note"),
        ),
        form.number(name, "direction_deg", angle, note=t("details.angle.note"), step=15),
        form.yes_no(name, "is_default", chosen.is_default if chosen else False, note=t("details.default.note")),
        _own_curve(name, spec),
    ]  # fmt: skip
    return html.Div(
        [
            html.H3(t("details.form.change", name=chosen.name) if chosen else t("details.form.new")),
            form.form(name, fields, t("details.save"), context={"crane": crane}),
        ]
    )


def _own_curve(name: str, spec: DetailSpec | None) -> html.Details:
    """The lines of a curve of the engineer's own and its source, open where the detail has one."""
    given = spec.branches if spec is not None else ()
    fields: list[Any] = [
        form.text(name, "source", spec.source if spec is not None else "", note=t("details.source.note"))
    ]
    for place in range(1, max(BRANCHES, len(given)) + 1):
        branch = given[place - 1] if place <= len(given) else None
        values = {"slope": branch.slope_m, "cycles": branch.to_cycles} if branch is not None else {}
        fields += [
            form.number(
                name,
                f"{field}_{place}",
                values.get(field),
                caption=t(f"form.detail.line_{field}", number=place),
                note=t(f"details.line_{field}.note"),
            )
            for field in ("slope", "cycles")
        ]
    return html.Details(
        [
            html.Summary(t("details.own")),
            html.P(t("details.own.note")),
            html.Div(fields, className="bl-form-fields"),
        ],
        className="bl-numbers bl-form-wide",
        id="own-curve",
        open=bool(given),
    )


@form.handles("detail")
async def _enter(client: Client, values: Values, context: Values) -> Done:
    name = str(values.get("name") or "").strip()
    if not name:
        raise form.Unreadable({"name": t("form.needed")})
    await client.write_detail(context["crane"], name, read_detail(values))
    return Done(said=t("details.saved", name=name))


@form.handles("detail-drop")
async def _drop(client: Client, _values: Values, context: Values) -> Done:
    await client.drop_detail(context["crane"], context["detail"])
    return Done(said=t("details.dropped", name=context["detail"]), go_to=f"/life/{context['crane']}")


def read_detail(values: Values) -> DetailAsked:
    """The detail that the form holds. Unreadable says what is wrong by field of the form."""
    try:
        return form.read(DetailAsked, asked_of(values))
    except form.Unreadable as problem:
        first = next(iter(_branches(values)), 1)
        raise form.Unreadable(
            {
                f"slope_{first}" if field == "branches" else field: words
                for field, words in problem.problems.items()
            }
        ) from problem


def asked_of(values: Values) -> dict[str, Any]:
    """What the form holds, as the api wants it."""
    # a problem is named by the first of these that its words hold, so the names of own curves stand before "curve"
    found: dict[str, Any] = {"branches": list(_branches(values).values()), "source": values.get("source")}
    found |= {name: values.get(name) for name in (*NUMBERS, "curve")}
    kind = values.get("direction")
    if kind == "angle":
        if values.get("direction_deg") in (None, ""):
            raise form.Unreadable({"direction_deg": t("form.needed")})
        found["direction"] = float(values["direction_deg"])
    else:
        found["direction"] = kind
    found["is_default"] = values.get("is_default") == "yes"
    return found


def _branches(values: Values) -> dict[int, Branch]:
    """The lines of an own curve by their number in the form; empty ones are left out."""
    found: dict[int, Branch] = {}
    places = sorted(int(name.removeprefix("slope_")) for name in values if re.fullmatch(r"slope_\d+", name))
    for place in places:
        names = {"slope_m": f"slope_{place}", "to_cycles": f"cycles_{place}"}
        typed = {ours: values.get(field) for ours, field in names.items()}
        if all(value in (None, "") for value in typed.values()):
            continue
        try:
            found[place] = form.read(Branch, typed)
        except form.Unreadable as problem:
            raise form.Unreadable(
                {names[field]: words for field, words in problem.problems.items()}
            ) from problem
    return found


def register(app: Dash) -> None:
    """The lines of an own curve open when it is chosen: what is wrong with them must not hide."""
    app.clientside_callback(
        ClientsideFunction("boomledger_ui", "openOwnCurve"),
        Output("own-curve", "open"),
        Input({"type": "field", "form": "detail|", "name": "curve"}, "value"),
    )
