"""Dossier of one crane for its special assessment: the draft, finishing it, those that are finished and what changed."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import charts, form, marks, page
from dashboard.parts.form import Done, Values
from dashboard.visit import Trouble, Visit, together
from domain.dossier import Dossier, DossierAsked, DossierChange, DossierRow
from words import numbers
from words.texts import t

MAY_FINISH: Final = ("engineer", "admin")
API: Final = "/api/v1"


async def render(visit: Visit) -> Any:
    """The dossier of a crane."""
    name = visit.place["crane"]
    draft = await visit.client.dossier_draft(name)
    listed, me = await together(visit.client.dossiers(name), visit.client.me())
    zone = ZoneInfo(draft.site.time_zone)
    back = page.button(t("dossier.to_life"), f"/life/{name}")
    printed = html.A(
        t("dossier.draft.pdf"), href=f"{API}/cranes/{name}/dossier/report", className="bl-button", download=""
    )
    rows = () if isinstance(listed, Trouble) else listed.items
    role = "" if isinstance(me, Trouble) else me.role
    return html.Div(
        [
            page.head(t("dossier.of", crane=name), t("dossier.context"), back, printed),
            _unknown(draft),
            _finish(draft) if role in MAY_FINISH else None,
            charts.either(t("dossier.list"), listed, lambda _: _finished(name, rows, zone)),
            await _chosen(visit, name, rows),
            _since(draft),
            marks.cautions(draft.cautions, strong=True),
        ]
    )


def _unknown(draft: Dossier) -> html.Section:
    """What is not known, before anything else."""
    if draft.unknown:
        body: list[Any] = [
            page.note(t("dossier.unknown.note")),
            html.Ul([html.Li(line) for line in draft.unknown], className="bl-notes"),
        ]
    else:
        body = [page.nothing(t("dossier.unknown.none"))]
    return page.card(t("dossier.unknown"), *body)


def _finish(draft: Dossier) -> html.Section:
    name = draft.crane.name
    return page.card(
        t("dossier.finish.title"),
        form.form(
            "dossier",
            [form.text("dossier", "note", note=t("dossier.note.note"))],
            t("dossier.finish"),
            context={"crane": name},
        ),
        note=t("dossier.finish.note"),
    )


def _finished(name: str, rows: Sequence[DossierRow], zone: ZoneInfo) -> html.Section:
    """Finished dossiers, each with its hashes and its files."""
    lines = page.entries([_line(name, row, zone) for row in rows], t("dossier.list.none"))
    return page.card(t("dossier.list"), lines, note=t("dossier.list.note"))


def _line(name: str, row: DossierRow, zone: ZoneInfo) -> html.Div:
    kept = f"{API}/cranes/{name}/dossiers/{row.number}"
    when = numbers.moment(row.finished_at, zone)
    links: list[Any] = [
        html.A(t("dossier.pdf", number=row.number), href=f"{kept}/report", className="bl-link", download=""),
        " · ",
        html.A(t("dossier.json", number=row.number), href=kept, className="bl-link", download=""),
    ]
    if row.number > 1:
        address = f"/life/{name}/dossier?changes={row.number}"
        links += [
            " · ",
            page.link(t("dossier.changed", number=row.number), address),
        ]
    return html.Div(
        [
            html.Strong(t("dossier.line", number=row.number, when=when, who=row.finished_by)),
            f" {row.note}" if row.note else None,
            html.Br(),
            *links,
            html.Div(t("dossier.hash.pdf", hash=row.pdf_sha256), className="bl-hash"),
            html.Div(t("dossier.hash.json", hash=row.data_sha256), className="bl-hash"),
        ]
    )


async def _chosen(visit: Visit, name: str, rows: Sequence[DossierRow]) -> html.Section | None:
    """What changed up to the dossier that the address names."""
    number = int(visit.number("changes", 0))
    if number <= 1 or all(row.number != number for row in rows):
        return None
    (found,) = await together(visit.client.dossier_changes(name, number))
    title = t("dossier.changes", since=number - 1, number=number)
    if isinstance(found, Trouble):
        return charts.missing(title, found)
    return _table(title, found.changes)


def _since(draft: Dossier) -> html.Section | None:
    """What is other now than in the last finished dossier."""
    if draft.since is None:
        return None
    return _table(t("dossier.changes.now", since=draft.since.number), draft.changes)


def _table(title: str, changes: Sequence[DossierChange]) -> html.Section:
    if not changes:
        return charts.nothing(title, t("dossier.changes.none"))
    headers = [t(f"dossier.col.{name}") for name in ("part", "what", "before", "after")]
    rows = [
        (
            t(f"dossier.part.{one.part}"),
            page.row_head(one.what),
            one.before or numbers.MISSING,
            one.after or numbers.MISSING,
        )
        for one in changes
    ]
    return page.card(
        title,
        page.table(headers, rows, title),
        note=t("dossier.changes.count", count=len(changes)),
    )


@form.handles("dossier")
async def _finish_it(client: Client, values: Values, context: Values) -> Done:
    done = await client.finish_dossier(str(context["crane"]), form.read(DossierAsked, values))
    return Done(said=t("dossier.finished", number=done.number))
