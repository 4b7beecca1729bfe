"""Fleet: who runs near the limit and why, life used, open faults, age of data; first in sentences."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard import numbers
from dashboard.parts import grid, marks, page, states
from dashboard.parts.area import where_near_limit
from dashboard.parts.marks import State
from dashboard.texts import t
from dashboard.visit import UTC_ZONE, ZONES, Visit, together
from domain.answers import FleetAnswer, FleetRow, WorkingAreaAnswer

PERIODS: Final = ("7", "30", "90")
EXPLAIN_AT_MOST: Final = 6
SILENT_AFTER_S: Final = 86_400.0
NEAR_FULL_PCT: Final = 10.0


async def render(visit: Visit) -> Any:
    """The start page of the fleet manager."""
    days = visit.choice("days", ("7", "30", "90"))
    fleet = await visit.client.fleet(days=int(days))
    if not fleet.rows:
        return _first_run()
    zone, why = await _background(visit, fleet)
    shown = [row for row in fleet.rows if _wanted(row, visit.choice("show", ("all", "attention")))]
    return html.Div(
        [
            page.head(
                t("fleet.title"),
                t(
                    "fleet.context",
                    count=len(fleet.rows),
                    day=numbers.weekday(visit.now.astimezone(zone).date()),
                    zone=zone.key,
                ),
                page.choice(
                    "show",
                    visit.choice("show", ("all", "attention")),
                    _shows(fleet.rows),
                    label=t("fleet.show"),
                    default="all",
                ),
                page.choice(
                    "days",
                    days,
                    [(one, t("period.days", count=one)) for one in PERIODS],
                    label=t("period"),
                    default="7",
                ),
            ),
            _summary(fleet, why, visit),
            html.Section(
                [
                    html.Div(
                        [
                            html.H2(t("fleet.table")),
                            html.P(
                                t("fleet.table.note", percent=numbers.percent(fleet.near_limit_from_pct)),
                                className="bl-summary",
                            ),
                        ]
                    ),
                    _table(shown, why),
                ],
                className="bl-card bl-card-flush",
            ),
            marks.cautions(fleet.cautions),
        ]
    )


async def _background(visit: Visit, fleet: FleetAnswer) -> tuple[ZoneInfo, dict[str, str]]:
    """The time zone, and where the worst cranes ran near their limit."""
    worst = [
        row for row in fleet.rows if marks.near_limit_state(row.near_limit_pct) in (State.WATCH, State.ACT)
    ]
    worst = worst[:EXPLAIN_AT_MOST]
    first = fleet.rows[0]
    zone, *areas = await together(
        ZONES.of_site(first.site, first.crane, visit.client),
        *(
            visit.client.working_area(row.crane, day_from=fleet.day_from, day_to=fleet.day_to)
            for row in worst
        ),
    )
    why = {
        row.crane: where_near_limit(area, visit.units)
        for row, area in zip(worst, areas, strict=True)
        if isinstance(area, WorkingAreaAnswer)
    }
    return zone if isinstance(zone, ZoneInfo) else UTC_ZONE, why


def _first_run() -> html.Div:
    return html.Div(
        [
            page.head(t("fleet.title")),
            states.empty(
                t("fleet.empty.title"),
                t("fleet.empty.text"),
                html.Ol(
                    [html.Li(t(f"fleet.empty.step{number}")) for number in (1, 2, 3)],
                    className="bl-first-steps",
                ),
                dcc.Link(t("fleet.empty.settings"), href="/settings", className="bl-button"),
            ),
        ]
    )


def attention(row: FleetRow) -> tuple[State, str]:
    """The state of a crane in the fleet and its word: the most pressing one of all that hold."""
    if row.draft:
        return State.WATCH, t("attention.draft")
    if row.open_faults:
        return State.ACT, t("attention.fault", count=row.open_faults)
    near = marks.near_limit_state(row.near_limit_pct)
    life = marks.life_state(row.used_share) if row.used_share is not None else State.OK
    for state in (State.ACT, State.WATCH):
        if near is state:
            return state, t(f"attention.near.{state}")
        if life is state:
            return state, t(f"attention.life.{state}")
    if row.age_s is None or row.age_s > SILENT_AFTER_S:
        return State.STALE, t("attention.silent")
    return State.OK, t("attention.none")


def _wanted(row: FleetRow, show: str) -> bool:
    return show == "all" or attention(row)[0] is not State.OK


def _shows(rows: Sequence[FleetRow]) -> list[tuple[str, str]]:
    wanting = sum(attention(row)[0] is not State.OK for row in rows)
    return [
        ("all", t("fleet.show.all", count=len(rows))),
        ("attention", t("fleet.show.attention", count=wanting)),
    ]


def _summary(fleet: FleetAnswer, why: dict[str, str], visit: Visit) -> html.Section:
    sentences = [
        sentence
        for sentence in (
            _near_sentence(fleet, why),
            _life_sentence(fleet),
            _fault_sentence(fleet),
            _override_sentence(fleet),
            _data_sentence(fleet),
        )
        if sentence is not None
    ]
    return html.Section(
        [
            html.H2(t("fleet.summary", first=numbers.day(fleet.day_from), last=numbers.day(fleet.day_to))),
            html.Ul(
                [html.Li(sentence, className=f"bl-{state}") for state, sentence in sentences],
                className="bl-sentences",
            ),
        ],
        className="bl-card bl-morning",
    )


def _links(rows: Sequence[FleetRow], **query: str) -> list[Any]:
    parts: list[Any] = []
    for place, row in enumerate(rows):
        if place:
            parts.append(t("list.and") if place == len(rows) - 1 else ", ")
        parts.append(page.crane_link(row.crane, **query))
    return parts


def _near_sentence(fleet: FleetAnswer, why: dict[str, str]) -> tuple[State, list[Any]]:
    near = [
        row for row in fleet.rows if marks.near_limit_state(row.near_limit_pct) in (State.WATCH, State.ACT)
    ]
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
    if why.get(first.crane):
        words.append(t("morning.near.where", where=why[first.crane]))
    words.append(". ")
    if len(near) > 1:
        words += [t("morning.near.others"), *_links(near[1:5], tab="duty"), "."]
    return max((marks.near_limit_state(row.near_limit_pct) for row in near), key=_urgency), words


def _life_sentence(fleet: FleetAnswer) -> tuple[State, list[Any]] | None:
    known = [row for row in fleet.rows if row.used_share is not None]
    if not known:
        return State.STALE, [t("morning.life.unknown")]
    most = max(known, key=lambda row: row.used_share or 0)
    state = marks.life_state(most.used_share)
    words: list[Any] = [
        t("morning.life.most"),
        dcc.Link(most.crane, href=f"/life/{most.crane}", className="bl-link"),
        t("morning.life.share", share=numbers.share(most.used_share)),
    ]
    unknown = len(fleet.rows) - len(known)
    if unknown:
        words.append(t("morning.life.some_unknown", count=unknown))
    return state, words


def _fault_sentence(fleet: FleetAnswer) -> tuple[State, list[Any]]:
    faulty = [row for row in fleet.rows if row.open_faults]
    if not faulty:
        return State.OK, [t("morning.faults.none")]
    total = sum(row.open_faults for row in faulty)
    return State.ACT, [
        html.Strong(t("morning.faults.count", count=total)),
        t("morning.faults.on"),
        *_links(faulty[:6], tab="events"),
        ".",
    ]


def _override_sentence(fleet: FleetAnswer) -> tuple[State, list[Any]] | None:
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


def _data_sentence(fleet: FleetAnswer) -> tuple[State, list[Any]]:
    silent = [row for row in fleet.rows if row.age_s is None or row.age_s > SILENT_AFTER_S]
    words: list[Any] = []
    if silent:
        words = [html.Strong(t("morning.data.silent", count=len(silent))), *_links(silent[:6]), ". "]
    else:
        words = [t("morning.data.all")]
    if fleet.quarantined:
        words += [
            dcc.Link(
                t("morning.data.quarantined", count=numbers.plain(fleet.quarantined)),
                href="/data",
                className="bl-link",
            )
        ]
    return (State.STALE if silent else State.OK), words


def _urgency(state: State) -> int:
    return [State.OK, State.STALE, State.WATCH, State.ACT].index(state)


def _table(rows: Sequence[FleetRow], why: dict[str, str]) -> html.Div:
    def bars(kind: str) -> dict[str, Any]:
        return {
            "field": kind,
            "cellRenderer": "BarCell",
            "cellRendererParams": {"kind": kind},
            "minWidth": 98,
            "flex": 2,
        }

    def count(field: str, width: int) -> dict[str, Any]:
        return {"field": field, "type": "rightAligned", "width": width, "minWidth": width, "narrow": False}

    columns: list[dict[str, Any]] = [
        {
            "field": "crane",
            "headerName": t("fleet.col.crane"),
            "cellRenderer": "CraneCell",
            "minWidth": 98,
            "flex": 3,
        },
        {
            "field": "urgency",
            "headerName": t("fleet.col.state"),
            "cellRenderer": "MarkCell",
            "minWidth": 116,
            "flex": 3,
            "sort": "desc",
        },
        {**bars("near"), "headerName": t("fleet.col.near")},
        {
            "field": "why",
            "headerName": t("fleet.col.why"),
            "minWidth": 170,
            "flex": 3,
            "narrow": False,
            "wrapText": True,
            "cellClass": "bl-cell-wrap",
            "sortable": False,
        },
        {**count("stops", 88), "headerName": t("fleet.col.stops")},
        {**count("overrides", 98), "headerName": t("fleet.col.overrides")},
        {**bars("life"), "headerName": t("fleet.col.life"), "narrow": False},
        {**count("faults", 78), "headerName": t("fleet.col.faults")},
        {
            "field": "now",
            "headerName": t("fleet.col.now"),
            "cellRenderer": "NowCell",
            "width": 74,
            "minWidth": 74,
            "narrow": False,
            "sortable": False,
        },
        {
            "field": "at",
            "headerName": t("fleet.col.age"),
            "cellRenderer": "AgeCell",
            "width": 104,
            "minWidth": 104,
            "narrow": False,
        },
    ]
    return grid.grid(
        "fleet-grid",
        t("fleet.table"),
        columns,
        [_grid_row(row, why.get(row.crane, "")) for row in rows],
        getRowId={"function": "params.data.crane"},
    )


def _grid_row(row: FleetRow, why: str) -> dict[str, Any]:
    state, word = attention(row)
    near_state = marks.near_limit_state(row.near_limit_pct)
    life_state = marks.life_state(row.used_share)
    return {
        "crane": row.crane,
        "title": row.title or row.type,
        "urgency": _urgency(state),
        "state": state.value,
        "word": word,
        "near": row.near_limit_pct,
        "near_full": NEAR_FULL_PCT,
        "near_band": [5.0, NEAR_FULL_PCT],
        "near_state": near_state.value,
        "near_text": numbers.percent(row.near_limit_pct),
        "near_note": _trend(row),
        "why": why or _other_reason(row),
        "stops": row.limiter_stops,
        "overrides": row.limiter_overrides,
        "life": row.used_share,
        "life_full": 1.0,
        "life_band": [0.95, 1.0],
        "life_state": life_state.value,
        "life_text": numbers.share(row.used_share)
        if row.used_share is not None
        else t("life.no_class.short"),
        "life_note": "",
        "faults": row.open_faults,
        "now": row.utilisation_pct,
        "at": row.last_at.isoformat() if row.last_at else None,
    }


def _other_reason(row: FleetRow) -> str:
    """What else a person should know of a crane that does not stand out by its near-limit time."""
    if row.emergency_s >= 60:
        return t("fleet.why.emergency", time=numbers.duration(row.emergency_s))
    if row.spent_on is not None and marks.life_state(row.used_share) is not State.OK:
        return t("fleet.why.spent", day=numbers.day(row.spent_on))
    return ""


def _trend(row: FleetRow) -> str:
    """The change from the period of equal length before."""
    if row.near_limit_pct_before is None or row.near_limit_pct is None:
        return ""
    change = row.near_limit_pct - row.near_limit_pct_before
    if abs(change) < 0.1:
        return t("trend.same")
    return t("trend.up" if change > 0 else "trend.down", points=numbers.plain(abs(change), 1))
