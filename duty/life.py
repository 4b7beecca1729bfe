"""How much of the design working period is used: what is counted, and what is not known, each by itself.

    counted        f1 * sum(C_i * kQ_i) / (C_design * kQ_design)
    prior_entered  f1_prior * C_prior * kQ_prior / (C_design * kQ_design)     as the owner states it
    prior_unknown  1.5 * unknown years / design years                         nobody knows the duty of these years
    unrecorded     f1 * cube sum / (C_design * kQ_design)                      in use while nothing was recorded
                   + 1.5 * blank years / design years                         long breaks in the record

    used share = counted + prior_entered + prior_unknown + unrecorded

In the manner of ISO 12482:2014, whose scope leaves out mobile cranes; spent at 1 (natural reading, from memory).
C * kQ of a stretch is the sum of the cubes of its lifts' peak structural shares, so light lifts hardly count and a
lift missed below the finding threshold of `duty.lifts` changes nothing that matters.

The design working period is not a guaranteed period. Monitoring replaces neither inspection nor maintenance.
"""

from datetime import date
from typing import Final, NamedTuple

from domain.crane import Crane, DesignClass, PriorDuty
from domain.errors import InvalidInput
from domain.remark import Quantity, Remark, coded, significant
from domain.units import DAYS_PER_YEAR
from duty.recording import Recording
from duty.spectrum import design_limits

SPENT_SHARE: Final = 1.0
"""Used share at which the design working period is spent (natural reading, from memory)."""

YEARS_ROUNDING: Final = 0.1  # years are entered to one decimal place


class Contradiction(NamedTuple):
    """An entry that does not fit others or the record."""

    field: str  # of the crane
    remark: Remark  # what does not fit, and what to do


class UsedShare(NamedTuple):
    """Shares of the design working period, factors included; spent at a total of 1. See the module for each."""

    counted: float
    prior_entered: float
    prior_unknown: float = 0.0
    unrecorded: float = 0.0

    @property
    def uncounted(self) -> float:
        """All but the counted share: entered, assumed, estimated."""
        return self.prior_entered + self.prior_unknown + self.unrecorded

    @property
    def total(self) -> float:
        """All of it."""
        return self.counted + self.uncounted


class DesignYears(NamedTuple):
    """Years that the design working period is meant to last; assumed where the manual's are not entered."""

    years: float
    assumed: bool  # the years to the special assessment stand in


class PriorYears(NamedTuple):
    """The time from manufacture to the first record, in years of 365.25 days."""

    since: date
    since_manufacture: (
        bool  # False: the day of manufacture is not entered, the first day of service stands in
    )
    until: date
    entered: float  # years whose duty the owner states
    unknown: float  # the rest: nobody knows their duty


def share_of_design(design: DesignClass, cube_sum: float, f1: float = 1.0) -> float:
    """Share of the design working period that lifts use: f1 * sum (peak structural / 100)^3 / (C_design * kQ_design).

    `cube_sum` is C * kQ. Raises InvalidInput for a class without upper limit, a negative sum, or f1 below 1.
    """
    if not cube_sum >= 0:
        raise InvalidInput("the sum of cubes must be 0 or more", field="cube_sum")
    if not f1 >= 1:
        raise InvalidInput("f1 must be 1 or more", field="f1")
    cycles, factor = design_limits(design)
    return f1 * cube_sum / (cycles * factor)


def used_share(
    design: DesignClass,
    lifts: float,
    kq: float,
    f1: float,
    prior: PriorDuty | None = None,
    *,
    prior_unknown: float = 0.0,
    unrecorded_cube_sum: float = 0.0,
    unrecorded_f1: float | None = None,
    blank: float = 0.0,
) -> UsedShare:
    """Used share of the design working period from counted lifts with their kQ, and what was not counted.

    `kq` is not looked at without lifts (it is NaN then). Entered prior duty carries its own f1. `prior_unknown` is the
    share of unknown years; `unrecorded_cube_sum` the C * kQ of time in use without a record, with a factor of its own where
    one is given; `blank` the share of long breaks in the record, which nobody knows either. See the module.
    """
    if not (prior_unknown >= 0 and blank >= 0):
        raise InvalidInput("the share of unknown years must be 0 or more", field="prior_unknown")
    return UsedShare(
        counted=share_of_design(design, lifts * kq if lifts else 0.0, f1),
        prior_entered=share_of_design(design, prior.lifts * prior.kq, prior.f1) if prior else 0.0,
        prior_unknown=prior_unknown,
        unrecorded=share_of_design(design, unrecorded_cube_sum, unrecorded_f1 or f1) + blank,
    )


def design_years(crane: Crane) -> DesignYears:
    """Years of the design working period: the manual's, else those to the special assessment, which is an assumption."""
    if crane.design_years is not None:
        return DesignYears(crane.design_years, assumed=False)
    return DesignYears(crane.special_assessment_after_years, assumed=True)


def prior_years(crane: Crane, first_day: date) -> PriorYears:
    """Time before the first record by what is known of it: entered years, and unknown ones for the rest.

    An entry of prior duty without its years covers the whole time before the record: its owner says so, and what is left
    below YEARS_ROUNDING of an entry with years is rounding. Unknown years are never below 0; see `contradictions`.
    """
    since = crane.manufactured_on or crane.commissioned_on
    whole = max((first_day - since).days / DAYS_PER_YEAR, 0.0)
    prior = crane.prior_duty
    entered = 0.0 if prior is None else whole if prior.years is None else prior.years
    unknown = max(whole - entered, 0.0)
    if prior is not None and unknown < YEARS_ROUNDING:
        unknown = 0.0
    return PriorYears(since, crane.manufactured_on is not None, first_day, entered, unknown)


def unknown_share(unknown_years: float, years: float) -> float:
    """Share of the design working period for years of which nothing is known: 1.5 * unknown years / design years.

    Where history is unknown the design duty is taken for that time, with f1 = 1.5 (ISO 12482, as open excerpts restate
    it: read; f1 of `Recording.UNKNOWN`). That duty spreads evenly over the design years is this project's reading.
    """
    if not (unknown_years >= 0 and years > 0):
        raise InvalidInput("unknown years must be 0 or more and design years above 0", field="unknown_years")
    return Recording.UNKNOWN.value * unknown_years / years


def contradictions(
    crane: Crane, first_day: date | None, today: date | None = None
) -> tuple[Contradiction, ...]:
    """Entries that do not fit each other or the record, each with what to do; nothing is preferred in silence.

    first_day: first recorded day; None without a record. today: given where something is entered, since an entry about what was
    cannot lie ahead.
    """
    since = crane.manufactured_on or crane.commissioned_on
    found = [
        *_days_that_do_not_fit(crane, since, first_day),
        *_prior_that_does_not_fit(crane, since, first_day or today),
    ]
    past = ("manufactured_on", "assessed_on", "assess_since")
    for field in past if today is not None else ():
        day = getattr(crane, field)
        if day is not None and today is not None and day > today:
            found.append(_entry(field, "ahead", day=day))
    return tuple(found)


def _entry(field: str, what: str, **values: Quantity | date) -> Contradiction:
    return Contradiction(field, coded(f"entry.{what}", entry=coded(f"entry.{field}"), **values))


def _days_that_do_not_fit(crane: Crane, since: date, first_day: date | None) -> list[Contradiction]:
    found = []
    if crane.manufactured_on is not None and crane.manufactured_on > crane.commissioned_on:
        found.append(
            _entry(
                "manufactured_on",
                "made_after_service",
                made=crane.manufactured_on,
                service=crane.commissioned_on,
            )
        )
    for field in ("manufactured_on", "commissioned_on"):
        day = getattr(crane, field)
        if first_day is not None and day is not None and day > first_day:
            found.append(_entry(field, "after_record", day=day, recorded=first_day))
    for field in ("assessed_on", "assess_since"):
        day = getattr(crane, field)
        if day is not None and day < since:
            found.append(_entry(field, "before_crane", day=day, since=since))
    if crane.assess_by is not None and crane.assessed_on is not None and crane.assess_by <= crane.assessed_on:
        found.append(_entry("assess_by", "next_before_last", due=crane.assess_by, last=crane.assessed_on))
    return found


def _prior_that_does_not_fit(crane: Crane, since: date, until: date | None) -> list[Contradiction]:
    """until: the first recorded day, or today without a record."""
    prior = crane.prior_duty
    if prior is None:
        return []
    found = []
    if (prior.lifts > 0) != (prior.kq > 0):
        found.append(
            _entry("prior_duty", "no_duty", lifts=significant(prior.lifts), kq=significant(prior.kq))
        )
    if until is None:
        return found
    whole = max((until - since).days / DAYS_PER_YEAR, 0.0)
    if prior.years is not None and prior.years > whole + YEARS_ROUNDING:
        found.append(
            _entry(
                "prior_duty",
                "too_many_years",
                years=significant(prior.years),
                whole=Quantity(value=whole, unit="1", decimals=1),
                since=since,
                until=until,
            )
        )
    elif prior.years is None and prior.lifts > 0 and until <= since:
        found.append(_entry("prior_duty", "nothing_before", until=until))
    return found


def carried_damage(
    counted: float, used: UsedShare | None, prior_unknown: float, allowed_sum: float = 1.0
) -> float:
    """Miner sum of a detail for what was not counted, to be added to the counted sum.

    counted sum * uncounted share / counted share, and at least uncounted share * allowed sum: a detail is taken to have
    been used as the whole crane was. Without a used share (no design class) only the unknown years can be carried.
    """
    uncounted = prior_unknown if used is None else used.uncounted
    scaled = counted * uncounted / used.counted if used is not None and used.counted > 0 else 0.0
    return max(scaled, uncounted * allowed_sum)
