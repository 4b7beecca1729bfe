"""Life on the safe side: each rule worked by hand, and the cases of the field through the api."""

import hashlib
import json
from collections.abc import AsyncIterator
from datetime import UTC, date, datetime, timedelta
from itertools import count
from typing import Any

import httpx
import numpy as np
import psycopg
import pytest

from analytics.summary import refresh_one_changed
from api.app import create_api, running
from api.settings import ApiSettings
from dashboard.pages.fleet import table as fleet_table
from dashboard.pages.life.page import _shares as shares_of
from domain.crane import DesignClass, Edition, RecorderRuns
from domain.detail import DetailSpec
from domain.fleet_answers import FleetRow
from domain.life_answers import LifeAnswer
from duty.damage import detail_of
from duty.forecast import Forecast, forecast, whole_weeks
from duty.spectrum import s_class, stress_history
from store import cranes
from tests.api.test_duty_report import text_of
from tests.integration.analytics.crane_at_work import Yard, put_crane, working

pytestmark = pytest.mark.anyio

FIRST = datetime(2026, 3, 2, 8, tzinfo=UTC)  # first record
TWELVE_YEARS_BEFORE = date(2014, 3, 2)  # 4383 days: 12 years of 365.25
U4_Q3 = DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q3")  # 250 000 lifts at kQ 0.25
DESIGN_SUM = 250_000 * 0.25
DAYS = count(2)


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def yard(database: str) -> Yard:
    """A crane with an hour of work on record, made twelve years before, of which nothing is entered."""
    made = put_crane(database)
    entered(
        made, design=U4_Q3, manufactured_on=TWELVE_YEARS_BEFORE, commissioned_on=TWELVE_YEARS_BEFORE,
        design_years=None, recorder_runs=RecorderRuns.ALWAYS,
    )  # fmt: skip
    made.store(made.messages(FIRST, working(1, seed=1)))
    made.count()
    return made


@pytest.fixture
async def http(yard: Yard) -> AsyncIterator[httpx.AsyncClient]:
    app = create_api(yard.url, ApiSettings(open_access=True, secure_cookie=False, pool_size=2))
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40_000))
    async with running(app), httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        yield client


def entered(yard: Yard, **changes: Any) -> None:
    """Changes what is entered of the crane, as a person would, and has its summary follow."""
    with psycopg.connect(yard.url) as conn:
        known = cranes.get_crane(conn, yard.crane.name).crane
        cranes.save_crane(conn, known.model_copy(update=changes))
    refreshed(yard)


def refreshed(yard: Yard) -> None:
    with psycopg.connect(yard.url, autocommit=True) as conn:
        if conn.execute("select 1 from crane_summary where counted_at is not null").fetchone():
            while refresh_one_changed(conn):
                pass


async def life(http: httpx.AsyncClient, yard: Yard) -> dict[str, Any]:
    answer = await http.get(f"/cranes/{yard.crane.name}/life")
    assert answer.status_code == 200, answer.text
    return answer.json()


async def fleet_row(http: httpx.AsyncClient) -> dict[str, Any]:
    # other days each time: the answer about the same ones is kept for two seconds
    (row,) = (await http.get("/fleet", params={"days": next(DAYS)})).json()["rows"]
    return row


async def test_twelve_unknown_years_at_ten_are_180_percent_and_not_nothing(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    """1.5 * 12 years / 10 years, the years to the special assessment standing in for the manual's."""
    found = await life(http, yard)
    assert found["unknown_years"] == pytest.approx(12)
    assert found["used_share_unknown"] == pytest.approx(1.8)
    counted = 1.1 * found["lifts"] * found["kq"] / DESIGN_SUM
    assert found["used_share_counted"] == pytest.approx(counted)
    assert found["used_share"] == pytest.approx(1.8 + counted)
    assert found["sentence"].startswith("The design working period is used up (180 %")
    assert "180 % assumed for 12.0 years before the record of which nothing is known" in found["sentence"]
    assert "since the manual's are not entered" in found["sentence"]
    row = await fleet_row(http)
    for name in ("used_share", "used_share_counted", "used_share_unknown", "unknown_years"):
        assert row[name] == pytest.approx(found[name]), name
    (detail,) = found["details"]
    carried = max(detail["damage_counted"] * 1.8 / counted, 1.8 * 1.0)
    assert detail["damage"] == pytest.approx(detail["damage_counted"] + carried)
    assert row["damage"] == pytest.approx(detail["damage"])


async def test_one_old_file_does_not_make_twelve_years_known(http: httpx.AsyncClient, yard: Yard) -> None:
    """A minute on 3 March 2014, the first record after that: 4375 days between the weeks of both count 1.5 times over ten years."""
    old = datetime(2014, 3, 3, 8, tzinfo=UTC)
    yard.store(yard.messages(old, working(1 / 60, seed=5), boot=7))
    yard.count()
    found, row = await life(http, yard), await fleet_row(http)
    assert found["unknown_years"] == pytest.approx(1 / 365.25)
    assert found["blank_years"] == pytest.approx(4375 / 365.25)
    assert found["used_share_unrecorded"] == pytest.approx(1.5 * 4375 / 365.25 / 10)
    assert found["used_share"] == row["used_share"] > 1.79
    assert "For 12.0 years between the first and the last record nothing is recorded" in found["sentence"]
    assert found["details"][0]["damage"] == pytest.approx(row["damage"])
    assert found["details"][0]["damage"] > 1.79
    draft = (await http.get(f"/cranes/{yard.crane.name}/dossier")).json()
    assert draft["unknown"][0].startswith("For 12.0 years between")
    entered(yard, design=None)
    (detail,) = (await life(http, yard))["details"]
    assert detail["damage_carried"] == pytest.approx(1.5 * 4376 / 365.25 / 10)
    entered(yard, design=U4_Q3)
    path = f"/cranes/{yard.crane.name}/counters"
    for day, value in (("2014-03-04", 0), ("2026-03-01", 2)):  # two hours in all these years
        answer = await http.post(path, json={"kind": "operating_hours", "read_on": day, "value": value})
        assert answer.status_code == 201, answer.text
    known = await life(http, yard)
    assert known["blank_years"] == 0
    assert 0 < known["used_share_unrecorded"] < 0.01


async def test_that_there_was_no_duty_before_is_said_as_an_entry(http: httpx.AsyncClient, yard: Yard) -> None:
    prior = {"lifts": 0, "kq": 0, "f1": 1.0}
    entries = [{"crane": yard.crane.name, "prior_duty": prior}]
    assert (await http.post("/life-history", json={"entries": entries})).status_code == 200
    refreshed(yard)
    found = await life(http, yard)
    assert (found["unknown_years"], found["used_share_prior"]) == (0, 0)
    assert "0 % entered by its owner for the time before the record" in found["sentence"]
    shown = shares_of(LifeAnswer.model_validate(found))
    assert "0.0\xa0% entered for the time before the record" in shown


async def test_a_calibration_that_found_half_of_the_truth_is_said_and_in_the_used_share(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    """Readings of half of the truth: what was counted is taken 2^3 = 8 times."""
    before = await life(http, yard)
    body = {
        "kind": "calibration", "happened_on": "2026-03-20", "person": "A. Nyman", "channel": "utilisation_pct",
        "found_error_pct": -50.0, "left_error_pct": 1.0,
    }  # fmt: skip
    made = await http.post(f"/cranes/{yard.crane.name}/life-records", json=body)
    assert made.status_code == 201, made.text
    refreshed(yard)
    found = await life(http, yard)
    assert found["used_share_counted"] == before["used_share_counted"] > 0
    assert found["used_share"] == pytest.approx(before["used_share"] + 7 * before["used_share_counted"])
    assert found["used_share_unsure"]["high"] >= found["used_share"]
    assert (await fleet_row(http))["used_share"] == pytest.approx(found["used_share"])
    assert "The calibration of 20 Mar 2026 found readings 50 % too low" in found["sentence"]
    assert "takes what was counted before it 8 times" in found["sentence"]
    assert "for readings that a calibration found too low" in found["sentence"]


async def test_an_entry_replaces_what_was_assumed(http: httpx.AsyncClient, yard: Yard) -> None:
    """Nine of twelve years entered, 20 000 lifts at kQ 0.1 with 1.2; design years 15 from the manual: 3 are left."""
    prior = {"lifts": 20_000, "kq": 0.1, "f1": 1.2, "years": 9, "source": "work sheets"}
    entries = [{"crane": yard.crane.name, "design_years": 15, "prior_duty": prior}]
    assert (await http.post("/life-history", json={"entries": entries})).status_code == 200
    refreshed(yard)
    found = await life(http, yard)
    assert found["used_share_prior"] == pytest.approx(1.2 * 20_000 * 0.1 / DESIGN_SUM)
    assert found["used_share_unknown"] == pytest.approx(1.5 * 3 / 15)
    assert (await fleet_row(http))["used_share"] == pytest.approx(found["used_share"])
    assert not found["design_years_assumed"]


async def test_without_a_design_class_there_is_no_share_and_the_crane_ranks_as_unknown(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    entered(yard, design=None)
    found = await life(http, yard)
    assert found["used_share"] is None
    assert "Nothing is known of 12.0 years" in found["sentence"]
    assert (await fleet_row(http))["used_share"] is None
    job = {"mass_kg": 500.0, "rigging_kg": 50.0, "outreach_m": 5.0}
    answer = await http.post("/dispatch", json=job)
    assert answer.status_code == 200, answer.text
    (candidate,) = answer.json()["candidates"]
    assert (candidate["used_share"], candidate["remaining_life_ppm"]) == (None, None)
    # its damage carries the unknown years all the same: they need no class
    (detail,) = found["details"]
    assert detail["damage_carried"] == pytest.approx(1.8)


@pytest.mark.parametrize(
    ("runs", "f1"),
    [
        (RecorderRuns.ALWAYS, 1.1),
        (RecorderRuns.WITH_IGNITION, 1.1),
        (RecorderRuns.CAN_BE_SWITCHED_OFF, 1.3),
        (RecorderRuns.UNKNOWN, 1.3),
    ],
)
async def test_f1_of_a_complete_record_is_what_its_recorder_earns(
    http: httpx.AsyncClient, yard: Yard, runs: RecorderRuns, f1: float
) -> None:
    entered(yard, recorder_runs=runs)
    found = await life(http, yard)
    assert (found["coverage"], found["f1"]) == (1.0, f1)
    assert "nothing independent supports it" in found["f1_reason"]["text"]
    # a counter that gained the recorded hour and no more earns 1.0; one that gained three earns 3
    path = f"/cranes/{yard.crane.name}/counters"
    before = {"kind": "operating_hours", "read_on": "2026-02-28", "value": 500}
    assert (await http.post(path, json=before)).status_code == 201
    after = {"kind": "operating_hours", "read_on": "2026-03-31", "value": 501}
    made = (await http.post(path, json=after)).json()
    assert (await life(http, yard))["f1"] == 1.0
    withdrawn = await http.delete(f"{path}/{made['readings'][-1]['reading_id']}")
    assert withdrawn.status_code == 200, withdrawn.text
    await http.post(path, json={**after, "value": 503})
    assert (await life(http, yard))["f1"] == pytest.approx(3.0, rel=0.01)
    refused = await http.post(path, json={**after, "read_on": "2026-04-30", "value": 100})
    assert refused.status_code == 422
    assert "ran backwards" in refused.json()["detail"]


def with_counter(minutes: int, *readings: float) -> dict[str, np.ndarray]:
    """Work with readings of the hours counter at its beginning, the other samples without one."""
    sent = np.full(minutes * 60, np.nan)
    sent[: len(readings)] = readings
    return {**working(minutes / 60, seed=2), "operating_hours_h": sent}


async def test_a_counter_that_the_crane_sends_in_samples_counts_like_one_that_is_read(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    """1 h and 2 min on record in March, 3.1 h by the counter between the last days of February and March."""
    yard.store(yard.messages(datetime(2026, 2, 28, 8, tzinfo=UTC), with_counter(1, 500.0), boot=2))
    yard.store(yard.messages(datetime(2026, 3, 31, 8, tzinfo=UTC), with_counter(2, 503.0, 503.1), boot=3))
    yard.count()
    path = f"/cranes/{yard.crane.name}/counters"
    found = (await http.get(path)).json()
    assert [(one["source"], one["read_on"], one["value"]) for one in found["readings"]] == [
        ("samples", "2026-02-28", 500.0),
        ("samples", "2026-03-31", pytest.approx(503.1)),
    ]
    (span,) = found["spans"]
    assert span["gained"] == pytest.approx(3.1, rel=1e-5)  # 503.1 as the wire's single precision has it
    assert span["recorded"] == pytest.approx(62 / 60)
    march = (await life(http, yard))["f1_by_month"][1]
    assert (march["by_counter"], march["f1"]) == (True, pytest.approx(3.1 * 60 / 62, rel=1e-3))
    # typed beside it: one that agrees changes nothing, one that does not is refused with what to do
    agrees = {"kind": "operating_hours", "read_on": "2026-03-31", "value": 503}
    assert (await http.post(path, json=agrees)).status_code == 201
    assert (await life(http, yard))["f1_by_month"][1]["f1"] == march["f1"]
    refused = await http.post(path, json={**agrees, "read_on": "2026-02-28", "value": 510})
    assert refused.status_code == 422
    assert "contradict each other, 500 and 510" in refused.json()["detail"]


async def test_a_counter_sent_in_samples_that_runs_backwards_is_told_and_not_used(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    yard.store(yard.messages(datetime(2026, 2, 28, 8, tzinfo=UTC), with_counter(1, 500.0), boot=2))
    yard.store(yard.messages(datetime(2026, 3, 31, 8, tzinfo=UTC), with_counter(1, 500.9, 20.0), boot=3))
    yard.count()
    found = await life(http, yard)
    assert not any(month["by_counter"] for month in found["f1_by_month"])
    assert found["f1"] == 1.1
    assert any(
        "ran backwards on 31 Mar 2026: 500.9, then 20" in one["text"] for one in found["contradictions"]
    )
    assert "ran backwards" in found["sentence"]
    told = (await http.get(f"/cranes/{yard.crane.name}/counters")).json()
    assert (len(told["spans"]), len(told["problems"])) == (0, 2)
    # whoever knows that it was replaced says so
    restarted = {"kind": "operating_hours", "read_on": "2026-03-31", "value": 20, "restarted": True}
    made = await http.post(f"/cranes/{yard.crane.name}/counters", json=restarted)
    assert (made.status_code, made.json()["problems"]) == (201, [])


async def test_entries_against_the_record_are_refused_with_what_to_do(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    late = {"entries": [{"crane": yard.crane.name, "manufactured_on": "2026-03-03"}]}
    answer = await http.post("/life-history", json=late)
    assert answer.status_code == 422
    assert "but recorded from 2 Mar 2026" in answer.json()["detail"]
    prior = {"lifts": 1, "kq": 0.1, "f1": 1.2, "years": 13}
    twice = {"entries": [{"crane": yard.crane.name, "prior_duty": prior}]}
    answer = await http.post("/life-history", json=twice)
    assert answer.status_code == 422
    assert "would count twice" in answer.json()["detail"]


def test_twelve_blank_weeks_of_forty_two_do_not_put_the_date_off() -> None:
    """0.2 % a week to 100 %: 500 weeks; taken for rest, the blanks would make it 700."""
    first = date(2025, 1, 6)
    weeks = [first + timedelta(weeks=k) for k in range(43)]
    blank = set(range(5, 11)) | set(range(25, 31))
    known = [week for place, week in enumerate(weeks) if place not in blank]
    start = weeks[-1] + timedelta(weeks=1)
    found = forecast(whole_weeks(known, np.full(len(known), 0.002), start), 0.0, 1.0, start)
    assert isinstance(found, Forecast)
    assert found.weeks == 30
    assert (found.middle_on - start).days / 7 == pytest.approx(500, rel=0.05)
    assert found.season_unseen


def test_one_overload_does_not_make_a_hard_worked_crane_a_light_one() -> None:
    """500 000 cycles of 50 %: s_3 = 500e3 / 2e6 * 0.5^3 = 0.03125, S2. Against the largest range seen, one of 150 % made it S1."""
    history = stress_history([50.0, 150.0], [500_000, 1])
    assert history.s_m == pytest.approx(0.03125 + 1.5**3 / 2e6)
    found = s_class(history.s_m, Edition.EN_13001_1)
    assert found is not None
    assert found.letter == "S2"
    seen = s_class(stress_history([50.0, 150.0], [500_000, 1], reference=150.0).s_m, Edition.EN_13001_1)
    assert seen is not None
    assert seen.letter == "S1"


async def test_the_class_of_use_is_of_the_whole_life_whatever_days_are_shown(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    """40 000 lifts entered lie above 31 500 (U1) and up to 63 000 (U2)."""
    prior = {"lifts": 40_000, "kq": 0.1, "f1": 1.2, "years": 12}
    await http.post("/life-history", json={"entries": [{"crane": yard.crane.name, "prior_duty": prior}]})
    refreshed(yard)
    day = {"day_from": "2026-03-02", "day_to": "2026-03-02"}
    found = (await http.get(f"/cranes/{yard.crane.name}/spectrum", params=day)).json()
    assert (found["u_class"], found["u_class_of_period"]) == ("U2", "U0")
    assert found["life_lifts"] == 40_000 + found["lifts"]


async def test_the_assessment_counts_from_manufacture_and_is_seen_before_it_is_due(
    http: httpx.AsyncClient, yard: Yard
) -> None:
    """Made 2016-06-15, in service a year later: ten years end on 2026-06-15."""
    made = {"manufactured_on": date(2016, 6, 15), "commissioned_on": date(2017, 6, 15), "design_years": 100.0}
    entered(yard, **made)
    found, row = await life(http, yard), await fleet_row(http)
    assert found["special_assessment_on"] == row["assessment_on"] == "2026-06-15"
    assert (
        found["special_assessment_reason"]["text"] == row["assessment_reason"] == "10 years after manufacture"
    )
    shown = FleetRow.model_validate(row)
    for days, words in ((25, "Assessment due soon"), (-1, "Assessment overdue")):
        today = date(2026, 6, 15) - timedelta(days=days)
        assert fleet_table.pressing(shown, today)[1] == words
    entered(yard, review_at_share=0.1)
    found, row = await life(http, yard), await fleet_row(http)
    assert (
        found["special_assessment_by"] == row["assessment_by"] == "use"
    )  # 15 % for ten unknown years of 100
    assert row["review_at_share"] == found["review_at_share"] == 0.1
    assert found["special_assessment_on"] == row["assessment_on"] == "2026-03-03"  # the day after the record
    entered(
        yard, review_at_share=0.95, assess_because="crack at the column foot", assess_since=date(2026, 3, 1)
    )
    row = await fleet_row(http)
    assert (row["assessment_by"], row["assessment_on"]) == ("condition", "2026-03-01")


async def test_the_figures_of_the_dossier_are_those_of_the_api(http: httpx.AsyncClient, yard: Yard) -> None:
    """Its JSON holds the answers themselves; the pages print that JSON; a finished one stays as it is."""
    path = f"/cranes/{yard.crane.name}"
    weld = {"mpa_per_pct": 1.5, "curve": "IIW", "reference_mpa": 71.0, "direction": "worst"}
    assert (await http.put(f"{path}/details/column foot", json=weld)).status_code == 204
    row = (await http.post(f"{path}/dossiers", json={"note": "invented"})).json()
    kept, pages = [(await http.get(f"{path}/dossiers/1{part}")).content for part in ("", "/report")]
    assert [hashlib.sha256(one).hexdigest() for one in (kept, pages)] == [
        row["data_sha256"],
        row["pdf_sha256"],
    ]
    data = json.loads(kept)
    found = await life(http, yard)
    spectrum = (await http.get(f"{path}/spectrum")).json()
    assert (data["life"], data["spectrum"]) == (found, spectrum)
    (day,) = (await http.get(f"{path}/days")).json()["items"]
    for name in ("recorded", "working", "loaded", "near_limit", "over_limit", "emergency", "limit_assumed"):
        assert data["duty"][f"{name}_s"] == pytest.approx(day[f"{name}_ms"] / 1000), name
    for name in ("lifts", "near_limit_lifts", "limiter_stops", "limiter_overrides"):
        assert data["duty"][name] == day[name], name
    with psycopg.connect(yard.url) as conn:
        made = conn.execute("select version, settings_hash from counting where in_use").fetchone()
    assert (data["method"]["method_version"], data["method"]["settings_hash"]) == made
    assert data["unknown"][0].startswith("Nothing is known of 12.0 years before the record")
    text = text_of(pages)
    (detail,) = found["details"]
    for words in (
        f"lifts {found['lifts']}",
        f"kQ {spectrum['kq']:.3g}",
        f"class of kQ {spectrum['q_class']} of {spectrum['edition']}",
        f"used share, whole life {100 * found['used_share']:.3g} %",
        f"of it counted {100 * found['used_share_counted']:.3g} %",
        f"{detail['damage']:.3g} of 0.5 ({detail['damage_counted']:.3g} counted)",
        f"{detail['unsure']['low']:.3g} to {detail['unsure']['high']:.3g}",
        f"special assessment due on {found['special_assessment_on']}",
        f"{found['f1_by_month'][0]['month'][:7]} {found['f1']:.3g} 100 %",
        data["unknown"][0],
        row["data_sha256"],
        f"tolerance pct {data['method']['settings']['lift_rule']['tolerance_pct']}",
        f"stuck min {data['method']['finding_thresholds']['stuck_min']}",
    ):
        assert words in text, words
    assert text.index(data["unknown"][0]) < text.index(f"lifts {found['lifts']}")
    entered(yard, design_years=15.0)
    changed = (await http.get(f"{path}/dossier")).json()["changes"]
    (share,) = (one for one in changed if one["what"] == "life: used share unknown")
    assert float(share["before"]) == pytest.approx(1.8)
    assert float(share["after"]) == pytest.approx(1.5 * 12 / 15)
    assert {"part": "entry", "what": "crane: design years", "before": None, "after": "15"} in changed
    assert (await http.get(f"{path}/dossiers/1")).content == kept
    with psycopg.connect(yard.url) as conn, pytest.raises(psycopg.errors.InsufficientPrivilege):
        conn.execute("update dossier set data = 'x'")


def test_a_detail_may_reach_its_allowed_sum() -> None:
    """IIW advises half of Miner's sum under variable amplitude; an entry holds over both."""
    plain = {"mpa_per_pct": 1.0, "reference_mpa": 71.0}
    sums = [
        detail_of("weld", DetailSpec.model_validate({**plain, **more})).allowed_sum
        for more in (
            {"curve": "IIW"},
            {"curve": "EN 1993-1-9"},
            {"curve": "EN 13001-3-1"},
            {"curve": "IIW", "allowed_sum": 0.3},
        )
    ]
    assert sums == [0.5, 1.0, 1.0, 0.3]
