"""The life that a lift costs, from what analytics wrote: the crane with more life left comes first."""

import httpx
import psycopg
import pytest

from tests.support import rows

pytestmark = pytest.mark.anyio

JOB = {
    "mass_kg": 1500.0,
    "rigging_kg": 60.0,
    "outreach_m": 9.0,
    "sectors": ["side", "rear"],
    "spread_left": "full",
    "spread_right": "full",
}
DETAIL = {
    "mpa_per_pct": 3.0,
    "curve": "EN 13001-3-1",
    "reference_mpa": 100.0,
    "slope_m": 3.0,
    "gamma_mf": 1.0,
}


async def test_the_crane_with_more_life_left_comes_first(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    # yard-01 and yard-03 are of one type and design class; only their counted life differs.
    with psycopg.connect(yard_database) as conn:
        for crane, used in (("yard-01", 0.9), ("yard-03", 0.2)):
            rows.summarise(conn, crane, used_share=used, f1=1.0)
    found = {row["crane"]: row for row in (await client.post("/dispatch", json=JOB)).json()["candidates"]}
    tired, fresh = found["yard-01"], found["yard-03"]
    for row, used in ((tired, 0.9), (fresh, 0.2)):
        assert row["remaining_life_ppm"] == pytest.approx(1e6 * row["life_cost_share"] / (1 - used))
    order = list(found)
    assert order.index("yard-03") < order.index("yard-01")


async def test_a_weld_detail_that_is_nearly_spent_counts(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    with psycopg.connect(yard_database) as conn:
        rows.insert(conn, "detail", crane="yard-12", name="column foot", spec=DETAIL, is_default=True)
        rows.summarise(conn, "yard-12", used_share=0.1, f1=1.0, damage=0.99, detail_name="column foot")
    found = {row["crane"]: row for row in (await client.post("/dispatch", json=JOB)).json()["candidates"]}
    row = found["yard-12"]
    # One cycle from 0 to the peak: (3 MPa/% * peak / 100 MPa)^3 / 2e6, over the 1 % that is left.
    by_detail = 1e6 * (3.0 * row["structural_pct"] / 100.0) ** 3 / 2e6 / 0.01
    assert by_detail > 1e6 * row["life_cost_share"] / 0.9
    assert row["remaining_life_ppm"] == pytest.approx(by_detail)
