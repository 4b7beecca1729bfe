"""The counted cycles through the api: cells of the days add up, and the spectrum is made of them."""

import httpx
import pytest

pytestmark = pytest.mark.anyio


async def test_cells_and_open_points_are_what_was_counted(http: httpx.AsyncClient) -> None:
    day = {"day_from": "2026-03-02", "day_to": "2026-03-02"}
    one = (await http.get("/cranes/heron-3/ledger", params=day)).json()
    both = (await http.get("/cranes/heron-3/ledger")).json()
    assert (one["samples"], both["samples"]) == (3600, 7200)
    half = both["class_width_pct"] / 2
    # 5 40 5 60 5 95 5 80 5 92 5 30 5 by four points: every peak but the largest closes a cycle with the rest.
    assert [cell["high_pct"] for cell in one["rows"]] == pytest.approx([30, 40, 60, 80, 92], abs=half)
    assert sum(cell["cycles"] for cell in one["rows"]) == 5
    assert max(one["open_pct"]) == pytest.approx(95, abs=half)
    for cell in one["rows"]:
        assert cell["low_pct"] == pytest.approx(5, abs=half)
    spectrum = (await http.get("/cranes/heron-3/spectrum")).json()
    counted = sum(row["cycles"] for row in spectrum["ranges"])
    assert counted == sum(cell["cycles"] for cell in both["rows"]) + (len(both["open_pct"]) - 1) / 2


async def test_a_ledger_comes_as_a_table_too(http: httpx.AsyncClient) -> None:
    answer = await http.get("/cranes/heron-3/ledger", headers={"accept": "text/csv"})
    assert answer.text.splitlines()[0] == "low_pct,high_pct,cycles"
    nothing = (await http.get("/cranes/crake-1/ledger")).json()
    assert (nothing["rows"], nothing["day_from"], nothing["samples"]) == ([], None, 0)
