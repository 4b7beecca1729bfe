"""A part of Data health: messages that were rejected, the form that has them judged again, and what came of it."""

from collections import Counter
from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import charts, form, grid, marks, page
from dashboard.parts.form import Done, Values
from dashboard.parts.grid import column
from dashboard.visit import Trouble
from domain.answers import Page
from domain.attention import State
from domain.quarantine import QuarantineRow, ReplayAsked, ReplayRow
from words import numbers
from words.texts import t

EVERY: Final = "all"


def section(
    found: Page[QuarantineRow] | Trouble, replays: Page[ReplayRow] | Trouble, zone: ZoneInfo
) -> html.Section:
    """What was rejected and why, the form that has it judged again, and what came of that before."""
    title = t("health.quarantine")
    if isinstance(found, Trouble):
        return charts.missing(title, found)
    rows = found.items
    if not rows:
        return page.card(title, marks.mark(State.OK, t("health.quarantine.none")), *_replays(replays, zone))
    reasons = Counter(row.reason for row in rows)
    columns: list[dict[str, Any]] = [
        column("received", t("health.col.received", zone=zone.key), 200, flex=1),
        column("crane", t("fleet.col.crane"), 110),
        column("reason", t("health.col.reason"), 150, filter=True),
        column("detail", t("health.col.detail"), 260, flex=2, narrow=False, wrap=True),
        column("start", t("health.col.start"), 200, flex=1, cellClass="bl-cell-mono", narrow=False),
    ]
    data = [
        {
            "received": numbers.moment(row.received_at, zone, seconds=True),
            "crane": row.crane or numbers.MISSING,
            "reason": t(f"quarantine.{row.reason}"),
            "detail": row.detail,
            "start": row.raw_start[:80],
        }
        for row in rows
    ]
    words = numbers.listed(
        [f"{count} {t(f'quarantine.{reason}')}" for reason, count in reasons.most_common()]
    )
    return page.card(
        title,
        grid.grid("quarantine-grid", title, columns, data),
        html.Div([_form(rows), *_replays(replays, zone)], className="bl-card-part"),
        note=t("health.quarantine.summary", reasons=words),
        flush=True,
    )


def _form(rows: Sequence[QuarantineRow]) -> html.Div:
    name = "replay"
    cranes = sorted({row.crane for row in rows if row.crane})
    reasons = sorted({row.reason for row in rows})
    fields = [
        form.choose(
            name, "crane", EVERY, [(EVERY, t("replay.every_crane")), *((one, one) for one in cranes)]
        ),
        form.choose(
            name,
            "reason",
            EVERY,
            [(EVERY, t("replay.every_reason")), *((one, t(f"quarantine.{one}")) for one in reasons)],
            note=t("replay.note"),
        ),
    ]
    return form.form(name, fields, t("replay.ask"))


def _replays(replays: Page[ReplayRow] | Trouble, zone: ZoneInfo) -> list[Any]:
    if isinstance(replays, Trouble) or not replays.items:
        return []
    return [html.H3(t("replay.done")), page.entries([_replay(row, zone) for row in replays.items])]


def _replay(row: ReplayRow, zone: ZoneInfo) -> html.Div:
    asked = t(
        "replay.line",
        crane=row.crane or t("replay.every_crane"),
        reason=t(f"quarantine.{row.reason}") if row.reason else t("replay.every_reason"),
        who=row.asked_by,
        when=numbers.moment(row.asked_at, zone),
    )
    if row.done_at is None:
        outcome = t("replay.waits")
    elif row.problem:
        outcome = t("replay.problem", problem=row.problem)
    else:
        outcome = t(
            "replay.outcome",
            stored=numbers.plain(row.stored),
            known=numbers.plain(row.known),
            kept=numbers.plain(row.kept),
        )
    return html.Div([html.Strong(outcome), html.Br(), asked])


@form.handles("replay")
async def _ask(client: Client, values: Values, _context: Values) -> Done:
    chosen = {name: value for name, value in values.items() if value != EVERY}
    await client.replay_quarantine(form.read(ReplayAsked, chosen))
    return Done(said=t("replay.asked"))
