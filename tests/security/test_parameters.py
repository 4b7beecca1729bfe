"""Query parameters that a route does not have are refused: a filter that is misspelt must not answer for more than was asked."""

from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from api.app import create_api, every_route
from api.bounds import ANY_PARAMETER, known_parameters
from api.problems import FORMS
from tests.api.conftest import client_of
from tests.security.conftest import TokenOf

pytestmark = pytest.mark.anyio


async def test_a_misspelt_filter_is_refused_and_named(fresh_api: FastAPI, token_of: TokenOf) -> None:
    client = client_of(fresh_api, headers={"authorization": f"Bearer {token_of('admin-all')}"})
    answer = await client.get("/overloads", params={"states": "open"})
    assert answer.status_code == 422
    assert [error["field"] for error in answer.json()["errors"]] == ["states"]
    assert "state" in answer.json()["detail"], "what it does have is said"
    assert (await client.get("/overloads", params={"state": "open"})).status_code == 200


async def test_every_route_refuses_what_it_does_not_know(fresh_api: FastAPI, token_of: TokenOf) -> None:
    client = client_of(fresh_api, headers={"authorization": f"Bearer {token_of('admin-all')}"})
    taken = []
    for (method, path), known in sorted(known_parameters(every_route()).items()):
        assert "frm" not in known
        answer = await client.request(
            method, path.replace("{", "").replace("}", ""), params={"frm": "2026-03-02"}
        )
        if answer.status_code not in (404, 409, 422) and path not in ANY_PARAMETER:
            taken.append((method, path, answer.status_code))
    assert taken == []


def test_every_pattern_of_the_description_has_words() -> None:
    def patterns(part: object) -> Iterator[str]:
        if isinstance(part, dict):
            if isinstance(found := part.get("pattern"), str):
                yield found
            part = list(part.values())
        if isinstance(part, list):
            for one in part:
                yield from patterns(one)

    found = set(patterns(create_api("postgresql://127.0.0.1/none").state.describe()))
    assert len(found) > 10
    assert found <= set(FORMS)


async def test_a_form_that_is_not_met_is_told_in_words(fresh_api: FastAPI, token_of: TokenOf) -> None:
    client = client_of(fresh_api, headers={"authorization": f"Bearer {token_of('admin-all')}"})
    answer = await client.get("/cranes/Heron 3/life")
    assert answer.status_code == 422
    assert "lower-case letters" in answer.json()["detail"]
    assert "pattern" not in answer.text
