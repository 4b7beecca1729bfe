"""What the api answers for drawings: the page draws it and computes nothing."""

from datetime import date

from pydantic import AwareDatetime, Field

from domain.answers import Answer
from domain.crane import Spread
from domain.dispatch_answers import DispatchCandidate, DispatchQuestion
from domain.job import Value
from domain.messages import CraneName

Corners = tuple[tuple[float, float], ...]


class Figure(Answer):
    """A crane as it is drawn in any position; lengths in metres."""

    crane: str
    outline: Corners = Field(description="hook points that the booms reach, seen from the side")
    reach_m: float
    pivot_height_m: float
    knuckle_m: float = Field(description="knuckle boom without its extensions")
    strokes_m: tuple[float, ...]
    jib_m: float | None
    jib_strokes_m: tuple[float, ...]
    spread_none_m: float = Field(description="slewing axis to pad, stabiliser retracted")
    rear_m: float = Field(description="ends of the carrier along its length, from the slewing axis")
    front_m: float


class Drawn(Answer):
    """One position of a crane. Points are (outreach, height) of pivot, knuckle joint, tip and, with a fly jib, its tip."""

    joints_m: Corners
    extension_m: float = 0.0
    jib_extension_m: float = 0.0
    slew_deg: float | None = None
    left_m: float | None = Field(default=None, description="slewing axis to pad; None where not read")
    right_m: float | None = None
    spread_left: Spread = Field(description="the charted spread that is reached; retracted where not read")
    spread_right: Spread
    outreach_m: float | None = Field(description="None where a length of the boom is not read")
    hook_height_m: float | None
    rated_kg: float = Field(
        description="rated capacity in this position and set-up; 0 without a chart for it, or where a length is not read"
    )
    curve: Corners = Field(
        description="rated capacity [kg] over outreach [m] in this set-up and at this height"
    )


class DrawingAnswer(Answer):
    """A crane for drawing, where it stood last and the lines of its charts."""

    figure: Figure
    on: date
    at: AwareDatetime | None = Field(description="time of the readings behind `now`")
    now: Drawn | None = Field(description="None where the position is not known")
    lines: tuple[Corners, ...] = Field(
        description="rated capacity over outreach, one for each chart in force"
    )


class PosesAnswer(Answer):
    """Positions of a crane over a range, one an entry of each list; None where something was not read."""

    figure: Figure
    at_ms: tuple[int, ...] = Field(description="UTC, milliseconds since 1970-01-01, rising")
    recorded_samples: int
    reduced: bool
    bucket_ms: int | None
    gap_ms: int = Field(description="a longer time between two positions is a gap: nothing is known in it")
    joints_m: tuple[tuple[float, ...], ...] = Field(
        description="x and y of each joint in turn, each a list over time"
    )
    readings: dict[str, tuple[float | None, ...]] = Field(
        description="utilisation_pct, extension_m, jib_extension_m, slew_deg"
    )
    outreach_m: tuple[float | None, ...] = Field(
        description="the farthest of the samples of a moment; None where a length of the boom is not read"
    )
    left_m: tuple[float, ...]
    right_m: tuple[float, ...]
    rated_kg: tuple[float, ...]
    curve: tuple[int, ...] = Field(description="index into curves")
    curves: tuple[Corners, ...]


class LiftDrawingAsked(Value):
    """One crane at one job, to be drawn."""

    crane: CraneName
    job: DispatchQuestion


class LiftDrawing(Answer):
    """One crane at one job: a possible position at the hook point, and the line that its capacity is read from."""

    figure: Figure
    candidate: DispatchCandidate
    joints_m: Corners = Field(
        description="empty where no position without a fly jib gets there; a hook height that is not entered is drawn at 2 m"
    )
    curve: Corners
    planned: Corners = Field(description="the same, as far as the planning limit allows")
    far_m: float = Field(description="the outreach that the capacity is read at")
