"""Files through the api: judged line by line, stored once, of cranes in scope only, in bounded memory."""

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import psycopg
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from fastapi import FastAPI, Request, Response
from starlette.types import Receive, Scope, Send

from api.app import PAGE_BYTES_MAX, create_api, guard, running
from api.settings import ApiSettings
from dashboard.client import Client
from domain.errors import InvalidInput
from store import segments
from store.site_scope import scope_in_thread
from tests.api.conftest import PASSWORD, client_of
from tests.support import rows
from transfer.exporting import Chosen, export

pytestmark = pytest.mark.anyio
CSV = {"content-type": "text/csv"}
T0 = datetime(2026, 3, 9, 6, 0, tzinfo=UTC)
MAPPING = """
kind = "samples"
[crane]
column = "crane"
[time]
column = "at"
[step]
ms = 1000
[channels]
utilisation_pct = "load"
"""


async def as_(app: FastAPI, account: str, **options: Any) -> httpx.AsyncClient:
    client = client_of(app, **options)
    assert (await client.post("/login", json={"account": account, "password": PASSWORD})).status_code == 200
    return client


def table(rows: int, crane: str = "plover-2", first: int = 0) -> str:
    lines = [
        f"{crane},{(T0 + timedelta(seconds=at)).isoformat()},{40 + at % 7}"
        for at in range(first, first + rows)
    ]
    return "\n".join(["crane,at,load", *lines]) + "\n"


def form(text: str) -> dict[str, Any]:
    return {"files": {"file": ("telemetry.csv", text.encode())}, "data": {"mapping": MAPPING}}


def stored(url: str, table: str = "segment", crane: str = "plover-2") -> int:
    with psycopg.connect(url) as conn:
        return rows.count(conn, table, crane=crane)


async def test_a_foreign_table_is_stored_once_and_its_days_wait_to_be_counted(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    engineer = await as_(fresh_api, "engineer-north")
    tried = (await engineer.post("/imports?dry_run=true", **form(table(1500)))).json()
    assert (tried["stored"], tried["rows"], tried["new"], tried["samples"]) == (False, 1500, 3, 1500)
    assert tried["cranes"] == [
        {
            "crane": "plover-2",
            "rows": 1500,
            "first_at": T0.isoformat().replace("+00:00", "Z"),
            "last_at": (T0 + timedelta(seconds=1499)).isoformat().replace("+00:00", "Z"),
        }
    ]
    assert stored(fresh_yard_url) == 0
    key = {"idempotency-key": "march"}
    first = await engineer.post("/imports", **form(table(1500)), headers=key)
    assert (first.status_code, first.json()["new"], first.json()["stored"]) == (200, 3, True), first.text
    # Another try has another line between the parts of its form, and is the same request all the same.
    again = await engineer.post("/imports", **form(table(1500)), headers=key)
    assert (again.json(), again.headers["idempotent-replay"]) == (first.json(), "true")
    other = await engineer.post("/imports", **form(table(1499)), headers=key)
    assert other.status_code == 422
    longer = (await engineer.post("/imports", **form(table(1600)))).json()
    assert (longer["new"], longer["known"], longer["samples"]) == (1, 2, 100)
    assert stored(fresh_yard_url, "touched_day") == 1
    read = (
        await engineer.get(
            "/cranes/plover-2/samples",
            params={"from": T0.isoformat(), "to": (T0 + timedelta(seconds=1600)).isoformat()},
        )
    ).json()
    assert read["series"]["utilisation_pct"]["high"][-1] == 40 + 1599 % 7
    everyone = await as_(fresh_api, "admin-all")
    noted = (await everyone.get("/audit?reads=false")).json()["items"]
    assert {row["account"] for row in noted if row["action"] == "POST /imports"} == {"engineer-north"}
    listed = (await everyone.get("/imports")).json()["items"]
    assert [(row["file"], row["cranes"], row["rows"], row["samples"]) for row in listed] == [
        ("telemetry.csv", 1, 1600, 100),
        ("telemetry.csv", 1, 1500, 1500),
    ], "newest first, neither what was only looked at nor what was refused"
    assert (await engineer.get("/imports")).json()["items"] == listed
    other = await as_(fresh_api, "admin-north")
    assert (await other.get("/imports")).json()["items"] == [], "of some sites only one's own"


async def test_every_problem_is_told_with_its_line_and_nothing_is_stored(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    engineer = await as_(fresh_api, "engineer-north")
    lines = table(200).splitlines()
    lines[3] = lines[3].replace(",42", ",much")
    lines[5] = lines[5].rpartition(",")[0] + ",1e300"
    lines[7] = lines[7].rpartition(",")[0] + ",none"
    lines[9] += ",more"
    lines[20:22] = [line.replace("plover-2", "crake-1") for line in lines[20:22]]  # of another site
    text = "\n".join(lines) + "\n"
    tried = (await engineer.post("/imports?dry_run=true", **form(text))).json()
    told = [(one["first_line"], one["last_line"]) for one in tried["problems"]]
    assert told == [(4, 4), (8, 8), (10, 10), (21, 22)]
    assert (tried["problem_count"], tried["rows"]) == (4, 195)
    (refused,) = tried["refused"]
    assert (refused["first_line"], tried["refused_count"]) == (6, 1)
    assert "stored as missing" in refused["text"]
    unknown = next(one["text"] for one in tried["problems"] if one["first_line"] == 21)
    assert "crake-1" in unknown
    assert "crake-1" not in (
        await engineer.post("/imports?dry_run=true", **form(table(1, "crake-9")))
    ).text.replace("crake-9", "")
    refused = await engineer.post("/imports", **form(text))
    assert (refused.status_code, "line 4: " in refused.json()["detail"]) == (422, True)
    assert stored(fresh_yard_url) == 0
    partly = (await engineer.post("/imports?skip_bad=true", **form(text))).json()
    assert (partly["stored"], partly["problem_count"]) == (True, 4)
    assert stored(fresh_yard_url) > 0
    assert stored(fresh_yard_url, crane="crake-1") == 0


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
async def test_what_was_exported_comes_back_whole_and_is_known(
    fresh_api: FastAPI, fresh_yard_url: str, tmp_path: Path, suffix: str
) -> None:
    chosen = Chosen(cranes=("heron-3",), time_from=datetime(2026, 3, 1, tzinfo=UTC), time_to=T0)
    files = {what: tmp_path / f"{what}.{suffix}" for what in ("samples", "events")}
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        for what, file in files.items():
            export(conn, what, file, chosen)  # type: ignore[arg-type]
        for seq in range(36):  # those of the first day
            rows.remove(conn, "segment", seq=seq)
        for seq in range(100, 105):
            rows.remove(conn, "event", seq=seq)
    engineer = await as_(fresh_api, "engineer-all")
    kind = {"content-type": "text/csv" if suffix == "csv" else "application/vnd.apache.parquet"}
    for what, new, known in (("samples", 36, 36), ("events", 5, 5)):
        for expected in ((new, known), (0, new + known)):
            done = await engineer.post("/imports", content=files[what].read_bytes(), headers=kind)
            assert done.status_code == 200, done.text
            assert (done.json()["new"], done.json()["known"]) == expected


async def test_the_client_sends_files_and_reads_answers(fresh_yard_url: str, tmp_path: Path) -> None:
    file = tmp_path / "telemetry.csv"
    file.write_text(table(10))
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=2))
    async with running(app), Client(app=app) as client:
        assert (await client.import_file(file, mapping=MAPPING, dry_run=True)).new == 1
        assert (await client.import_file(file, mapping=MAPPING)).stored
        with pytest.raises(InvalidInput, match="kind"):
            await client.import_file(file, mapping="time = 3")
        with pytest.raises(InvalidInput, match="no column"):
            await client.import_file(file)


def parquet(**columns: Any) -> bytes:
    sink = io.BytesIO()
    pq.write_table(pa.table(columns), sink)
    return sink.getvalue()


async def test_strange_files_are_refused_in_words(fresh_api: FastAPI) -> None:
    engineer = await as_(fresh_api, "engineer-north")
    base = {
        "crane": ["plover-2"],
        "channels": [1],
        "at": [T0],
        "dt_ms": [1000],
        "boot": [1],
        "seq": [1],
        "received_at": [T0],
    }
    bodies: list[tuple[dict[str, Any], int, str]] = [
        ({"content": b"", "headers": CSV}, 422, "first line"),
        ({"content": b"\x00\xff\xfe", "headers": CSV}, 422, "not written in"),
        ({"content": b"a,a\n1,2\n", "headers": CSV}, 422, "once"),
        ({"content": b"nothing,of,it", "headers": CSV}, 422, "no column"),
        ({"content": parquet(crane=pa.array([], pa.string())), "headers": CSV}, 422, "no column"),
        ({"content": b"PAR1 and nothing", "headers": CSV}, 422, "no Parquet"),
        ({"content": b"{}", "headers": {"content-type": "application/json"}}, 415, "text/csv"),
        ({"content": b"x", "headers": {"content-type": "multipart/form-data"}}, 400, ""),
        ({"files": {"other": b"x"}}, 422, "`file`"),
        ({**form(table(1)), "data": {"mapping": "kind = "}}, 422, "TOML"),
        ({**form(table(1)), "data": {"mapping": 'encoding = "hex"\n' + MAPPING}}, 422, "encoding"),
        ({**form(table(1)), "data": {"mapping": MAPPING + "x" * 200_000}}, 400, "size"),
        ({"content": parquet(**base, utilisation_pct=[[1.0]]), "headers": CSV}, 422, "line 1: utilisation_pct"),
        ({"content": parquet(**base, utilisation_pct=[b"\xff"]), "headers": CSV}, 422, "line 1: utilisation_pct"),
    ]  # fmt: skip
    for body, status, word in bodies:
        answer = await engineer.post("/imports", **body)
        assert (answer.status_code, word in answer.json()["detail"]) == (status, True), answer.text
        assert "/tmp" not in answer.text


async def test_a_file_is_bounded_and_nobody_without_the_role_has_one_kept(fresh_yard_url: str) -> None:
    settings = ApiSettings(secure_cookie=False, pool_size=2, import_bytes_max=3_000_000)
    app = create_api(fresh_yard_url, settings)
    async with running(app):
        engineer, viewer = await as_(app, "engineer-north"), await as_(app, "viewer-north")
        text = table(60_000).encode()
        assert 2_000_000 < len(text) < 3_000_000
        key = {"idempotency-key": "large"}
        sent = {"files": {"file": ("t.csv", text)}, "data": {"mapping": MAPPING}}
        done = await engineer.post("/imports?dry_run=true", **sent, headers=key)
        assert (done.status_code, done.json()["rows"]) == (200, 60_000)
        read = 0

        async def endless() -> Any:
            nonlocal read
            while True:
                read += 100_000
                yield b"x" * 100_000

        over = await engineer.post("/imports", content=endless(), headers=CSV)
        assert (over.status_code, read <= 3_200_000) == (413, True)

        async def cut_off() -> Any:
            yield b"crane,at,boot,seq,dt_ms,received_at,channels,utilisation_pct\n"
            at = T0.isoformat()
            for _ in range(40):
                yield f"plover-2,{at},1,1,1000,{at},1,40\n".encode() * 2000

        late = await engineer.post("/imports?skip_bad=true", content=cut_off(), headers={**CSV, **key})
        assert (late.status_code, stored(fresh_yard_url)) == (413, 0), "half of a file is not a file"
        read = 0
        refused = await viewer.post("/imports", content=endless(), headers={**CSV, **key})
        assert (refused.status_code, read) == (403, 0)
        assert (await engineer.post("/cranes", content=text)).status_code == 413, (
            "elsewhere the small bound holds"
        )


async def test_what_a_page_sends_is_bounded_as_well(fresh_yard_url: str) -> None:
    """A file that is brought in on the screen travels in the body of a callback."""

    async def taken(scope: Scope, receive: Receive, send: Send) -> None:
        await Response(str(len(await Request(scope, receive).body())))(scope, receive, send)

    api = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False))
    async with running(api):
        walled = guard(taken, api, content_security_policy="default-src 'none'")
        transport = httpx.ASGITransport(app=walled, client=("127.0.0.1", 0))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            screen = "/_dash-update-component"
            most = await client.post(screen, content=bytes(PAGE_BYTES_MAX))
            assert (most.status_code, most.text) == (200, str(PAGE_BYTES_MAX))
            assert (await client.post(screen, content=bytes(PAGE_BYTES_MAX + 1))).status_code == 413
            file = await client.post("/api/v1/imports", content=bytes(PAGE_BYTES_MAX + 1))
            assert file.status_code == 200, "a file that is sent to the api has the bound of files"


def test_the_database_refuses_readings_of_other_sites(fresh_yard_url: str) -> None:
    with psycopg.connect(fresh_yard_url) as conn:
        ids = rows.crane_ids(conn)
    values = np.zeros((1, 3), np.float32)

    def one(crane: str) -> segments.Segment:
        start = segments.to_ms(T0)
        return segments.Segment(
            crane_id=ids[crane], t0_ms=start, boot=1, seq=1, dt_ms=1000, channels=("utilisation_pct",),
            values=values, received_ms=start,
        )  # fmt: skip

    with scope_in_thread(fresh_yard_url, ["north-yard"]) as conn:
        segments.prepare(conn)
        with conn.transaction():
            segments.make_ranges(conn, T0, T0 + timedelta(days=70))
            assert len(segments.keep(conn, [one("plover-2")])[0]) == 1
        with pytest.raises(psycopg.errors.WithCheckOptionViolation), conn.transaction():
            segments.keep(conn, [one("crake-1")])
        with pytest.raises(psycopg.errors.InsufficientPrivilege), conn.transaction():
            conn.execute("insert into public.segment select * from site_scope.segment")
