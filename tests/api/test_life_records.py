"""Records of a life over http: who may, what is kept, what a file may be, and whose cranes they are."""

import hashlib
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.app import create_api, running
from api.settings import ApiSettings
from domain.errors import InvalidInput
from domain.life_record import file_name, media_type_of
from tests.api.conftest import PASSWORD, client_of

pytestmark = pytest.mark.anyio
PATH = "/cranes/heron-3/life-records"
PERSON = "A. Tester (invented)"
CRACK: dict[str, Any] = {
    "kind": "crack", "happened_on": "2026-03-02", "person": PERSON, "detail": "column foot", "length_mm": 12.0,
}  # fmt: skip
PDF = b"%PDF-1.7\n% invented\n"


async def signed_in(app: FastAPI, account: str) -> httpx.AsyncClient:
    client = client_of(app)
    answer = await client.post("/login", json={"account": account, "password": PASSWORD})
    assert answer.is_success, answer.text
    return client


async def test_a_record_from_entry_to_withdrawal(fresh_api: FastAPI) -> None:
    engineer, viewer = (
        await signed_in(fresh_api, "engineer-north"),
        await signed_in(fresh_api, "viewer-north"),
    )
    assert (await viewer.post(PATH, json=CRACK)).status_code == 403
    made = await engineer.post(PATH, json=CRACK)
    assert made.status_code == 201, made.text
    number, one = made.json()["record_id"], f"{PATH}/{made.json()['record_id']}"
    assert made.json()["effect"] == "calls"
    assert "due by condition from 2 Mar 2026 on" in made.json()["effect_remarks"][0]["text"]
    life = (await viewer.get("/cranes/heron-3/life")).json()
    assert (life["special_assessment_on"], life["special_assessment_by"]) == ("2026-03-02", "condition")
    seen = await viewer.get(one)
    longer = {**CRACK, "length_mm": 19.0, "reason": "measured again"}
    tag = {"if-match": seen.headers["etag"]}
    assert (await engineer.put(one, json=longer, headers=tag)).json()["version"] == 2
    assert (await engineer.put(one, json=longer, headers=tag)).status_code == 412
    repaired = {"kind": "repair", "happened_on": "2026-03-03", "person": PERSON, "closes": [number]}
    repair = (await engineer.post(PATH, json=repaired)).json()
    assert [one["text"] for one in repair["effect_remarks"]] == [f"closes {number} from 3 Mar 2026 on"]
    rows = (await viewer.get(PATH)).json()["items"]
    assert [(row["record_id"], row["closed_on"], row["effect"]) for row in rows] == [
        (repair["record_id"], None, "none"),
        (number, "2026-03-03", "calls_until_assessed"),
    ]
    assert (await engineer.delete(one)).status_code == 422  # without a reason
    gone = (await engineer.delete(one, params={"reason": "another crane"})).json()
    assert (gone["withdrawn"], gone["effect"]) == (True, "withdrawn")
    assert [(row["version"], row["length_mm"], row["reason"]) for row in gone["versions"]] == [
        (1, 12.0, ""), (2, 19.0, "measured again"), (3, 19.0, "another crane"),
    ]  # fmt: skip
    life = (await viewer.get("/cranes/heron-3/life")).json()
    assert life["special_assessment_by"] != "condition"
    admin = await signed_in(fresh_api, "admin-all")
    audit = [
        row
        for row in (await admin.get("/audit?reads=false")).json()["items"]
        if "/life-records" in row["target"]
    ]
    assert [row["action"].split()[0] for row in audit] == ["DELETE", "POST", "PUT", "POST"]
    assert (audit[0]["detail"]["reason"], audit[0]["account"]) == ("another crane", "engineer-north")


async def test_what_is_closed_is_not_moved_past_what_closes_it(fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    number = (await engineer.post(PATH, json=CRACK)).json()["record_id"]
    repair = {"kind": "repair", "happened_on": "2026-03-03", "person": PERSON, "closes": [number]}
    closer = (await engineer.post(PATH, json=repair)).json()["record_id"]
    one = f"{PATH}/{number}"

    async def corrected(**changes: Any) -> httpx.Response:
        tag = {"if-match": (await engineer.get(one)).headers["etag"]}
        return await engineer.put(one, json={**CRACK, "reason": "read again", **changes}, headers=tag)

    for changes in ({"happened_on": "2026-03-04"}, {"kind": "repair", "length_mm": None}):
        refused = await corrected(**changes)
        assert refused.status_code == 422, refused.text
        assert f"record {closer} of 2026-03-03 closes this one" in refused.json()["detail"]
    assert (await corrected(happened_on="2026-03-03")).json()["closed_on"] == "2026-03-03"
    await engineer.delete(f"{PATH}/{closer}", params={"reason": "another crane"})
    assert (await corrected(happened_on="2026-03-04")).json()["effect"] == "calls"


async def test_a_file_comes_back_as_a_download_with_its_hash(fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    number = (await engineer.post(PATH, json=CRACK)).json()["record_id"]
    files = f"{PATH}/{number}/files"
    for _ in range(2):  # the same bytes again change nothing
        made = await engineer.post(files, files={"file": ("..\\..\\etc/Prüf 1.pdf", PDF, "text/html")})
        assert made.status_code == 201, made.text
    (row,) = made.json()["files"]
    assert (row["name"], row["media_type"], row["size_bytes"]) == (
        "Prüf 1.pdf",
        "application/pdf",
        len(PDF),
    )
    assert row["sha256"] == hashlib.sha256(PDF).hexdigest()
    viewer = await signed_in(fresh_api, "viewer-north")
    found = await viewer.get(f"{files}/{row['file_id']}")
    assert found.content == PDF
    assert found.headers["content-type"] == "application/octet-stream"
    assert found.headers["content-disposition"] == "attachment; filename*=UTF-8''Pr%C3%BCf%201.pdf"
    assert found.headers["x-content-type-options"] == "nosniff"
    assert "sandbox" in found.headers["content-security-policy"]
    admin = await signed_in(fresh_api, "admin-all")
    audit = (await admin.get("/audit?reads=false")).json()["items"]
    (noted,) = [row for row in audit if row["action"].startswith("GET") and files in row["target"]]
    assert (noted["account"], noted["detail"]["sha256"]) == ("viewer-north", row["sha256"])
    await engineer.delete(f"{PATH}/{number}", params={"reason": "another crane"})
    assert (await viewer.get(f"{files}/{row['file_id']}")).content == PDF
    assert (await engineer.post(files, files={"file": ("b.pdf", PDF + b"2")})).status_code == 409


async def test_a_file_that_is_too_large_or_none_of_the_list_is_refused(fresh_yard_url: str) -> None:
    settings = ApiSettings(
        secure_cookie=False, pool_size=4, body_bytes_max=20_000, record_file_bytes_max=40_000,
        record_files_bytes_max=50_000,
    )  # fmt: skip
    app = create_api(fresh_yard_url, settings)
    async with running(app):
        engineer = await signed_in(app, "engineer-north")
        number = (await engineer.post(PATH, json=CRACK)).json()["record_id"]
        files = f"{PATH}/{number}/files"

        async def send(name: str, content: bytes) -> int:
            return (await engineer.post(files, files={"file": (name, content)})).status_code

        assert await send("a.pdf", PDF + b"x" * 40_000) == 413  # larger than a file may be
        assert await send("a.pdf", PDF + b"x" * 80_000) == 413  # larger than the body may be
        assert await send("page.html", b"<script>") == 422
        assert await send("a.pdf", b"<script>") == 422
        assert (await engineer.post(files, content=PDF)).status_code == 415
        assert (await engineer.post(files, data={"note": "no file"})).status_code in (415, 422)
        assert await send("a.pdf", PDF + b"x" * 30_000) == 201
        assert await send("b.pdf", PDF + b"y" * 30_000) == 422  # more than a crane may have
        assert len((await engineer.get(f"{PATH}/{number}")).json()["files"]) == 1
        assert (await engineer.post(f"{PATH}/999/files", files={"file": ("a.pdf", PDF)})).status_code == 404


async def test_whose_cranes(fresh_api: FastAPI) -> None:
    everywhere, north = (
        await signed_in(fresh_api, "engineer-all"),
        await signed_in(fresh_api, "engineer-north"),
    )
    there = "/cranes/crake-1/life-records"
    made = (await everywhere.post(there, json=CRACK)).json()
    number = made["record_id"]
    kept = await everywhere.post(f"{there}/{number}/files", files={"file": ("a.pdf", PDF)})
    file_id = kept.json()["files"][0]["file_id"]
    mine = (await north.post(PATH, json=CRACK)).json()["record_id"]
    assert (await north.get(there)).status_code == 404
    assert (await north.post(there, json=CRACK)).status_code == 404
    for crane, record in (("crake-1", number), ("heron-3", number), ("heron-3", mine)):
        path = f"/cranes/{crane}/life-records/{record}/files/{file_id}"
        assert (await north.get(path)).status_code == 404
    assert (await north.delete(f"{PATH}/{number}", params={"reason": "not mine"})).status_code == 404
    assert (await north.put(f"{PATH}/{number}", json={**CRACK, "reason": "not mine"})).status_code == 404
    assert (await north.post(f"{PATH}/{number}/files", files={"file": ("a.pdf", PDF)})).status_code == 404


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"kind": "scratch"}, "kind"),
        ({"happened_on": "2199-01-01"}, "happened_on"),
        ({"person": ""}, "person"),
        ({"length_mm": -1.0}, "length_mm"),
        ({"closes": [1]}, "closes"),
        ({"found_in": 999}, "found_in"),
        ({"entered_by": "somebody else"}, "entered_by"),
    ],
)
async def test_what_is_refused(fresh_api: FastAPI, change: dict[str, Any], field: str) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    answer = await engineer.post(PATH, json={**CRACK, **change})
    assert answer.status_code == 422, answer.text
    assert field in answer.text
    assert (await engineer.get(PATH)).json()["items"] == []


@pytest.mark.parametrize(
    ("given", "name"),
    [
        ("../../etc/passwd.txt", "passwd.txt"),
        ("C:\\reports\\foot.PDF", "foot.PDF"),
        ("a\r\nset-cookie: x.txt", "aset-cookie: x.txt"),
        ("x" * 300 + ".jpeg", "x" * 115 + ".jpeg"),
        (" ..foot.png. ", "foot.png"),
    ],
)
def test_a_name_is_the_last_part_of_a_path(given: str, name: str) -> None:
    assert file_name(given) == name


@pytest.mark.parametrize("given", ["", "..", "/", ".pdf", "report", "a/../.."])
def test_a_name_without_an_ending_is_refused(given: str) -> None:
    with pytest.raises(InvalidInput):
        file_name(given)


@pytest.mark.parametrize(
    ("name", "content", "media_type"),
    [
        ("a.pdf", PDF, "application/pdf"),
        ("a.PNG", b"\x89PNG\r\n\x1a\n....", "image/png"),
        ("a.jpeg", b"\xff\xd8\xff\xe0", "image/jpeg"),
        ("a.txt", "Prüfung\r\nbestanden".encode(), "text/plain"),
        ("a.csv", b"\xef\xbb\xbfa;b\n1;2\n", "text/csv"),
        ("a.txt", PDF, None),
        ("a.png", PDF, None),
        ("a.txt", b"\x00\x01", None),
        ("a.csv", "Prüfung".encode("latin-1"), None),
        ("a.svg", b"<svg/>", None),
        ("a.exe", b"MZ", None),
        ("a.pdf", b"", None),
    ],
)
def test_ending_and_first_bytes_must_agree(name: str, content: bytes, media_type: str | None) -> None:
    if media_type is None:
        with pytest.raises(InvalidInput):
            media_type_of(name, content)
    else:
        assert media_type_of(name, content) == media_type
