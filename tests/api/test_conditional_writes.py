"""If-Match and If-None-Match: nobody overwrites what they have not seen."""

import asyncio

import httpx
import pytest
from fastapi import FastAPI

from api.app import create_api, running
from api.settings import ApiSettings
from tests.api.conftest import PASSWORD, client_of
from tests.api.test_maintenance import DETAIL

pytestmark = pytest.mark.anyio
USER = {"name": "new", "password": PASSWORD, "role": "viewer"}
WRITES = {
    "/cranes/heron-3/details/column foot": ("PUT", {**DETAIL}, {**DETAIL, "is_default": True}),
    "/cranes/heron-3/service/grease": ("PUT", {"every_days": 90}, {"every_days": 60}),
    "/alert-rules/silent": ("PUT", {"kind": "offline", "raise_at": 24}, {"kind": "offline", "raise_at": 48}),
    "/alert-targets/yard": ("PUT", {"recipients": ["a@b.example"]}, {"recipients": ["c@d.example"]}),
    "/users/viewer-north": ("PATCH", {"role": "viewer"}, {"role": "dispatcher"}),
}


@pytest.fixture
async def admin(fresh_api: FastAPI) -> httpx.AsyncClient:
    client = client_of(fresh_api)
    await client.post("/login", json={"account": "admin-all", "password": PASSWORD})
    return client


@pytest.mark.parametrize("path", sorted(WRITES))
async def test_a_write_with_an_old_tag_changes_nothing(admin: httpx.AsyncClient, path: str) -> None:
    method, first, second = WRITES[path]
    assert (await admin.request(method, path, json=first)).status_code in (200, 204)
    seen = await admin.get(path)
    tag = seen.headers["etag"]
    assert (await admin.request(method, path, json=second, headers={"if-match": tag})).status_code in (
        200,
        204,
    )
    changed = await admin.get(path)
    assert changed.json() != seen.json()
    late = await admin.request(method, path, json=first, headers={"if-match": tag})
    assert late.status_code == 412
    assert late.headers["content-type"] == "application/problem+json"
    assert (await admin.get(path)).json() == changed.json()
    for form in ("{}", '"other", {}', "*"):
        tag = (await admin.get(path)).headers["etag"]
        again = await admin.request(method, path, json=second, headers={"if-match": form.format(tag)})
        assert again.status_code in (200, 204), again.text


async def test_of_many_writers_with_one_tag_in_two_processes_one_writes(
    fresh_yard_url: str, fresh_api: FastAPI, admin: httpx.AsyncClient
) -> None:
    path = "/alert-rules/silent"
    assert (await admin.put(path, json={"kind": "offline", "raise_at": 24})).status_code == 204
    second = create_api(fresh_yard_url, ApiSettings(secure_cookie=False, pool_size=4))
    async with running(second), client_of(second, cookies=admin.cookies) as other:
        tag = (await other.get(path)).headers["etag"]

        async def write(number: int) -> int:
            who = (admin, other)[number % 2]
            rule = {"kind": "offline", "raise_at": 25 + number}
            return (await who.put(path, json=rule, headers={"if-match": tag})).status_code

        assert sorted(await asyncio.gather(*(write(number) for number in range(20)))) == [204] + 19 * [412]


async def test_make_only_and_change_only(admin: httpx.AsyncClient) -> None:
    path, rule = "/alert-rules/silent", {"kind": "offline", "raise_at": 24}
    assert (await admin.put(path, json=rule, headers={"if-match": "*"})).status_code == 412
    assert (await admin.put(path, json=rule, headers={"if-none-match": "*"})).status_code == 204
    assert (await admin.put(path, json=rule, headers={"if-none-match": "*"})).status_code == 412
    assert (await admin.delete(path, headers={"if-match": '"old"'})).status_code == 412
    tag = (await admin.get(path)).headers["etag"]
    assert (await admin.delete(path, headers={"if-match": tag})).status_code == 204
    assert (await admin.get(path)).status_code == 404
