"""What is wrong with the readings of a crane: codes, the words of each, and what the api answers."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Final, Literal

from pydantic import AwareDatetime, Field

from domain.answers import Answer
from domain.errors import InvalidInput


class FindingCode(StrEnum):
    """What was found. Codes are stable: alerts and other programs name them."""

    SENSOR_STUCK = "sensor_stuck"
    SENSOR_SATURATED = "sensor_saturated"
    READINGS_REPEATED = "readings_repeated"
    READINGS_SMOOTHED = "readings_smoothed"
    SPIKES = "spikes"
    ZERO_DRIFT = "zero_drift"
    ZERO_OFFSET = "zero_offset"
    CALIBRATION_JUMP = "calibration_jump"
    SCALE_WRONG = "scale_wrong"
    FRACTION_FOR_PERCENT = "fraction_for_percent"
    RADIANS_FOR_DEGREES = "radians_for_degrees"
    LENGTH_UNIT = "length_unit"
    ANGLE_OUT_OF_GEOMETRY = "angle_out_of_geometry"
    EXTENSION_OUT_OF_STROKE = "extension_out_of_stroke"
    OUTREACH_MISFIT = "outreach_misfit"
    LIMIT_ZERO = "limit_zero"
    LIMIT_LOW = "limit_low"
    LIMIT_MISSING = "limit_missing"
    LIMIT_MISFIT = "limit_misfit"
    MODE_STUCK = "mode_stuck"
    BOOTS_OVERLAP = "boots_overlap"
    CLOCK_SET_BACK = "clock_set_back"
    CLOCK_BEHIND = "clock_behind"
    CLOCK_AHEAD = "clock_ahead"
    TIME_HOLE = "time_hole"
    SEQ_REPEATED = "seq_repeated"
    OVERLOAD = "overload"
    LIFTS_APART = "lifts_apart"
    SAMPLES_TOO_SELDOM = "samples_too_seldom"
    POSE_MISSING = "pose_missing"
    SENSOR_GAP = "sensor_gap"
    GAPS_UNDER_LOAD = "gaps_under_load"
    READINGS_REFUSED = "readings_refused"
    UNKNOWN_CHANNEL = "unknown_channel"
    MESSAGES_REFUSED = "messages_refused"


Moves = Literal["too high", "too low", "either way"]


MOVES_AND_UNIT: Final[Mapping[FindingCode, tuple[Moves, str]]] = {
    FindingCode.SENSOR_STUCK: ("too low", "min"),
    FindingCode.SENSOR_SATURATED: ("too low", "%"),
    FindingCode.READINGS_REPEATED: ("too low", "h"),
    FindingCode.READINGS_SMOOTHED: ("too low", "h"),
    FindingCode.SPIKES: ("too high", "%"),
    FindingCode.ZERO_DRIFT: ("either way", "%"),
    FindingCode.ZERO_OFFSET: ("either way", "%"),
    FindingCode.CALIBRATION_JUMP: ("either way", "%"),
    FindingCode.SCALE_WRONG: ("too low", "%"),
    FindingCode.FRACTION_FOR_PERCENT: ("too low", "%"),
    FindingCode.RADIANS_FOR_DEGREES: ("either way", "deg"),
    FindingCode.LENGTH_UNIT: ("either way", "m"),
    FindingCode.ANGLE_OUT_OF_GEOMETRY: ("either way", "deg"),
    FindingCode.EXTENSION_OUT_OF_STROKE: ("either way", "m"),
    FindingCode.OUTREACH_MISFIT: ("either way", "m"),
    FindingCode.LIMIT_ZERO: ("too low", "h"),
    FindingCode.LIMIT_LOW: ("too low", "%"),
    FindingCode.MODE_STUCK: ("too low", "min"),
    FindingCode.LIMIT_MISSING: ("too high", "h"),
    FindingCode.LIMIT_MISFIT: ("either way", "%"),
    FindingCode.BOOTS_OVERLAP: ("either way", "h"),
    FindingCode.CLOCK_SET_BACK: ("either way", "h"),
    FindingCode.CLOCK_BEHIND: ("either way", "h"),
    FindingCode.CLOCK_AHEAD: ("too low", "h"),
    FindingCode.TIME_HOLE: ("too low", "h"),
    FindingCode.SEQ_REPEATED: ("too low", "h"),
    FindingCode.OVERLOAD: ("too high", "%"),
    FindingCode.LIFTS_APART: ("either way", "cycles/lift"),
    FindingCode.SAMPLES_TOO_SELDOM: ("too low", "h"),
    FindingCode.POSE_MISSING: ("either way", "h"),
    FindingCode.SENSOR_GAP: ("too low", "h"),
    FindingCode.GAPS_UNDER_LOAD: ("too low", "gaps"),
    FindingCode.READINGS_REFUSED: ("either way", "readings"),
    FindingCode.UNKNOWN_CHANNEL: ("too low", "readings"),
    FindingCode.MESSAGES_REFUSED: ("too low", "messages"),
}
"""Which way a finding moves the figures that rest on it, and the unit of its size. Its words stand in the catalogue."""


@dataclass(frozen=True, kw_only=True)
class Thresholds:
    """From when something is told. Own choices, with reasons in docs/method.md; settable for an installation."""

    stuck_min: float = 15.0  # minutes in which other channels moved while one stood still to the last bit
    still_min: float = 60.0  # minutes at one utilisation of 20 % or more, whatever moves
    frozen_min: float = 50.0  # minutes in which utilisation moved while all booms stood still to the last bit
    transport_min: float = 10.0  # minutes in transport mode in which the crane worked
    scale_off: float = 0.2  # of the booms' own part of utilisation, not read
    limit_low_pct: float = 30.0  # a limit that stays at one value below it
    saturated_min: float = 8.0  # minutes in which utilisation moved up to the same largest reading of the day
    spikes_a_day: float = 3.0
    zero_drift_pct: float = 1.5  # of the full structural rating, against the oldest weeks of half a year
    zero_offset_pct: float = 2.5
    zero_jump_pct: float = 2.5  # from one recorded day to the next
    hole_share: float = (
        0.01  # of the time in use, between messages without a number left out; or not counted up
    )
    overload_pct: float = 150.0  # of utilisation
    angle_slack_deg: float = 5.0
    length_slack_m: float = 0.5
    misfit_share: float = 0.2  # of the time with both, more than 1 m apart
    limit_zero_min: float = 1.0
    limit_missing_share: float = 0.5
    limit_followed: float = 0.5  # of what a limit that changes under load moves utilisation by, against it
    lifts_apart: float = 2.5  # cycles of 15 % or more for each lift, or a tenth of a cycle
    seldom_share: float = 0.5  # of the time, with a step of more than 3 s
    pose_missing_share: float = 0.3
    sensor_gap_min: float = 15.0
    gaps_under_load: float = (
        10.0  # a day, that begin from 30 % on, far more often than the time there explains
    )
    refused_readings: float = 10.0  # of one channel and day, out of its range or under no known name
    messages_refused: float = 1.0  # a day, in quarantine

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not value > 0:
                raise InvalidInput(f"{name} is {value}: give more than 0", field=name)


DEFAULT_THRESHOLDS: Final = Thresholds()


class FindingRow(Answer):
    """One thing that is wrong with the readings of a crane over some days. Days without it may lie between."""

    crane: str
    code: FindingCode
    title: str
    channel: str = Field(description="the channel that shows it; empty where it is of the whole record")
    day_from: date
    day_to: date
    days: int = Field(description="local days on which it was found")
    from_at: AwareDatetime = Field(description="its worst stretch: where to look at the trace")
    to_at: AwareDatetime
    size: float = Field(description="on the worst day, in `unit`")
    unit: str
    least: float | None = Field(
        default=None,
        description="smallest of the readings that were out of their channel's range, in its unit",
    )
    most: float | None = Field(default=None, description="the largest of them")
    figures: str = Field(description="the figures that it moves")
    moves: Moves
    consequence: str
    next_step: str
