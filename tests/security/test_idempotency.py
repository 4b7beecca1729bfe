"""Whom an Idempotency-Key brings the first answer back: the same token, with the same reach, on the same path."""

import psycopg
import pytest
from fastapi import FastAPI

from tests.api.conftest import PASSWORD, client_of
from tests.security.conftest import TokenOf

pytestmark = pytest.mark.anyio

KEY = "add-ida"
BODY = {"name": "ida", "password": PASSWORD}


def sent_with(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}", "idempotency-key": KEY}


async def test_a_key_answers_its_own_token_only(fresh_api: FastAPI, token_of: TokenOf) -> None:
    wide, other, narrow, viewer = (
        token_of("admin-all"),
        token_of("admin-all"),
        token_of("admin-all", sites=["north-yard"]),
        token_of("admin-all", "viewer"),
    )
    async with client_of(fresh_api) as client:
        first = await client.post("/users", json=BODY, headers=sent_with(wide))
        again = await client.post("/users", json=BODY, headers=sent_with(wide))
        of_others = [
            await client.post("/users", json=BODY, headers=sent_with(token))
            for token in (other, narrow, viewer)
        ]
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.headers["idempotent-replay"] == "true"
    assert [answer.status_code for answer in of_others] == [409, 403, 403]
    assert not any("idempotent-replay" in answer.headers for answer in of_others)
    assert not any('"role"' in answer.text for answer in of_others)


async def test_a_token_that_sees_less_gets_nothing_of_before(
    fresh_api: FastAPI, fresh_yard_url: str, token_of: TokenOf
) -> None:
    token = token_of("admin-all")
    async with client_of(fresh_api) as client:
        assert (await client.post("/users", json=BODY, headers=sent_with(token))).status_code == 201
        with psycopg.connect(fresh_yard_url) as conn:
            conn.execute("update api_token set sites = '{north-yard}' where title = 'test'")
        again = await client.post("/users", json=BODY, headers=sent_with(token))
    assert again.status_code == 403


async def test_a_key_is_new_on_another_path(fresh_api: FastAPI, token_of: TokenOf) -> None:
    headers = sent_with(token_of("admin-all"))
    async with client_of(fresh_api) as client:
        first = await client.post("/users", json=BODY, headers=headers)
        elsewhere = await client.patch("/users/ida", json={"disabled": True}, headers=headers)
    assert (first.status_code, elsewhere.status_code) == (201, 200)
    assert elsewhere.json()["disabled"] is True


async def test_a_person_who_signs_in_again_may_ask_again(fresh_api: FastAPI) -> None:
    answers = []
    for _ in range(2):
        async with client_of(fresh_api) as client:
            await client.post("/login", json={"account": "admin-all", "password": PASSWORD})
            answers.append(await client.post("/users", json=BODY, headers={"idempotency-key": KEY}))
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[1].headers["idempotent-replay"] == "true"


async def test_a_key_belongs_to_the_condition_it_came_with(fresh_api: FastAPI, token_of: TokenOf) -> None:
    headers = sent_with(token_of("admin-all"))
    async with client_of(fresh_api) as client:
        assert (
            await client.post("/users", json=BODY, headers={**headers, "idempotency-key": "other"})
        ).status_code == 201
        change = {"disabled": True}
        first = await client.patch("/users/ida", json=change, headers={**headers, "if-match": "*"})
        other = await client.patch("/users/ida", json=change, headers={**headers, "if-match": '"of before"'})
        again = await client.patch("/users/ida", json=change, headers={**headers, "if-match": "*"})
    assert [first.status_code, other.status_code, again.status_code] == [200, 422, 200]
    assert "idempotent-replay" not in other.headers
    assert again.headers["idempotent-replay"] == "true"


@pytest.mark.parametrize("header", ["idempotency-key", "if-match", "if-none-match"])
@pytest.mark.parametrize("value", ["", "of before", '"one" "two"', "a" * 201])
async def test_what_no_answer_can_match_changes_nothing(
    fresh_api: FastAPI, token_of: TokenOf, header: str, value: str
) -> None:
    bearer = {"authorization": f"Bearer {token_of('admin-all')}"}
    async with client_of(fresh_api) as client:
        refused = await client.patch(
            "/users/admin-all", json={"disabled": True}, headers={**bearer, header: value}
        )
        assert refused.status_code == 422, refused.text
        assert refused.json()["errors"][0]["field"].lower() == header
        assert (await client.get("/users/admin-all", headers=bearer)).json()["disabled"] is False
