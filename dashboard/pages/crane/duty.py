"""The tab `duty` of a crane: the load spectrum against the design, time at level, where it worked."""

from datetime import date
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.pages.crane import near_limit as crane_near_limit
from dashboard.parts import area, charts, findings, marks, page, period
from dashboard.visit import Trouble, Visit, together
from domain import attention
from domain.answers import CraneDetail, LevelBin, SpectrumAnswer, WorkingAreaAnswer
from domain.attention import State
from domain.units import s_to_min
from words import numbers, remarks
from words.numbers import Units
from words.texts import t

PERIODS: Final = ("30", "7", "90", period.ALL)
WHOLE_DAYS: Final = 366
FIRST_DAY: Final = date(1970, 1, 1)
_WHOLE: Final = {"exponentformat": "none", "separatethousands": True}


async def render(visit: Visit, detail: CraneDetail) -> Any:
    """Duty over a period of whole local days."""
    chosen = period.chosen(visit, PERIODS, ZoneInfo(detail.site.time_zone))
    days: dict[str, Any] = {"day_from": chosen.first, "day_to": chosen.last}
    near_days = days if chosen.first is not None else {"days": WHOLE_DAYS}
    name = detail.crane.name
    spectrum, worked, near, found = await together(
        visit.client.spectrum(name, **days),
        visit.client.working_area(name, **days),
        visit.client.near_limit(name, **near_days),
        visit.client.findings(name, day_from=chosen.first or FIRST_DAY, day_to=chosen.last),
    )
    parts: list[Any] = [period.control(visit, chosen, PERIODS), findings.line(found, name)]
    if isinstance(spectrum, Trouble):
        parts.append(charts.missing(t("duty.title"), spectrum))
    elif not spectrum.samples:
        parts.append(charts.nothing(t("duty.title"), t("duty.none")))
    else:
        parts += [
            _figures(spectrum, visit.units),
            html.Div([_peaks(spectrum), _levels(spectrum)], className="bl-two"),
            _ranges(spectrum),
        ]
    parts.append(
        charts.missing(t("area.title"), worked) if isinstance(worked, Trouble) else _area(worked, visit)
    )
    if isinstance(near, Trouble):
        parts.append(charts.missing(t("near.title"), near))
    elif near.crane.lifts:
        parts += crane_near_limit.sections(near, visit.units)
    if isinstance(spectrum, SpectrumAnswer):
        parts.append(marks.cautions(spectrum.cautions))
    return html.Div(parts)


def _classes_note(s: SpectrumAnswer) -> str:
    """Which class is of what: U of the whole life, Q and the stress history of these days."""
    lifts = numbers.plain(s.life_lifts) + (t("duty.classes.least") if s.life_lifts_at_least else "")
    words = t("duty.classes.note", edition=s.edition, lifts=lifts)
    return (
        words if s.whole_life else words + t("duty.classes.period", u=s.u_class_of_period or numbers.MISSING)
    )


def _figures(s: SpectrumAnswer, units: Units) -> html.Section:
    classes = " ".join(word for word in (s.u_class, s.q_class, s.group) if word) or numbers.MISSING
    design = (
        t(
            "duty.design",
            classes=f"{s.design.u_class} {s.design.q_class}",
            edition=s.design.edition,
            kq=numbers.plain(s.design_kq, 4),
        )
        if s.design is not None
        else t("life.no_class")
    )
    return page.card(
        t("duty.title"),
        marks.facts(
            marks.fact(t("duty.lifts"), numbers.plain(s.lifts), t("duty.lifts.note")),
            marks.fact(t("duty.kq"), numbers.plain(s.kq, 4), design),
            marks.fact(t("duty.classes"), classes, _classes_note(s) if s.edition else None),
            marks.fact(
                t("duty.history"),
                numbers.plain(s.s_m, 6),
                t("duty.history.note", s=s.s_class or numbers.MISSING, m=numbers.plain(s.s_slope_m)),
            ),
            marks.fact(
                t("duty.recorded"),
                numbers.hours(s.recorded_s),
                t("duty.recorded.note", samples=numbers.plain(s.samples)),
            ),
        ),
        _against_design(s),
        _notes(s, units),
        page.fold(
            t("formula"),
            html.P(t("duty.kq.formula")),
            html.P(t("duty.sm.formula")),
            html.P(t("duty.residue", rule=t(f"residue.{s.residue_rule}"))),
        ),
        note=t(
            "duty.summary", first=numbers.day(s.day_from), last=numbers.day(s.day_to), days=s.days_recorded
        ),
    )


def _notes(s: SpectrumAnswer, units: Units) -> Any:
    """What these figures leave out, count too much, or read too small."""
    off = numbers.plain(s.largest_spike_pct)
    smallest = [
        t(
            "duty.smallest.one",
            mass=numbers.mass(one.mass_kg, units),
            outreach=numbers.length(one.outreach_m, units),
        )
        for one in s.smallest_lifts
    ]
    notes = [
        t("duty.spikes", count=numbers.plain(s.spikes), off=off) if s.spikes else None,
        t("duty.spikes.counted", count=numbers.plain(s.spikes_counted), off=off)
        if s.spikes_counted
        else None,
        None if s.beyond is None else remarks.text(s.beyond.remark),
        t("duty.no_pose", count=s.days_without_pose) if s.days_without_pose else None,
        t("duty.no_pose.time", hours=numbers.hours(s.no_pose_s)) if s.no_pose_s >= 60 else None,
        t("duty.smallest", lifts=numbers.listed(smallest)) if smallest else None,
    ]
    known = [html.Li(note) for note in notes if note is not None]
    return html.Ul(known, className="bl-notes") if known else None


def _against_design(s: SpectrumAnswer) -> Any:
    """kQ as a bar against the band above its design value."""
    if s.kq is None or s.design_kq is None:
        return None
    full = 1.15 * max(1.5 * s.design_kq, s.kq)
    return marks.bar(
        s.kq,
        full=full,
        band=(s.design_kq, full),
        state=State.WATCH if s.kq > s.design_kq else State.OK,
        name=t("duty.kq"),
        text=t("duty.kq.bar", times=numbers.plain(s.kq / s.design_kq, 1)),
    )


def _bars(bins: tuple[LevelBin, ...], warn_from: float) -> dict[str, Any]:
    return {
        "type": "bar",
        "x": [(one.low_pct + one.high_pct) / 2 for one in bins],
        "width": [(one.high_pct - one.low_pct) * 0.92 for one in bins],
        "y": [round(s_to_min(one.value), 3) for one in bins],
        "marker": {
            "color": [_level_colour(one.low_pct, warn_from) for one in bins],
            "line": {"width": 0},
        },
    }


def _level_colour(low_pct: float, warn_from: float) -> str:
    if low_pct >= attention.LIMIT_PCT:
        return "@act_fill"
    return "@watch_fill" if low_pct >= warn_from else "@series"


def _peaks(s: SpectrumAnswer) -> Any:
    """Lifts above a level, the usual picture of a load spectrum, against the design class."""
    title = t("spectrum.title")
    total = sum(one.value for one in s.lift_peaks)
    if not total:
        return charts.nothing(title, t("spectrum.none"))
    bins = sorted(s.lift_peaks, key=lambda one: one.low_pct)
    above: list[float] = []
    left = total
    for one in bins:
        above.append(100 * left / total)
        left -= one.value
    data: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "line": {"shape": "hv", "color": "@series", "width": 2},
            "fill": "tozeroy",
            "fillcolor": "@series_soft",
            "x": [one.low_pct for one in bins] + [bins[-1].high_pct],
            "y": [round(value, 3) for value in above] + [0],
            "hovertemplate": t("spectrum.hover") + "<extra></extra>",
        }
    ]
    levels = [
        (level, word, colour, height)
        for level, word, colour, height in (
            (s.kq_level_pct, t("spectrum.actual"), "@series", 1.0),
            (s.design_kq_level_pct, t("spectrum.design"), "@ink_soft", 0.93),
        )
        if level
    ]
    figure = {
        "data": data,
        "layout": charts.layout(
            x_title=t("axis.structural"),
            y_title=t("axis.lifts_above"),
            xaxis={
                "range": [0, max(1.1 * attention.LIMIT_PCT, bins[-1].high_pct if bins[-1].value else 0.0)]
            },
            yaxis={"range": [0, 118], "tickvals": [0, 25, 50, 75, 100]},
            shapes=[charts.rule("x", level, colour, "dash", width=1.4) for level, _, colour, _ in levels],
            annotations=[
                charts.label(
                    f"{word} {level:.0f} %", colour, x=level, y=height, yref="paper", yanchor="top", xshift=4
                )
                for level, word, colour, height in levels
            ],
        ),
    }
    if s.kq is not None and s.design_kq is not None:
        words = t(
            "spectrum.summary",
            kq=numbers.plain(s.kq, 4),
            design=numbers.plain(s.design_kq, 4),
            verdict=t("spectrum.lighter" if s.kq <= s.design_kq else "spectrum.heavier"),
        )
    else:
        words = t("spectrum.summary.open", kq=numbers.plain(s.kq, 4))
    return charts.chart(
        "load-spectrum", title, words, figure, **charts.columns(bins, "low_pct", "high_pct", "lifts=value")
    )


def _levels(s: SpectrumAnswer) -> Any:
    title = t("levels.title")
    bins = [one for one in s.time_at_level if one.value > 0]
    if not bins:
        return charts.nothing(title, t("duty.none"))
    words = t(
        "levels.summary",
        warning=numbers.plain(s.near_limit_from_pct),
        near=numbers.duration(s.near_limit_s),
        total=numbers.hours(s.recorded_s),
    )
    if s.below_zero_s:
        words = f"{words} {t('levels.below_zero', time=numbers.duration(s.below_zero_s))}"
    trace = {
        **_bars(tuple(bins), s.near_limit_from_pct),
        "hovertemplate": "%{x:.0f} %: %{y:.1f} min<extra></extra>",
    }
    figure = {
        "data": [trace],
        "layout": charts.layout(
            x_title=t("axis.utilisation"),
            y_title=t("axis.minutes_log"),
            yaxis={"type": "log", "dtick": 1, **_WHOLE},
            bargap=0.05,
        ),
    }
    return charts.chart(
        "time-at-level", title, words, figure, **charts.columns(bins, "low_pct", "high_pct", "seconds=value")
    )


def _ranges(s: SpectrumAnswer) -> Any:
    title = t("ranges.title")
    bins = [one for one in s.ranges if one.cycles > 0]
    if not bins:
        return charts.nothing(title, t("ranges.none"))
    figure = {
        "data": [
            {
                "type": "bar",
                "x": [(b.low_pct + b.high_pct) / 2 for b in bins],
                "width": [(b.high_pct - b.low_pct) * 0.92 for b in bins],
                "y": [b.cycles for b in bins],
                "marker": {"color": "@series"},
                "hovertemplate": "%{x:.0f} %: %{y:.1f}<extra></extra>",
            }
        ],
        "layout": charts.layout(
            x_title=t("axis.range"), y_title=t("axis.cycles_log"), yaxis={"type": "log", "dtick": 1, **_WHOLE}
        ),
    }
    return charts.chart(
        "cycle-ranges",
        title,
        t(
            "ranges.summary",
            cycles=numbers.plain(sum(b.cycles for b in bins)),
            largest=numbers.percent(max(b.high_pct for b in bins)),
        ),
        figure,
        **charts.columns(bins, "low_pct", "high_pct", "cycles"),
    )


def _area(worked: WorkingAreaAnswer, visit: Visit) -> Any:
    return html.Div([area.heatmap(worked, visit.units), area.rose(worked)], className="bl-two")
