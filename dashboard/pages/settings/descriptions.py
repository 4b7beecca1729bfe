"""Descriptions of a crane: what it was like from which day on, one more to enter, one to take out."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.pages.settings.crane_form import NEW, described
from dashboard.parts import form, page
from dashboard.parts.form import Done, Unreadable, Values
from domain.answers import CraneDetail
from domain.channels import CHANNEL_NAMES
from domain.description import BEGINNING, Attachment, DescriptionAsked, DescriptionEntry
from domain.moments import today_in
from domain.registration import CraneTypeRow
from words import numbers
from words.numbers import Units
from words.texts import t

SAME: Final = "same"
NONE: Final = "none"


def section(
    detail: CraneDetail, entries: Sequence[DescriptionEntry], types: Sequence[CraneTypeRow], units: Units
) -> html.Section:
    """The descriptions of a crane, newest first, and the form for one more."""
    name = detail.crane.name
    zone = ZoneInfo(detail.site.time_zone)
    return page.card(
        t("described.title", crane=name),
        page.entries([_line(name, entry, zone, units) for entry in entries]),
        html.H3(t("described.new")),
        _form(detail, entries[0], types, zone),
        note=t("described.note"),
        id="descriptions",
    )


def _line(crane: str, entry: DescriptionEntry, zone: ZoneInfo, units: Units) -> list[Any]:
    first = entry.valid_from == BEGINNING
    since = t("described.beginning") if first else t("described.from", day=numbers.day(entry.valid_from))
    if entry.valid_to is not None:
        since = t("described.until", since=since, day=numbers.day(entry.valid_to))
    words = [
        t(
            "described.type",
            title=entry.type.title or entry.type.name,
            moment=numbers.plain(entry.type.rated_moment_kn_m, 0),
        ),
        *(
            t(
                "described.attachment", name=one.name, mass=numbers.mass(one.mass_kg, units), note=one.note
            ).strip()
            for one in entry.attachments
        ),
        *(
            t("described.sensor", channel=t(f"channel.{one.channel}"), note=one.note).strip()
            for one in entry.sensors_replaced
        ),
        *([entry.note] if entry.note else []),
    ]
    parts: list[Any] = [html.Div([html.Strong(since), html.Br(), "; ".join(words)])]
    if entry.entered_by:
        when = numbers.moment(entry.entered_at, zone)
        said = t("described.entered", who=entry.entered_by, when=when)
        parts[0].children += [html.Br(), html.Span(said, className="bl-cell-note")]
    if not first:
        context = {"crane": crane, "valid_from": entry.valid_from.isoformat()}
        drop, question = t("described.drop"), t("described.drop.sure")
        parts.append(
            form.sure("described-drop", drop, question, key=entry.valid_from.isoformat(), context=context)
        )
    return parts


def _form(
    detail: CraneDetail, newest: DescriptionEntry, types: Sequence[CraneTypeRow], zone: ZoneInfo
) -> html.Div:
    name = "described"
    today = today_in(zone.key).isoformat()
    hung = "\n".join(
        ", ".join(part for part in (one.name, f"{one.mass_kg:g}", one.note) if part)
        for one in newest.attachments
    )
    kinds = [
        (SAME, t("described.same")),
        *((one.name, f"{one.title} ({one.name})") for one in types),
        (NEW, t("described.figures")),
    ]
    sensors = [(NONE, t("described.no_sensor")), *((one, t(f"channel.{one}")) for one in CHANNEL_NAMES)]
    fields = [
        form.text(name, "valid_from", today, note=t("described.from.note", zone=zone.key)),
        form.choose(name, "type", SAME, kinds, note=t("described.type.note"), searchable=True),
        form.text(name, "attachments", hung, lines=2, note=t("described.attachments.note")),
        form.choose(name, "sensor", NONE, sensors, note=t("described.sensor.note")),
        form.text(name, "sensor_note"),
        form.text(name, "note", note=t("described.note.note")),
        html.Details(
            [
                html.Summary(t("described.figures")),
                html.P(t("described.figures.text")),
                form.text(name, "figures", newest.type.model_dump_json(indent=1), lines=6),
            ],
            className="bl-numbers bl-form-wide",
        ),
    ]
    return form.form(name, fields, t("described.save"), context={"crane": detail.crane.name})


def read_description(values: Values) -> DescriptionAsked:
    """The values of the form; what is wrong by field."""
    kind = values.get("type")
    sensor = values.get("sensor")
    given: dict[str, Any] = {
        "valid_from": values.get("valid_from"),
        "type": None if kind == SAME else described(str(values.get("figures") or ""), "figures") if kind == NEW else kind,
        "note": values.get("note"),
    }  # fmt: skip
    asked = form.read(DescriptionAsked, given)
    changes: dict[str, Any] = {"attachments": _attachments(str(values.get("attachments") or ""))}
    if sensor not in (None, NONE):
        replaced = {"channel": sensor, "note": str(values.get("sensor_note") or "")}
        changes["sensors_replaced"] = (replaced,)
    return DescriptionAsked.model_validate({**asked.model_dump(), **changes})


def _attachments(text: str) -> tuple[Attachment, ...]:
    """One attachment a line: name, mass in kg, note."""
    found = []
    for line in filter(None, map(str.strip, text.splitlines())):
        name, mass, note = [*(part.strip() for part in line.split(",", 2)), "", ""][:3]
        try:
            found.append(Attachment(name=name, mass_kg=float(mass), note=note))
        except ValueError as problem:
            raise Unreadable({"attachments": t("described.bad_attachment", line=line)}) from problem
    return tuple(found)


@form.handles("described")
async def _enter(client: Client, values: Values, context: Values) -> Done:
    done = await client.describe(str(context["crane"]), read_description(values))
    return Done(said=t("described.saved", count=done.counted_again.days))


@form.handles("described-drop")
async def _drop(client: Client, _values: Values, context: Values) -> Done:
    done = await client.drop_description(str(context["crane"]), str(context["valid_from"]))
    return Done(said=t("described.dropped", count=done.counted_again.days))
