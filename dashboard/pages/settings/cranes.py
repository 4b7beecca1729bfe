"""Cranes: the list, a form that registers one or changes what is entered, and how a crane's box is connected."""

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.pages.settings.crane_form import PLACEHOLDER, crane_form
from dashboard.pages.settings.descriptions import section as descriptions
from dashboard.parts import grid, page
from dashboard.parts.grid import column
from dashboard.visit import UTC_ZONE, Visit
from domain.accounts import WhoAmI
from domain.answers import CraneDetail, CraneRow
from domain.attention import State
from domain.errors import InvalidInput, NotFound
from words import numbers
from words.texts import t

MAY_ENTER: Final = ("admin",)
MAY_DESCRIBE: Final = ("engineer", "admin")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """The list and, for who may enter, the form: of the crane that the address names, else of a new one."""
    may, may_describe = who.role in MAY_ENTER, who.role in MAY_DESCRIBE
    rows, of_sites, of_types, shown = await asyncio.gather(
        visit.client.all_cranes(),
        visit.client.sites(),
        visit.client.crane_types() if may_describe else _nothing(),
        _shown(visit) if may_describe else _nothing(),
    )
    sites = of_sites.items
    zones = {site.name: ZoneInfo(site.time_zone) for site in sites}
    chosen = visit.query.get("crane", "")
    parts: list[Any] = []
    if rows:
        parts.append(_list(rows, zones, may, may_describe))
    elif not may:
        parts.append(page.nothing(t("settings.cranes.none")))
    types = () if of_types is None else of_types.items
    dated: list[Any] = []
    if shown is not None and not shown[0].crane.draft:
        entries = (await visit.client.descriptions(chosen)).items
        on_file = [one for one in types if one.name != PLACEHOLDER]
        dated = [descriptions(shown[0], entries, on_file, visit.units)]
    if not may:
        parts.append(page.note(t("cranes.not_yours")))
        return html.Div([*dated, *parts])
    if shown is not None:
        detail, tag = shown
        entry, steps = crane_form(sites, types, detail, tag), _connect(chosen)
        last = [*dated, *parts]
        return html.Div([steps, entry, *last] if "connect" in visit.query else [entry, steps, *last])
    return html.Div([*parts, crane_form(sites, types, None, "")])


def _change_word(row: CraneRow, may: bool) -> str:
    if not may:
        return t("described.link")
    return t("cranes.complete") if row.draft else t("details.change")


async def _nothing() -> None:
    return None


async def _shown(visit: Visit) -> tuple[CraneDetail, str] | None:
    """The crane that the address names, if there is one of that name."""
    chosen = visit.query.get("crane")
    if not chosen:
        return None
    with contextlib.suppress(NotFound, InvalidInput):
        return await visit.client.crane_with_tag(chosen)
    return None


def _list(
    rows: Sequence[CraneRow], zones: Mapping[str, ZoneInfo], may: bool, may_describe: bool
) -> html.Section:
    columns: list[dict[str, Any]] = [
        column("crane", t("fleet.col.crane"), 120, "CraneCell"),
        column("type", t("settings.col.type"), 120, filter=True, narrow=not may, wrap=True),
        column("site", t("settings.col.site"), 110, filter=True, narrow=False),
        column("registered", t("settings.col.registered"), 110, narrow=False),
        column("urgency", t("settings.col.state"), 130, "MarkCell", narrow=False),
        column("service", t("settings.tab.service"), 100, "LinkCell", narrow=False, sortable=False),
        column("details", t("details.title"), 100, "LinkCell", narrow=False, sortable=False),
    ]
    if may_describe:
        columns.insert(
            1,
            column("change", t("cranes.col.entry"), 110, "LinkCell", sortable=False),
        )  # fmt: skip
    data = [
        {
            "crane": row.name,
            "title": row.title,
            "type": row.type_title or row.type,
            "site": row.site,
            "registered": numbers.day(row.registered_at.astimezone(zones.get(row.site, UTC_ZONE)).date()),
            "urgency": int(row.draft),
            "state": (State.WATCH if row.draft else State.OK).value,
            "word": t("attention.draft") if row.draft else t("settings.complete"),
            "service": t("settings.intervals"),
            "service_href": f"/settings?tab=service&crane={row.name}",
            "details": t("settings.details"),
            "details_href": f"/life/{row.name}",
            "change": _change_word(row, may),
            "change_href": f"/settings?tab=cranes&crane={row.name}",
        }
        for row in rows
    ]
    return page.card(
        t("settings.cranes"),
        grid.grid("crane-grid", t("settings.cranes"), columns, data),
        note=[t("settings.cranes.note"), " ", page.link(t("settings.cranes.charts"), "/dispatch/charts")],
        flush=True,
    )


def _connect(crane: str) -> html.Section:
    """What is left to do at the broker and at the crane."""
    steps = {
        "account": f"boomledger account issue {crane} --file /mosquitto/data/passwords",
        "topic": f"boomledger/v1/{crane}/samples",
    }
    lines = [
        html.Li([html.Span(t(f"cranes.connect.{name}")), html.Code(command, className="bl-command")])
        for name, command in steps.items()
    ]
    return page.card(
        t("cranes.connect", crane=crane),
        html.Ol(lines, className="bl-first-steps"),
        page.note(t("cranes.connect.docs")),
        page.link(t("cranes.connect.see", crane=crane), f"/crane/{crane}"),
        id="connect",
    )
