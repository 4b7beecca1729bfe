"""Days and instants at the ends of the calendar: refused with the field where they are entered, never 500."""

from typing import Any

import pytest
from fastapi import FastAPI
from pydantic import TypeAdapter, ValidationError

from api.app import create_api, running
from api.settings import ApiSettings
from domain.moments import Day, Instant, RecordInstant
from tests.api.conftest import PASSWORD, client_of

pytestmark = pytest.mark.anyio

DAYS = ("0001-01-01", "9999-12-31")
INSTANTS = (
    "0001-01-01T00:00:00+14:00",
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59-12:00",
    "9999-12-31T23:59:59Z",
)


def timed(operation: dict[str, Any]) -> dict[str, tuple[str, ...]]:
    """Parameters of an operation that are days or instants, with the values to send."""
    found = {}
    for parameter in operation.get("parameters", ()):
        text = str(parameter["schema"])
        if "date-time" in text:
            found[parameter["name"]] = INSTANTS
        elif "'date'" in text:
            found[parameter["name"]] = DAYS
    return found


async def test_no_read_fails_at_the_ends_of_the_calendar(yard_url: str) -> None:
    app = create_api(yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    asked, wrong = 0, []
    async with running(app), client_of(app) as client:
        for path, methods in app.state.describe()["paths"].items():
            of_time = timed(methods.get("get", {}))
            for name, values in of_time.items():
                for value in values:
                    params = {"crane": "heron-3", **dict.fromkeys(of_time, value)}
                    answer = await client.get(path.replace("{name}", "heron-3"), params=params)
                    asked += 1
                    if answer.status_code >= 500:
                        wrong.append((path, name, value, answer.status_code))
    assert asked > 40
    assert not wrong


async def test_no_entry_takes_them(fresh_api: FastAPI) -> None:
    async with client_of(fresh_api) as client:
        await client.post("/login", json={"account": "admin-all", "password": PASSWORD})
        for day in DAYS:
            reading = {"kind": "operating_hours", "read_on": day, "value": 10}
            answer = await client.post("/cranes/heron-3/counters", json=reading)
            assert (answer.status_code, answer.json()["fields"]) == (422, ["read_on"])
            assert "1900 to 2199" in answer.json()["detail"]
        assert (await client.get("/cranes/heron-3/life")).status_code == 200


@pytest.mark.parametrize(
    ("kind", "values", "years"),
    [
        (Day, DAYS, "1900 to 2199"),
        (Instant, INSTANTS, "1900 to 2199"),
        (RecordInstant, INSTANTS, "1970 to 2199"),
    ],
)
def test_the_types_of_entries_refuse_them(kind: Any, values: tuple[str, ...], years: str) -> None:
    for value in values:
        with pytest.raises(ValidationError, match=years):
            TypeAdapter(kind).validate_python(value)
    assert TypeAdapter(kind).validate_python("1970-01-01" + values[1][10:]).year == 1970
