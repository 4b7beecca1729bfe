"""Where an alert leads: every kind to the page that shows what it found."""

from datetime import UTC, datetime

import pytest

from dashboard.pages import alerts
from dashboard.router import match
from domain.alerts import AlertKind, AlertRow, Priority


@pytest.mark.parametrize("kind", list(AlertKind))
def test_every_kind_of_alert_leads_to_a_page(kind: AlertKind) -> None:
    nothing = dict.fromkeys(
        ("cleared_at", "acknowledged_at", "acknowledged_by", "shelved_until", "shelved_by", "shelved_reason")
    )
    row = AlertRow(
        alert_id=1, crane="heron-3", site="north", rule="any", kind=kind, priority=Priority.HIGH, state="open", text="",
        subject="", value=1, worst_value=1, unit="", raise_at=1, raised_at=datetime(2026, 11, 25, tzinfo=UTC), cause="",
        consequence="", action="", **nothing,
    )  # fmt: skip
    assert match(alerts.evidence(row).partition("?")[0]) is not None
