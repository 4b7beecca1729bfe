"""A day's list of jobs over the fleet: which crane each gets and why, beside taking the list from the top."""

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from enum import StrEnum
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import html

from dashboard.client import Client
from dashboard.pages.dispatch.answer import assumed
from dashboard.pages.dispatch.form import UNKNOWN
from dashboard.pages.dispatch.list import COLUMNS, Line, column_names, read_job, read_list, read_pasted, shown
from dashboard.pages.dispatch.parts import day_of, head
from dashboard.pages.dispatch.question import address_of
from dashboard.parts import charts, form, marks, page, states
from dashboard.parts.form import Done, Unreadable, Values
from dashboard.visit import ZONES, Visit, attempt
from domain import attention
from domain.crane import Sector, Spread
from domain.errors import BoomledgerError
from domain.job_answers import AssignedJob, AssignmentAnswer, AssignmentAsked, HoldAsked, ListedJob
from words import numbers, remarks
from words.numbers import Units
from words.texts import t


async def render(visit: Visit) -> Any:
    """The list, and the answer for it."""
    zone = await ZONES.of_yard(visit.client)
    day = day_of(visit, "day", zone)
    typed = [line for line in visit.query.get("jobs", "").splitlines() if line.strip()]
    lines, problems = read_list(typed, day, zone, visit.units)
    parts: list[Any] = [
        head(
            "day",
            t("dispatch.day.title"),
            t("dispatch.day.context", day=numbers.weekday(day), zone=str(zone)),
            *_days(visit, day),
        )
    ]
    if problems:
        listed = html.Ul([html.Li(one) for one in problems], className="bl-problems")
        parts.append(page.card(t("dispatch.day.problems"), listed))
    result: Any = states.empty(t("dispatch.day.empty"), t("dispatch.day.empty.text"))
    if lines:
        answer = await attempt(visit.client.assign(AssignmentAsked(jobs=tuple(line.asked for line in lines))))
        title = t("dispatch.day.title")
        result = charts.either(title, answer, lambda found: _assigned(visit, lines, found, zone))
    parts.append(
        html.Div(
            [
                _forms(visit, day, zone, typed),
                html.Div([_to_the_form() if lines else None, result], id="dispatch-answer"),
            ],
            className="bl-dispatch bl-dispatch-asked" if lines else "bl-dispatch",
        )
    )
    return html.Div(parts)


def _to_the_form() -> html.A:
    """Where the list stands before the form, for want of room beside it, the way to the form."""
    return html.A(
        t("dispatch.day.add"),
        href="#job",
        className="bl-button bl-button-quiet bl-button-tall bl-stacked-only",
    )


def _days(visit: Visit, day: date) -> list[Any]:
    return [
        page.tall(word, visit.href(day=(day + timedelta(days=step)).isoformat()))
        for step, word in ((-1, t("dispatch.day.back")), (1, t("dispatch.day.on")))
    ]


def _forms(visit: Visit, day: date, zone: ZoneInfo, typed: list[str]) -> html.Section:
    mass, length = numbers.mass_unit(visit.units), numbers.length_unit(visit.units)
    context = {"day": day.isoformat(), "zone": str(zone), "jobs": typed, "units": visit.units.value}
    fields = [
        form.text("day_job", "title"),
        form.text("day_job", "from", "08:00", note=t("dispatch.day.clock")),
        form.text("day_job", "to", "10:00", note=t("dispatch.day.clock")),
        form.number("day_job", "mass_kg", note=mass),
        form.number("day_job", "rigging_kg", note=t("dispatch.day.rigging", unit=mass)),
        form.number("day_job", "outreach_m", note=length),
        form.number("day_job", "hook_height_m", note=t("dispatch.day.height", unit=length)),
        _choice("sector", Sector, "sector"),
        form.number("day_job", "pick_outreach_m", note=length),
        form.number("day_job", "pick_hook_height_m", note=t("dispatch.day.height", unit=length)),
        _choice("pick_sector", Sector, "sector"),
        _choice("spread_left", Spread, "spread"),
        _choice("spread_right", Spread, "spread"),
        form.number("day_job", "travel_min", 20, note=t("dispatch.day.travel")),
    ]
    paste = form.text(
        "day_paste",
        "jobs",
        "\n".join(shown(typed, visit.units)),
        lines=6,
        note=t("dispatch.day.paste", columns="; ".join(column_names(visit.units))),
    )
    return html.Section(
        [
            html.H2(t("dispatch.day.add"), id="job"),
            form.form("day_job", fields, t("dispatch.day.add"), context=context),
            html.Details(
                [
                    html.Summary(t("dispatch.day.whole")),
                    form.form("day_paste", [paste], t("dispatch.day.take"), context=context, quiet=True),
                ],
                className="bl-fold",
            ),
        ],
        className="bl-card bl-job",
    )


def _choice(name: str, words: Iterable[StrEnum], kind: str) -> Any:
    options = [(one.value, t(f"{kind}.{one}")) for one in words]
    return form.choose("day_job", name, UNKNOWN, [(UNKNOWN, t(f"dispatch.{kind}.unknown")), *options])


@form.handles("day_job")
async def _add(client: Client, values: Values, context: Values) -> Done:
    """One job more; what cannot be read stands beside its field."""
    units = Units(context["units"])
    cells: dict[str, str] = {}
    for name in COLUMNS:
        value = values.get(name)
        factor = {"m": numbers.length_factor(units), "kg": numbers.mass_factor(units)}.get(
            name.rsplit("_", 1)[-1], 1.0
        )
        cells[name] = (
            f"{value * factor:.6g}" if isinstance(value, int | float) else str(value or "").replace(";", ",")
        )
        if value == UNKNOWN:
            cells[name] = ""
    missing = {
        name: t("form.needed") for name in ("title", "mass_kg", "rigging_kg", "outreach_m") if not cells[name]
    }
    if missing:
        raise Unreadable(missing)
    read_job(cells, date.fromisoformat(context["day"]), ZoneInfo(context["zone"]), units)
    return _to_list(context, [*context["jobs"], ";".join(cells[name] for name in COLUMNS).rstrip(";")])


@form.handles("day_paste")
async def _paste(client: Client, values: Values, context: Values) -> Done:
    """The whole list at once; problems are told by line on the page."""
    lines = str(values.get("jobs") or "").splitlines()
    return _to_list(context, read_pasted(lines, Units(context["units"])))


def _to_list(context: Values, lines: Sequence[str]) -> Done:
    query = {"day": str(context["day"]), "jobs": "\n".join(line for line in lines if line.strip())}
    return Done(said="", go_to=f"/dispatch/day?{urlencode(query)}", redraw=False)


def _assigned(visit: Visit, lines: Sequence[Line], answer: AssignmentAnswer, zone: ZoneInfo) -> html.Div:
    saved = answer.greedy_points - answer.points
    compared = t("dispatch.day.together", count=answer.assigned, points=numbers.plain(answer.points, 1)) + t(
        "dispatch.day.from_top",
        count=answer.greedy_assigned,
        points=numbers.plain(answer.greedy_points, 1),
    )
    if answer.assigned > answer.greedy_assigned:
        compared += t("dispatch.day.more_jobs", count=answer.assigned - answer.greedy_assigned)
    elif saved > 0.5:
        compared += t("dispatch.day.saved", points=numbers.plain(saved))
    else:
        compared += t("dispatch.day.same")
    compared += (
        t("dispatch.day.exact")
        if answer.exact
        else t("dispatch.day.not_exact", most=answer.most_assigned, points=numbers.plain(answer.least_points))
    )
    rows = [html.Li(_row(visit, lines, index, one, zone)) for index, one in enumerate(answer.jobs)]
    holding = [
        {"crane": one.crane, "job": line.asked.model_dump(mode="json")}
        for line, one in zip(lines, answer.jobs, strict=True)
        if one.crane is not None
    ]
    return html.Div(
        [
            page.card(
                t("dispatch.day.answer", count=answer.assigned, jobs=len(lines)),
                html.Ol(rows, className="bl-day-list"),
                form.sure(
                    "hold_list",
                    t("dispatch.day.hold", count=len(holding)),
                    t("dispatch.day.hold.sure"),
                    key="",
                    context={"holding": holding},
                )
                if holding
                else None,
                note=compared,
            ),
            marks.cautions(answer.cautions, strong=True),
        ]
    )


def _row(visit: Visit, lines: Sequence[Line], index: int, one: AssignedJob, zone: ZoneInfo) -> html.Div:
    asked = lines[index].asked
    window = asked.job.window
    times = (
        ""
        if window is None
        else "–".join(f"{at.astimezone(zone):%H:%M}" for at in (window.starts_at, window.ends_at))
    )
    rest = "\n".join(line.text for place, line in enumerate(lines) if place != index)
    crane: Any = marks.mark(attention.State.WATCH, t("dispatch.day.nobody"))
    if one.crane is not None:
        points = t("dispatch.day.points", points=numbers.plain(one.points, 1))
        if one.cheapest_crane not in (None, one.crane):
            points += t(
                "dispatch.day.cheapest",
                crane=one.cheapest_crane,
                points=numbers.plain(one.cheapest_points, 1),
            )
        crane = html.Span([page.crane_link(one.crane), html.Span(points, className="bl-cell-note")])
    more = {"title": one.title} | ({} if one.crane is None else {"show": one.crane})
    return html.Div(
        [
            html.Div(
                [html.Strong(one.title), html.Span(times, className="bl-cell-note")],
                className="bl-candidate-name",
            ),
            html.Div(
                t(
                    "dispatch.day.job",
                    mass=numbers.load(asked.job.hook_load_kg, visit.units),
                    outreach=numbers.length(asked.job.outreach_m, visit.units),
                    travel=numbers.plain(asked.travel_minutes),
                ),
                className="bl-cell-note",
            ),
            html.Div(crane),
            page.note(remarks.text(one.explanation)),
            _assumed(one, visit.units),
            html.Div(
                [
                    _link(
                        t("dispatch.day.look"),
                        address_of(asked.job, **more),
                        f"{t('dispatch.day.look')}: {one.title}",
                    ),
                    _link(
                        t("dispatch.day.remove"),
                        visit.href(jobs=rest or None),
                        f"{t('dispatch.day.remove')}: {one.title}",
                    ),
                ],
                className="bl-pages",
            ),
        ],
        className="bl-candidate-body",
    )


def _assumed(one: AssignedJob, units: Units) -> html.Details | None:
    """What the job left open, folded; the costliest stands in the heading."""
    if not one.assumed:
        return None
    return page.fold(t(f"dispatch.assumed.{one.assumed[0].entry}"), assumed(one.assumed, units))


def _link(word: str, href: str, label: str) -> dmc.Anchor:
    return page.tall(word, href, **{"aria-label": label})


@form.handles("hold_list")
async def _hold_list(client: Client, values: Values, context: Values) -> Done:
    """Hold every crane of the answer; what was taken meanwhile is told, the rest is held."""
    held, failed = 0, []
    for one in context["holding"]:
        listed = ListedJob.model_validate(one["job"])
        busy = listed.busy
        if busy is None:
            continue
        try:
            await client.hold(HoldAsked(crane=one["crane"], window=busy, title=listed.title, job=listed.job))
            held += 1
        except BoomledgerError as problem:
            failed.append(f"{listed.title}: {problem}")
    if failed:
        raise Unreadable({"": t("dispatch.day.held_some", held=held, failed="; ".join(failed))})
    return Done(said=t("dispatch.day.held", count=held), go_to="/dispatch/calendar", redraw=False)
