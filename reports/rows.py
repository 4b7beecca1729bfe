"""Rows that several reports share: crane, findings, overloads, records, use, life and damage, in the same words."""

from collections.abc import Callable, Sequence
from datetime import UTC
from typing import Final

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

INFLUENCES: Final = {
    "pressure_bias": "bias of the pressure reading",
    "lift_rule": "rule that finds lifts",
    "coverage": "coverage",
    "prior_entry": "duty before the record, as entered",
    "unknown_years": "unknown years before the record",
    "unrecorded": "use without a record",
    "mpa_per_pct": "stress per structural percent",
    "sn_scatter": "scatter of the S-N curve",
    "not_counted": "what was not counted",
}


def crane_rows(crane: Crane) -> Pairs:
    """Who the report is about."""
    design = crane.design
    return [
        ("name", crane.name),
        (
            "type",
            crane.type.title
            + (" (invented)" if crane.type.invented and "invented" not in crane.type.title else ""),
        ),
        ("site", crane.site),
        ("commissioned on", crane.commissioned_on.isoformat()),
        ("full structural rating", f"{crane.type.rated_moment_kn_m:g} kN·m"),
        (
            "design class, from its manual",
            f"{design.u_class}, {design.q_class}{f', {design.s_class}' if design.s_class else ''} of {design.edition}"
            if design
            else "not entered",
        ),
    ]


def description_row(entry: DescriptionEntry) -> list[str]:
    """What the crane was like on some days."""
    parts = [
        *(f"{one.name} {one.mass_kg:g} kg" for one in entry.attachments),
        *(f"sensor replaced: {one.channel} {one.note}".strip() for one in entry.sensors_replaced),
        *([entry.note] if entry.note else []),
    ]
    return [
        "the beginning" if entry.valid_from == BEGINNING else entry.valid_from.isoformat(),
        entry.type.title or entry.type.name,
        f"{entry.type.rated_moment_kn_m:g} kN·m",
        "; ".join(parts),
    ]


def exclusion_row(row: ExclusionRow, time_zone: str) -> list[str]:
    """One span that does not count, or that was excluded and counts again."""
    reason = row.reason + (" (readings stated as false)" if row.readings_false else "")
    withdrawn = f"; withdrawn by {row.withdrawn_by}" if row.withdrawn_at is not None else ""
    return [
        f"{moment(row.from_at, time_zone)} to {moment(row.to_at, time_zone)}",
        row.channel or "all channels",
        reason,
        f"{row.entered_by}{withdrawn}",
    ]


def finding_words(found: Sequence[FindingRow]) -> str:
    """How many findings move the figures of how many cranes."""
    if not found:
        return "none: no proof that readings are right"
    cranes = len({row.crane for row in found})
    return f"{len(found)} at {cranes} crane{'s' if cranes > 1 else ''}: they move the figures of these, see below"


def finding_cells(row: FindingRow) -> list[str]:
    """One finding: what, when, which figures it moves, and what to do."""
    channel = f" ({row.channel})" if row.channel else ""
    days = f"{row.day_from} to {row.day_to}" if row.day_to > row.day_from else f"{row.day_from}"
    return [
        row.crane,
        f"{row.title}{channel}",
        f"{days}, {row.days} day{'s' if row.days > 1 else ''}",
        f"{row.figures}: {row.moves}",
        row.next_step,
    ]


def overload_words(entries: int, open_entries: int) -> str:
    """How many overloads there are, in a report."""
    return f"{entries}, {open_entries} of them open" if entries else "none on record"


def overload_cells(row: OverloadRow) -> list[str]:
    """One entry in a report: the lift, and what was decided about it."""
    mass = "–" if row.mass_kg is None else f"≈ {row.mass_kg / SI_PER['t']:.2f} t"
    outreach = "–" if row.peak_outreach_m is None else f"{row.peak_outreach_m:.1f} m"
    said = "; ".join(part for part in (row.note, row.decided) if part)
    words = "open"
    if row.cause is not None and row.decided_at is not None:
        words = f"{t(f'overloads.cause.{row.cause}')}: {said} ({row.decided_by}, {row.decided_at:%Y-%m-%d})"
    if row.state is OverloadState.OPEN and row.cause is not None:
        then = peak_words(row.decided_peak_structural_pct or 0.0)
        words = f"open again, the peak was {then} when it was decided on; {words}"
    gone = "" if row.counted else "; no longer counted"
    return [
        row.crane,
        f"{row.started_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC",
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
        None if row.length_mm is None else f"{row.length_mm:g} mm long",
        row.channel,
        None if row.found_error_pct is None else f"error found {row.found_error_pct:+g} %",
        None if row.left_error_pct is None else f"error left up to {row.left_error_pct:g} %",
        None if row.found_in is None else f"found in no. {row.found_in}",
        row.note,
        f"{len(row.files)} files" if row.files else None,
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
        return "none"
    off = f"the farthest {spectrum.largest_spike_pct:.0f} points off"
    counted = ", which errs to the safe side" if spectrum.spikes_counted else ""
    return f"{spectrum.spikes} set aside, {spectrum.spikes_counted} counted{counted}; {off}"


def use_rows(spectrum: SpectrumAnswer) -> Pairs:
    """Class of use of the period beside the design class."""
    edition = f" of {spectrum.edition}" if spectrum.edition else ""
    found = [
        ("lifts in the period", str(spectrum.lifts)),
        ("kQ", number(spectrum.kq)),
        ("class of kQ", f"{spectrum.q_class or 'none'}{edition}"),
        ("class of use, whole life", f"{spectrum.u_class or 'none'}{edition}: {_life_lifts(spectrum)}"),
        ("class of use of the period alone", f"{spectrum.u_class_of_period or 'none'}{edition}"),
        (
            f"s_m of the period, m = {spectrum.s_slope_m:g}",
            f"{number(spectrum.s_m)}, class {spectrum.s_class or 'none'}",
        ),
    ]
    if spectrum.group is not None:
        found.append(("group", f"{spectrum.group}{edition}"))
    if spectrum.design_cycles is not None:
        found.append(("design", f"{spectrum.design_cycles:,.0f} cycles at kQ {number(spectrum.design_kq)}"))
        found.append(("lifts against the design", f"{100 * spectrum.lifts / spectrum.design_cycles:.3g} %"))
        if spectrum.kq is not None and spectrum.design_kq:
            heavier = "heavier" if spectrum.kq > spectrum.design_kq else "not heavier"
            found.append(
                (
                    "kQ against the design",
                    f"{spectrum.kq / spectrum.design_kq:.3g} times: {heavier} than designed for",
                )
            )
    return found


def _life_lifts(spectrum: SpectrumAnswer) -> str:
    words = f"{spectrum.life_lifts:,.0f} lifts counted and entered"
    return words + (
        "; years before the record are unknown, so at least" if spectrum.life_lifts_at_least else ""
    )


def life_rows(life: LifeAnswer) -> Pairs:
    """Used share with its parts, the forecast with its range."""
    forecast = life.forecast
    if forecast is None:
        dates = life.forecast_reason.text if life.forecast_reason else "none"
    else:
        late = forecast.late_on.isoformat() if forecast.late_on else "beyond the horizon"
        dates = (
            f"{percent(forecast.threshold)} reached between {forecast.early_on} and {late}, middle {forecast.middle_on};"
            f" {forecast.weeks_used} weeks of record, use {forecast.trend}"
            + ("; under a year of record: a season may be unseen" if forecast.season_unseen else "")
        )
    return [
        (
            "used share, whole life",
            percent(life.used_share)
            + (f" ({life.used_share_reason.text})" if life.used_share_reason else ""),
        ),
        ("80 % range of it", _range(life.used_share_unsure)),
        ("of it counted", percent(life.used_share_counted)),
        ("of it before the record, as entered", percent(life.used_share_prior)),
        (
            "of it before the record, not known",
            f"{percent(life.used_share_unknown)} for {life.unknown_years:.1f} unknown years"
            + (f" of {life.design_years:g} design years" if life.design_years else "")
            + (", assumed from the years to the special assessment" if life.design_years_assumed else ""),
        ),
        ("of it in use without a record", percent(life.used_share_unrecorded)),
        *(("entries contradict each other", one.text) for one in life.contradictions),
        ("safety factor f1", f"{life.f1:.3g}: {life.f1_reason.text}"),
        ("forecast of being used up", dates),
        ("special assessment on", f"{life.special_assessment_on}: {life.special_assessment_reason.text}"),
        ("in words", life.sentence),
    ]


def _range(found: UnsureFigure | None) -> str:
    """The range of a used share, and what matters most in it."""
    if found is None:
        return "–"
    words = f"{percent(found.low)} to {percent(found.high)}"
    if not found.influences:
        return words
    return f"{words}; what matters most: {INFLUENCES[found.influences[0].source]}"


def influence_rows(found: UnsureFigure | None, shown: Callable[[float], str]) -> list[list[str]]:
    """The range of a figure and each influence on it, what matters most first: influence, low, high, by; none without a range."""
    if found is None:
        return []
    return [
        ["all together", shown(found.low), shown(found.high), ""],
        *(
            [
                INFLUENCES[one.source],
                shown(one.low),
                shown(one.high),
                "a default or an assumption" if one.assumed else "an entry or a count",
            ]
            for one in found.influences
        ),
    ]


def detail_row(detail: DetailDamage) -> list[str]:
    """One weld detail."""
    around = "" if detail.direction_deg is None else f", worst at {detail.direction_deg:g}°"
    return [
        detail.detail,
        f"{number(detail.damage)} of {detail.allowed_sum:g} ({number(detail.damage_counted)} counted)",
        f"{number(detail.damage_low)} to {number(detail.damage_high)}",
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
