"""The form of a crane: registers one, completes a draft, or changes what is entered. A file may fill it."""

import base64
import binascii
import json
from collections.abc import Sequence
from datetime import date, datetime, time
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import Dash, Input, Output, html, no_update
from dash.exceptions import PreventUpdate
from pydantic import ValidationError

from dashboard.client import Client
from dashboard.parts import form, page
from dashboard.parts.form import Done, Unreadable, Values
from domain.answers import CraneDetail
from domain.attention import REVIEW_SHARE
from domain.crane import Edition, RecorderRuns, Site
from domain.errors import InvalidInput
from domain.registration import CraneRegistration, CraneTypeRow, field_path
from words.texts import t

NEW: Final = "+"  # no name of a site or type
EXAMPLE_FILE: Final = "/assets/crane-example.json"
PLACEHOLDER: Final = "unassigned"  # site and type of a crane that was seen on the wire
DESIGN: Final = ("edition", "u_class", "q_class", "s_class")
PRIOR: Final = ("lifts", "kq", "f1", "years", "source")
PLAIN: Final = (
    "name", "title", "manufactured_on", "commissioned_on", "design_years", "recorder_runs", "special_assessment_after_years", "review_at_share",
    "assessed_on", "assess_by", "assess_because", "assess_since", "pressure_bias_pct", "lift_rule_pct",
    "wind_limit_m_s", "slope_limit_deg",
)  # fmt: skip


def crane_form(
    sites: Sequence[Site], types: Sequence[CraneTypeRow], detail: CraneDetail | None, tag: str
) -> html.Section:
    """The form of the crane that is given with the tag of what was read, else of a new one."""
    crane = detail.crane if detail is not None else None
    title = t("cranes.new")
    if crane is not None:
        title = t("cranes.complete.title" if crane.draft else "cranes.change.title", crane=crane.name)
    context = {
        "crane": crane.name if crane else None,
        "tag": tag,
        "registered_at": crane.registered_at.isoformat() if crane else None,
    }
    known_sites = [one for one in sites if one.name != PLACEHOLDER]
    known_types = [one for one in types if one.name != PLACEHOLDER]
    site = crane.site if crane is not None and crane.site != PLACEHOLDER else None
    kind = crane.type.name if crane is not None and crane.type.name != PLACEHOLDER else None
    site = site or (known_sites[0].name if known_sites else NEW)
    kind = kind or (known_types[0].name if known_types else NEW)
    name = "crane"
    fields: list[Any] = [
        form.text(name, "name", crane.name if crane else "", note=t("cranes.name.note"), disabled=crane is not None),
        form.text(name, "title", crane.title if crane else "", note=t("cranes.title.note")),
        form.choose(name, "site", site, [*((one.name, _called(one)) for one in known_sites), (NEW, t("cranes.site.new"))], note=t("cranes.site.note"), searchable=True),
        form.choose(name, "type", kind, [*((one.name, f"{one.title} ({one.name})") for one in known_types), (NEW, t("cranes.type.new"))], note=t("cranes.type.note" if crane is None else "cranes.type.change.note"), searchable=True),
        form.text(name, "commissioned_on", crane.commissioned_on.isoformat() if crane and not crane.draft else "", note=t("cranes.commissioned.note")),
        form.text(name, "manufactured_on", crane.manufactured_on.isoformat() if crane and crane.manufactured_on else "", note=t("cranes.manufactured.note")),
        form.text(name, "registered_on", _day_of(detail), note=t("cranes.registered.note")),
        form.number(name, "design_years", crane.design_years if crane else None, note=t("cranes.design_years.note"), min=0),
        form.number(name, "special_assessment_after_years", crane.special_assessment_after_years if crane else 10, note=t("cranes.assessment.note"), min=0),
        form.number(name, "review_at_share", crane.review_at_share if crane else REVIEW_SHARE, note=t("cranes.review.note"), min=0, max=1, step=0.05),
        form.choose(name, "recorder_runs", crane.recorder_runs if crane else RecorderRuns.UNKNOWN, [(one.value, t(f"recorder.{one.value}")) for one in RecorderRuns], note=t("cranes.recorder.note")),
        form.number(name, "wind_limit_m_s", crane.wind_limit_m_s if crane else None, note=t("cranes.wind.note"), min=0, max=60),
        form.number(name, "slope_limit_deg", crane.slope_limit_deg if crane else None, note=t("cranes.slope.note"), min=0, max=45),
        form.text(name, "assessed_on", _iso(crane.assessed_on) if crane else "", note=t("cranes.assessed.note")),
        form.text(name, "assess_by", _iso(crane.assess_by) if crane else "", note=t("cranes.assess_by.note")),
        form.text(name, "assess_because", crane.assess_because if crane else "", note=t("cranes.assess_because.note")),
        form.text(name, "assess_since", _iso(crane.assess_since) if crane else "", note=t("cranes.assess_since.note")),
        form.number(name, "pressure_bias_pct", crane.pressure_bias_pct if crane else None, note=t("cranes.pressure_bias.note"), min=0),
        form.number(name, "lift_rule_pct", crane.lift_rule_pct if crane else None, note=t("cranes.lift_rule.note"), min=0),
        _more("new_site", [
            form.text(name, "new_site", note=t("cranes.new_site.note")),
            form.text(name, "site_title"),
            form.text(name, "time_zone", known_sites[0].time_zone if known_sites else "", note=t("cranes.zone.note")),
        ], opened=not known_sites),
        _more("new_type", [
            form.text(name, "description", lines=6, note=t("cranes.description.note")),
        ], opened=not known_types, above=_upload()),
        _more("design", _design(name, detail), opened=True),
        _more("prior", _prior(name, detail), opened=crane is not None and crane.prior_duty is not None),
    ]  # fmt: skip
    return page.card(
        title,
        form.form(
            name, fields, t("cranes.save") if crane is None else t("cranes.save.change"), context=context
        ),
        note=t("cranes.note"),
        id="crane-form",
    )


def _iso(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _called(site: Site) -> str:
    title = f"{site.title} ({site.name})" if site.title and site.title != site.name else site.name
    return f"{title}, {site.time_zone}"


def _day_of(detail: CraneDetail | None) -> str:
    if detail is None:
        return ""
    return detail.crane.registered_at.astimezone(ZoneInfo(detail.site.time_zone)).date().isoformat()


def _more(name: str, fields: list[Any], *, opened: bool, above: Any = None) -> html.Details:
    return html.Details(
        [
            html.Summary(t(f"cranes.{name}")),
            html.P(t(f"cranes.{name}.text")),
            above,
            html.Div(fields, className="bl-form-fields"),
        ],
        className="bl-numbers bl-form-wide bl-chart-form" if above else "bl-numbers bl-form-wide",
        id=f"crane-{name}",
        open=opened,
    )


def _upload() -> html.Div:
    return html.Div(
        [
            form.upload("crane-upload", t("cranes.upload"), ".json,application/json", 1_000_000),
            html.A(t("cranes.example"), href=EXAMPLE_FILE, download="crane.json", className="bl-link"),
        ],
        className="bl-inline",
    )


def _design(name: str, detail: CraneDetail | None) -> list[Any]:
    design = detail.crane.design if detail is not None else None
    editions = [("none", t("cranes.design.none")), *((one.value, one.value) for one in Edition)]
    return [
        form.choose(name, "edition", design.edition.value if design else "none", editions),
        form.text(name, "u_class", design.u_class if design else "", note=t("cranes.u.note")),
        form.text(name, "q_class", design.q_class if design else "", note=t("cranes.q.note")),
        form.text(name, "s_class", design.s_class if design else "", note=t("cranes.s.note")),
    ]


def _prior(name: str, detail: CraneDetail | None) -> list[Any]:
    prior = detail.crane.prior_duty if detail is not None else None
    return [
        form.number(name, "prior_lifts", prior.lifts if prior else None, min=0),
        form.number(name, "prior_kq", prior.kq if prior else None, note=t("cranes.kq.note"), min=0, max=1, step=0.01),
        form.number(name, "prior_f1", prior.f1 if prior else None, note=t("cranes.f1.note"), min=1, max=1.5, step=0.05),
        form.number(name, "prior_years", prior.years if prior else None, min=0),
        form.text(name, "prior_source", prior.source if prior else "", note=t("cranes.prior_source.note")),
    ]  # fmt: skip


@form.handles("crane")
async def _enter(client: Client, values: Values, context: Values) -> Done:
    zones = {one.name: one.time_zone for one in (await client.sites()).items}
    wanted = read_registration(values, context, zones)
    name = context.get("crane")
    try:
        if name is None:
            kept = await client.register_crane(wanted)
            said = t("cranes.saved", name=kept.crane.name)
        else:
            changed = await client.change_crane(name, wanted, tag=context.get("tag"))
            kept, again = changed, changed.counted_again.days
            said = t("cranes.changed", name=kept.crane.name)
            if again:
                said = f"{said} {t('cranes.again', count=again)}"
    except InvalidInput as problem:
        raise Unreadable({_field_of((problem.field or "").split(".")): str(problem)}) from problem
    step = "&connect=now" if name is None else ""
    return Done(said=said, go_to=f"/settings?tab=cranes&crane={kept.crane.name}{step}")


def read_registration(values: Values, context: Values, zones: dict[str, str]) -> CraneRegistration:
    """The values of the form as a registration; what is wrong by field. zones: time zone by site on file."""
    new_site = values.get("site") == NEW
    site_name = str(values.get("new_site") or "").strip() if new_site else values.get("site")
    crane: dict[str, Any] = {field: values[field] for field in PLAIN if values.get(field) not in (None, "")}
    crane |= {
        "site": site_name,
        "type": values.get("type"),
        "name": context.get("crane") or crane.get("name"),
    }
    if values.get("type") == NEW:
        crane["type"] = described(str(values.get("description") or ""))
    if values.get("edition") != "none":
        crane["design"] = {field: values.get(field) for field in DESIGN if values.get(field)}
    prior = {
        field: values[f"prior_{field}"] for field in PRIOR if values.get(f"prior_{field}") not in (None, "")
    }
    if prior:
        crane["prior_duty"] = prior
    zone = str(values.get("time_zone") or "") if new_site else zones.get(str(site_name), "UTC")
    crane["registered_at"] = _registered_at(values, context, zone)
    asked: dict[str, Any] = {"crane": {key: value for key, value in crane.items() if value is not None}}
    if new_site:
        asked["site"] = {"name": site_name, "title": values.get("site_title") or "", "time_zone": zone}
    try:
        return CraneRegistration.model_validate(asked)
    except ValidationError as problem:
        found: dict[str, str] = {}
        for error in problem.errors():
            where = tuple(str(part) for part in error["loc"])
            words = t("form.needed") if error["type"] == "missing" else str(error["msg"])
            inside = field_path(where[2:]) if "type" in where[:2] else ""
            words = f"{inside}: {words}" if inside else words.removeprefix("Value error, ")
            found.setdefault(_field_of(where), words)
        raise Unreadable(found) from problem


def _registered_at(values: Values, context: Values, zone: str) -> datetime | None:
    """Midnight of the day that is entered; the instant on file where the day is still the same."""
    given = str(values.get("registered_on") or "").strip()
    if not given:
        return None
    try:
        day = date.fromisoformat(given)
        place = ZoneInfo(zone)
    except ValueError as problem:
        raise Unreadable({"registered_on": t("service.day.bad")}) from problem
    except (KeyError, OSError):
        return None  # the zone is told as wrong by its own field
    if context.get("registered_at"):
        on_file = datetime.fromisoformat(str(context["registered_at"]))
        if on_file.astimezone(place).date() == day:
            return on_file
    return datetime.combine(day, time(), tzinfo=place)


def described(text: str, field: str = "description") -> Any:
    """The type in a JSON text: on its own, or in the file of a whole crane."""
    try:
        content = json.loads(text)
    except ValueError as problem:
        said = t("cranes.no_json", problem=problem) if text.strip() else t("form.needed")
        raise Unreadable({field: said}) from problem
    if isinstance(content, dict) and isinstance(content.get("crane"), dict):
        content = content["crane"].get("type")
    if not isinstance(content, dict):
        raise Unreadable({field: t("cranes.no_type")})
    return content


def _field_of(place: Sequence[str]) -> str:
    """The field of the form for a place in a registration; empty where it has none."""
    if place[:1] == ("site",) or place[:1] == ["site"]:
        return {"name": "new_site", "title": "site_title"}.get(place[-1], "time_zone")
    field, *inside = [part for part in place if part != "crane"] or [""]
    if field == "prior_duty":
        return f"prior_{inside[0]}" if inside else "prior_lifts"
    if field == "design":
        return inside[0] if inside else "edition"
    if field == "type":
        return "description" if inside else "type"
    return {"registered_at": "registered_on"}.get(field, field)


def register(app: Dash) -> None:
    """A chosen file fills the form, where it can be read and mended before it is sent."""
    taken = ("description", "type", "name", "title", "commissioned_on")

    @app.callback(
        *(
            Output({"type": "field", "form": "crane|", "name": name}, "value", allow_duplicate=True)
            for name in taken
        ),
        Output("crane-new_type", "open"),
        Input("crane-upload", "contents"),
        prevent_initial_call=True,
    )
    async def take_file(contents: str | None) -> list[Any]:
        try:
            text = base64.b64decode((contents or "").split(",", 1)[1]).decode("utf-8-sig")
        except (IndexError, binascii.Error, UnicodeDecodeError) as problem:
            raise PreventUpdate from problem
        return filled(text)


def filled(text: str) -> list[Any]:
    """What a file puts into the form: itself, and of a whole crane its name, title and first day of service."""
    try:
        content = json.loads(text)
    except ValueError:
        content = None
    crane = content.get("crane") if isinstance(content, dict) else None
    crane = crane if isinstance(crane, dict) else {}
    return [
        text,
        NEW,
        *(crane.get(field) or no_update for field in ("name", "title", "commissioned_on")),
        True,
    ]
