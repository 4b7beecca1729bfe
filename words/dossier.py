"""What a dossier says in sentences: what is not known of the crane, and what each rule rests on."""

from collections.abc import Iterator, Sequence
from typing import Final

from domain.answers import SpectrumAnswer
from domain.coverage_answers import CoverageAnswer
from domain.crane import Crane, RecorderRuns
from domain.dossier import DossierDuty, DossierMethod, MethodSource
from domain.findings import FindingRow
from domain.history import CountersAnswer
from domain.life_answers import LifeAnswer
from domain.life_record import DEFECTS, LifeRecordRow
from domain.overload import OverloadRow, OverloadState
from domain.remark import years
from domain.units import s_to_h
from words.remarks import remark

UNVERIFIED: Final = (
    "Unverified: the rule is known in the trade or restated openly, and the standard itself was not at hand when it was "
    "built in. Compare it with your own copy before you rely on it. Every other source was read."
)
DEPALE_2019: Final = "P. Depale, M. Bennebach, Mechanics & Industry 20 (2019) 802, Table 3"
DEPALE_2022: Final = "P. Depale, M. Bennebach, Procedia Structural Integrity 38 (2022)"


def _source(rule: str, says: str, source: str, *, unverified: bool = False) -> MethodSource:
    return MethodSource(rule=rule, says=says, source=source, unverified=unverified)


SOURCES: Final = (
    _source(
        "structural percent",
        "load moment over the full structural rating; cycles, spectrum and life use it, not what the operator sees",
        "this project's own, because the rated capacity of a loader crane changes with the reach",
    ),
    _source(
        "stress cycles",
        "rainflow in fixed classes, open turning points as half cycles",
        "ASTM E1049-85, its example as tested by open packages",
    ),
    _source("spectrum factor kQ", "mean cube of the lifts' peak structural share", "EN 13001-1, ISO 4301-1", unverified=True),
    _source(
        "classes of use and of kQ",
        "letters hold for the edition named with them and no other",
        "EN 13001-1; ISO 4301-1:1986, Tables 1 and 2",
        unverified=True,
    ),
    _source(
        "stress history s_m",
        "sum of (range over 100 % structural) to the power m over 2 000 000; that 100 % is the reference is this project's own",
        "EN 13001-1",
        unverified=True,
    ),
    _source(
        "used share",
        "safety factor times counted duty over design duty, used up at 1",
        "in the manner of ISO 12482:2014, whose scope leaves out mobile cranes (preview read)",
    ),
    _source("safety factor f1", "1.0 to 1.5 by how duty was recorded, by month", DEPALE_2019),
    _source(
        "steps of f1 by coverage",
        "so chosen that what was not recorded is never taken for rest",
        "this project's own",
    ),
    _source(
        "unknown years",
        "design duty with f1 = 1.5, spread evenly over the design years; the even spread is this project's own",
        "ISO 12482:2014 as open excerpts restate it",
    ),
    _source(
        "use without a record",
        "at the pace of the crane's 90th-percentile week",
        "this project's own",
    ),
    _source(
        "damage",
        "Miner's sum over the S-N curve of each weld detail; failures have been quoted at sums from 0.33 to 3",
        "EN 1993-1-9, IIW, EN 13001-3-1, as each curve names",
        unverified=True,
    ),
    _source(
        "uncertainty",
        "each influence at the ends of its 80 % range, together as independent; defaults where nothing is entered",
        "this project's own; scatter of S-N curves",
        unverified=True,
    ),
    _source(
        "forecast",
        "weeks drawn again in blocks from the record; weeks without a record are left out",
        "moving blocks, H. R. Künsch, Annals of Statistics 17 (1989) 1217",
        unverified=True,
    ),
    _source(
        "special assessment",
        "ten years after manufacture where the maker says nothing else; at 95 % of the design cycles",
        f"{DEPALE_2022}, p. 322 and p. 321",
    ),
)  # fmt: skip


def unknown(
    crane: Crane,
    life: LifeAnswer,
    coverage: CoverageAnswer,
    counters: CountersAnswer,
    duty: DossierDuty,
    spectrum: SpectrumAnswer,
    findings: Sequence[FindingRow],
    overloads: Sequence[OverloadRow],
    records: Sequence[LifeRecordRow],
    method: DossierMethod,
) -> tuple[str, ...]:
    """What is not known of a crane, what stands in for it, and what that does to the figures; the weightiest first."""
    return (
        *_history(crane, life),
        *(f"Entries contradict each other: {one.text}." for one in life.contradictions),
        *_record(crane, life, coverage, counters, duty),
        *_readings(life, spectrum, findings),
        *_open(overloads, records),
        *_waiting(method),
    )


def _history(crane: Crane, life: LifeAnswer) -> Iterator[str]:
    if life.blank_years:
        yield remark("life.blank", years=years(life.blank_years)).text
    if life.recorded_from is None:
        yield "Nothing is recorded of this crane: no figure of its use can be given."
    if life.used_share is None and life.used_share_reason is not None:
        yield f"There is no used share: {life.used_share_reason.text}."
    if life.unknown_years:
        yield (
            f"Nothing is known of {life.unknown_years:.1f} years before the record: they count 1.5 times"
            + (f" over {life.design_years:g} design years" if life.design_years else "")
            + (
                f", {100 * life.used_share_unknown:.3g} % of the design life"
                if life.used_share_unknown
                else ""
            )
            + "."
        )
    elif crane.prior_duty is None and life.recorded_from is not None:
        yield "Duty before the record is not entered; no time of it is unknown by the days entered."
    elif crane.prior_duty is not None:
        yield (
            f"Duty before the record is what the owner stated ({crane.prior_duty.source or 'no source given'}), "
            f"with f1 = {crane.prior_duty.f1:g}: nothing here confirms it."
        )
    if life.design_years_assumed:
        yield "The design years are not entered: the years to the special assessment stand in."
    if crane.manufactured_on is None:
        yield "The day of manufacture is not entered: the first day of service stands in."


def _record(
    crane: Crane, life: LifeAnswer, coverage: CoverageAnswer, counters: CountersAnswer, duty: DossierDuty
) -> Iterator[str]:
    if life.recorded_from is None:
        return
    if not counters.spans:
        how = (
            "is not stated"
            if crane.recorder_runs is RecorderRuns.UNKNOWN
            else f"is stated as {crane.recorder_runs.value.replace('_', ' ')}"
        )
        yield f"No counter of the crane supports the record: days without data count as rest, and how the recorder runs {how}."
    yield from (f"{one.text}." for one in counters.problems)
    if coverage.days_without_record:
        yield f"{_many(coverage.days_without_record, 'day')} without data between the first and the last recorded day."
    if life.coverage is not None and life.coverage < 1:
        yield f"{100 * (1 - life.coverage):.3g} % of the time in use that is known of is not on record."
    if life.unrecorded_s:
        yield (
            f"{s_to_h(life.unrecorded_s):,.1f} h in use are not on record or excluded: taken at the pace of the crane's "
            "90th-percentile week, and never as rest."
        )
    if duty.limit_assumed_s:
        yield f"limit_pct was not sent for {s_to_h(duty.limit_assumed_s):,.1f} h: 100 was assumed, which is conservative for life."


def _readings(life: LifeAnswer, spectrum: SpectrumAnswer, findings: Sequence[FindingRow]) -> Iterator[str]:
    if any(detail.assumed for detail in life.details):
        yield "No weld detail is entered: one is assumed, the same for every crane, to compare cranes and nothing else."
    outside = [spectrum.beyond, *(detail.beyond for detail in life.details)]
    yield from dict.fromkeys(one.remark.text for one in outside if one is not None)
    if findings:
        yield f"{_many(len(findings), 'finding')} about readings: figures of this crane may be too high or too low."
    if life.forecast is not None and life.forecast.season_unseen:
        yield "Less than a year is on record: a season may be unseen."


def _open(overloads: Sequence[OverloadRow], records: Sequence[LifeRecordRow]) -> Iterator[str]:
    waiting = sum(one.state is OverloadState.OPEN for one in overloads)
    if waiting:
        yield f"{_many(waiting, 'lift')} above 100 % structural without a decision: whether the structure suffered is not known."
    defects = sum(one.kind in DEFECTS and one.closed_on is None and not one.withdrawn for one in records)
    if defects:
        yield f"{_many(defects, 'finding or crack', 'findings or cracks')} of inspections still open: no repair or inspection has closed them."
    if not records:
        yield "No inspection, repair, crack or calibration is entered: that is no proof that there was none."


def _waiting(method: DossierMethod) -> Iterator[str]:
    if method.days_waiting:
        yield f"{_many(method.days_waiting, 'day')} of this crane still to be counted again: figures may move."


def _many(count: int, word: str, words: str = "") -> str:
    return f"{count} {word if count == 1 else words or word + 's'}"
