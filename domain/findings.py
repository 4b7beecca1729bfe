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


@dataclass(frozen=True, kw_only=True, slots=True)
class FindingWords:
    """What a finding means: what it is, the figures it moves and which way, and what to do."""

    title: str
    figures: str  # what it moves
    moves: Moves
    consequence: str
    next_step: str
    unit: str  # of its size


_WRONG_MASS: Final = "lifts, masses, used share and damage"
FINDING_WORDS: Final[Mapping[FindingCode, FindingWords]] = {
    FindingCode.SENSOR_STUCK: FindingWords(
        title="Reading stuck",
        figures="lifts, used share, damage, near-limit share",
        moves="too low",
        consequence="Lifts and cycles are not seen while a reading stands still; stuck near 100 %, near-limit time is too long.",
        next_step="Look at the trace, have the sensor and its cable checked, and exclude the span.",
        unit="min",
    ),
    FindingCode.SENSOR_SATURATED: FindingWords(
        title="Reading goes no higher",
        figures="used share, damage, masses, near-limit share",
        moves="too low",
        consequence="Whatever is heavier reads the same: peaks and cycles are cut at this value.",
        next_step="Look at the trace, have the range of the sensor and the scale at the sender checked, and exclude the span.",
        unit="%",
    ),
    FindingCode.SPIKES: FindingWords(
        title="Spikes",
        figures="used share, damage, largest peak",
        moves="too high",
        consequence="Spikes told from peaks do not count; where samples are too seldom to tell, they count as peaks.",
        next_step="Look at the trace, have plugs and shielding checked; exclude the span where peaks cannot be true.",
        unit="%",
    ),
    FindingCode.ZERO_DRIFT: FindingWords(
        title="Zero drifts",
        figures="used share, damage, masses",
        moves="either way",
        consequence="Every peak is off by the drift: a rising zero makes used share and damage too high, a falling one too low.",
        next_step="Have the pressure zero set with the booms folded and the hook empty, and enter the calibration.",
        unit="%",
    ),
    FindingCode.ZERO_OFFSET: FindingWords(
        title="Zero off",
        figures="used share, damage, masses",
        moves="either way",
        consequence="Every peak is off by as much: a zero that reads high makes used share and damage too high, a low one too low.",
        next_step="Check the zero with the booms folded and the hook empty, boom masses of the type, and attachments.",
        unit="%",
    ),
    FindingCode.CALIBRATION_JUMP: FindingWords(
        title="Calibration jumped",
        figures="used share, damage, masses",
        moves="either way",
        consequence="Peaks before and after cannot be compared: one side is off by the jump.",
        next_step="Ask what was done to the crane that day; enter the calibration, or exclude the side that is wrong.",
        unit="%",
    ),
    FindingCode.SCALE_WRONG: FindingWords(
        title="Scale or sign wrong",
        figures="lifts, masses, used share, damage",
        moves="too low",
        consequence="Of what the booms alone cause only this share is read, and of every load: scale or sign is wrong.",
        next_step="Check scale and sign of utilisation, limit_pct and the boom masses of the type with a known load; exclude the span.",
        unit="%",
    ),
    FindingCode.FRACTION_FOR_PERCENT: FindingWords(
        title="Fraction sent for percent",
        figures="lifts, used share, damage, near-limit share",
        moves="too low",
        consequence="Loads read a hundredth of what they are: no lift is found and nothing is used up.",
        next_step="Have the sender multiply the reading by 100, and exclude what was recorded so.",
        unit="%",
    ),
    FindingCode.RADIANS_FOR_DEGREES: FindingWords(
        title="Radians sent for degrees",
        figures="lifts, masses, outreach",
        moves="either way",
        consequence="The boom position is wrong, and with it the booms' own share of the load, lifts and masses.",
        next_step="Have the sender convert angles to degrees, and exclude the channel for the time before.",
        unit="deg",
    ),
    FindingCode.LENGTH_UNIT: FindingWords(
        title="Wrong unit of length",
        figures="lifts, masses, outreach",
        moves="either way",
        consequence="The boom position is wrong, and with it the booms' own share of the load, lifts and masses.",
        next_step="Have the sender convert lengths to metres, and exclude the channel for the time before.",
        unit="m",
    ),
    FindingCode.ANGLE_OUT_OF_GEOMETRY: FindingWords(
        title="Angle outside the crane's geometry",
        figures="lifts, masses, outreach",
        moves="either way",
        consequence="The boom position is wrong, and with it the booms' own share of the load, lifts and masses.",
        next_step="Check zero and sign of the angle sensor, and the working angles entered for the type.",
        unit="deg",
    ),
    FindingCode.EXTENSION_OUT_OF_STROKE: FindingWords(
        title="Extension longer than its stroke",
        figures="lifts, masses, outreach",
        moves="either way",
        consequence="The outreach is wrong, and with it the booms' own share of the load, lifts and masses.",
        next_step="Check the extension sensor and the strokes entered for the type.",
        unit="m",
    ),
    FindingCode.OUTREACH_MISFIT: FindingWords(
        title="Outreach does not fit the boom position",
        figures="lifts, masses, outreach",
        moves="either way",
        consequence="Outreach sent and outreach by the angles differ: extension, an angle or the type is wrong.",
        next_step="Compare both at a known boom position; check extension sensor, angles, jib and type.",
        unit="m",
    ),
    FindingCode.LIMIT_ZERO: FindingWords(
        title="Limit sent as 0",
        figures="used share, damage, cycles",
        moves="too low",
        consequence="Structural percent is 0 whatever hangs on the hook: nothing is used up.",
        next_step="Have the sender leave limit_pct out where it is not known, and exclude the channel for the time before.",
        unit="h",
    ),
    FindingCode.LIMIT_LOW: FindingWords(
        title="Limit stays far too low",
        figures="used share, damage, cycles, masses",
        moves="too low",
        consequence="Structural percent and masses are cut to this share of what hangs on the hook: little is used up.",
        next_step="Have the sender send the moment allowed now in percent of the full rating, and exclude the channel for the time before.",
        unit="%",
    ),
    FindingCode.MODE_STUCK: FindingWords(
        title="Transport while the crane works",
        figures="lifts, used share, masses",
        moves="too low",
        consequence="In transport no lift is looked for: what the crane lifts meanwhile is not counted.",
        next_step="Have the mode at the sender checked, and exclude the channel mode for the time before: then lifts are found.",
        unit="min",
    ),
    FindingCode.LIMIT_MISSING: FindingWords(
        title="Limit not sent",
        figures="used share, damage, cycles",
        moves="too high",
        consequence="100 % was assumed: where stability lowers the limit, structural percent is read too high.",
        next_step="Have the sender add limit_pct. Until then read used share and damage as upper ends.",
        unit="h",
    ),
    FindingCode.BOOTS_OVERLAP: FindingWords(
        title="Two senders at once",
        figures="lifts, used share, damage, coverage",
        moves="either way",
        consequence="Readings of two boxes are mixed: lifts run together or fall apart. The time counts as missing too.",
        next_step="See which boxes send under this name and give each crane its own; set the clock where there is only one.",
        unit="h",
    ),
    FindingCode.CLOCK_SET_BACK: FindingWords(
        title="Clock set back",
        figures="lifts, used share, damage, coverage",
        moves="either way",
        consequence="The same time was written twice and readings are mixed. The time counts as missing too.",
        next_step="Let the sender draw a new boot when its clock is set, keep the clock set, and state the true step.",
        unit="h",
    ),
    FindingCode.CLOCK_BEHIND: FindingWords(
        title="Clock behind",
        figures="days, coverage, forecast",
        moves="either way",
        consequence="Messages come a day or more late as fast as they are recorded: duty stands on days on which it was not done, and is missing where it was.",
        next_step="Compare the sender's clock with the time, and set it; correct what came before by an offset under Data health (Corrected clocks). Where the clock is right, an outbox does not catch up.",
        unit="h",
    ),
    FindingCode.CLOCK_AHEAD: FindingWords(
        title="Clock ahead: messages refused",
        figures="lifts, used share, damage, coverage",
        moves="too low",
        consequence="What was refused is not counted. The time counts as missing.",
        next_step="Set the clock of the sender; correct the refused messages by an offset under Data health (Corrected clocks): they are then judged again.",
        unit="h",
    ),
    FindingCode.TIME_HOLE: FindingWords(
        title="Time between messages missing",
        figures="lifts, used share, damage, coverage",
        moves="too low",
        consequence="No message number is left out, and time is: the sender paused, states too short a step, or its clock was set ahead. The time counts as missing.",
        next_step="Have the sender send without a pause while it is on, state its true step, and draw a new boot where it pauses or its clock is set.",
        unit="h",
    ),
    FindingCode.SEQ_REPEATED: FindingWords(
        title="Message numbers do not count up",
        figures="coverage, used share",
        moves="too low",
        consequence="Several messages of one start have one number: what is missing cannot be seen. Coverage is not known, and f1 is 1.5 at least.",
        next_step="Have the sender count seq up by one for each message, and draw a new boot at each start.",
        unit="h",
    ),
    FindingCode.OVERLOAD: FindingWords(
        title="Far above the rating",
        figures="used share, damage, largest peak",
        moves="too high",
        consequence="A limiter stops long before: where such readings are not true, used share and damage are too high.",
        next_step="Look at the trace. Where it is true, have the crane inspected; where not, have the sensor calibrated, and exclude the span.",
        unit="%",
    ),
    FindingCode.LIFTS_APART: FindingWords(
        title="Lifts and cycles far apart",
        figures="lifts, used share, class of use",
        moves="either way",
        consequence="Large cycles of the same readings say that lifts were missed, run together or made up.",
        next_step="Look at the trace of such a week: attachment, zero, boom masses, boom position.",
        unit="cycles/lift",
    ),
    FindingCode.SAMPLES_TOO_SELDOM: FindingWords(
        title="Samples too seldom",
        figures="lifts, peaks, used share, damage",
        moves="too low",
        consequence="Short lifts are not seen and peaks are cut.",
        next_step="Set the sender to one sample a second or faster while the crane works.",
        unit="h",
    ),
    FindingCode.POSE_MISSING: FindingWords(
        title="Boom position not known",
        figures="lifts, masses, outreach",
        moves="either way",
        consequence="Lifts are found from percent alone: an empty boom far out may count, a light load may not. No masses.",
        next_step="Have angles and extension sent, those of the jib too, or their sensors looked at.",
        unit="h",
    ),
    FindingCode.SENSOR_GAP: FindingWords(
        title="Utilisation missing",
        figures="lifts, used share, damage, coverage",
        moves="too low",
        consequence="What was lifted meanwhile is not counted; coverage falls and f1 rises.",
        next_step="Have the utilisation sensor, its cable and the controller looked at.",
        unit="h",
    ),
    FindingCode.GAPS_UNDER_LOAD: FindingWords(
        title="Utilisation missing under load",
        figures="used share, damage, masses, near-limit share",
        moves="too low",
        consequence="Readings stop where the load is high: the heaviest of the work is not counted.",
        next_step="Look at the trace, have the range of the sensor, its cable and the limits of the sender checked.",
        unit="gaps",
    ),
    FindingCode.READINGS_REFUSED: FindingWords(
        title="Readings out of range",
        figures="lifts, used share, damage, masses",
        moves="either way",
        consequence="They count as missing: without utilisation nothing is counted meanwhile, without a boom position no masses.",
        next_step="65535 is a sensor that is not connected, thousands for a length are millimetres: mend sensor or unit at the sender.",
        unit="readings",
    ),
    FindingCode.UNKNOWN_CHANNEL: FindingWords(
        title="Name that is no channel",
        figures="lifts, used share, damage, masses, coverage",
        moves="too low",
        consequence="What is sent under this name is not read: where it is meant for utilisation, nothing is counted.",
        next_step="Have the sender use the name of the channel, see docs/nomenclature.md; the newest such messages are kept.",
        unit="readings",
    ),
    FindingCode.MESSAGES_REFUSED: FindingWords(
        title="Messages that could not be read",
        figures="lifts, used share, damage, coverage",
        moves="too low",
        consequence="What they hold is not counted, and where their numbers cannot be read it is not known how much is missing.",
        next_step="See their reasons under Data health, mend the sender, and run: boomledger quarantine replay.",
        unit="messages",
    ),
}


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
