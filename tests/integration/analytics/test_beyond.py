"""What no class reaches, and single readings that stand alone: beside every figure that they touch."""

import asyncio
import io
from datetime import UTC, datetime

import numpy as np
import psycopg
import pytest
from pypdf import PdfReader

from analytics import counting
from analytics.counting import CountingSettings
from api.app import create_api, running
from api.settings import ApiSettings
from duty.edges import Edges
from tests.api.conftest import client_of
from tests.integration.analytics.crane_at_work import Yard
from tests.integration.analytics.test_one_life_status import asked

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
PATHS = ("spectrum", "life", "life/damage", "ledger")


def overloads(peak: float, dt_ms: int) -> dict[str, np.ndarray]:
    """98 lifts of a minute each at a peak, without geometry; parked a little below 0."""
    n = 60_000 // dt_ms
    cycle = np.full(2 * n, -2.0)
    cycle[n:] = peak
    utilisation = np.tile(cycle, 98)
    return {
        "utilisation_pct": utilisation,
        "limit_pct": np.full(utilisation.size, 100.0),
        "slew_deg": np.zeros(utilisation.size),
    }


def answers(yard: Yard) -> list[dict]:
    fleet = "/fleet?day_from=2026-03-01&day_to=2026-03-31"
    return asked(yard.url, *(f"/cranes/{yard.crane.name}/{path}" for path in PATHS), fleet)


def report_text(yard: Yard, path: str) -> str:
    """A report as text, its lines joined."""

    async def ask() -> bytes:
        app = create_api(yard.url, ApiSettings(open_access=True, secure_cookie=False, pool_size=2))
        async with running(app), client_of(app) as http:
            query = {"day_from": "2026-03-01", "day_to": "2026-03-31"}
            return (await http.get(f"/{path}", params=query)).raise_for_status().content

    pages = PdfReader(io.BytesIO(asyncio.run(ask()))).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_an_overload_of_200_percent_has_a_class_and_nothing_is_told_as_beyond(yard: Yard) -> None:
    channels = overloads(200.0, 500)
    yard.store(yard.messages(START, channels, dt_ms=500, per_message=240))
    yard.count()
    spectrum, life, damage, ledger, fleet = answers(yard)
    assert spectrum["beyond"] is damage["beyond"] is ledger["beyond"] is None
    assert [one["beyond"] for one in life["details"]] == [None]
    assert fleet["rows"][0]["damage_beyond"] == 0
    assert spectrum["below_zero_s"] == 98 * 60
    assert spectrum["time_at_level"][0] == {"low_pct": -20.0, "high_pct": 0.0, "value": 98 * 60.0}
    assert spectrum["time_at_level"][-1] == {"low_pct": 200.0, "high_pct": 201.0, "value": 98 * 60.0}
    low, high = ledger["rows"][0]["low_pct"], ledger["rows"][0]["high_pct"]
    assert low == pytest.approx(-2, abs=ledger["class_width_pct"] / 2)
    assert high == pytest.approx(200, abs=ledger["wide_class_pct"] / 2)
    assert spectrum["ranges"][-1]["low_pct"] == 200
    assert max(cell["high_from_pct"] for cell in damage["cells"]) == 200
    assert min(cell["low_from_pct"] for cell in damage["cells"]) == -5


def test_what_other_edges_leave_out_is_told_beside_every_figure(yard: Yard) -> None:
    narrow = CountingSettings(edges=Edges(0.0, 150.0, 128), direction_edges=Edges(-150.0, 150.0, 128))
    with psycopg.connect(yard.url) as conn:
        counting.add(conn, narrow)
    yard.store(yard.messages(START, overloads(200.0, 500), dt_ms=500, per_message=240))
    yard.count()
    spectrum, life, damage, ledger, fleet = answers(yard)
    assert spectrum["lift_peaks"][-1]["low_pct"] == 200  # peaks of lifts are in no class
    told = spectrum["beyond"]
    assert (told["below"], told["above"], told["from_pct"], told["to_pct"]) == (11_760, 11_760, 0.0, 150.0)
    assert told["remark"]["text"].startswith("23\u202f520 readings beyond the classes (0 to 150 %)")
    assert damage["beyond"] == ledger["beyond"] == life["details"][0]["beyond"] == told
    assert fleet["rows"][0]["damage_beyond"] == 23_520
    text = report_text(yard, f"cranes/{yard.crane.name}/report")
    assert " ".join(told["remark"]["text"].split()) in text
    assert "utilisation below 0 1.6 h" in text
    assert "below 0 1.63" in text
    assert "too small, 23,520 readings lie beyond the classes" in report_text(yard, "fleet/report")


def test_spikes_are_told_with_the_spectrum_of_a_period_and_of_a_life(yard: Yard) -> None:
    channels = overloads(60.0, 200)
    channels["utilisation_pct"][[1000, 5000, 9000]] = 250.0
    yard.store(yard.messages(START, channels, dt_ms=200, per_message=300))
    seldom = overloads(60.0, 1000)
    seldom["utilisation_pct"][[1000, 5000]] = 140.0  # a crane can do that within a second: it counts
    yard.store(yard.messages(START.replace(day=10), seldom, boot=2))
    yard.count()
    assert "spikes 3 set aside, 2 counted, which errs to the safe side; the farthest " in report_text(
        yard, f"cranes/{yard.crane.name}/report"
    )
    first, other, life = asked(
        yard.url,
        f"/cranes/{yard.crane.name}/spectrum?day_from=2026-03-09&day_to=2026-03-09",
        f"/cranes/{yard.crane.name}/spectrum?day_from=2026-03-10&day_to=2026-03-10",
        f"/cranes/{yard.crane.name}/spectrum",
    )
    names = ("spikes", "spikes_counted", "largest_spike_pct")
    assert [first[name] for name in names] == [3, 0, pytest.approx(252, abs=62)]
    assert [other[name] for name in names] == [0, 2, pytest.approx(142, abs=62)]
    assert [life[name] for name in names] == [3, 2, first["largest_spike_pct"]]
