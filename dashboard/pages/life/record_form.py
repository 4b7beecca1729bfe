"""Forms for the records of a crane's life: enter one of each kind, correct, withdraw, attach a file."""

from collections.abc import Callable, Sequence
from typing import Any, Final

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update, set_props
from dash.exceptions import PreventUpdate

from dashboard.client import Client
from dashboard.parts import form, page
from dashboard.parts.form import Done, Values, content_of
from domain.channels import CHANNEL_NAMES
from domain.errors import BoomledgerError
from domain.life_record import (
    ALLOWED,
    DEFECTS,
    FIELDS,
    FILE_BYTES_MAX,
    LifeRecordAnswer,
    LifeRecordAsked,
    LifeRecordCorrected,
    LifeRecordRow,
    LifeRecordVersionRow,
    RecordKind,
)
from domain.units import BYTES_PER_MB
from words import numbers, remarks
from words.texts import t

NAME: Final = "record"
WITHDRAW: Final = "record_withdraw"
Rows = Sequence[LifeRecordRow]


class Offers:
    """What the fields of a form offer to choose from."""

    def __init__(self, rows: Rows, details: Sequence[str], intervals: Sequence[str]) -> None:
        force = [row for row in rows if not row.withdrawn]
        self.details, self.intervals = details, tuple(dict.fromkeys(intervals))
        self.inspections = [row for row in force if row.kind is RecordKind.INSPECTION]
        self.defects = [row for row in force if row.kind in DEFECTS]


def what(row: LifeRecordVersionRow) -> str:
    """What a record is about beyond its kind and note."""
    parts = []
    if row.detail:
        parts.append(row.detail)
    if row.length_mm is not None:
        parts.append(t("records.length", length=numbers.figure(row.length_mm)))
    if row.channel:
        parts.append(t(f"channel.{row.channel}"))
    if row.found_error_pct is not None:
        parts.append(t("records.found_error", error=_signed(row.found_error_pct)))
    if row.left_error_pct is not None:
        parts.append(t("records.left_error", error=numbers.figure(row.left_error_pct)))
    if row.found_in is not None:
        parts.append(t("records.found_in", number=row.found_in))
    if row.service_interval:
        parts.append(row.service_interval)
    return ", ".join(parts)


def _signed(value: float) -> str:
    return f"{value:+g}".replace("-", "\u2212")


def enter(name: str, offers: Offers) -> html.Section:
    """A form for each kind of record."""
    folds = [
        html.Details(
            [
                html.Summary(t(f"record.enter.{kind}")),
                page.note(t(f"record.effect.{kind}")),
                form.form(
                    NAME, fields(kind, offers, kind.value), t("records.save"), key=kind.value,
                    context={"crane": name, "kind": kind.value}, label=t(f"record.enter.{kind}"),
                ),
            ],
            className="bl-fold",
        )
        for kind in RecordKind
    ]  # fmt: skip
    return page.card(t("records.enter"), *folds, note=t("records.enter.note"))


def correct(name: str, row: LifeRecordAnswer, offers: Offers) -> list[Any]:
    """The forms that correct and withdraw a record."""
    key = str(row.record_id)
    context = {"crane": name, "record_id": row.record_id, "kind": row.kind}
    why = form.text(NAME, "reason", key=key, note=t("records.reason.note"))
    return [
        html.H3(t("records.correct")),
        form.form(
            NAME,
            [*fields(row.kind, offers, key, row), why],
            t("records.correct.save"),
            key=key,
            context=context,
        ),
        html.Details(
            [
                html.Summary(t("records.withdraw")),
                html.P(t("records.withdraw.sure")),
                form.form(
                    WITHDRAW,
                    [form.text(WITHDRAW, "reason", key=key)],
                    t("records.withdraw"),
                    key=key,
                    context=context,
                ),
            ],
            className="bl-sure",
        ),
    ]


def fields(kind: RecordKind, offers: Offers, key: str, row: LifeRecordRow | None = None) -> list[Any]:
    """The fields of a kind, as a record says them or empty."""

    def said(field: str) -> Any:
        return None if row is None else getattr(row, field)

    def text(field: str, note: str | None = None, **more: Any) -> Any:
        return form.text(NAME, field, said(field), key=key, note=note, **more)

    def number(field: str, note: str | None = None, **more: Any) -> Any:
        return form.number(NAME, field, said(field), key=key, note=note, **more)

    def choose(field: str, options: Sequence[tuple[str, str]], note: str | None = None) -> Any:
        value = "" if said(field) is None else str(said(field))
        return form.choose(NAME, field, value, [("", t("records.nothing")), *options], key=key, note=note)

    names = numbers.listed(list(offers.details))
    of: dict[str, Callable[[], Any]] = {
        "detail": lambda: text("detail", t("records.detail.note", names=names or t("records.no_details"))),
        "length_mm": lambda: number("length_mm", min=0),
        "channel": lambda: choose("channel", [(one, t(f"channel.{one}")) for one in CHANNEL_NAMES]),
        "found_error_pct": lambda: number("found_error_pct", t("records.found_error.note"), step=0.1),
        "left_error_pct": lambda: number("left_error_pct", t("records.left_error.note"), min=0, step=0.1),
        "found_in": lambda: choose("found_in", [(str(one.record_id), _short(one)) for one in offers.inspections]),
        "closes": lambda: _closes(key, offers, () if row is None else row.closes),
        "service_interval": lambda: choose(
            "service_interval", [(one, one) for one in offers.intervals], t("records.interval.note")
        ),
    }  # fmt: skip
    wanted = [make for field, make in of.items() if kind in FIELDS[field]]
    if not offers.defects:
        wanted = [make for make in wanted if make is not of["closes"]]
    day = None if row is None else row.happened_on.isoformat()
    return [
        form.text(NAME, "happened_on", day, key=key, note=t("records.day.note")),
        text("person", t("records.person.note")),
        *(make() for make in wanted),
        text("note", t("records.note.note") if kind is RecordKind.FINDING else None, lines=2),
    ]


def _closes(key: str, offers: Offers, chosen: Sequence[int]) -> dmc.CheckboxGroup:
    return dmc.CheckboxGroup(
        [dmc.Checkbox(label=_short(one), value=str(one.record_id)) for one in offers.defects],
        id={"type": "field", "form": f"{NAME}|{key}", "name": "closes"},
        label=t("form.record.closes"),
        value=[str(one) for one in chosen],
        size="sm",
        className="bl-checks",
    )


def _short(row: LifeRecordRow) -> str:
    return t(
        "records.short",
        number=row.record_id,
        kind=t(f"record.kind.{row.kind}"),
        day=numbers.day(row.happened_on),
        what=what(row) or row.note[:60],
    )


def attach(name: str, rows: Rows, chosen: str | None) -> html.Section | None:
    """A file for one of the records, at first the chosen one."""
    force = [row for row in rows if not row.withdrawn]
    if not force:
        return None
    of = next((row for row in force if str(row.record_id) == chosen), force[0])
    most = FILE_BYTES_MAX // BYTES_PER_MB
    return page.card(
        t("records.attach.title"),
        dcc.Store(id="record-file-crane", data=name),
        dmc.Select(
            id="record-file-record",
            label=t("records.attach.record"),
            value=str(of.record_id),
            data=[{"value": str(row.record_id), "label": _short(row)} for row in force],
            allowDeselect=False,
            checkIconPosition="right",
            size="sm",
        ),
        form.named_upload(
            "record-file",
            ".pdf,.png,.jpg,.jpeg,.txt,.csv",
            FILE_BYTES_MAX,
            name="record-file-name",
            problem="record-file-problem",
            too_large=t("records.attach.too_large", name="{name}", size="{size}", most=most),
        ),
        html.Button(
            t("records.attach"), id="record-file-send", type="button", className="bl-button bl-button-tall"
        ),
        html.P(id="record-file-problem", className="bl-form-problem", role="alert"),
        note=t("records.attach.note", allowed=ALLOWED, most=most),
        id="record-files",
    )


@form.handles(NAME)
async def _save(client: Client, values: Values, context: Values) -> Done:
    crane, given = str(context["crane"]), {**values, "kind": context["kind"]}
    if "record_id" not in context:
        made = await client.add_life_record(crane, form.read(LifeRecordAsked, given))
        return Done(
            said=t("records.saved", effect=remarks.listed(made.effect_remarks)),
            go_to=f"/life/{crane}/records?record={made.record_id}",
        )
    asked = form.read(LifeRecordCorrected, given)
    made = await client.correct_life_record(crane, int(context["record_id"]), asked)
    return Done(said=t("records.corrected", effect=remarks.listed(made.effect_remarks)))


@form.handles(WITHDRAW)
async def _withdraw(client: Client, values: Values, context: Values) -> Done:
    reason = str(values.get("reason") or "").strip()
    await client.withdraw_life_record(str(context["crane"]), int(context["record_id"]), reason)
    return Done(said=t("records.gone"))


def register(app: Dash, client: Client) -> None:
    """A chosen file is named; the button attaches it."""

    @app.callback(
        Output("record-file-name", "children"),
        Output("record-file-problem", "children", allow_duplicate=True),
        Input("record-file", "filename"),
        Input("record-file", "last_modified"),
        prevent_initial_call=True,
    )
    async def chosen(name: str | None, _modified: float | None) -> tuple[Any, Any]:
        return name or t("import.no_file"), "" if name else no_update

    @app.callback(
        Output("record-file-problem", "children"),
        Input("record-file-send", "n_clicks"),
        State("record-file-crane", "data"),
        State("record-file-record", "value"),
        State("record-file", "contents"),
        State("record-file", "filename"),
        prevent_initial_call=True,
    )
    async def send(
        clicks: int | None, crane: str, record: str, contents: str | None, name: str | None
    ) -> str:
        if not clicks or ctx.triggered_id is None:
            raise PreventUpdate
        try:
            done = await client.attach_life_record_file(crane, int(record), name or "", content_of(contents))
        except BoomledgerError as problem:
            return str(problem)
        set_props("notice", {"children": t("records.attached", name=name, number=done.record_id)})
        set_props("redraw", {"data": done.files[-1].attached_at.isoformat()})
        return ""
