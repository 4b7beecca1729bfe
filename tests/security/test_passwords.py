"""Passwords: by length and by how easily they are guessed, with the same rule on the command line and in the api."""

import time
from concurrent.futures import ThreadPoolExecutor

import httpx
import psycopg
import pytest
from fastapi import FastAPI
from typer.testing import CliRunner

from answers.passwords import SCORE, refuse_weak, strong_hash
from api.settings import ApiSettings
from boomledger.cli import app as command_line
from domain.errors import InvalidInput
from store.access import PASSWORD_MAX, PASSWORD_MIN, hash_like
from tests.security.conftest import TokenOf

GOOD = "plover over a tin roof"
WEAK = [
    ("Passw0rd1234!", "many people use"),
    ("annannannann", "repeats itself"),
    ("aaaaaaaaaaaaaaaa", "repeats itself"),
    ("qwertyuiop[]", "keys beside each other"),
    ("abcdefghijkl", "counts up or down"),
    ("12-03-2026!!", "dates and years"),
    ("ida-boomledger-crane", "name of the account or a word of this product"),
    ("ida.kranich@yard", "name of the account or a word of this product"),
    ("B00mledger b00mledger", "a word of this product"),
    ("Boomledger-boomledger", "a word of this product"),
]


@pytest.mark.parametrize(("password", "why"), WEAK)
def test_what_is_easy_to_guess_is_refused_with_what_to_do(password: str, why: str) -> None:
    with pytest.raises(InvalidInput, match=f"{why}.*three or four words") as told:
        refuse_weak(password, "ida.kranich@yard")
    assert told.value.field == "password"
    assert password not in str(told.value)


@pytest.mark.parametrize(
    "password", [GOOD, "correct-horse-42-staple", "wärmepumpe möwe dachrinne", "x7!Qp2#vL9@z"]
)
def test_no_rule_says_what_signs_a_password_holds(password: str) -> None:
    kept = strong_hash(password, "ida")
    assert hash_like(password, kept) == kept != hash_like(f"{password} ", kept)


def test_the_name_of_another_account_is_a_word_as_any_other() -> None:
    """The estimate keeps what is known in one place of the process: two at once must not see each other's."""
    password = "kranichschnabel-23"

    def refused(account: str) -> bool:
        try:
            refuse_weak(password, account)
        except InvalidInput:
            return True
        return False

    accounts = ["kranichschnabel", "ida"] * 40
    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(refused, accounts)) == [True, False] * 40


def test_the_length_is_bounded_and_a_long_text_costs_little() -> None:
    for length in (PASSWORD_MIN - 1, PASSWORD_MAX + 1):
        with pytest.raises(InvalidInput, match="12 to 256"):
            strong_hash(("q7!Lp2#vM9@z" * 30)[:length], "ida")
    began = time.process_time()
    strong_hash(("4@8({[<369&#!1/|0$5+7%2" * 12)[:PASSWORD_MAX], "ida")
    assert time.process_time() - began < 10, "the whole of it takes minutes"


def test_how_strong_is_a_setting() -> None:
    refuse_weak("annannannann", "ida", 0)
    with pytest.raises(InvalidInput):
        refuse_weak("plover roofs", "ida", 4)
    refuse_weak("plover roofs", "ida", 2)
    assert ApiSettings().password_score == SCORE == 3


@pytest.fixture
def admin(fresh_api: FastAPI, token_of: TokenOf) -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app=fresh_api, client=("127.0.0.1", 40_000))
    headers = {"authorization": f"Bearer {token_of('admin-all')}"}
    return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", headers=headers)


@pytest.mark.anyio
async def test_the_api_refuses_it_for_a_new_account_and_a_change(admin: httpx.AsyncClient) -> None:
    weak = {"name": "ida", "password": "Passw0rd1234!"}
    answers = [await admin.post("/users", json=weak), await admin.patch("/users/viewer-all", json={"password": weak["password"]})]  # fmt: skip
    for answer in answers:
        assert answer.status_code == 422, answer.text
        assert "many people use" in answer.text
        assert answer.json()["errors"][0]["field"] == "password", answer.text
    assert (await admin.get("/users/ida")).status_code == 404
    assert (await admin.post("/users", json={**weak, "password": GOOD})).status_code == 201


def test_the_command_line_refuses_it_too(fresh_yard_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOOMLEDGER_DATABASE_URL", fresh_yard_url)
    run = CliRunner()
    refused = run.invoke(command_line, ["user", "add", "ida"], input="Passw0rd1234!\n")
    assert isinstance(refused.exception, InvalidInput)
    assert "many people use" in str(refused.exception)
    taken = run.invoke(command_line, ["user", "add", "ida"], input=f"{GOOD}\n")
    assert taken.exit_code == 0, taken.output
    with psycopg.connect(fresh_yard_url) as conn:
        assert conn.execute("select name from account where name = 'ida'").fetchall() == [("ida",)]
