"""Data health: how old the data of each crane is, what was set aside and why."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.pages.crane import exclusions as crane_exclusions
from dashboard.pages.health import channels, clocks, rejected
from dashboard.pages.health import file_import as health_import
from dashboard.parts import charts, findings, grid, marks, page
from dashboard.parts.grid import column
from dashboard.visit import UTC_ZONE, ZONES, Trouble, Visit, together
from domain import attention
from domain.answers import Page
from domain.attention import State
from domain.errors import QuarantineReason
from domain.findings import FindingRow
from domain.fleet_answers import FleetAnswer, FleetRow
from domain.maintenance import DayRow
from domain.moments import FURTHEST_EAST, today_in
from domain.quarantine import QuarantineRow
from domain.units import MS_PER_MIN, ms_to_h, ms_to_s, s_to_h
from words import numbers
from words.texts import t

RECORD_DAYS: Final = 28
RECORD_CRANES: Final = 12  # of a large fleet those only that somebody has to look at first
GAP_FROM_MS: Final = 60_000


async def render(visit: Visit) -> Any:
    """Whether the figures of the other pages can be believed."""
    crane = visit.query.get("crane", "")
    last = visit.now.date()
    first = last - timedelta(days=RECORD_DAYS - 1)
    fleet, who, found, excluded = await together(
        visit.client.fleet(days=7, rates=False),
        visit.client.me(),
        visit.client.findings(crane, day_from=first, day_to=today_in(FURTHEST_EAST))
        if crane
        else visit.client.findings_of_all(day_from=first, day_to=today_in(FURTHEST_EAST)),
        visit.client.exclusions(crane or None),
    )
    may = not isinstance(who, Trouble) and who.role in health_import.MAY_ENTER
    zone = UTC_ZONE
    if isinstance(fleet, FleetAnswer) and fleet.rows:
        zone = await ZONES.of_site(fleet.rows[0].site, fleet.rows[0].crane, visit.client)
    return html.Div(
        [
            page.head(t("health.title"), t("health.context")),
            charts.either(t("health.ages"), fleet, _ages),
            _findings(found, crane, zone, visit),
            None if isinstance(fleet, Trouble) else await _record(visit, fleet),
            None if isinstance(excluded, Trouble) else crane_exclusions.of_fleet(excluded.items, zone),
            *(
                await _engineers(
                    visit,
                    [] if isinstance(fleet, Trouble) else sorted(row.crane for row in fleet.rows),
                    zone,
                )
                if may
                else [page.note(t("health.not_yours"))]
            ),
        ]
    )


def _findings(found: Page[FindingRow] | Trouble, crane: str, zone: ZoneInfo, visit: Visit) -> Any:
    title = t("findings.title")
    if isinstance(found, Trouble):
        return charts.missing(title, found)
    all_link = page.link(t("findings.all"), "/data") if crane else None
    if not found.items:
        words = t("findings.none.crane", crane=crane) if crane else t("findings.none")
        return page.card(title, marks.mark(State.OK, words), " ", all_link)
    words = t("findings.summary", count=len(found.items), cranes=len({row.crane for row in found.items}))
    more = t("findings.more") if found.next_cursor else ""
    return page.card(
        title, findings.table(found.items, zone, visit.units), note=[words + more, " ", all_link], flush=True
    )


async def _engineers(visit: Visit, cranes: list[str], zone: ZoneInfo) -> list[Any]:
    """Rejected messages, clocks that were wrong, further channels, and files to import."""
    found, replays, corrected, further, earlier, running = await together(
        visit.client.quarantine(limit=200),
        visit.client.quarantine_replays(),
        visit.client.clock_corrections(),
        visit.client.channels(),
        visit.client.imports(),
        visit.client.running_import(),
    )
    return [
        rejected.section(found, replays, zone),
        clocks.section(corrected, cranes, await _clock_evidence(visit, found), zone),
        channels.section(further, cranes, visit.query.get("crane", ""), zone),
        health_import.section(earlier, running, zone),
    ]


async def _clock_evidence(visit: Visit, refused: Page[QuarantineRow] | Trouble) -> clocks.Evidence:
    crane = visit.query.get("crane", "")
    suggested = None
    if crane:
        (suggested,) = await together(visit.client.clock_suggestions(crane))
    of_time = (QuarantineReason.IN_FUTURE, QuarantineReason.BEFORE_REGISTRATION)
    rows = () if isinstance(refused, Trouble) else refused.items
    return clocks.Evidence(
        crane=crane,
        boot=visit.query.get("boot", ""),
        suggested=suggested,
        refused=sorted({row.crane for row in rows if row.crane and row.reason in of_time}),
    )


def _age_state(row: FleetRow) -> tuple[State, str]:
    if row.age_s is None:
        return State.STALE, t("health.never")
    if attention.silent(row.age_s):
        return State.STALE, t("health.silent")
    if row.age_s < 0:
        return State.ACT, t("health.ahead")
    return State.OK, t("health.current") if row.online else t("health.offline")


def _ages(fleet: FleetAnswer) -> html.Section:
    if not fleet.rows:
        return charts.nothing(t("health.ages"), t("fleet.empty.text"))
    order = [State.OK, State.STALE, State.WATCH, State.ACT]
    rows = []
    for row in fleet.rows:
        state, word = _age_state(row)
        rows.append(
            {
                "crane": row.crane,
                "title": row.title or row.type,
                "urgency": order.index(state),
                "state": state.value,
                "word": word,
                "at": row.last_at.isoformat() if row.last_at else None,
                "recorded": round(s_to_h(row.recorded_s), 1),
                "lifts": row.lifts,
            }
        )
    columns: list[dict[str, Any]] = [
        column("crane", t("fleet.col.crane"), 100, "CraneCell"),
        column("urgency", t("health.col.state"), 100, "MarkCell", sort="desc"),
        column("at", t("health.col.newest"), 88, "AgeCell", cellRendererParams=page.STALE),
        column("recorded", t("health.col.recorded"), 120, narrow=False, right=True),
        column("lifts", t("health.col.lifts"), 100, narrow=False, right=True),
    ]
    silent = sum(row["state"] == State.STALE for row in rows)
    return page.card(
        t("health.ages"),
        grid.grid("age-grid", t("health.ages"), columns, rows),
        note=t("health.ages.summary", silent=silent, count=len(rows)),
        flush=True,
    )


async def _record(visit: Visit, fleet: FleetAnswer) -> Any:
    """What was recorded, crane by crane and day by day, and how much of it is missing."""
    title = t("health.record")
    names = record_cranes(fleet.rows)
    last = visit.now.date()
    first = last - timedelta(days=RECORD_DAYS - 1)
    if not names:
        return charts.nothing(title, t("duty.none"))
    (answer,) = await together(visit.client.days_of(names, day_from=first, day_to=last))
    if isinstance(answer, Trouble):
        return charts.missing(title, answer)
    found = {(row.crane, row.day): row for row in answer.items}
    if not found:
        return charts.nothing(title, t("duty.none"))
    days = [first + timedelta(days=place) for place in range(RECORD_DAYS)]
    missing = sum(map(_missing_ms, found.values()))
    recorded = sum(row.recorded_ms for row in found.values())
    return charts.chart(
        "record",
        title,
        t(
            "health.record.summary",
            recorded=numbers.hours(ms_to_s(recorded)),
            missing=numbers.duration(ms_to_s(missing)),
            share=numbers.share(missing / max(1, missing + recorded)),
        )
        + (t("health.record.some", count=len(names)) if len(fleet.rows) > len(names) else ""),
        _record_figure(names, days, found),
        headers=(
            *("crane", "day", "recorded_ms", "offline_gap_ms", "sensor_gap_ms", "quarantine_gap_ms"),
            *("hole_ms", "overlap_ms", "clock_ms", "no_pose_ms", "excluded_ms"),
        ),
        rows=[
            (
                name,
                day.isoformat(),
                row.recorded_ms,
                row.offline_gap_ms,
                row.sensor_gap_ms,
                row.quarantine_gap_ms,
                row.hole_ms,
                row.overlap_ms,
                row.clock_ms,
                row.no_pose_ms,
                row.excluded_ms,
            )
            for (name, day), row in sorted(found.items())
        ],
    )


def record_cranes(rows: Sequence[FleetRow]) -> list[str]:
    """Whose record is drawn, by name: of more than RECORD_CRANES those with the oldest data; without any come last."""
    oldest = sorted(rows, key=lambda row: (row.age_s is None, -(row.age_s or 0.0), row.crane))
    return sorted(row.crane for row in oldest[:RECORD_CRANES])


def _missing_ms(row: DayRow) -> int:
    known = row.offline_gap_ms + row.sensor_gap_ms + row.quarantine_gap_ms + row.hole_ms
    return known + row.overlap_ms + row.clock_ms + row.no_pose_ms + row.excluded_ms


def _record_figure(
    names: list[str], days: list[date], found: dict[tuple[str, date], DayRow]
) -> dict[str, Any]:
    gaps = [
        (name, day, _missing_ms(row)) for (name, day), row in found.items() if _missing_ms(row) >= GAP_FROM_MS
    ]
    hours = [
        [round(ms_to_h(found[name, day].recorded_ms), 2) if (name, day) in found else None for day in days]
        for name in names
    ]
    return {
        "data": [
            charts.heat(
                [day.isoformat() for day in days],
                names,
                hours,
                unit=t("health.hours"),
                hover="%{y}, %{x}: %{z:.1f} h",
                gap=2,
            ),
            {
                "type": "scatter",
                "mode": "markers",
                "x": [day.isoformat() for _, day, _ in gaps],
                "y": [name for name, _, _ in gaps],
                "marker": {
                    "symbol": "x-thin",
                    "size": 8,
                    "line": {"color": "#ffffff", "width": 2},
                },
                "customdata": [round(missing / MS_PER_MIN, 1) for _, _, missing in gaps],
                "hovertemplate": t("health.gap_hover") + "<extra></extra>",
            },
        ],
        "layout": charts.layout(
            x_title="",
            y_title="",
            height=90 + 24 * len(names),
            yaxis={"type": "category", "autorange": "reversed", "showgrid": False},
        ),
    }
