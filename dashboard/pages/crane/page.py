"""Crane: where it stands now, what it did, its duty, its lifts, its events; down to the recorded trace."""

from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.pages.crane import duty as crane_duty
from dashboard.pages.crane import now as crane_now
from dashboard.pages.crane import tables as crane_tables
from dashboard.parts import page
from dashboard.visit import Visit
from domain.answers import CraneDetail
from words import numbers
from words.texts import t

TABS: Final = ("now", "duty", "lifts", "events", "trace")


async def render(visit: Visit) -> Any:
    """One crane, one tab of it."""
    name = visit.place["crane"]
    detail = await visit.client.crane(name)
    tab = visit.choice("tab", TABS)
    body = await {
        "now": crane_now.render,
        "duty": crane_duty.render,
        "lifts": crane_tables.render_lifts,
        "events": crane_tables.render_events,
        "trace": crane_tables.render_trace,
    }[tab](visit, detail)
    return html.Div([_head(detail), _tabs(visit, name, tab), body])


def _head(detail: CraneDetail) -> html.Header:
    crane = detail.crane
    zone = ZoneInfo(detail.site.time_zone)
    words: list[Any] = [
        f"{crane.title or crane.type.title} · {crane.type.title} · {detail.site.title or detail.site.name}",
        html.Br(),
        t("crane.since", day=numbers.day(crane.commissioned_on), zone=zone.key),
    ]
    if crane.type.invented:
        words += [" ", t("crane.invented")]
    links = [
        page.button(t("crane.to_life"), f"/life/{crane.name}"),
        page.button(t("crane.to_replay"), f"/replay/{crane.name}"),
    ]
    return page.head(crane.name, words, *links)


def _tabs(visit: Visit, name: str, here: str) -> html.Nav:
    return page.tabs(
        t("crane.tabs", crane=name),
        here,
        [
            (tab, t(f"crane.tab.{tab}"), visit.href(visit.path, tab=tab if tab != "now" else None))
            for tab in TABS
        ],
    )
