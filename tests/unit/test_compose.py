"""docker-compose.yml: every command, port and variable that it names exists in the code, and no password has a default."""

import re
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import typer.main
import yaml

from boomledger.cli import app
from boomledger.settings import Settings

ROOT = Path(__file__).parents[2]
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
OURS = {
    name: service
    for name, service in COMPOSE["services"].items()
    if service["image"].startswith("boomledger")
}
ENV_EXAMPLE = (ROOT / ".env.example").read_text()


def test_the_services_that_an_installation_needs_are_there() -> None:
    assert set(COMPOSE["services"]) == {
        "database", "broker", "migrate", "logins", "ingest", "analytics", "watch", "web", "simulator",
    }  # fmt: skip
    assert COMPOSE["services"]["simulator"]["profiles"] == ["simulator"]
    assert COMPOSE["services"]["database"]["image"].startswith("timescale/")


@pytest.mark.parametrize("name", sorted(OURS))
def test_the_command_exists(name: str) -> None:
    command = typer.main.get_command(app)
    words = list(OURS[name]["command"])
    while words and not words[0].startswith("-"):
        command = command.commands[words.pop(0)]  # type: ignore[attr-defined]
    options = {
        option for parameter in command.params for option in [*parameter.opts, *parameter.secondary_opts]
    }
    assert {word for word in words if word.startswith("-")} <= options


@pytest.mark.parametrize("name", sorted(OURS))
def test_variables_are_settings_with_values_in_range(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    variables = OURS[name]["environment"]
    assert {f"BOOMLEDGER_{field.upper()}" for field in Settings.model_fields} >= set(variables)
    for variable, value in variables.items():
        monkeypatch.setenv(variable, str(value))
    Settings()


def test_health_checks_ask_ports_that_the_service_listens_on() -> None:
    for name in ("ingest", "analytics", "watch"):
        service = OURS[name]
        port = service["environment"]["BOOMLEDGER_METRICS_PORT"]
        assert f":{port}/readyz" in service["healthcheck"]["test"][-1]
    web = OURS["web"]
    port = web["environment"]["BOOMLEDGER_PORT"]
    assert f":{port}/api/v1/readyz" in web["healthcheck"]["test"][-1]
    assert web["ports"] == [f"127.0.0.1:{port}:{port}"]


def test_every_service_that_stays_has_a_health_check_or_needs_none() -> None:
    without = {name for name, service in COMPOSE["services"].items() if "healthcheck" not in service}
    assert without == {"migrate", "logins", "simulator"}


def test_passwords_have_no_default_and_stand_in_the_example_empty() -> None:
    text = (ROOT / "docker-compose.yml").read_text()
    names = set(re.findall(r"\$\{(\w+)", text))
    assert names == set(re.findall(r"^(\w+)=$", ENV_EXAMPLE, flags=re.MULTILINE))
    assert not re.findall(r"\$\{\w+:-[^}]+\}", text), "a default password"


def test_what_stays_connects_under_a_login_of_its_own() -> None:
    """Which the file of the logins makes: tests/security/test_service_rights.py runs it on a database."""
    users = {name: urlsplit(service["environment"]["BOOMLEDGER_DATABASE_URL"].replace("?", "")).username for name, service in OURS.items()}  # fmt: skip
    owner = COMPOSE["services"]["database"]["environment"]["POSTGRES_USER"]
    stay = {"ingest", "analytics", "watch", "web"}
    assert {name: users[name] for name in stay} == {name: f"boomledger_{name}_login" for name in stay}
    assert {name for name, user in users.items() if user == owner} == {"migrate", "simulator"}, (
        "these register and migrate"
    )
    made = (ROOT / "deploy" / "database" / "logins.sql").read_text()
    logins = COMPOSE["services"]["logins"]
    assert logins["image"] == COMPOSE["services"]["database"]["image"]
    for name in stay:
        assert users[name] in made  # type: ignore[operator]
        password = f"DATABASE_{name.upper()}_PASSWORD"
        assert f"${{{password}:" in OURS[name]["environment"]["BOOMLEDGER_DATABASE_URL"]
        assert f"${{{password}:" in logins["environment"][password]
        assert f"\\getenv {name} {password}\n" in made
        assert "logins" in OURS[name]["depends_on"]
    keys = {name: service["environment"].get("BOOMLEDGER_SCOPE_KEY") for name, service in OURS.items()}
    assert keys["web"] == keys["migrate"] is not None
    assert {name for name, key in keys.items() if key} == {"web", "migrate"}, (
        "who signs, and who puts the key into the database"
    )


def test_volumes_are_named_and_mounted_files_exist() -> None:
    named = set(COMPOSE["volumes"])
    for service in COMPOSE["services"].values():
        for volume in service.get("volumes", []):
            source = volume.split(":")[0]
            assert source in named or (ROOT / source).exists(), source


def test_our_image_runs_as_an_ordinary_user() -> None:
    lines = (ROOT / "Dockerfile").read_text().splitlines()
    assert [line.split()[1] for line in lines if line.startswith("USER")] == ["boomledger"]
    packages = {path.parent.name for path in ROOT.glob("*/py.typed")}
    copied = {line.split()[1] for line in lines if line.startswith("COPY") and "/" not in line}
    assert packages <= copied
