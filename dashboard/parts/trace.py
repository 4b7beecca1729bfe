"""The recorded trace: utilisation against its warning band with events, and any other channel under it."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dashboard.parts import charts
from domain.answers import EventRow, SamplesAnswer
from domain.attention import LIMIT_PCT, WARNING_PCT
from domain.channels import CHANNEL_BY_NAME, Mode
from domain.exclusion import UTILISATION, ExclusionRow
from domain.messages import EventKind, EventState
from domain.units import ms_to_s
from words import numbers
from words.numbers import Units
from words.texts import t

LONGEST_STEP_MS: Final = 5000  # between two samples of one stretch, where every sample is drawn
SYMBOLS: Final[dict[EventKind, tuple[str, str]]] = {
    EventKind.LIMITER_STOP: ("triangle-down", "@act_fill"),
    EventKind.LIMITER_OVERRIDE: ("diamond", "@act_fill"),
    EventKind.FAULT: ("x", "@act_fill"),
    EventKind.WARNING: ("triangle-up", "@watch_fill"),
    EventKind.MODE_CHANGE: ("line-ns", "@ink_soft"),
    EventKind.SERVICE: ("circle", "@series"),
}


def utilisation(
    samples: SamplesAnswer,
    events: Sequence[EventRow],
    zone: ZoneInfo,
    name: str = "utilisation",
    *,
    excluded: Sequence[ExclusionRow] = (),
) -> Any:
    """Utilisation over time with the band from 90 % to the limit, events above it, and what is excluded hatched out."""
    title = t("trace.title")
    series = samples.series.get("utilisation_pct")
    if series is None or not any(value is not None for value in series.high):
        return charts.nothing(title, t("trace.none"))
    times, values = _strokes(samples, "utilisation_pct", zone)
    highest = max(value for value in series.high if value is not None)
    top = max(115.0, highest + 12)
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "x": times,
                "y": values,
                "connectgaps": False,
                "line": {"color": "@series", "width": 1.4},
                "hovertemplate": "%{x|%d %b %H:%M:%S}: %{y:.0f} %<extra></extra>",
            },
            *_event_marks(events, zone, top - 5),
        ],
        "layout": charts.layout(
            x_title=t("axis.time", zone=zone.key),
            y_title=t("axis.utilisation"),
            height=300,
            yaxis={"range": [0, top], "dtick": 25},
            xaxis=_time_axis(samples, zone),
            shapes=[
                *_excluded_shapes(samples, excluded, zone),
                {
                    "type": "rect",
                    "xref": "paper",
                    "x0": 0,
                    "x1": 1,
                    "y0": WARNING_PCT,
                    "y1": LIMIT_PCT,
                    "fillcolor": "@watch_soft",
                    "line": {"width": 0},
                    "layer": "below",
                },
                charts.rule("y", WARNING_PCT, "@watch", "dot", width=1, layer="below"),
                charts.rule("y", LIMIT_PCT, "@act", layer="below"),
            ],
            annotations=[
                *(
                    charts.label(
                        t("trace.excluded"), "@ink_soft", x=first, yref="paper", y=0.02, yanchor="bottom"
                    )
                    for first, _ in _excluded_ends(samples, excluded, zone)
                ),
                charts.label(t("trace.near", warning=WARNING_PCT), "@watch", y=WARNING_PCT, yanchor="top"),
                charts.label(t("trace.limit"), "@act", y=LIMIT_PCT, yanchor="bottom"),
            ],
        ),
    }
    return charts.chart(
        name,
        title,
        _summary(samples, events, highest),
        figure,
        headers=("at_utc", "low_pct", "high_pct"),
        rows=_rows(samples, "utilisation_pct"),
        trace_of=f"/crane/{samples.crane}",
    )


def _excluded_ends(
    samples: SamplesAnswer, excluded: Sequence[ExclusionRow], zone: ZoneInfo
) -> list[tuple[str, str]]:
    """Where utilisation is excluded inside the span that is shown."""
    return [
        (_local(max(row.from_at, samples.time_from), zone), _local(min(row.to_at, samples.time_to), zone))
        for row in excluded
        if row.channel in (None, UTILISATION)
    ]


def _excluded_shapes(
    samples: SamplesAnswer, excluded: Sequence[ExclusionRow], zone: ZoneInfo
) -> list[dict[str, Any]]:
    return [
        {
            "type": "rect",
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "x0": first,
            "x1": past,
            "fillcolor": "@line",
            "opacity": 0.5,
            "line": {"width": 1, "dash": "dot", "color": "@ink_soft"},
            "layer": "below",
        }
        for first, past in _excluded_ends(samples, excluded, zone)
    ]


def channel(
    samples: SamplesAnswer, name: str, zone: ZoneInfo, units: Units, *, computed: bool = False
) -> Any:
    """One channel over time, lengths in `units`. computed: not sent but following from others, and drawn broken."""
    word = t(f"channel.{name}") if name in CHANNEL_BY_NAME else name
    title = t("trace.computed", name=word) if computed else word
    series = samples.series.get(name)
    if series is None or not any(value is not None for value in series.high):
        return charts.nothing(title, t("trace.none"))
    unit, factor = _shown_unit(series.unit, units)
    times, values = _strokes(samples, name, zone)
    values = [None if value is None else round(value / factor, 2) for value in values]
    known = [value for value in values if value is not None]
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "x": times,
                "y": values,
                "connectgaps": False,
                "line": {"color": "@series", "width": 1.4, "dash": "dot" if computed else "solid"},
                "hovertemplate": "%{x|%d %b %H:%M:%S}: %{y:.1f}<extra></extra>",
            }
        ],
        "layout": charts.layout(
            x_title=t("axis.time", zone=zone.key),
            y_title=f"{word} [{unit}]",
            height=200,
            xaxis=_time_axis(samples, zone),
        ),
    }
    summary = t(
        "trace.between", low=numbers.plain(min(known), 1), high=numbers.plain(max(known), 1), unit=unit
    )
    return charts.chart(
        f"trace-{name}",
        title,
        summary,
        figure,
        headers=("at_utc", f"low_{series.unit}", f"high_{series.unit}"),
        rows=_rows(samples, name),
    )


def _shown_unit(unit: str, units: Units) -> tuple[str, float]:
    """The unit that a channel is shown in, and how many of its own make one of it."""
    if unit == "m":
        return numbers.length_unit(units), numbers.length_factor(units)
    return ("°" if unit == "deg" else unit), 1.0


def modes(samples: SamplesAnswer, zone: ZoneInfo) -> Any:
    """In which mode the crane was and when, one row a mode; where nothing is drawn nothing was recorded."""
    title = t("modes.title")
    runs = mode_runs(samples)
    if not runs:
        return charts.nothing(title, t("modes.none"))
    spent = {
        mode: sum((end - start for start, end, one in runs if one is mode), timedelta()) for mode in Mode
    }
    listed = [mode for mode in Mode if spent[mode]]
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "x": [
                    _local(at, zone) if at else None
                    for s, e, one in runs
                    if one is mode
                    for at in (s, e, None)
                ],
                "y": [t(f"mode.{mode.name.lower()}")] * 3 * sum(one is mode for _, _, one in runs),
                "connectgaps": False,
                "line": {"color": "@act_fill" if mode is Mode.EMERGENCY else "@series", "width": 12},
                "hovertemplate": "%{x|%H:%M:%S} %{y}<extra></extra>",
            }
            for mode in listed
        ],
        "layout": charts.layout(
            x_title=t("axis.time", zone=zone.key),
            y_title="",
            height=92 + 26 * len(listed),
            xaxis={**_time_axis(samples, zone), "nticks": 4, "tickangle": 0},
            yaxis={"type": "category", "range": [-0.6, len(listed) - 0.4]},
        ),
    }
    parts = [
        f"{t(f'mode.{mode.name.lower()}')} {numbers.duration(spent[mode].total_seconds())}" for mode in listed
    ]
    return charts.chart(
        "modes", title, f"{numbers.listed(parts)}.", figure,
        headers=("from_utc", "to_utc", "mode"),
        rows=[(start.isoformat(), end.isoformat(), mode.name.lower()) for start, end, mode in runs],
    )  # fmt: skip


def mode_runs(samples: SamplesAnswer) -> list[tuple[datetime, datetime, Mode]]:
    """Stretches of one mode, oldest first; a gap in the record ends a stretch.

    Where a moment held two modes it counts as the larger one, so that time in emergency mode is never lost.
    """
    series = samples.series.get("mode")
    if series is None:
        return []
    step_ms = samples.bucket_ms or 1000
    apart_ms = 1 if samples.bucket_ms else LONGEST_STEP_MS - step_ms
    runs: list[tuple[int, int, Mode]] = []
    known = {mode.value for mode in Mode}
    for at_ms, value in zip(samples.at_ms, series.high, strict=True):
        if value is None or round(value) not in known:
            continue
        mode = Mode(round(value))
        if runs and at_ms - runs[-1][1] <= apart_ms:
            start, _, before = runs[-1]
            runs[-1] = (start, at_ms, before)
            if before is mode:
                runs[-1] = (start, at_ms + step_ms, mode)
                continue
        runs.append((at_ms, at_ms + step_ms, mode))
    end = samples.time_to
    return [(_utc(start), min(_utc(stop), end), mode) for start, stop, mode in runs]


def _utc(at_ms: int) -> datetime:
    return datetime.fromtimestamp(ms_to_s(at_ms), UTC)


def _time_axis(samples: SamplesAnswer, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "type": "date",
        "range": [_local(samples.time_from, zone), _local(samples.time_to, zone)],
        "tickformatstops": charts.TIMES,
    }


def _local(when: datetime, zone: ZoneInfo) -> str:
    """Plotly knows no zones: it gets the wall clock of the site."""
    return when.astimezone(zone).replace(tzinfo=None).isoformat()


def _strokes(samples: SamplesAnswer, name: str, zone: ZoneInfo) -> tuple[list[str], list[float | None]]:
    """Smallest and largest reading of each time, one after the other: a line that hides no peak."""
    series = samples.series[name]
    times: list[str] = []
    values: list[float | None] = []
    for at_ms, low, high in zip(samples.at_ms, series.low, series.high, strict=True):
        at = (
            datetime.fromtimestamp(ms_to_s(at_ms), zone)
            .replace(tzinfo=None)
            .isoformat(timespec="milliseconds")
        )
        times.append(at)
        values.append(_short(low))
        if samples.reduced and high != low:
            times.append(at)
            values.append(_short(high))
    return times, values


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _event_marks(events: Sequence[EventRow], zone: ZoneInfo, level: float) -> list[dict[str, Any]]:
    traces = []
    for kind, (symbol, colour) in SYMBOLS.items():
        of_kind = [event for event in events if event.kind is kind and event.state is EventState.RAISED]
        if not of_kind:
            continue
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [_local(event.at, zone) for event in of_kind],
                "y": [level] * len(of_kind),
                "marker": {
                    "symbol": symbol,
                    "size": 9,
                    "color": colour,
                    "line": {"color": colour if symbol == "line-ns" else "@ink", "width": 1},
                },
                "text": [f"{t(f'event.{kind}')} {event.code} {event.text}".strip() for event in of_kind],
                "hovertemplate": "%{x|%d %b %H:%M:%S}<br>%{text}<extra></extra>",
            }
        )
    return traces


def _summary(samples: SamplesAnswer, events: Sequence[EventRow], highest: float) -> str:
    stops = sum(event.kind is EventKind.LIMITER_STOP and event.state is EventState.RAISED for event in events)
    overrides = sum(
        event.kind is EventKind.LIMITER_OVERRIDE and event.state is EventState.RAISED for event in events
    )
    words = t("trace.summary", highest=numbers.percent(highest, "least"), stops=stops, overrides=overrides)
    return f"{words} {t('trace.reduced')}" if samples.reduced else words


def _rows(samples: SamplesAnswer, name: str) -> list[tuple[object, ...]]:
    series = samples.series[name]
    return [
        (
            datetime.fromtimestamp(ms_to_s(at), tz=ZoneInfo("UTC")).isoformat().replace("+00:00", "Z"),
            low,
            high,
        )
        for at, low, high in zip(samples.at_ms, series.low, series.high, strict=True)
        if low is not None or high is not None
    ]
