"""From where a figure needs attention, and how much: the steps that every screen, ranking and count shares.

Steps without a source are this product's own, meant for ranking; no standard sets them. The crane's limiter and its
manual decide on the crane.
"""

from datetime import date
from enum import StrEnum
from typing import Final

from domain.units import S_PER_DAY

WARNING_PCT: Final = (
    90  # of utilisation: first warning, and near the limit from here; common practice, no source
)
LIMIT_PCT: Final = 100
NEAR_WATCH_PCT: Final = 2.0  # share of the time under load near the limit
NEAR_ACT_PCT: Final = 5.0
REVIEW_SHARE: Final = 0.95
"""Used share at which French practice orders a special evaluation (Depale and Bennebach, Procedia Structural Integrity 38,
2022, p. 321); a crane may have its own."""
REVIEW_EARLY: Final = 0.15  # so much used share before the review an early word
DUE_SOON_DAYS: Final = 30  # before a service
ASSESSMENT_SOON_DAYS: Final = 180  # an expert engineer has to be found and the crane taken out of work
NO_MORE_WORK_DAYS: Final = 90  # before a special assessment a crane is given no more work than it has
PACE_KNOWN_AFTER_DAYS: Final = 21  # on record of late; before, nobody knows how fast a crane uses its life
SILENT_AFTER_S: Final = float(S_PER_DAY)  # without a word from a crane
STALE_AFTER_S: Final = 300  # a reading is no longer what is
THIN_HEADROOM_PCT: Final = 10.0  # points of rated capacity below the planning limit
BIAS_WATCH_PCT: Final = 5.0  # mean difference of planned and actual utilisation, points
EVEN_BAND: Final = 0.15  # a crane within this share of its even pace is left as it is


class State(StrEnum):
    """How much attention something needs."""

    OK = "ok"
    WATCH = "watch"
    ACT = "act"
    STALE = "stale"  # not known, or not known any more

    @property
    def urgency(self) -> int:
        """A rank to sort by: the more attention something needs, the larger."""
        return (State.OK, State.STALE, State.WATCH, State.ACT).index(self)


def near_limit_state(near_limit_pct: float | None) -> State:
    """Attention by share of the time under load near the limit [%]: from 2 % watch, from 5 % act."""
    return _stepped(near_limit_pct, NEAR_WATCH_PCT, NEAR_ACT_PCT)


def life_state(used_share: float | None, review_at_share: float) -> State:
    """Attention by used share of the design working period: act from the crane's review share, watch from 0.15 below."""
    return _stepped(used_share, max(review_at_share - REVIEW_EARLY, 0.0), review_at_share)


def utilisation_state(utilisation_pct: float | None, age_s: float | None = 0.0) -> State:
    """Attention by utilisation [%]; not known any more where the reading is stale."""
    return State.STALE if stale(age_s) else _stepped(utilisation_pct, WARNING_PCT, LIMIT_PCT)


def due_state(due_on: date | None, today: date) -> State:
    """Attention by the day of a service: past it act, soon watch; OK where none is known."""
    return _by_day(due_on, today, DUE_SOON_DAYS)


def assessment_state(due_on: date | None, today: date) -> State:
    """Attention by the day of a special assessment: past it act, soon watch; OK where none is known."""
    return _by_day(due_on, today, ASSESSMENT_SOON_DAYS)


def silent(age_s: float | None) -> bool:
    """Whether nothing came from a crane for a day, or ever."""
    return age_s is None or age_s > SILENT_AFTER_S


def stale(age_s: float | None) -> bool:
    """Whether a reading of this age is no longer what is, or there is none."""
    return age_s is None or age_s > STALE_AFTER_S


def thin(headroom_pct: float | None) -> bool:
    """Whether little headroom is left to the planning limit [points]; False where it is not known."""
    return headroom_pct is not None and headroom_pct < THIN_HEADROOM_PCT


def biased(mean_difference_pct: float) -> bool:
    """Whether actual utilisation lies off the planned one by more than chance of a plan [points]."""
    return abs(mean_difference_pct) > BIAS_WATCH_PCT


def overworked(pace_ratio: float) -> bool:
    """Whether a crane uses its life faster than its even pace, by the ratio of both."""
    return pace_ratio > 1 + EVEN_BAND


def underworked(pace_ratio: float) -> bool:
    """Whether a crane uses its life slower than its even pace, by the ratio of both."""
    return pace_ratio < 1 - EVEN_BAND


def _by_day(due_on: date | None, today: date, soon_days: int) -> State:
    if due_on is None or (due_on - today).days > soon_days:
        return State.OK
    return State.ACT if due_on < today else State.WATCH


def _stepped(value: float | None, watch: float, act: float) -> State:
    if value is None:
        return State.STALE
    if value >= act:
        return State.ACT
    return State.WATCH if value >= watch else State.OK
