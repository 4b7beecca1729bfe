"""Rows that several reports share: crane, findings, overloads, records, use, life and damage, in the same words."""

from collections.abc import Callable, Sequence
from datetime import UTC

from domain.answers import SpectrumAnswer
from domain.crane import Crane
from domain.description import BEGINNING, DescriptionEntry
from domain.exclusion import ExclusionRow
from domain.findings import FindingRow
from domain.life_answers import DetailDamage, LifeAnswer, UnsureFigure
from domain.life_record import LifeRecordRow
from domain.overload import OverloadRow, OverloadState, peak_words
from domain.units import SI_PER
from reports.document import Pairs, moment, number, percent
from words.remarks import listed
from words.texts import t


def crane_rows(crane: Crane) -> Pairs:
    """Who the report is about."""
    design = crane.design
    return [
        (t("report.name"), crane.name),
        (
            t("report.type"),
            crane.type.title
            + (t("report.invented") if crane.type.invented and "invented" not in crane.type.title else ""),
        ),
        (t("report.site"), crane.site),
        (t("report.commissioned_on"), crane.commissioned_on.isoformat()),
        (t("report.full_structural_rating"), f"{crane.type.rated_moment_kn_m:g} kN·m"),
        (
            t("report.design_class_from_its_manual"),
            t(
                "report.of_2",
                u_class=design.u_class,
                q_class=design.q_class,
                s_class=f", {design.s_class}" if design.s_class else "",
                edition=design.edition,
            )
            if design
            else t("report.not_entered"),
        ),
    ]


def description_row(entry: DescriptionEntry) -> list[str]:
    """What the crane was like on some days."""
    parts = [
        *(f"{one.name} {one.mass_kg:g} kg" for one in entry.attachments),
        *(
            t("report.sensor_replaced", channel=one.channel, note=one.note).strip()
            for one in entry.sensors_replaced
        ),
        *([entry.note] if entry.note else []),
    ]
    return [
        t("report.the_beginning") if entry.valid_from == BEGINNING else entry.valid_from.isoformat(),
        entry.type.title or entry.type.name,
        f"{entry.type.rated_moment_kn_m:g} kN·m",
        "; ".join(parts),
    ]


def exclusion_row(row: ExclusionRow, time_zone: str) -> list[str]:
    """One span that does not count, or that was excluded and counts again."""
    reason = row.reason + (t("report.readings_stated_as_false") if row.readings_false else "")
    withdrawn = (
        t("report.withdrawn_by", withdrawn_by=row.withdrawn_by) if row.withdrawn_at is not None else ""
    )
    return [
        t("report.to_4", from_at=moment(row.from_at, time_zone), to_at=moment(row.to_at, time_zone)),
        row.channel or t("report.all_channels"),
        reason,
        f"{row.entered_by}{withdrawn}",
    ]


def finding_words(found: Sequence[FindingRow]) -> str:
    """How many findings move the figures of how many cranes."""
    if not found:
        return t("report.none_no_proof_that_readings")
    cranes = len({row.crane for row in found})
    return t("report.at_crane_they_move_the", how_many=len(found), cranes=t("many.cranes", count=cranes))


def finding_cells(row: FindingRow) -> list[str]:
    """One finding: what, when, which figures it moves, and what to do."""
    channel = f" ({row.channel})" if row.channel else ""
    days = (
        t("report.to_3", day_from=row.day_from, day_to=row.day_to)
        if row.day_to > row.day_from
        else f"{row.day_from}"
    )
    return [
        row.crane,
        f"{row.title}{channel}",
        t("report.day", days=days, many=t("many.days", count=row.days)),
        f"{row.figures}: {row.moves}",
        row.next_step,
    ]


def overload_words(entries: int, open_entries: int) -> str:
    """How many overloads there are, in a report."""
    return (
        t("report.of_them_open", entries=entries, open_entries=open_entries)
        if entries
        else t("report.none_on_record")
    )


def overload_cells(row: OverloadRow) -> list[str]:
    """One entry in a report: the lift, and what was decided about it."""
    mass = "–" if row.mass_kg is None else f"≈ {row.mass_kg / SI_PER['t']:.2f} t"
    outreach = "–" if row.peak_outreach_m is None else f"{row.peak_outreach_m:.1f} m"
    said = "; ".join(part for part in (row.note, row.decided) if part)
    words = t("report.open")
    if row.cause is not None and row.decided_at is not None:
        words = f"{t(f'overloads.cause.{row.cause}')}: {said} ({row.decided_by}, {row.decided_at:%Y-%m-%d})"
    if row.state is OverloadState.OPEN and row.cause is not None:
        then = peak_words(row.decided_peak_structural_pct or 0.0)
        words = t("report.open_again_the_peak_was", then=then, words=words)
    gone = "" if row.counted else t("report.no_longer_counted")
    return [
        row.crane,
        t("report.utc", at=f"{row.started_at.astimezone(UTC):%Y-%m-%d %H:%M}"),
        peak_words(row.peak_structural_pct),
        peak_words(row.peak_utilisation_pct),
        mass,
        outreach,
        words + gone,
    ]


def record_cells(row: LifeRecordRow) -> list[str]:
    """A record for a printed table: number, day, kind, what, person, effect."""
    parts = [
        row.detail,
        None if row.length_mm is None else t("report.mm_long", length_mm=row.length_mm),
        row.channel,
        None if row.found_error_pct is None else t("report.error_found", found_error_pct=row.found_error_pct),
        None
        if row.left_error_pct is None
        else t("report.error_left_up_to", left_error_pct=row.left_error_pct),
        row.service_interval,
        None if row.found_in is None else t("report.found_in_no", found_in=row.found_in),
        row.note,
        None if row.version == 1 or row.withdrawn else t("report.corrected", reason=row.reason),
        t("report.withdrawn", reason=row.reason) if row.withdrawn else None,
        t("report.files", how_many=len(row.files)) if row.files else None,
    ]
    what = "; ".join(part for part in parts if part)
    kind = row.kind.replace("_", " ")
    return [
        str(row.record_id),
        row.happened_on.isoformat(),
        kind,
        what,
        row.person,
        listed(row.effect_remarks),
    ]


def spike_words(spectrum: SpectrumAnswer) -> str:
    """Single readings that stand alone: how many do not count, and how many do."""
    if not spectrum.spikes + spectrum.spikes_counted:
        return t("report.none")
    off = t("report.the_farthest_points_off", largest_spike_pct=spectrum.largest_spike_pct)
    counted = t("report.which_errs_to_the_safe") if spectrum.spikes_counted else ""
    return t(
        "report.set_aside_counted",
        spikes=spectrum.spikes,
        spikes_counted=spectrum.spikes_counted,
        counted=counted,
        off=off,
    )


def use_rows(spectrum: SpectrumAnswer) -> Pairs:
    """Class of use of the period beside the design class."""
    edition = t("report.of", edition=spectrum.edition) if spectrum.edition else ""
    found = [
        (t("report.lifts_in_the_period"), str(spectrum.lifts)),
        (t("report.kq"), number(spectrum.kq)),
        (t("report.class_of_kq"), f"{spectrum.q_class or t('report.none')}{edition}"),
        (
            t("report.class_of_use_whole_life"),
            f"{spectrum.u_class or t('report.none')}{edition}: {_life_lifts(spectrum)}",
        ),
        (t("report.class_of_use_of_the"), f"{spectrum.u_class_of_period or t('report.none')}{edition}"),
        (
            t("report.s_m_of_the_period", s_slope_m=spectrum.s_slope_m),
            t("report.class", s_m=number(spectrum.s_m), s_class=spectrum.s_class or t("report.none")),
        ),
    ]
    if spectrum.group is not None:
        found.append((t("report.group"), f"{spectrum.group}{edition}"))
    if spectrum.design_cycles is not None:
        found.append(
            (
                t("report.design"),
                t(
                    "report.cycles_at_kq",
                    design_cycles=spectrum.design_cycles,
                    design_kq=number(spectrum.design_kq),
                ),
            )
        )
        found.append(
            (t("report.lifts_against_the_design"), f"{100 * spectrum.lifts / spectrum.design_cycles:.3g} %")
        )
        if spectrum.kq is not None and spectrum.design_kq:
            heavier = t("report.heavier") if spectrum.kq > spectrum.design_kq else t("report.not_heavier")
            found.append(
                (
                    t("report.kq_against_the_design"),
                    t("report.times_than_designed_for", kq=spectrum.kq / spectrum.design_kq, heavier=heavier),
                )
            )
    return found


def _life_lifts(spectrum: SpectrumAnswer) -> str:
    words = t("report.lifts_counted_and_entered", life_lifts=spectrum.life_lifts)
    return words + (t("report.years_before_the_record_are") if spectrum.life_lifts_at_least else "")


def life_rows(life: LifeAnswer) -> Pairs:
    """Used share with its parts, the forecast with its range."""
    forecast = life.forecast
    if forecast is None:
        dates = life.forecast_reason.text if life.forecast_reason else t("report.none")
    else:
        late = forecast.late_on.isoformat() if forecast.late_on else t("report.beyond_the_horizon")
        dates = t(
            "report.reached_between_and_middle_weeks",
            threshold=percent(forecast.threshold),
            early_on=forecast.early_on,
            late=late,
            middle_on=forecast.middle_on,
            weeks_used=forecast.weeks_used,
            trend=forecast.trend,
        ) + (t("report.under_a_year_of_record") if forecast.season_unseen else "")
    return [
        (
            t("report.used_share_whole_life"),
            percent(life.used_share)
            + (f" ({life.used_share_reason.text})" if life.used_share_reason else ""),
        ),
        (t("report.80_range_of_it"), _range(life.used_share_unsure)),
        (t("report.of_it_counted"), percent(life.used_share_counted)),
        (t("report.of_it_before_the_record_2"), percent(life.used_share_prior)),
        (
            t("report.of_it_before_the_record"),
            t(
                "report.for_unknown_years",
                used_share_unknown=percent(life.used_share_unknown),
                unknown_years=life.unknown_years,
            )
            + (t("report.of_design_years", design_years=life.design_years) if life.design_years else "")
            + (t("report.assumed_from_the_years_to") if life.design_years_assumed else ""),
        ),
        (t("report.of_it_in_use_without"), percent(life.used_share_unrecorded)),
        *((t("report.entries_contradict_each_other"), one.text) for one in life.contradictions),
        (t("report.safety_factor_f1"), f"{life.f1:.3g}: {life.f1_reason.text}"),
        (t("report.forecast_of_being_used_up"), dates),
        (
            t("report.special_assessment_on"),
            f"{life.special_assessment_on}: {life.special_assessment_reason.text}",
        ),
        (t("report.in_words"), life.sentence),
    ]


def _range(found: UnsureFigure | None) -> str:
    """The range of a used share, and what matters most in it."""
    if found is None:
        return "–"
    words = t("report.to_2", low=percent(found.low), high=percent(found.high))
    if not found.influences:
        return words
    return t(
        "report.what_matters_most",
        words=words,
        influences=t(f"report.influence.{found.influences[0].source}"),
    )


def influence_rows(found: UnsureFigure | None, shown: Callable[[float], str]) -> list[list[str]]:
    """The range of a figure and each influence on it, what matters most first: influence, low, high, by; none without a range."""
    if found is None:
        return []
    return [
        [t("report.all_together"), shown(found.low), shown(found.high), ""],
        *(
            [
                t(f"report.influence.{one.source}"),
                shown(one.low),
                shown(one.high),
                t("report.a_default_or_an_assumption") if one.assumed else t("report.an_entry_or_a_count"),
            ]
            for one in found.influences
        ),
    ]


def detail_row(detail: DetailDamage) -> list[str]:
    """One weld detail."""
    around = "" if detail.direction_deg is None else t("report.worst_at", direction_deg=detail.direction_deg)
    return [
        detail.detail,
        t(
            "report.of_counted",
            damage=number(detail.damage),
            allowed_sum=detail.allowed_sum,
            damage_counted=number(detail.damage_counted),
        ),
        t("report.to", damage_low=number(detail.damage_low), damage_high=number(detail.damage_high)),
        f"{number(detail.equivalent_range_mpa)} MPa",
        f"{detail.curve}, {detail.gamma_mf:g}{around}",
    ]


def direction_rows(detail: DetailDamage) -> list[list[str]]:
    """Damage of one weld detail around half the base (the other half mirrors it), eight directions a line."""
    found = [
        f"{one.direction_deg:g}° {number(one.damage)}"
        for one in detail.by_direction
        if one.direction_deg < 180
    ]
    return [
        [detail.detail if at == 0 else "", ",  ".join(found[at : at + 8])] for at in range(0, len(found), 8)
    ]
