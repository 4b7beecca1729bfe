"""Replay: a recorded span played back, the boom drawn in its pose at every moment."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import product
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from anyio import to_thread
from dash import dcc, html

from dashboard import numbers
from dashboard.pages.crane_tables import shown_span
from dashboard.parts import events, geometry, page, period, states
from dashboard.parts.components import Player
from dashboard.texts import t
from dashboard.visit import Visit, together
from domain.answers import CraneDetail, EventRow, SamplesAnswer
from domain.crane import Spread
from domain.lift import Lift
from domain.messages import EventKind, EventState

CHANNELS: Final = ("utilisation_pct", *geometry.POSE_CHANNELS, "slew_deg", "outreach_m")
FRAMES: Final = 40_000  # an hour at 10 Hz, with room
MOST_EVENTS: Final = 500
STOPS_AT: Final = frozenset(
    {EventKind.WARNING, EventKind.LIMITER_STOP, EventKind.LIMITER_OVERRIDE, EventKind.FAULT}
)
_DECIMALS: Final = {"extension_m": 2, "jib_extension_m": 2, "outreach_m": 2}


async def render_list(visit: Visit) -> Any:
    """Choose a crane; the newest recorded hour of it is played."""
    fleet = await visit.client.fleet(days=7, rates=False)
    if not fleet.rows:
        return html.Div(
            [page.head(t("replay.title")), states.empty(t("fleet.empty.title"), t("fleet.empty.text"))]
        )
    items = [
        html.Li(
            [
                dcc.Link(row.crane, href=f"/replay/{row.crane}", className="bl-link"),
                html.Span(row.title or row.type, className="bl-cell-note"),
                page.age(row.last_at),
            ]
        )
        for row in sorted(fleet.rows, key=lambda row: row.crane)
    ]
    return html.Div(
        [
            page.head(t("replay.title"), t("replay.context")),
            html.Section(
                [html.H2(t("replay.choose")), html.Ul(items, className="bl-life-list")], className="bl-card"
            ),
        ]
    )


async def render(visit: Visit) -> Any:
    """The span that the address names, or the newest hour with data; it opens at the second named by `at`."""
    name = visit.place["crane"]
    detail = await visit.client.crane(name)
    zone = ZoneInfo(detail.site.time_zone)
    start, end = await shown_span(visit, name, zone)
    samples = await visit.client.samples(name, start, end, channels=CHANNELS, points=FRAMES)
    context = t(
        "trace.span",
        start=numbers.moment(start, zone, seconds=True),
        end=numbers.moment(end, zone, seconds=True),
        samples=numbers.plain(samples.recorded_samples),
    )
    head = html.Div(
        [
            page.head(t("replay.of", crane=name), context, *_steps(visit, name, start, end)),
            period.span_form(visit, start, end, zone),
        ]
    )
    frames = await to_thread.run_sync(frames_of, samples)
    if not frames["at_ms"]:
        return html.Div([head, states.empty(t("replay.empty.title"), t("replay.empty.text"))])
    found, lifts = await together(
        visit.client.events(start, end, crane=name, limit=MOST_EVENTS),
        visit.client.lifts(name, start - timedelta(minutes=30), end),
    )
    player = Player(
        id="replay",
        frames=frames,
        events=marks_of(getattr(found, "items", ())),
        lifts=loads_of(getattr(lifts, "items", ())),
        curves=_curves((await visit.client.charts(name)).charts),
        **_drawn(detail),
        start_ms=_moment(visit),
        time_from=_iso(start),
        time_to=_iso(end),
        zone=zone.key,
        units=visit.units.value,
        words=_words(name),
    )
    notes = [t("replay.load")]
    if samples.reduced and samples.bucket_ms:
        bucket = f"{numbers.plain(samples.bucket_ms / 1000, 1)} s"
        notes.append(t("replay.reduced", bucket=bucket))
    return html.Div(
        [
            head,
            html.Section(
                [html.H2(t("replay.player")), html.P(" ".join(notes), className="bl-summary"), player],
                className="bl-card",
            ),
        ]
    )


def _steps(visit: Visit, crane: str, start: datetime, end: datetime) -> list[Any]:
    span = end - start
    back = visit.href(visit.path, **{"from": _iso(start - span), "to": _iso(start)})
    onward = visit.href(visit.path, **{"from": _iso(end), "to": _iso(end + span)})
    return [
        dcc.Link(
            t("replay.to_trace"),
            href=events.trace_address(crane, start, end),
            className="bl-button bl-button-quiet",
        ),
        dcc.Link(t("replay.back"), href=back, className="bl-button bl-button-quiet"),
        dcc.Link(t("replay.onward"), href=onward, className="bl-button bl-button-quiet"),
    ]


def frames_of(samples: SamplesAnswer) -> dict[str, list[Any]]:
    """Readings by channel at the times that have a pose; the middle of the extremes where samples are reduced."""
    nothing = np.full(len(samples.at_ms), np.nan)
    columns = dict.fromkeys(CHANNELS, nothing)
    for name, series in samples.series.items():
        low, high = (np.array(values, dtype=float) for values in (series.low, series.high))
        columns[name] = np.round((low + high) / 2, _DECIMALS.get(name, 1))
    kept = np.isfinite(columns["main_boom_deg"])
    frames: dict[str, list[Any]] = {"at_ms": np.array(samples.at_ms, dtype=np.int64)[kept].tolist()}
    for name, values in columns.items():
        if np.isfinite(values[kept]).any():
            frames[name] = [None if value != value else value for value in values[kept].tolist()]
    return {"utilisation_pct": [None] * len(frames["at_ms"]), **frames}


def marks_of(found: Sequence[EventRow]) -> list[dict[str, Any]]:
    """Events that were raised, oldest first, as the player draws them."""
    return [
        {
            "at_ms": round(event.at.timestamp() * 1000),
            "kind": event.kind.value,
            "text": " ".join(part for part in (events.word_of(event), event.code, event.text) if part),
            "mark": events.state_of(event).value,
            "stop": event.kind in STOPS_AT,
        }
        for event in sorted(found, key=lambda event: event.at)
        if event.state is EventState.RAISED
    ]


def loads_of(lifts: Sequence[Lift]) -> list[dict[str, Any]]:
    """What hung on the hook and when, where a mass could be estimated."""
    return [
        {
            "start_ms": round(lift.started_at.timestamp() * 1000),
            "end_ms": round(lift.ended_at.timestamp() * 1000),
            "mass_kg": lift.mass_kg,
        }
        for lift in lifts
        if lift.mass_kg is not None
    ]


def _curves(charts: Any) -> dict[str, list[list[float]]]:
    """The rated capacity for every pair of stabiliser states, by "left-right"."""
    return {
        f"{left}-{right}": geometry.capacity_curve(charts, left, right)
        for left, right in product(Spread, Spread)
    }


def _drawn(detail: CraneDetail) -> dict[str, Any]:
    reach = geometry.reach_outline(detail.crane.type)
    return {
        "geometry": geometry.geometry_of(detail.crane.type),
        "carrier": geometry.carrier_of(detail.crane.type),
        "reach": reach,
        "reach_m": max((point[0] for point in reach), default=10.0),
    }


def _moment(visit: Visit) -> int | None:
    """The moment that the address asks for [ms], None where it names none."""
    try:
        at = datetime.fromisoformat(visit.query["at"])
    except (KeyError, ValueError):
        return None
    return round(at.replace(tzinfo=at.tzinfo or UTC).timestamp() * 1000)


def _iso(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _words(name: str) -> dict[str, Any]:
    return {
        "side": t("replay.side", crane=name),
        "top": t("replay.top", crane=name),
        "trace": t("replay.trace", crane=name),
        "play": t("replay.play"),
        "hold": t("replay.hold"),
        "speed": t("replay.speed"),
        "place": t("replay.place"),
        "event_next": t("replay.event.next"),
        "event_before": t("replay.event.before"),
        "link": t("replay.link"),
        "gap": t("replay.gap"),
        "rated": t("drawing.rated"),
        "at": t("drawing.at"),
        "outreach": t("drawing.outreach"),
        "cab": t("drawing.cab"),
        "kinds": {kind.value: t(f"event.{kind}") for kind in EventKind},
    }
