"""Components of our own, drawn in the browser under the same names by the scripts that
assets/main.mjs names, against React as Dash ships it. Each class lists the props that its drawing understands;
Dash refuses any other. assets/types.d.ts has the same props with their types.
"""

from typing import Any, ClassVar

from dash.development.base_component import Component

from domain.drawing_answers import Corners, Drawn, Figure
from words.texts import t


class _Drawn(Component):
    _children_props: ClassVar[list[str]] = []
    _base_nodes: ClassVar[list[str]] = ["children"]
    _namespace = "boomledger"
    _valid_wildcard_attributes: ClassVar[list[str]] = ["data-", "aria-"]
    available_wildcard_properties: ClassVar[list[str]] = ["data-", "aria-"]
    _props: ClassVar[tuple[str, ...]] = ()

    def __init_subclass__(cls) -> None:
        cls._type = cls.__name__

    def __init__(self, **props: Any) -> None:
        self._prop_names = ["id", *self._props]
        self.available_properties = self._prop_names
        super().__init__(**{name: value for name, value in props.items() if value is not None})


class SideView(_Drawn):
    """The boom in side view in its pose, the reach outline, the rated capacity by outreach, and the load.

    geometry: lengths [m] as geometry_of makes them. position: joints, extensions and stabilisers [m] and the capacity
    there [kg], as position_of makes them, None when unknown. With `crane`, each reading of its live feed
    sets `wanted`, and the page sends the position anew. reach: outline of reachable hook points [[x m, y m], ...].
    chart: corners [[outreach m, capacity kg], ...]. lifts: [[outreach m, mass kg, whether near the limit], ...].
    target: {"outreach_m", "hook_height_m"}, a point asked for. tallest: most height of the scene [px].
    load_kg: mass on the hook, drawn where it is known. direct: follow at once, without easing.
    units: how lengths and masses read, as numbers.drawn says. label: what the picture shows, in words.
    """

    _props = (
        "crane",
        "geometry",
        "position",
        "wanted",
        "utilisation_pct",
        "reach",
        "chart",
        "lifts",
        "target",
        "tallest",
        "load_kg",
        "direct",
        "state",
        "units",
        "label",
        "words",
    )


class TopView(_Drawn):
    """The carrier from above: stabilisers run out, the boom at its slewing angle, rings of outreach.

    position: as SideView's, with slew_deg; carrier: its ends [m]; reach_m: outermost ring.
    """

    _props = (
        "position",
        "carrier",
        "reach_m",
        "direct",
        "state",
        "units",
        "label",
        "words",
    )


class Player(_Drawn):
    """A recorded span played back: side and top view, the trace of utilisation with its events, and a scrubber.

    frames: {"at_ms": [...], channel or figure of a position: [number or None, ...]}, times rising; `curve` is a
    place in curves, `state` one in states. events: [{"at_ms", "kind", "text", "mark",
    "stop"}, ...], rising; `mark` is a state of parts.marks, `stop` whether the jump to the next event stops there.
    lifts: [{"start_ms", "end_ms", "mass_kg"}, ...]. curves: charts as SideView's. band: utilisation
    where attention begins and ends [%]. gap_ms: after a longer time nothing is drawn in between. ticks_ms: steps of its
    axis of time, rising. start_ms: where it opens; time_from, time_to: ISO times of the span, for its address.
    """

    _props = (
        "frames",
        "events",
        "lifts",
        "curves",
        "geometry",
        "carrier",
        "reach",
        "reach_m",
        "states",
        "band",
        "gap_ms",
        "ticks_ms",
        "start_ms",
        "time_from",
        "time_to",
        "zone",
        "units",
        "words",
    )


class Age(_Drawn):
    """How long ago something was, counting up by itself; greyed with a word beyond `stale_after_ms`."""

    _props = ("crane", "at", "stale_after_ms", "words")


class LiveFeed(_Drawn):
    """Hands what the server pushes to every live element of the page; holds still while paused.

    data: {crane: {"at": ISO time, "online": bool, "state": of utilisation, "values": {channel: reading}}}.
    """

    _props = ("data", "paused")


class LiveValue(_Drawn):
    """The newest reading of one channel of one crane, kept current by the live feed.

    crane, channel, value; decimals; unit; factor: shown value = value * factor.
    """

    _props = ("crane", "channel", "value", "decimals", "unit", "factor", "missing")


class LiveMark(_Drawn):
    """The state of utilisation as word, shape and colour, kept current: words by state."""

    _props = ("crane", "state", "words")


class LiveBar(_Drawn):
    """Utilisation [%] as a bar against its band, kept current: value, full scale, where attention begins and ends."""

    _props = ("crane", "value", "state", "full", "band", "label")


def shape(tag: str, *inside: Any, **props: Any) -> list[Any]:
    """An element of a drawing as plain values: its tag, its properties as React names them, and what is in it."""
    return [tag, props, *inside]


class Drawing(_Drawn):
    """A drawing in SVG that never changes by itself. tree: its elements, as `shape` makes them.

    One component however many lines it has: each component costs the server and the browser time of its own.
    """

    _props = ("tree",)


class Link(_Drawn):
    """A way to another page that the browser follows without loading anew; unlike that of Dash it takes aria- attributes."""

    _props = ("children", "href", "className", "title")


class Choice(_Drawn):
    """One of a few words, side by side. options: [[key, word], ...]; value: the key chosen; wide: over the whole width."""

    _props = ("value", "options", "label", "wide")


class Go(_Drawn):
    """Leads on to another page at once; the way back does not lead here again. to: its address."""

    _props = ("to",)


def geometry_of(figure: Figure) -> dict[str, Any]:
    """Lengths [m] that `SideView` draws with."""
    return {
        "pivot_height_m": figure.pivot_height_m,
        "knuckle_m": figure.knuckle_m,
        "strokes_m": list(figure.strokes_m),
        "jib_m": figure.jib_m,
        "jib_strokes_m": list(figure.jib_strokes_m),
    }


def carrier_of(figure: Figure) -> dict[str, float]:
    """The carrier seen from above [m] for `TopView`."""
    return {"rear_m": figure.rear_m, "front_m": figure.front_m}


def position_of(drawn: Drawn | None) -> dict[str, float] | None:
    """A position for both views, flat, so that each figure can move; None where it is not known."""
    if drawn is None:
        return None
    flat = joints_of(drawn.joints_m) | {
        "extension_m": drawn.extension_m,
        "jib_extension_m": drawn.jib_extension_m,
        "rated_kg": drawn.rated_kg,
    }
    more = {
        "outreach_m": drawn.outreach_m,
        "slew_deg": drawn.slew_deg,
        "left_m": drawn.left_m,
        "right_m": drawn.right_m,
    }
    return flat | {name: value for name, value in more.items() if value is not None}


def joints_of(joints: Corners) -> dict[str, float]:
    """Joints as x0, y0, x1, y1 and so on [m]."""
    return {
        f"{axis}{index}": point[place]
        for index, point in enumerate(joints)
        for place, axis in enumerate("xy")
    }


def drawing_words() -> dict[str, str]:
    """The words in a side view."""
    return {name: t(f"drawing.{name}") for name in ("rated", "at", "outreach")}


def lines(corners: Corners) -> list[list[float]]:
    """Corners as plain lists."""
    return [list(corner) for corner in corners]
