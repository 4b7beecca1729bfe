"""The forms in which answers come: tags, tables, problems, the description."""

import csv
import io
from typing import Any

import httpx
import pyarrow.parquet as pq
import pytest
from openapi_spec_validator import validate

from api.tables import csv_text, wanted_form

DAY = {"from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z"}

pytestmark = pytest.mark.anyio


async def test_an_unchanged_answer_is_not_sent_again(http: httpx.AsyncClient) -> None:
    first = await http.get("/cranes/heron-3")
    again = await http.get("/cranes/heron-3", headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    other = await http.get("/cranes/plover-2", headers={"if-none-match": first.headers["etag"]})
    assert other.status_code == 200


async def test_rows_come_as_csv(http: httpx.AsyncClient) -> None:
    response = await http.get("/cranes/heron-3/lifts", params=DAY, headers={"accept": "text/csv"})
    rows = list(csv.DictReader(io.StringIO(response.text)))
    assert response.headers["content-type"].startswith("text/csv")
    assert [float(row["peak_structural_pct"]) for row in rows] == [30, 92, 80, 95, 60, 40]


async def test_rows_come_as_parquet_with_times(http: httpx.AsyncClient) -> None:
    response = await http.get(
        "/events", params={**DAY, "limit": 5}, headers={"accept": "application/vnd.apache.parquet"}
    )
    table = pq.read_table(io.BytesIO(response.content))
    assert table.num_rows == 5
    assert str(table.schema.field("at").type) == "timestamp[us, tz=UTC]"
    assert response.headers["link"].endswith('rel="next"')


async def test_samples_come_as_csv_by_time(http: httpx.AsyncClient) -> None:
    query = {"from": "2026-03-02T08:04:59Z", "to": "2026-03-02T08:05:01Z"}
    response = await http.get("/cranes/heron-3/samples", params=query, headers={"accept": "text/csv"})
    assert response.text.splitlines() == [
        "at_ms,utilisation_pct_low,utilisation_pct_high",
        "1772438699000,5.0,5.0",
        "1772438700000,40.0,40.0",
    ]


async def test_a_form_that_is_not_there_is_406(http: httpx.AsyncClient) -> None:
    response = await http.get("/cranes/heron-3/lifts", params=DAY, headers={"accept": "image/png"})
    assert response.status_code == 406


@pytest.mark.parametrize(
    ("accept", "form"),
    [
        ("", "json"),
        ("*/*", "json"),
        ("text/csv", "csv"),
        ("application/json;q=0.5, text/csv", "csv"),
        ("text/html, */*;q=0.1", "json"),
        ("text/csv;q=0", None),
        ("text/csv;q=x", None),
    ],
)
def test_accept_chooses_the_form(accept: str, form: str | None) -> None:
    assert wanted_form(accept) == form


def test_a_cell_that_a_spreadsheet_would_run_is_quoted() -> None:
    assert csv_text({"text": ["=1+1", "plain"]}).splitlines() == ["text", "'=1+1", "plain"]


@pytest.mark.parametrize(
    ("path", "query", "status", "word"),
    [
        ("/cranes/no-such", {}, 404, "no-such"),
        ("/nowhere", {}, 404, "nowhere"),
        ("/cranes/heron-3/lifts", {}, 422, "from"),
        ("/cranes/heron-3/lifts", {"from": DAY["to"], "to": DAY["from"]}, 422, "to"),
        ("/cranes/heron-3/lifts", {"from": "2020-01-01T00:00:00Z", "to": DAY["to"]}, 422, "to"),
        ("/cranes/heron-3/lifts", {"from": "2026-03-02T00:00:00", "to": DAY["to"]}, 422, "from"),
        ("/cranes/heron-3/lifts", {**DAY, "cursor": "nonsense"}, 422, "cursor"),
        ("/cranes/heron-3/samples", {**DAY, "channels": "nonsense"}, 422, "channels"),
        ("/cranes/..%2f..%2fetc%2fpasswd", {}, 404, ""),
        ("/cranes/x' or '1'='1", {}, 422, "name"),
    ],
)
async def test_errors_are_problems(
    http: httpx.AsyncClient, path: str, query: dict[str, Any], status: int, word: str
) -> None:
    response = await http.get(path, params=query)
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    problem = response.json()
    assert problem["status"] == status
    assert problem["request_id"] == response.headers["x-request-id"]
    assert word in problem["detail"] or word in problem.get("fields", [])


async def test_the_description_is_valid_and_complete(http: httpx.AsyncClient) -> None:
    spec = (await http.get("/openapi.json")).json()
    validate(spec)
    for path, operations in spec["paths"].items():
        for method, operation in operations.items():
            assert operation["description"], f"{method} {path} is not described"
            assert operation["responses"], f"{method} {path} has no answers"


async def test_the_docs_page_loads_nothing_from_elsewhere(http: httpx.AsyncClient) -> None:
    response = await http.get("/docs")
    assert "/cranes/{name}/spectrum" in response.text
    assert "//" not in response.text.replace("<!doctype", "")
    assert "<script" not in response.text
    assert response.headers["content-security-policy"].startswith("default-src 'none'")


async def test_every_answer_has_security_headers(http: httpx.AsyncClient) -> None:
    for path in ("/healthz", "/cranes", "/nowhere"):
        headers = (await http.get(path)).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert "default-src 'none'" in headers["content-security-policy"]
