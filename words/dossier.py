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
from words.texts import t

_RULES: Final = {
    "structural_percent": False,
    "stress_cycles": False,
    "spectrum_factor_kq": True,
    "classes_of_use_and_of_kq": True,
    "stress_history_s_m": True,
    "used_share": False,
    "safety_factor_f1": False,
    "steps_of_f1_by_coverage": False,
    "unknown_years": False,
    "use_without_a_record": False,
    "damage": True,
    "uncertainty": True,
    "forecast": True,
    "special_assessment": False,
}
"""What the dossier tells the source of, and whether it is unverified."""


def sources() -> tuple[MethodSource, ...]:
    """What each rule rests on."""
    return tuple(
        MethodSource(
            rule=t(f"method.{name}.rule"),
            says=t(f"method.{name}.says"),
            source=t(f"method.{name}.source"),
            unverified=unverified,
        )
        for name, unverified in _RULES.items()
    )


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
        *(t("report.entries_contradict_each_other_2", text=one.text) for one in life.contradictions),
        *_record(crane, life, coverage, counters, duty),
        *_readings(life, spectrum, findings),
        *_open(overloads, records),
        *_waiting(method),
    )


def _history(crane: Crane, life: LifeAnswer) -> Iterator[str]:
    if life.blank_years:
        yield remark("life.blank", years=years(life.blank_years)).text
    if life.recorded_from is None:
        yield t("report.nothing_is_recorded_of_this")
    if life.used_share is None and life.used_share_reason is not None:
        yield t("report.there_is_no_used_share", text=life.used_share_reason.text)
    if life.unknown_years:
        yield (
            t("report.nothing_is_known_of_years_2", unknown_years=life.unknown_years)
            + (t("report.over_design_years", design_years=life.design_years) if life.design_years else "")
            + (
                t("report.of_the_design_life", used_share_unknown=100 * life.used_share_unknown)
                if life.used_share_unknown
                else ""
            )
            + "."
        )
    elif crane.prior_duty is None and life.recorded_from is not None:
        yield t("report.duty_before_the_record_is_3")
    elif crane.prior_duty is not None:
        yield (
            t(
                "report.duty_before_the_record_is_2",
                source=crane.prior_duty.source or t("report.no_source_given"),
                f1=crane.prior_duty.f1,
            )
        )
    if life.design_years_assumed:
        yield t("report.the_design_years_are_not")
    if crane.manufactured_on is None:
        yield t("report.the_day_of_manufacture_is")


def _record(
    crane: Crane, life: LifeAnswer, coverage: CoverageAnswer, counters: CountersAnswer, duty: DossierDuty
) -> Iterator[str]:
    if life.recorded_from is None:
        return
    if not counters.spans:
        how = (
            t("report.is_not_stated")
            if crane.recorder_runs is RecorderRuns.UNKNOWN
            else t("report.is_stated_as", replace=crane.recorder_runs.value.replace("_", " "))
        )
        yield t("report.no_counter_of_the_crane", how=how)
    yield from (f"{one.text}." for one in counters.problems)
    if coverage.days_without_record:
        yield t(
            "report.without_data_between_the_first", many=t("many.days", count=coverage.days_without_record)
        )
    if life.coverage is not None and life.coverage < 1:
        yield t("report.of_the_time_in_use", coverage=100 * (1 - life.coverage))
    if life.unrecorded_s:
        yield (t("report.h_in_use_are_not", s_to_h=s_to_h(life.unrecorded_s)))
    if duty.limit_assumed_s:
        yield t("report.limit_pct_was_not_sent_2", s_to_h=s_to_h(duty.limit_assumed_s))


def _readings(life: LifeAnswer, spectrum: SpectrumAnswer, findings: Sequence[FindingRow]) -> Iterator[str]:
    if any(detail.assumed for detail in life.details):
        yield t("report.no_weld_detail_is_entered")
    outside = [spectrum.beyond, *(detail.beyond for detail in life.details)]
    yield from dict.fromkeys(one.remark.text for one in outside if one is not None)
    if findings:
        yield t("report.about_readings_figures_of_this", many=t("many.findings", count=len(findings)))
    if life.forecast is not None and life.forecast.season_unseen:
        yield t("report.less_than_a_year_is")


def _open(overloads: Sequence[OverloadRow], records: Sequence[LifeRecordRow]) -> Iterator[str]:
    waiting = sum(one.state is OverloadState.OPEN for one in overloads)
    if waiting:
        yield t("report.above_100_structural_without_a", many=t("many.lifts", count=waiting))
    defects = sum(one.kind in DEFECTS and one.closed_on is None and not one.withdrawn for one in records)
    if defects:
        yield t("report.of_inspections_still_open_no", many=t("many.defects", count=defects))
    if not records:
        yield t("report.no_inspection_repair_crack_or")


def _waiting(method: DossierMethod) -> Iterator[str]:
    if method.days_waiting:
        yield t("report.of_this_crane_still_to", many=t("many.days", count=method.days_waiting))
