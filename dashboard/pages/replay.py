"""Replay: a recorded span played back, the boom drawn in its pose at every moment."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from anyio import to_thread
from dash import html

from dashboard.pages.crane.tables import shown_span
from dashboard.parts import components, events, page, period, states
from dashboard.parts.components import Player
from dashboard.visit import Visit, together
from domain import attention
from domain.answers import EventRow, Lift
from domain.drawing_answers import PosesAnswer
from domain.messages import EventKind, EventState
from domain.units import MS_PER_MIN, MS_PER_S, ms_to_s
from words import numbers
from words.texts import t

TICKS_MS: Final = [minutes * MS_PER_MIN for minutes in (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 960)]
FRAMES: Final = 40_000  # an hour at 10 Hz, with room
MOST_EVENTS: Final = 500
STOPS_AT: Final = frozenset(
    {EventKind.WARNING, EventKind.LIMITER_STOP, EventKind.LIMITER_OVERRIDE, EventKind.FAULT}
)


async def render_list(visit: Visit) -> Any:
    """Choose a crane; the newest recorded hour of it is played."""
    fleet = await visit.client.fleet(days=7, rates=False)
    if not fleet.rows:
        return html.Div([page.head(t("replay.title")), states.no_fleet()])
    items = [
        html.Li(
            [
                page.link(row.crane, f"/replay/{row.crane}"),
                html.Span(row.title or row.type, className="bl-cell-note"),
                page.age(row.last_at),
            ]
        )
        for row in sorted(fleet.rows, key=lambda row: row.crane)
    ]
    return html.Div(
        [
            page.head(t("replay.title"), t("replay.context")),
            page.card(t("replay.choose"), html.Ul(items, className="bl-life-list")),
        ]
    )


async def render(visit: Visit) -> Any:
    """The span that the address names, or the newest hour with data; it opens at the second named by `at`."""
    name = visit.place["crane"]
    detail = await visit.client.crane(name)
    zone = ZoneInfo(detail.site.time_zone)
    start, end = await shown_span(visit, name, zone)
    samples = await visit.client.poses(name, start, end, points=FRAMES)
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
    if not samples.at_ms:
        return html.Div([head, states.empty(t("replay.empty.title"), t("replay.empty.text"))])
    found, lifts = await together(
        visit.client.events(start, end, crane=name, limit=MOST_EVENTS),
        visit.client.lifts(name, start - timedelta(minutes=30), end),
    )
    player = Player(
        id="replay",
        frames=await to_thread.run_sync(frames_of, samples),
        events=marks_of(getattr(found, "items", ())),
        lifts=loads_of(getattr(lifts, "items", ())),
        curves=[components.lines(one) for one in samples.curves],
        geometry=components.geometry_of(samples.figure),
        carrier=components.carrier_of(samples.figure),
        reach=components.lines(samples.figure.outline),
        reach_m=samples.figure.reach_m,
        states=[state.value for state in attention.State],
        band=[attention.WARNING_PCT, attention.LIMIT_PCT],
        gap_ms=samples.gap_ms,
        ticks_ms=TICKS_MS,
        start_ms=_moment(visit),
        time_from=_iso(start),
        time_to=_iso(end),
        zone=zone.key,
        units=numbers.drawn(visit.units),
        words=_words(name),
    )
    notes = [t("replay.load")]
    if samples.reduced and samples.bucket_ms:
        bucket = f"{numbers.plain(ms_to_s(samples.bucket_ms), 1)} s"
        notes.append(t("replay.reduced", bucket=bucket))
    return html.Div(
        [
            head,
            page.card(t("replay.player"), player, note=" ".join(notes)),
        ]
    )


def _steps(visit: Visit, crane: str, start: datetime, end: datetime) -> list[Any]:
    span = end - start
    back = visit.href(visit.path, **{"from": _iso(start - span), "to": _iso(start)})
    onward = visit.href(visit.path, **{"from": _iso(end), "to": _iso(end + span)})
    return [
        page.button(t("replay.to_trace"), events.trace_address(crane, start, end)),
        page.button(t("replay.back"), back),
        page.button(t("replay.onward"), onward),
    ]


def frames_of(poses: PosesAnswer) -> dict[str, list[Any]]:
    """The lists that the player steps through, by name; what was never read is left out."""
    joints = {f"{'xy'[index % 2]}{index // 2}": values for index, values in enumerate(poses.joints_m)}
    place = {state: index for index, state in enumerate(attention.State)}
    frames: dict[str, Any] = {
        **joints,
        **{name: values for name, values in poses.readings.items() if any(one is not None for one in values)},
        "utilisation_pct": poses.readings["utilisation_pct"],
        "state": [place[attention.utilisation_state(one)] for one in poses.readings["utilisation_pct"]],
        "outreach_m": poses.outreach_m,
        "left_m": poses.left_m,
        "right_m": poses.right_m,
        "rated_kg": poses.rated_kg,
        "curve": poses.curve,
        "at_ms": poses.at_ms,
    }
    return {name: list(values) for name, values in frames.items()}


def marks_of(found: Sequence[EventRow]) -> list[dict[str, Any]]:
    """Events that were raised, oldest first, as the player draws them."""
    return [
        {
            "at_ms": round(event.at.timestamp() * MS_PER_S),
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
            "start_ms": round(lift.started_at.timestamp() * MS_PER_S),
            "end_ms": round(lift.ended_at.timestamp() * MS_PER_S),
            "mass_kg": lift.mass_kg,
        }
        for lift in lifts
        if lift.mass_kg is not None
    ]


def _moment(visit: Visit) -> int | None:
    """The moment that the address asks for [ms], None where it names none."""
    try:
        at = datetime.fromisoformat(visit.query["at"])
    except (KeyError, ValueError):
        return None
    return round(at.replace(tzinfo=at.tzinfo or UTC).timestamp() * MS_PER_S)


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
        **components.drawing_words(),
        "cab": t("drawing.cab"),
        "kinds": {kind.value: t(f"event.{kind}") for kind in EventKind},
    }
