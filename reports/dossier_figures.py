"""Sections of a dossier with its figures: duty, load spectrum against the design as a drawing, life, damage; parts of all sections."""

import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from domain.answers import SpectrumAnswer
from domain.description import BEGINNING
from domain.dossier import Dossier
from domain.life_answers import DetailDamage, LifeAnswer, UnsureFigure
from domain.maintenance import DetailEntry
from duty.levels import NEAR_LIMIT_PCT
from reports import rows
from reports.document import bars, hours, number, percent
from words.texts import t

Section = dict[str, Any]
WIDTH_MM: Final = 140.0
HEIGHT_MM: Final = 62.0
FULL_SCALE_PCT: Final = 110.0
LEVEL_STEP_PCT: Final = 20
DAMAGE_HEAD: Final = ("detail", "damage", "range", "at_failure", "curve")


Points = list[tuple[float, float]]


def section(title: str, **parts: Any) -> Section:
    """A section of the pages, blank where nothing is given."""
    blank: Section = {
        "text": [],
        "bullets": [],
        "pairs": [],
        "tables": [],
        "bars": [],
        "drawing": None,
    }
    return {"title": title, **blank, **parts}


def table(
    head: Sequence[str], widths: Sequence[int], lines: Iterable[Sequence[str]], title: str = ""
) -> list[dict[str, Any]]:
    """A table, or none where it has no line. widths: parts of what is left over; 0 for as wide as the text."""
    found = [list(line) for line in lines]
    return [{"title": title, "head": list(head), "widths": list(widths), "rows": found}] if found else []


def duty_section(dossier: Dossier) -> Section:
    """What the crane did over the whole record."""
    duty, spectrum = dossier.duty, dossier.spectrum
    share = duty.near_limit_s / duty.loaded_s if duty.loaded_s else None
    return section(
        t("report.duty_of_the_whole_record"),
        pairs=[
            (t("report.lifts"), f"{duty.lifts:,}"),
            (t("report.recorded_at_work"), f"{hours(duty.recorded_s)}, {hours(duty.working_s)}"),
            (t("report.time_under_load_in_a", near_limit_pct=NEAR_LIMIT_PCT), hours(duty.loaded_s)),
            (
                t("report.of_it_at_or_above", near_limit_pct=NEAR_LIMIT_PCT),
                f"{hours(duty.near_limit_s)}, {percent(share)}",
            ),
            (t("report.lifts_near_the_limit"), f"{duty.near_limit_lifts:,}"),
            (t("report.limiter_stops_overrides"), f"{duty.limiter_stops:,}, {duty.limiter_overrides:,}"),
            (t("report.on_the_manual_valves"), hours(duty.emergency_s)),
            (t("report.spikes"), rows.spike_words(spectrum)),
            (t("report.utilisation_below_0"), hours(spectrum.below_zero_s)),
        ],
    )


def spectrum_section(dossier: Dossier) -> Section:
    """The load spectrum against the design, drawn, with classes and their edition."""
    spectrum = dossier.spectrum
    return section(
        t("report.load_spectrum_against_the_design"),
        drawing=spectrum_drawing(spectrum),
        pairs=rows.use_rows(spectrum),
        bars=bars(
            [
                (t("report.to_6", low_pct=one.low_pct, high_pct=one.high_pct), one.cycles)
                for one in reversed(spectrum.ranges)
            ],
            logarithmic=True,
        ),
    )


def spectrum_drawing(spectrum: SpectrumAnswer) -> dict[str, Any] | None:
    """Lifts at or above a peak, over the logarithm of their number, with the design as a rectangle; None without a lift.

    Each step is drawn at its upper edge, so that the line never lies below the true one.
    """
    steps = sorted(spectrum.lift_peaks, key=lambda one: -one.low_pct)
    if not steps or not spectrum.lifts:
        return None
    design = spectrum.design_cycles
    decades = math.ceil(math.log10(max(spectrum.lifts, design or 1.0, 10.0)))
    top_pct = max(FULL_SCALE_PCT, steps[0].high_pct)
    x, y = WIDTH_MM / decades, HEIGHT_MM / top_pct

    def drawn(points: Sequence[tuple[float, float]]) -> Points:
        return [(round(x * math.log10(max(count, 1.0)), 2), round(y * level, 2)) for count, level in points]

    return {
        "width": WIDTH_MM,
        "height": HEIGHT_MM,
        "x_ticks": [{"at": round(x * power, 2), "label": f"{10**power:,}"} for power in range(decades + 1)],
        "y_ticks": [
            {"at": round(y * level, 2), "label": f"{level:g}"}
            for level in np.arange(0, top_pct + 1, LEVEL_STEP_PCT).tolist()
        ],
        "line": drawn(_staircase([(one.high_pct, one.value) for one in steps])),
        "rectangles": [
            {**one, "points": drawn(one["points"])}
            for one in _rectangles(spectrum, room=10 ** (0.7 * decades))
        ],
        "alt": _alt(spectrum, steps[0].high_pct),
        "caption": t("report.spectrum_caption"),
    }


def _alt(spectrum: SpectrumAnswer, highest_pct: float) -> str:
    design = spectrum.design_cycles
    words = t("report.load_spectrum_lifts_of_the", lifts=spectrum.lifts, highest_pct=highest_pct)
    if not design:
        return t("report.no_design_class_is_entered_2", words=words)
    return t("report.the_design_allows_lifts_at", words=words, design=design, design_kq=spectrum.design_kq)


def _rectangles(spectrum: SpectrumAnswer, *, room: float) -> list[dict[str, Any]]:
    """Record and design as rectangles of the same sum of cubes; the label of the higher one stands above its line.

    room: number of lifts up to which there is room for a label beside the end of a line.
    """
    found = [
        (name, cycles, 100 * float(np.cbrt(kq)))
        for name, cycles, kq in (
            (t("report.record"), float(spectrum.lifts), spectrum.kq),
            (t("report.design"), spectrum.design_cycles, spectrum.design_kq),
        )
        if cycles is not None and kq
    ]
    highest = max((level for _, _, level in found), default=0.0)
    return [
        {
            "points": [(1, level), (cycles, level), (cycles, 0)],
            "label": t("report.lifts_at", name=name, cycles=cycles, level=level),
            "above": level == highest,
            "beside": cycles < room,
        }
        for name, cycles, level in found
    ]


def _staircase(steps: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Corners from the highest peak down. steps: (upper edge, lifts), the highest first."""
    corners, count = [(1.0, steps[0][0])], 0.0
    for place, (level, lifts) in enumerate(steps):
        count += lifts
        below = steps[place + 1][0] if place + 1 < len(steps) else 0.0
        corners += [(count, level), (count, below)]
    return corners


def life_section(life: LifeAnswer) -> Section:
    """The used share in its parts, and what makes it unsure."""
    return section(
        t("report.share_of_the_design_working"),
        pairs=rows.life_rows(life),
        tables=_influences(t("report.what_makes_the_used_share"), life.used_share_unsure, share=True),
    )


def _influences(title: str, found: UnsureFigure | None, *, share: bool) -> list[dict[str, Any]]:
    shown = percent if share else number
    return table(
        (t("report.influence"), t("report.low"), t("report.high"), t("report.by")),
        (1, 0, 0, 1),
        rows.influence_rows(found, shown),
        title,
    )


def damage_section(dossier: Dossier) -> Section:
    """Damage by weld detail and direction with allowed sum and uncertainty."""
    details = dossier.life.details
    return section(
        t("report.damage_by_weld_detail_and"),
        text=[t("report.miner_sums_compare_they_do")],
        tables=[
            *table(
                [t(f"report.damage_head.{name}") for name in DAMAGE_HEAD],
                (1, 0, 0, 0, 2),
                map(_damage_row, details),
            ),
            *(
                one
                for detail in details
                for one in _influences(
                    t("report.what_makes_it_unsure", detail=detail.detail), detail.unsure, share=False
                )
            ),
            *table(
                (t("report.detail"), t("report.direction_around_the_base_and")),
                (0, 1),
                [line for detail in details for line in rows.direction_rows(detail)],
                t("report.around_the_base_0_towards"),
            ),
            *table(
                (
                    t("report.detail"),
                    t("report.stress_and_curve"),
                    t("report.source_of_the_curve"),
                    t("report.entered_by"),
                ),
                (0, 1, 1, 0),
                [_entered_row(one, zone_of(dossier)) for one in dossier.details],
                t("report.weld_details_as_entered"),
            ),
        ],
    )


def _damage_row(detail: DetailDamage) -> list[str]:
    name, damage, failure, equivalent, curve = rows.detail_row(detail)
    since = (
        t("report.counted_since_its_change_on", counted_since=detail.counted_since)
        if detail.counted_since
        else ""
    )
    unsure = detail.unsure
    return [
        name + (t("report.assumed") if detail.assumed else "") + since,
        damage,
        "–" if unsure is None else t("report.to_2", low=number(unsure.low), high=number(unsure.high)),
        failure,
        t("report.equivalent_range", curve=curve, equivalent=equivalent),
    ]


def _entered_row(entry: DetailEntry, zone: ZoneInfo) -> list[str]:
    spec = entry.spec
    lines = ", ".join(
        t("report.slope_2", slope_m=one.slope_m)
        + ("" if one.to_cycles is None else t("report.to_cycles", to_cycles=one.to_cycles))
        for one in spec.branches
    )
    offset = f" {spec.offset_mpa:+g} MPa" if spec.offset_mpa else ""
    return [
        entry.name + (t("report.default") if entry.is_default else ""),
        t(
            "report.mpa_per_mpa",
            mpa_per_pct=spec.mpa_per_pct,
            offset=offset,
            curve=spec.curve,
            reference_mpa=spec.reference_mpa,
            lines=f": {lines}" if lines else "",
        ),
        spec.source or "–",
        f"{entry.entered_by}, {entry.entered_at.astimezone(zone):%Y-%m-%d}",
    ]


def zone_of(dossier: Dossier) -> ZoneInfo:
    """Zone of the crane's site."""
    return ZoneInfo(dossier.site.time_zone)


def moment(dossier: Dossier, at: datetime | None) -> str:
    """A moment in the zone of the site; a dash for None."""
    if at is None:
        return "–"
    return f"{at.astimezone(zone_of(dossier)):%Y-%m-%d %H:%M} {dossier.site.time_zone}"


def day(on: date | None) -> str:
    """A day; a dash for None."""
    return "–" if on is None or on <= BEGINNING else on.isoformat()
