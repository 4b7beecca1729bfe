"""The life that a lift costs, from what analytics wrote: the crane with more life left comes first."""

import httpx
import psycopg
import pytest

pytestmark = pytest.mark.anyio

JOB = {
    "mass_kg": 1500.0,
    "rigging_kg": 60.0,
    "outreach_m": 9.0,
    "sectors": ["side", "rear"],
    "spread_left": "full",
    "spread_right": "full",
}
DETAIL = (
    '{"mpa_per_pct": 3.0, "curve": "EN 13001-3-1", "reference_mpa": 100.0, "slope_m": 3.0, "gamma_mf": 1.0}'
)


async def test_the_crane_with_more_life_left_comes_first(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    # yard-01 and yard-03 are of one type and design class; only their counted life differs.
    with psycopg.connect(yard_database) as conn:
        for crane, used in (("yard-01", 0.9), ("yard-03", 0.2)):
            conn.execute(
                "insert into crane_summary (crane_id, used_share, f1) select crane_id, %s, 1.0 from crane where name = %s"
                " on conflict (crane_id) do update set used_share = excluded.used_share, f1 = excluded.f1",
                [used, crane],
            )
    rows = {row["crane"]: row for row in (await client.post("/dispatch", json=JOB)).json()["candidates"]}
    tired, fresh = rows["yard-01"], rows["yard-03"]
    for row, used in ((tired, 0.9), (fresh, 0.2)):
        assert row["remaining_life_ppm"] == pytest.approx(1e6 * row["life_cost_share"] / (1 - used))
    order = list(rows)
    assert order.index("yard-03") < order.index("yard-01")


async def test_a_weld_detail_that_is_nearly_spent_counts(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    with psycopg.connect(yard_database) as conn:
        conn.execute(
            "insert into detail (crane_id, name, spec, is_default) select crane_id, 'column foot', %s, true from crane"
            " where name = 'yard-12'",
            [DETAIL],
        )
        conn.execute(
            "insert into crane_summary (crane_id, used_share, f1, damage, detail_name)"
            " select crane_id, 0.1, 1.0, 0.99, 'column foot' from crane where name = 'yard-12'"
            " on conflict (crane_id) do update set used_share = 0.1, f1 = 1.0, damage = 0.99, detail_name = 'column foot'"
        )
    rows = {row["crane"]: row for row in (await client.post("/dispatch", json=JOB)).json()["candidates"]}
    row = rows["yard-12"]
    # One cycle from 0 to the peak: (3 MPa/% * peak / 100 MPa)^3 / 2e6, over the 1 % that is left.
    by_detail = 1e6 * (3.0 * row["structural_pct"] / 100.0) ** 3 / 2e6 / 0.01
    assert by_detail > 1e6 * row["life_cost_share"] / 0.9
    assert row["remaining_life_ppm"] == pytest.approx(by_detail)
