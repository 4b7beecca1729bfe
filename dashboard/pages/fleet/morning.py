"""The morning of the fleet in sentences: what ran near the limit, life, faults, limiter, service, data."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from dash import html

from dashboard.parts import findings, page
from domain import attention
from domain.attention import State
from domain.fleet_answers import FleetAnswer, FleetRow
from words import numbers
from words.texts import t


def sentences(fleet: FleetAnswer, why: Mapping[str, tuple[str, str]], today: date) -> html.Section:
    """What somebody should know before the first coffee, the most pressing kinds first in each line."""
    found = (
        _near(fleet, why),
        _life(fleet),
        _assessment(fleet, today),
        _faults(fleet),
        _limiter(fleet),
        _overloads(fleet),
        _service(fleet, today),
        _findings(fleet),
        _data(fleet),
    )
    lines = [html.Li(words, className=f"bl-{state}") for state, words in filter(None, found)]
    heading = t("fleet.summary", first=numbers.day(fleet.day_from), last=numbers.day(fleet.day_to))
    return page.card(heading, html.Ul(lines, className="bl-sentences"), kind="bl-morning")


def is_near(row: FleetRow) -> bool:
    """Whether a crane spent a notable share of its time under load near the limit."""
    return attention.near_limit_state(row.near_limit_pct) in (State.WATCH, State.ACT)


def _links(rows: Sequence[FleetRow], **query: str) -> list[Any]:
    parts: list[Any] = []
    for place, row in enumerate(rows):
        if place:
            parts.append(t("list.and") if place == len(rows) - 1 else ", ")
        parts.append(page.crane_link(row.crane, **query))
    return parts


def _rest(rows: Sequence[FleetRow], named: int) -> str:
    """How many more there are than were named."""
    return t("list.more", count=len(rows) - named) if len(rows) > named else ""


def _past_and_soon(kind: str, past: Sequence[FleetRow], soon: Sequence[FleetRow], days: int) -> list[Any]:
    """Cranes whose day is past, and those whose day is near."""
    words: list[Any] = []
    if past:
        words += [html.Strong(t(f"morning.{kind}.past")), *_links(past[:4]), _rest(past, 4), ". "]
    if soon:
        words += [t(f"morning.{kind}.soon", days=days), *_links(soon[:4]), _rest(soon, 4), ". "]
    return words


def _findings(fleet: FleetAnswer) -> tuple[State, list[Any]] | None:
    """Cranes whose figures are moved by what is wrong with their readings."""
    found = sorted((row for row in fleet.rows if row.findings), key=lambda row: (-row.findings, row.crane))
    if not found:
        return None
    words: list[Any] = [html.Strong(t("morning.findings", count=len(found))), ": "]
    for place, row in enumerate(found[:5]):
        words += [
            ", " if place else "",
            page.link(row.crane, findings.list_of(row.crane)),
        ]
    return State.WATCH, [*words, _rest(found, 5), "."]


def _near(fleet: FleetAnswer, why: Mapping[str, tuple[str, str]]) -> tuple[State, list[Any]]:
    near = [row for row in fleet.rows if is_near(row)]
    if not near:
        return State.OK, [t("morning.near.none", percent=numbers.percent(fleet.near_limit_from_pct))]
    first = near[0]
    words: list[Any] = [
        html.Strong(t("morning.near.count", count=len(near), all=len(fleet.rows))),
        " ",
        page.crane_link(first.crane, tab="duty"),
        t(
            "morning.near.first",
            percent=numbers.percent(first.near_limit_pct),
            limit=numbers.percent(fleet.near_limit_from_pct),
        ),
    ]
    where = why.get(first.crane, ("", ""))[1]
    if where:
        words.append(t("morning.near.where", where=where))
    words.append(". ")
    if len(near) > 1:
        words += [t("morning.near.others"), *_links(near[1:5], tab="duty"), _rest(near, 5), "."]
    return max(
        (attention.near_limit_state(row.near_limit_pct) for row in near), key=lambda one: one.urgency
    ), words


def _life(fleet: FleetAnswer) -> tuple[State, list[Any]] | None:
    known = [row for row in fleet.rows if row.used_share is not None]
    if not known:
        return State.STALE, [t("morning.life.unknown")]
    most = max(known, key=lambda row: row.used_share or 0)
    state = attention.life_state(most.used_share, most.review_at_share)
    words: list[Any] = [
        t("morning.life.most"),
        page.link(most.crane, f"/life/{most.crane}"),
        t("morning.life.share", share=numbers.share(most.used_share)),
    ]
    unknown = len(fleet.rows) - len(known)
    if unknown:
        words.append(t("morning.life.some_unknown", count=unknown))
    history = sum(row.unknown_years > 0 for row in fleet.rows)
    if history:
        words.append(t("morning.life.history", count=history))
    return state, words


def _assessment(fleet: FleetAnswer, today: date) -> tuple[State, list[Any]] | None:
    due = sorted(
        (row for row in fleet.rows if attention.assessment_state(row.assessment_on, today) is not State.OK),
        key=lambda row: row.assessment_on or today,
    )
    if not due:
        return None
    past = [row for row in due if attention.assessment_state(row.assessment_on, today) is State.ACT]
    soon = [row for row in due if row not in past]
    words = _past_and_soon("assessment", past, soon, attention.ASSESSMENT_SOON_DAYS)
    return (State.ACT if past else State.WATCH), words


def _faults(fleet: FleetAnswer) -> tuple[State, list[Any]]:
    faulty = [row for row in fleet.rows if row.open_faults]
    if not faulty:
        return State.OK, [t("morning.faults.none")]
    total = sum(row.open_faults for row in faulty)
    return State.ACT, [
        html.Strong(t("morning.faults.count", count=total)),
        t("morning.faults.on"),
        *_links(faulty[:6], tab="events"),
        _rest(faulty, 6),
        ".",
    ]


def _limiter(fleet: FleetAnswer) -> tuple[State, list[Any]] | None:
    stops = sum(row.limiter_stops for row in fleet.rows)
    overrides = sum(row.limiter_overrides for row in fleet.rows)
    if not stops and not overrides:
        return None
    most = max(fleet.rows, key=lambda row: (row.limiter_overrides, row.limiter_stops))
    words: list[Any] = [
        t("morning.limiter.count", stops=numbers.plain(stops), overrides=numbers.plain(overrides))
    ]
    if most.limiter_overrides:
        words += [
            t("morning.limiter.most"),
            page.crane_link(most.crane, tab="events"),
            f" ({most.limiter_overrides}).",
        ]
    return (State.WATCH if overrides else State.OK), words


def _overloads(fleet: FleetAnswer) -> tuple[State, list[Any]] | None:
    """Lifts above the full structural rating that nobody has decided about, whenever they were."""
    found = sorted(
        (row for row in fleet.rows if row.open_overloads), key=lambda row: (-row.open_overloads, row.crane)
    )
    if not found:
        return None
    total = sum(row.open_overloads for row in found)
    words: list[Any] = [html.Strong(t("morning.overloads", count=total)), t("morning.overloads.on")]
    for place, row in enumerate(found[:5]):
        link = page.link(row.crane, f"/overloads?crane={row.crane}")
        words += [", " if place else "", link, f" ({row.open_overloads})"]
    return State.WATCH, [*words, _rest(found, 5), "."]


def _service(fleet: FleetAnswer, today: date) -> tuple[State, list[Any]]:
    known = [row for row in fleet.rows if row.service_due_on is not None]
    if not known:
        link = page.link(t("morning.service.enter"), "/settings?tab=service")
        return State.STALE, [t("morning.service.unknown"), " ", link, "."]
    due = sorted(
        (row for row in known if attention.due_state(row.service_due_on, today) is not State.OK),
        key=lambda row: row.service_due_on or today,
    )
    link = page.link(t("morning.service.link"), "/service")
    if not due:
        return State.OK, [t("morning.service.none", days=attention.DUE_SOON_DAYS), " ", link, "."]
    past = [row for row in due if attention.due_state(row.service_due_on, today) is State.ACT]
    soon = [row for row in due if row not in past]
    words = _past_and_soon("service", past, soon, attention.DUE_SOON_DAYS)
    return (State.ACT if past else State.WATCH), [*words, link, "."]


def _data(fleet: FleetAnswer) -> tuple[State, list[Any]]:
    silent = [row for row in fleet.rows if attention.silent(row.age_s)]
    words: list[Any] = []
    if silent:
        words = [
            html.Strong(t("morning.data.silent", count=len(silent))),
            *_links(silent[:6]),
            _rest(silent, 6),
            ". ",
        ]
    else:
        words = [t("morning.data.all")]
    if fleet.quarantined:
        words += [page.link(t("morning.data.quarantined", count=numbers.plain(fleet.quarantined)), "/data")]
    return (State.STALE if silent else State.OK), words
