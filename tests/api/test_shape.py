"""Down-sampling to a shape: a choice of real samples, against a plain reading of the published method."""

import httpx
import numpy as np
import pytest

from duty.reduce import largest_triangles

pytestmark = pytest.mark.anyio


def plainly(x: np.ndarray, y: np.ndarray, points: int) -> list[int]:
    """Largest triangle, three buckets, one point after the other; buckets as largest_triangles cuts them."""
    n = len(x)
    edges = [1 + k * (n - 2) // (points - 2) for k in range(points - 1)] + [n]
    chosen = [0]
    for bucket in range(points - 2):
        later = range(edges[bucket + 1], edges[bucket + 2])
        cx, cy = sum(x[i] for i in later) / len(later), sum(y[i] for i in later) / len(later)
        ax, ay = x[chosen[-1]], y[chosen[-1]]
        areas = {
            i: abs((ax - cx) * (y[i] - ay) - (ax - x[i]) * (cy - ay)) / 2
            for i in range(edges[bucket], edges[bucket + 1])
        }
        chosen.append(max(areas, key=lambda i: areas[i]))
    return [*chosen, n - 1]


@pytest.mark.parametrize(("n", "points"), [(4, 3), (10, 5), (500, 40), (1000, 999)])
def test_it_chooses_what_the_method_says(n: int, points: int) -> None:
    rng = np.random.default_rng(n)
    x, y = np.cumsum(rng.uniform(0.5, 2, n)), np.cumsum(rng.normal(0, 1, n))
    found = largest_triangles(x, y, points)
    assert found.tolist() == plainly(x, y, points)
    assert len(set(found.tolist())) == points


async def test_the_api_gives_samples_that_were_recorded(http: httpx.AsyncClient) -> None:
    day = {"from": "2026-03-02T08:00:00Z", "to": "2026-03-02T09:00:00Z"}
    full = (await http.get("/cranes/heron-3/samples", params={**day, "points": 4000})).json()
    few = (await http.get("/cranes/heron-3/samples", params={**day, "points": 50, "keep": "shape"})).json()
    assert few["reduced"]
    assert len(few["at_ms"]) == 50
    series = few["series"]["utilisation_pct"]
    assert series["low"] == series["high"]
    recorded = dict(zip(full["at_ms"], full["series"]["utilisation_pct"]["low"], strict=True))
    assert all(recorded[at] == value for at, value in zip(few["at_ms"], series["low"], strict=True))
    assert max(series["low"]) == 95.0
    wrong = await http.get("/cranes/heron-3/samples", params={**day, "keep": "nothing"})
    assert wrong.status_code == 422
