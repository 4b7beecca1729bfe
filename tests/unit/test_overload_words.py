"""A peak above the full structural rating never reads as 100 %, in whichever document it stands."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from domain.overload import OverloadCause, OverloadRow, OverloadState
from reports.dossier_registers import overload_row
from reports.rows import overload_cells

JUST_ABOVE = OverloadRow(
    crane="heron-3",
    site="north",
    started_at=datetime(2026, 3, 2, 8, 21, 40, tzinfo=UTC),
    ended_at=datetime(2026, 3, 2, 8, 23, tzinfo=UTC),
    day=date(2026, 3, 2),
    peak_utilisation_pct=100.02,
    peak_structural_pct=100.04,
    peak_outreach_m=7.2,
    mass_kg=1234.0,
    limiter_stops=0,
    limiter_overrides=1,
    state=OverloadState.DECIDED,
    counted=True,
    decisions=1,
    cause=OverloadCause.MOVED_OUT,
    note="",
    decided="looked at, nothing found",
    decided_at=datetime(2026, 3, 3, 9, tzinfo=UTC),
    decided_by="ida",
    decided_peak_structural_pct=100.04,
)


def test_a_dossier_and_a_duty_report_round_a_peak_up() -> None:
    _, peaks, _, _, decided = overload_row(JUST_ABOVE, ZoneInfo("Europe/Vienna"))
    assert peaks == "100.1 %, 100.1 %"
    assert "at 100.1 %" in decided
    assert overload_cells(JUST_ABOVE)[2:4] == ["100.1 %", "100.1 %"]
