"""The overload register over http: who sees and decides what, paging, what is refused, and that nothing decided is lost."""

import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from dashboard.client import Client
from domain.errors import Conflict
from domain.overload import OverloadCause, OverloadDecisionAsked, OverloadState
from tests.api.conftest import client_of
from tests.api.test_duty_report import text_of
from tests.api.test_exclusions import signed_in
from tests.api.test_site_scope import under_role
from tests.support import rows

pytestmark = pytest.mark.anyio
FIRST = datetime(2026, 3, 2, 8, 21, 40, 200_000, tzinfo=UTC)
AT = "2026-03-02T08:21:40.200000Z"
ONE = f"/cranes/heron-3/overloads/{AT}"
ASKED = {"cause": "moved_out", "note": "bundle caught", "decided": "boom inspected, released"}
PEAKS = (131.0, 104.5, 112.0)


@pytest.fixture
def registered(fresh_yard_url: str) -> str:
    """Three overloads of heron-3 a day apart, one of crake-1."""
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        for crane, number, peak in [("heron-3", i, peak) for i, peak in enumerate(PEAKS)] + [
            ("crake-1", 0, 120.0)
        ]:
            rows.overload(conn, crane, FIRST + timedelta(days=number), peak, peak_outreach_m=8.4)
    return fresh_yard_url


async def listed(http: httpx.AsyncClient, path: str = "/overloads", **query: Any) -> list[dict[str, Any]]:
    answer = await http.get(path, params=query)
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["items"]
    return found


async def test_an_engineer_decides_and_decides_again(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    before = (await engineer.get(ONE)).json()
    assert (before["entry"]["state"], before["decisions"]) == ("open", [])
    done = await engineer.put(ONE, json=ASKED)
    assert done.status_code == 200, done.text
    entry = done.json()["entry"]
    assert (entry["state"], entry["cause"], entry["decided_by"]) == ("decided", "moved_out", "engineer-north")
    assert entry["decided_peak_structural_pct"] == entry["peak_structural_pct"] == PEAKS[0]
    inside = f"/cranes/heron-3/overloads/{(FIRST + timedelta(seconds=60)).isoformat().replace('+00:00', 'Z')}"
    again = await engineer.put(inside, json={**ASKED, "cause": "other", "note": "hook block caught"})
    assert [one["cause"] for one in again.json()["decisions"]] == ["other", "moved_out"]
    (row,) = await listed(engineer, cause="other")
    assert (row["started_at"], row["decisions"], row["note"]) == (
        entry["started_at"],
        2,
        "hook block caught",
    )
    assert await listed(engineer, cause="moved_out") == []
    admin = await signed_in(fresh_api, "admin-all")
    noted = [
        row
        for row in (await admin.get("/audit?reads=false")).json()["items"]
        if "/overloads" in row["target"]
    ]
    assert [row["action"].split()[0] for row in noted] == ["PUT", "PUT"]
    assert noted[1]["detail"]["decided"] == ASKED["decided"]


async def test_of_two_who_saw_the_same_one_decides(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    tag = (await engineer.get(ONE)).headers["etag"]
    assert (await engineer.put(ONE, json=ASKED, headers={"if-match": tag})).status_code == 200
    late = await engineer.put(ONE, json={**ASKED, "decided": "nothing"}, headers={"if-match": tag})
    assert late.status_code == 412
    assert [one["decided"] for one in (await engineer.get(ONE)).json()["decisions"]] == [ASKED["decided"]]


async def test_the_same_is_decided_about_several_up_to_a_peak(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    path = "/cranes/heron-3/overloads"
    several = {**ASKED, "peak_up_to_pct": 105.0}
    for change, words in (
        ({"peak_up_to_pct": 105.1}, "decide about higher peaks one by one"),
        ({"peak_up_to_pct": 100.0}, "peak_up_to_pct"),
        ({"peak_up_to_pct": None}, "peak_up_to_pct"),
        ({"day_from": "2026-03-05", "day_to": "2026-03-04"}, "day_to must not lie before"),
        ({"decided": " "}, "decided"),
    ):
        refused = await engineer.post(path, json={**several, **change})
        assert refused.status_code == 422, refused.text
        assert words in refused.text
    nothing = await engineer.post(path, json={**several, "day_to": "2026-03-02"})
    assert nothing.json() == {"crane": "heron-3", "decided": 0, "open": 3}
    done = await engineer.post(path, json={**several, "day_to": "2026-03-03"})
    assert done.json() == {"crane": "heron-3", "decided": 1, "open": 2}
    (row,) = await listed(engineer, path, state="decided")
    assert (row["peak_structural_pct"], row["decided_by"]) == (104.5, "engineer-north")
    again = await engineer.post(path, json=several)
    assert again.json()["decided"] == 0  # decided ones keep their decision
    assert (await engineer.post("/cranes/crake-1/overloads", json=several)).status_code == 404
    dispatcher = await signed_in(fresh_api, "dispatcher-north")
    assert (await dispatcher.post(path, json=several)).status_code == 403
    admin = await signed_in(fresh_api, "admin-all")
    assert [row["crane"] for row in await listed(admin, state="open")] == ["heron-3", "crake-1", "heron-3"]
    noted = [
        row["detail"]
        for row in (await admin.get("/audit?reads=false")).json()["items"]
        if row["target"].endswith(path)
    ]
    assert [one["entries"] for one in noted if "entries" in one] == [0, 1, 0]


async def test_filters_pages_and_counts(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    assert (await engineer.put(ONE, json=ASKED)).status_code == 200
    of_heron = await listed(engineer, "/cranes/heron-3/overloads")
    assert [row["peak_structural_pct"] for row in of_heron] == list(PEAKS[::-1])
    whole = await listed(engineer)
    assert [row["crane"] for row in whole] == ["heron-3", "heron-3", "crake-1", "heron-3"]
    assert [row["state"] for row in whole] == ["open", "open", "open", "decided"]
    paged, cursor = [], None
    while True:
        query = {"limit": 1} | ({"cursor": cursor} if cursor else {})
        answer = (await engineer.get("/overloads", params=query)).json()
        paged += answer["items"]
        if (cursor := answer["next_cursor"]) is None:
            break
    assert paged == whole
    assert len(await listed(engineer, state="open")) == 3
    assert await listed(engineer, state="decided") == [whole[3]]
    assert await listed(engineer, day_from="2026-03-03", day_to="2026-03-03") == [whole[1]]
    counts = {row["crane"]: row for row in await listed(engineer, "/overloads/counts")}
    assert (counts["heron-3"]["entries"], counts["heron-3"]["open"]) == (3, 2)
    assert counts["heron-3"]["highest_peak_structural_pct"] == PEAKS[0]
    life = (await engineer.get("/cranes/heron-3/life")).json()
    assert (life["overloads"], life["open_overloads"]) == (3, 2)
    rows = {row["crane"]: row for row in (await engineer.get("/fleet")).json()["rows"]}
    assert (rows["heron-3"]["overloads"], rows["heron-3"]["open_overloads"]) == (3, 2)
    assert (rows["plover-2"]["overloads"], rows["crake-1"]["open_overloads"]) == (0, 1)
    text = (await engineer.get("/overloads", headers={"accept": "text/csv"})).text
    assert text.count("\n") == 5


async def test_reports_count_and_list_them(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    assert (await engineer.put(ONE, json=ASKED)).status_code == 200
    with psycopg.connect(registered, autocommit=True) as conn:
        rows.change(conn, "overload", {"peak_structural_pct": 100.02}, day=date(2026, 3, 4))
    duty = text_of((await engineer.get("/cranes/heron-3/report")).content)
    assert "lifts above 100 % structural, whole record 3, 2 of them open" in duty
    assert (
        "2026-03-02 08:21 UTC 131.0 % 131.0 % – 8.4 m Outreach increased under load: bundle caught;" in duty
    )
    assert re.search(r"boom inspected, released \(engineer-all, \d{4}-\d\d-\d\d\)", duty)
    assert "2026-03-04 08:21 UTC 100.1 % 112.0 % – 8.4 m open" in duty
    fleet = text_of((await engineer.get("/fleet/report")).content)
    assert "lifts above 100 % structural, whole record 4, 3 of them open" in fleet
    assert "crake-1 2026-03-02 08:21 UTC 120.0 %" in fleet
    assert "131.0 %" not in fleet


async def test_whose_cranes_and_who_may(registered: str, fresh_api: FastAPI) -> None:
    north = await signed_in(fresh_api, "engineer-north")
    assert {row["crane"] for row in await listed(north)} == {"heron-3"}
    assert [row["crane"] for row in await listed(north, "/overloads/counts")] == ["heron-3"]
    other = ONE.replace("heron-3", "crake-1")
    assert (await north.get(other)).status_code == (await north.put(other, json=ASKED)).status_code == 404
    for role in ("viewer", "dispatcher"):
        reader = await signed_in(fresh_api, f"{role}-north")
        assert (await reader.get(ONE)).status_code == 200
        assert (await reader.put(ONE, json=ASKED)).status_code == 403
    async with client_of(fresh_api) as nobody:
        assert (await nobody.get("/overloads")).status_code == 401


REFUSED: tuple[tuple[dict[str, Any], str], ...] = (
    ({"cause": "bad_luck"}, "cause"),
    ({"cause": None}, "cause"),
    ({"cause": "other", "note": "  "}, "say what was found, or choose another"),
    ({"decided": ""}, "decided"),
    ({"decided": "   "}, "decided"),
    ({"decided": "x" * 1001}, "decided"),
    ({"note": "a\x00b"}, "note"),
    ({"decided_by": "somebody else"}, "decided_by"),
)


async def test_what_is_refused(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    for change, words in REFUSED:
        answer = await engineer.put(ONE, json={**ASKED, **change})
        assert answer.status_code == 422, answer.text
        assert words in answer.text
    assert (await engineer.get(ONE)).json()["entry"]["state"] == "open"


async def test_where_no_lift_is_there_is_nothing_to_decide(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    for at, status in (("2026-03-02T09:00:00Z", 404), ("1820-01-01T00:00:00Z", 422), ("1772439700", 422)):
        for answer in (
            await engineer.get(f"/cranes/heron-3/overloads/{at}"),
            await engineer.put(f"/cranes/heron-3/overloads/{at}", json=ASKED),
        ):
            assert answer.status_code == status, answer.text
    wrong = await engineer.get("/overloads", params={"day_from": "2026-03-05", "day_to": "2026-03-02"})
    assert wrong.status_code == 422
    assert (await engineer.get("/overloads", params={"cursor": "eA"})).status_code == 422


def test_a_decision_is_neither_changed_nor_taken_out_by_the_api(registered: str) -> None:
    with psycopg.connect(registered) as conn:
        rows.insert(
            conn, "overload_decision", crane="heron-3", started_at=FIRST, ended_at=FIRST + timedelta(seconds=90),
            day=FIRST.date(), peak_utilisation_pct=131, peak_structural_pct=131, limiter_stops=0, limiter_overrides=0,
            cause="other", decided="kept", decided_by="ida",
        )  # fmt: skip
    with under_role(registered, "*") as conn:
        assert rows.count(conn, "overload_decision") == 1
    # A connection for each: on a cluster a whole block is one transaction, which a refusal ends.
    with under_role(registered, "*") as conn, pytest.raises(psycopg.errors.InsufficientPrivilege):
        rows.change(conn, "overload_decision", {"decided": "nothing"})
    with under_role(registered, "*") as conn, pytest.raises(psycopg.errors.InsufficientPrivilege):
        rows.remove(conn, "overload_decision")
    with under_role(registered, "north-yard") as conn:
        assert len(set(rows.column(conn, "overload", "crane_id"))) == 1
    with under_role(registered, "") as conn:
        for table in ("overload", "overload_decision"):
            assert rows.count(conn, table) == 0


async def test_the_client_reads_and_decides(registered: str, fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    token = (await engineer.post("/tokens", json={"title": "t", "role": "engineer", "days": 1})).json()[
        "secret"
    ]
    async with Client(app=fresh_api, token=token) as client:
        page = await client.overloads("heron-3", state=OverloadState.OPEN, day_to=date(2026, 3, 2))
        (row,) = page.items
        found, tag = await client.overload("heron-3", row.started_at)
        assert found.entry == row
        asked = OverloadDecisionAsked(cause=OverloadCause.LOAD_CAUGHT, decided="released")
        done = await client.decide_overload("heron-3", row.started_at, asked, tag=tag)
        assert done.entry.state is OverloadState.DECIDED
        with pytest.raises(Conflict):
            await client.decide_overload("heron-3", row.started_at, asked, tag=tag)
        assert [(one.crane, one.open) for one in (await client.overload_counts()).items] == [
            ("crake-1", 1),
            ("heron-3", 2),
        ]
