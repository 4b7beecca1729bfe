"""The recorded trace: utilisation against its warning band with events, and any other channel under it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from dashboard import numbers
from dashboard.parts import charts
from dashboard.parts.marks import LIMIT_PCT, WARNING_PCT
from dashboard.texts import t
from domain.answers import EventRow, SamplesAnswer
from domain.channels import CHANNEL_BY_NAME
from domain.messages import EventKind, EventState

SYMBOLS: Final[dict[EventKind, tuple[str, str]]] = {
    EventKind.LIMITER_STOP: ("triangle-down", "@act_fill"),
    EventKind.LIMITER_OVERRIDE: ("diamond", "@act_fill"),
    EventKind.FAULT: ("x", "@act_fill"),
    EventKind.WARNING: ("triangle-up", "@watch_fill"),
    EventKind.MODE_CHANGE: ("line-ns", "@ink_soft"),
    EventKind.SERVICE: ("circle", "@series"),
}


def utilisation(
    samples: SamplesAnswer, events: Sequence[EventRow], zone: ZoneInfo, name: str = "utilisation"
) -> Any:
    """Utilisation over time with the band from 90 % to the limit, and events above it."""
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
            xaxis={"range": [_local(samples.time_from, zone), _local(samples.time_to, zone)]},
            shapes=[
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
                {
                    "type": "line",
                    "xref": "paper",
                    "x0": 0,
                    "x1": 1,
                    "y0": WARNING_PCT,
                    "y1": WARNING_PCT,
                    "line": {"color": "@watch", "width": 1, "dash": "dot"},
                    "layer": "below",
                },
                {
                    "type": "line",
                    "xref": "paper",
                    "x0": 0,
                    "x1": 1,
                    "y0": LIMIT_PCT,
                    "y1": LIMIT_PCT,
                    "line": {"color": "@act", "width": 1.2},
                    "layer": "below",
                },
            ],
            annotations=[
                {
                    "xref": "paper",
                    "x": 0.005,
                    "xanchor": "left",
                    "y": WARNING_PCT,
                    "yanchor": "top",
                    "text": t("trace.near"),
                    "showarrow": False,
                    "font": {"color": "@watch", "size": 11},
                },
                {
                    "xref": "paper",
                    "x": 0.005,
                    "xanchor": "left",
                    "y": LIMIT_PCT,
                    "yanchor": "bottom",
                    "text": t("trace.limit"),
                    "showarrow": False,
                    "font": {"color": "@act", "size": 11},
                },
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
    )


def channel(samples: SamplesAnswer, name: str, zone: ZoneInfo) -> Any:
    """One channel over time."""
    title = t(f"channel.{name}")
    series = samples.series.get(name)
    if series is None or not any(value is not None for value in series.high):
        return charts.nothing(title, t("trace.none"))
    times, values = _strokes(samples, name, zone)
    known = [value for value in (*series.low, *series.high) if value is not None]
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "x": times,
                "y": values,
                "connectgaps": False,
                "line": {"color": "@series", "width": 1.4},
                "hovertemplate": "%{x|%d %b %H:%M:%S}: %{y:.1f}<extra></extra>",
            }
        ],
        "layout": charts.layout(
            x_title=t("axis.time", zone=zone.key),
            y_title=f"{title} [{series.unit}]",
            height=200,
            xaxis={"range": [_local(samples.time_from, zone), _local(samples.time_to, zone)]},
        ),
    }
    summary = t(
        "trace.between",
        low=numbers.plain(min(known), 1),
        high=numbers.plain(max(known), 1),
        unit=CHANNEL_BY_NAME[name].unit,
    )
    return charts.chart(
        f"trace-{name}", title, summary, figure, headers=("at_utc", "low", "high"), rows=_rows(samples, name)
    )


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
            datetime.fromtimestamp(at_ms / 1000, zone).replace(tzinfo=None).isoformat(timespec="milliseconds")
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
    words = t("trace.summary", highest=numbers.percent(highest), stops=stops, overrides=overrides)
    return f"{words} {t('trace.reduced')}" if samples.reduced else words


def _rows(samples: SamplesAnswer, name: str) -> list[tuple[object, ...]]:
    series = samples.series[name]
    return [
        (datetime.fromtimestamp(at / 1000, tz=ZoneInfo("UTC")).isoformat().replace("+00:00", "Z"), low, high)
        for at, low, high in zip(samples.at_ms, series.low, series.high, strict=True)
        if low is not None or high is not None
    ]
