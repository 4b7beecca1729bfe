"""Records of a life change what the fleet, the life of a crane, dispatch and the alerts say, and all say the same."""

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

import psycopg
import pytest
from psycopg.types.json import Jsonb

from alerts.judge import assessment_on
from domain.detail import CurveFamily, DetailSpec
from domain.life_record import LifeRecordAsked
from duty.assessment import by_entries
from store import alert_watch, life_records
from store.sql import query
from tests.integration.analytics.crane_at_work import Yard, working
from tests.integration.analytics.test_one_life_status import asked

MONDAY = datetime(2025, 9, 1, 6, tzinfo=UTC)
CHANGED = date(2025, 9, 15)
TODAY = date(2025, 10, 1)


def enter(yard: Yard, kind: str, day: date, **values: Any) -> int:
    record = LifeRecordAsked.model_validate(
        {"kind": kind, "happened_on": str(day), "person": "A. Tester (invented)", **values}
    )
    with psycopg.connect(yard.url) as conn:
        return life_records.add_record(conn, yard.crane_id, record, "eve", today=TODAY)


def worked(yard: Yard) -> None:
    spec = DetailSpec(mpa_per_pct=1.2, curve=CurveFamily.IIW, reference_mpa=71.0, gamma_mf=1.1)
    with psycopg.connect(yard.url) as conn:
        for name, default in (("boom foot", True), ("column foot", False)):
            turned = spec if default else spec.model_copy(update={"direction": "worst"})
            conn.execute(
                query("detail_written"),
                {
                    "name": name, "spec": Jsonb(turned.model_dump(mode="json")), "entered_by": "eve", "type": None,
                    "crane": yard.crane.name, "is_default": default,
                },
            )  # fmt: skip
    for week in range(4):
        channels = working(0.3, seed=week)
        yard.store(yard.messages(MONDAY + timedelta(weeks=week), channels, boot=week + 1))
    yard.count()


def test_a_changed_detail_begins_its_sum_again(yard: Yard) -> None:
    worked(yard)
    base = f"/cranes/{yard.crane.name}/life"
    (whole,) = asked(yard.url, base)
    enter(yard, "changed_detail", CHANGED, detail="boom foot")
    yard.count()
    life, since, shown, fleet = asked(
        yard.url, base, f"{base}/damage?detail=boom+foot&day_from={CHANGED}&day_to={TODAY}",
        f"{base}/damage?detail=boom+foot", "/fleet",
    )  # fmt: skip
    before, after = ({one["detail"]: one for one in found["details"]} for found in (whole, life))
    boom = after["boom foot"]
    assert boom["counted_since"] == shown["counted_since"] == str(CHANGED)
    assert boom["damage_counted"] == pytest.approx(since["damage"], rel=1e-9) == shown["damage"]
    assert 0.3 * before["boom foot"]["damage_counted"] < boom["damage_counted"]
    assert boom["damage_counted"] < 0.7 * before["boom foot"]["damage_counted"]
    assert before["boom foot"]["damage_carried"] > 0 == boom["damage_carried"]  # of the unknown years
    assert after["column foot"] == before["column foot"]
    (row,) = fleet["rows"]
    assert (row["damage_detail"], row["damage"]) == ("boom foot", boom["damage"])
    enter(yard, "changed_detail", TODAY, detail="boom foot")
    enter(yard, "changed_detail", TODAY, detail="column foot")
    (life,) = asked(yard.url, base)
    assert [(one["counted_since"], one["damage"]) for one in life["details"]] == [(str(TODAY), 0.0)] * 2


def test_a_crack_makes_the_assessment_due_everywhere(yard: Yard) -> None:
    worked(yard)
    crack = enter(yard, "crack", CHANGED, detail="boom foot", length_mm=8.0)

    def entries(conn: psycopg.Connection[Any]) -> str:
        cursor = conn.execute(
            query("fleet_cranes"), {"day": TODAY, "after": "", "rows": 10, "review_at_share": 0.95}
        )
        (row,) = cursor.fetchall()
        assert cursor.description is not None
        return str(row[[column.name for column in cursor.description].index("entries")])

    with psycopg.connect(yard.url) as conn:  # before anything is counted again
        assert by_entries(json.loads(entries(conn))).on == CHANGED
    yard.count()
    life, fleet = asked(yard.url, f"/cranes/{yard.crane.name}/life", "/fleet")
    reason = "open crack of 8 mm at boom foot since 15 Sep 2025"
    assert (life["special_assessment_on"], life["special_assessment_by"]) == (str(CHANGED), "condition")
    assert life["special_assessment_reason"]["text"] == fleet["rows"][0]["assessment_reason"] == reason
    with psycopg.connect(yard.url) as conn:
        (facts,) = alert_watch.CRANES.all(conn, now=MONDAY)
        assert assessment_on(facts) == CHANGED
        life_records.withdraw_record(conn, yard.crane_id, crack, "another crane", "eve")
    yard.count()
    life, fleet = asked(yard.url, f"/cranes/{yard.crane.name}/life", "/fleet")
    assert life["special_assessment_by"] == fleet["rows"][0]["assessment_by"] != "condition"


def test_before_any_count_the_entries_with_the_defects_decide(yard: Yard) -> None:
    enter(yard, "finding", CHANGED, note="play in the slewing gear")
    with psycopg.connect(yard.url) as conn:
        (facts,) = alert_watch.CRANES.all(conn, now=MONDAY)
        assert assessment_on(facts) == CHANGED
    (fleet,) = asked(yard.url, "/fleet")
    assert fleet["rows"][0]["assessment_by"] == "condition"
    assert fleet["rows"][0]["assessment_reason"].startswith("open finding (play in the slewing gear)")


def test_a_calibration_changes_the_range(yard: Yard) -> None:
    worked(yard)
    (before,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")
    enter(yard, "calibration", CHANGED, channel="utilisation_pct", left_error_pct=1.0, found_error_pct=-2.0)
    yard.count()
    (after,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")

    def bias(found: dict[str, Any]) -> dict[str, Any]:
        (one,) = [row for row in found["used_share_unsure"]["influences"] if row["source"] == "pressure_bias"]
        return dict(one)

    assert (bias(before)["assumed"], bias(after)["assumed"]) == (True, False)
    assert bias(after)["high"] - bias(after)["low"] < 0.5 * (bias(before)["high"] - bias(before)["low"])
    # two percent too low, and proved: lifts stay as they were read, the used share takes what they were
    assert after["used_share_counted"] == before["used_share_counted"]
    most = ((1 / 0.98) ** 3 - 1) * before["used_share_counted"]
    assert 0 < after["used_share"] - before["used_share"] <= most * (1 + 1e-9)
