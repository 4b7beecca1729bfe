"""Load charts: which version holds from when, drawn as curves and envelope, and new ones from CSV, checked line by line."""

import base64
import binascii
from datetime import date
from typing import Any, Final

import dash_mantine_components as dmc
from dash import Dash, Input, Output, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.client import Client
from dashboard.pages.dispatch.parts import head
from dashboard.parts import charts, components, form, marks, page, states
from dashboard.parts.components import SideView
from dashboard.parts.form import Done, Unreadable, Values
from dashboard.visit import Trouble, Visit, together
from domain.crane import LoadChart
from domain.drawing_answers import Corners, DrawingAnswer
from domain.job_answers import ChartProblem, ChartsAsked, ChartsImported, ChartVersionRow
from domain.moments import today_in
from words import numbers
from words.texts import t

_DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
_COLOURS: Final = ("@series", "@ink", "@accent", "@ink_soft")


async def render_list(visit: Visit) -> Any:
    """The cranes, each a way to its charts."""
    rows = await visit.client.all_cranes()
    body: Any = states.empty(t("dispatch.charts.none"), t("dispatch.charts.none.text"))
    if rows:
        links = [
            html.Li(
                dcc.Link(
                    [
                        html.Span(row.name, className="bl-entry-crane"),
                        html.Span(row.title or row.type, className="bl-entry-title"),
                    ],
                    href=f"/dispatch/charts/{row.name}",
                    className="bl-entry",
                )
            )
            for row in rows
        ]
        body = page.card(t("dispatch.charts.choose"), html.Ul(links, className="bl-entries"))
    return html.Div([head("charts", t("dispatch.charts.title"), t("dispatch.charts.context")), body])


async def render(visit: Visit) -> Any:
    """One crane's charts on a day, their versions, and the import."""
    crane = visit.place["crane"]
    on = _day(visit.query.get("on"))
    detail = await visit.client.crane(crane)
    shown, versions, drawn = await together(
        visit.client.charts(crane, on=on),
        visit.client.chart_versions(crane),
        visit.client.drawing(crane, on=on),
    )
    title = t("dispatch.charts.of", crane=crane)
    parts: list[Any] = [head("charts", title, t("dispatch.charts.context"))]
    if isinstance(shown, Trouble):
        parts.append(charts.missing(title, shown))
    elif isinstance(drawn, Trouble):
        parts.append(charts.missing(title, drawn))
    else:
        parts += _drawn(visit, shown.charts, drawn)
    if not isinstance(versions, Trouble):
        parts.append(_versions(visit, versions, shown.on if not isinstance(shown, Trouble) else None))
    parts += [_import(crane, detail.crane.type.name), marks.cautions((t("dispatch.charts.caution"),))]
    return html.Div(parts)


def _day(word: str | None) -> date | None:
    try:
        return date.fromisoformat(word) if word else None
    except ValueError:
        return None


def setup_words(chart: LoadChart) -> str:
    """What a chart holds for."""
    words = [
        t(
            "dispatch.charts.spread",
            left=t(f"spread.{chart.spread_left}"),
            right=t(f"spread.{chart.spread_right}"),
        ),
        t(f"sector.{chart.sector}") if chart.sector else t("dispatch.charts.all_round"),
    ]
    if chart.jib_fitted:
        words.append(t("dispatch.charts.jib"))
    if chart.stage is not None:
        words.append(t("dispatch.charts.stage", count=chart.stage))
    return ", ".join(words)


def _drawn(visit: Visit, on_file: tuple[LoadChart, ...], drawn: DrawingAnswer) -> list[Any]:
    on = drawn.on
    if not on_file:
        return [
            charts.nothing(t("dispatch.charts.curves"), t("dispatch.charts.no_chart", day=numbers.day(on)))
        ]
    mass, length = numbers.mass_factor(visit.units), numbers.length_factor(visit.units)
    same: dict[Corners, list[LoadChart]] = {}
    for chart, corners in zip(on_file, drawn.lines, strict=True):
        same.setdefault(corners, []).append(chart)
    lines = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": setup_words(sharing[0])
            + (t("dispatch.charts.more", count=len(sharing) - 1) if len(sharing) > 1 else ""),
            "x": [outreach / length for outreach, _ in corners],
            "y": [capacity / mass for _, capacity in corners],
            "line": {
                "shape": "linear",
                "width": 1.8,
                "dash": _DASHES[index % len(_DASHES)],
                "color": _COLOURS[index // len(_DASHES) % len(_COLOURS)],
            },
        }
        for index, (corners, sharing) in enumerate(same.items())
    ]
    layout = charts.layout(
        x_title=f"{t('dispatch.outreach_m')} [{numbers.length_unit(visit.units)}]",
        y_title=f"{t('dispatch.curve.rated')} [{numbers.mass_unit(visit.units)}]",
        height=340 + 24 * len(lines),
        showlegend=True,
        legend={
            "orientation": "h",
            "yref": "container",
            "y": 0,
            "yanchor": "bottom",
            "font": {"color": "@ink"},
        },
        margin={"b": 60 + 24 * len(lines)},
        xaxis={"rangemode": "tozero"},
        yaxis={"rangemode": "tozero"},
    )
    rows = [
        (setup_words(chart), point.hook_height_m, point.outreach_m, point.capacity_kg)
        for chart in on_file
        for point in chart.points
    ]
    # The one that reaches highest in the drawing: most mass times outreach.
    line, best = max(
        zip(drawn.lines, on_file, strict=True), key=lambda one: max((x * kg for x, kg in one[0]), default=0.0)
    )
    return [
        charts.chart(
            "load-charts",
            t("dispatch.charts.curves"),
            t("dispatch.charts.summary", count=len(on_file), lines=len(same), day=numbers.day(on)),
            {"data": lines, "layout": layout},
            headers=(
                t("dispatch.charts.col.setup"),
                t("dispatch.charts.col.height"),
                t("dispatch.charts.col.outreach"),
                t("dispatch.charts.col.capacity"),
            ),
            rows=rows,
        ),
        page.card(
            t("dispatch.charts.envelope"),
            SideView(
                id="chart-view",
                geometry=components.geometry_of(drawn.figure),
                reach=components.lines(drawn.figure.outline),
                chart=components.lines(line),
                tallest=320,
                state="ok",
                units=numbers.drawn(visit.units),
                label=t("dispatch.charts.envelope.note", setup=setup_words(best)),
                words=components.drawing_words(),
            ),
            note=t("dispatch.charts.envelope.note", setup=setup_words(best)),
        ),
    ]


def _versions(visit: Visit, versions: tuple[ChartVersionRow, ...], on: date | None) -> html.Section:
    if not versions:
        return charts.nothing(t("dispatch.charts.versions"), t("dispatch.charts.versions.none"))
    entries = [
        html.Li(
            dmc.Anchor(
                [
                    html.Span(
                        t("dispatch.charts.from", day=numbers.day(row.valid_from)), className="bl-entry-time"
                    ),
                    html.Span(
                        t("dispatch.charts.own" if row.own else "dispatch.charts.of_type", count=row.charts),
                        className="bl-entry-crane",
                    ),
                    html.Span(
                        f"{row.source} · {row.imported_by}, {numbers.day(row.imported_at.date())}",
                        className="bl-entry-title",
                    ),
                ],
                href=visit.href(on=row.valid_from.isoformat()),
                underline="never",
                className="bl-entry",
                **({"aria-current": "true"} if row.valid_from == on else {}),
            )
        )
        for row in versions
    ]
    return page.card(
        t("dispatch.charts.versions"),
        html.Ul(entries, className="bl-entries"),
        note=t("dispatch.charts.versions.note"),
    )


def _import(crane: str, type_name: str) -> html.Section:
    fields = [
        form.text("charts", "csv", lines=8, note=t("dispatch.charts.csv.note")),
        form.text("charts", "source", note=t("dispatch.charts.source.note")),
        form.text("charts", "valid_from", today_in().isoformat(), note=t("dispatch.day.form")),
        form.yes_no("charts", "whole_type", False, note=t("dispatch.charts.whole.note", type=type_name)),
        form.choose(
            "charts",
            "step",
            "check",
            [("check", t("dispatch.charts.check")), ("enter", t("dispatch.charts.enter"))],
            note=t("dispatch.charts.step.note"),
        ),
    ]
    return page.card(
        t("dispatch.charts.import"),
        form.upload("chart-upload", t("dispatch.charts.upload"), ".csv,text/csv,text/plain", 1_000_000),
        dcc.Store(id="chart-crane", data=crane),
        html.Div(
            form.form("charts", fields, t("dispatch.charts.go"), context={"crane": crane}),
            className="bl-chart-form",
        ),
        note=t("dispatch.charts.import.note"),
    )


@form.handles("charts")
async def _take(client: Client, values: Values, context: Values) -> Done:
    """Check the file; enter it only where that was chosen and nothing is wrong with it."""
    text = str(values.get("csv") or "")
    given = {
        "csv": text,
        "source": values.get("source") or t("dispatch.charts.source.none"),
        "valid_from": values.get("valid_from"),
        "whole_type": values.get("whole_type") == "yes",
    }
    asked = form.read(ChartsAsked, {**given, "check_only": True})
    checked = await client.import_charts(str(context["crane"]), asked)
    if checked.problems:
        return Done(
            said=_problems(
                t("dispatch.charts.problems", count=len(checked.problems)), checked.problems, text
            ),
            redraw=False,
        )
    if values.get("step") != "enter":
        return Done(said=_fine(checked, text), redraw=False)
    if not values.get("source"):
        raise Unreadable({"source": t("form.needed")})
    done = await client.import_charts(str(context["crane"]), asked.model_copy(update={"check_only": False}))
    return Done(
        said=t(
            "dispatch.charts.entered",
            count=len(done.charts),
            day=numbers.day(asked.valid_from),
            number=done.version_id,
        ),
        go_to=f"/dispatch/charts/{context['crane']}?on={asked.valid_from.isoformat()}",
    )


def _fine(checked: ChartsImported, text: str) -> html.Div:
    words = t("dispatch.charts.sound", count=len(checked.charts))
    return html.Div(
        [
            html.Span(words),
            _problems(t("dispatch.charts.warnings", count=len(checked.warnings)), checked.warnings, text)
            if checked.warnings
            else None,
        ]
    )


def _problems(title: str, problems: tuple[ChartProblem, ...], text: str) -> html.Div:
    lines = text.splitlines()
    rows = []
    for one in problems:
        there = lines[one.line - 1] if 0 < one.line <= len(lines) else ""
        place = t("dispatch.charts.line", number=one.line) if one.line else t("dispatch.charts.file")
        rows.append(html.Li([html.Strong(place), f" {one.text} ", html.Code(there) if there else None]))
    return html.Div([html.Span(title), html.Ul(rows, className="bl-problems")])


def register(app: Dash) -> None:
    """A chosen file is put into the field, where it can be read and mended before it is sent."""

    @app.callback(
        Output({"type": "field", "form": "charts|", "name": "csv"}, "value", allow_duplicate=True),
        Input("chart-upload", "contents"),
        prevent_initial_call=True,
    )
    async def take_file(contents: str | None) -> Any:
        if not contents:
            raise PreventUpdate
        try:
            return base64.b64decode(contents.split(",", 1)[1]).decode("utf-8-sig")
        except (IndexError, binascii.Error, UnicodeDecodeError):
            return no_update
