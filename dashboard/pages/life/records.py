"""Records of a crane's life: what was inspected, found, repaired, calibrated, changed, with files and the effect on the figures."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.pages.life.record_form import Offers, attach, correct, enter, what
from dashboard.parts import charts, marks, page
from dashboard.visit import Trouble, Visit, together
from domain.attention import State as Attention
from domain.life_record import Effect, LifeRecordAnswer, LifeRecordFileRow, LifeRecordRow
from domain.units import BYTES_PER_MB
from words import numbers, remarks
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")
CALLING: Final = (Effect.CALLS, Effect.CALLS_UNTIL_ASSESSED)
TELLING: Final = (*CALLING, Effect.SUM_BEGINS, Effect.BIAS)
SHOWN_ON_LIFE: Final = 6
Rows = Sequence[LifeRecordRow]


async def render(visit: Visit) -> Any:
    """Records of one crane: the list, one record with its versions, forms for who may."""
    name = visit.place["crane"]
    listed = await visit.client.life_records(name)
    crane, me, details, service = await together(
        visit.client.crane(name), visit.client.me(), visit.client.details(name), visit.client.service(name)
    )
    rows = listed.items
    may = not isinstance(me, Trouble) and me.role in MAY_ENTER
    zone = ZoneInfo("UTC") if isinstance(crane, Trouble) else ZoneInfo(crane.site.time_zone)
    back = page.button(t("records.to_life"), f"/life/{name}")
    chosen = await _chosen(visit, name, rows)
    offers = Offers(
        rows,
        () if isinstance(details, Trouble) else [one.name for one in details.items],
        () if isinstance(service, Trouble) else [one.plan for one in service.items],
    )
    return html.Div(
        [
            page.head(t("records.of", crane=name), t("records.context"), back),
            charts.missing(t("records.one"), chosen) if isinstance(chosen, Trouble) else None,
            _one(visit, name, chosen, offers, zone, may=may)
            if isinstance(chosen, LifeRecordAnswer)
            else None,
            _list(visit, name, rows, may=may),
            *([enter(name, offers), attach(name, rows, visit.query.get("record"))] if may else []),
            page.note(t("records.caution")),
        ]
    )


def on_life(crane: str, rows: Rows) -> html.Section:
    """What the records say on the page of the crane's life: those that move a figure, and the way to all of them."""
    telling = [row for row in rows if row.effect in TELLING][:SHOWN_ON_LIFE]
    parts: list[Any] = [html.H2(t("records.title"))]
    none = t("records.quiet" if rows else "records.none")
    parts.append(page.entries([html.Div(_words(row)) for row in telling], none))
    count = t("records.all", count=len(rows))
    parts.append(html.P(page.link(count, f"/life/{crane}/records")))
    return html.Section(parts, className="bl-card", id="life-records")


async def _chosen(visit: Visit, name: str, rows: Rows) -> LifeRecordAnswer | Trouble | None:
    number = int(visit.number("record", 0))
    if all(row.record_id != number for row in rows):
        return None
    found: LifeRecordAnswer | Trouble
    (found,) = await together(visit.client.life_record(name, number))
    return found


def _list(visit: Visit, name: str, rows: Rows, *, may: bool) -> html.Section:
    force = [row for row in rows if not row.withdrawn]
    gone = [row for row in rows if row.withdrawn]
    parts: list[Any] = [html.H2(t("records.title"))]
    parts.append(_entries(visit, name, force, may=may))
    if gone:
        summary = html.Summary(t("records.withdrawn", count=len(gone)))
        parts.append(html.Details([summary, _entries(visit, name, gone, may=False)], className="bl-numbers"))
    return html.Section(parts, className="bl-card", id="records")


def _entries(visit: Visit, name: str, rows: Rows, *, may: bool) -> html.Ul | html.P:
    return page.entries([_line(visit, name, row, may=may) for row in rows], t("records.none"))


def _line(visit: Visit, name: str, row: LifeRecordRow, *, may: bool) -> list[Any]:
    files = [_file(name, one) for one in row.files]
    word = t("records.change" if may else "records.open", number=row.record_id)
    link = page.link(word, visit.href(record=str(row.record_id)))
    return [html.Div([*_words(row), *files]), link]


def _words(row: LifeRecordRow) -> list[Any]:
    """One record in a few lines: day, kind, what; who; effect."""
    calls = row.effect in CALLING
    return [
        html.Strong(f"{numbers.day(row.happened_on)} · {t(f'record.kind.{row.kind}')}"),
        f" · {t('records.number', number=row.record_id)}",
        " · " if what(row) else "",
        what(row),
        html.Br(),
        t("records.by", person=row.person),
        html.Div(row.note, className="bl-record-note") if row.note else None,
        html.Div(
            [
                marks.mark(Attention.ACT, t("records.calls")) if calls else None,
                " " if calls else None,
                t("records.effect", effect=remarks.listed(row.effect_remarks)),
            ],
            className="bl-summary",
        ),
    ]


def _file(name: str, one: LifeRecordFileRow) -> html.Div:
    address = f"/api/v1/cranes/{name}/life-records/{one.record_id}/files/{one.file_id}"
    size = numbers.plain(one.size_bytes / BYTES_PER_MB, 2)
    return html.Div(
        [
            html.A(one.name, href=address, className="bl-link", download=one.name),
            t("records.file", size=size, hash=one.sha256[:12]),
        ],
        className="bl-hash",
    )


def _one(
    visit: Visit, name: str, row: LifeRecordAnswer, offers: Offers, zone: ZoneInfo, *, may: bool
) -> html.Section:
    """One record: its versions, and for who may the forms that correct and withdraw it."""
    versions = [
        html.Li(
            t(
                "records.version",
                number=one.version,
                when=numbers.moment(one.entered_at, zone),
                who=one.entered_by,
                said=f"{numbers.day(one.happened_on)}, {t(f'record.kind.{one.kind}')} {what(one)}. {one.note}".strip(),
                reason=t("records.because", reason=one.reason) if one.reason else "",
            )
        )
        for one in reversed(row.versions)
    ]
    parts: list[Any] = [
        html.H2(t("records.one.of", number=row.record_id)),
        html.Div([*_words(row), *(_file(name, one) for one in row.files)]),
        html.H3(t("records.versions")),
        html.Ul(versions, className="bl-notes"),
    ]
    if may and not row.withdrawn:
        parts += correct(name, row, offers)
    parts.append(html.P(page.link(t("records.close"), visit.href(record=None))))
    return html.Section(parts, className="bl-card", id="record")
