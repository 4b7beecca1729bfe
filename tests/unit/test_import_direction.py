"""Rooms import only downwards: the table in DEVELOPERS.md, enforced."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MAY_IMPORT: dict[str, set[str]] = {
    "domain": set(),
    "duty": {"domain"},
    "store": {"domain"},
    "transfer": {"domain", "duty", "store", "words"},
    "ingest": {"domain", "store"},
    "analytics": {"domain", "duty", "store"},
    "alerts": {"domain", "duty", "store", "words"},
    "words": {"domain"},
    "answers": {"domain", "duty", "store", "words"},
    "reports": {"domain", "duty", "words"},
    "api": {"domain", "duty", "store", "transfer", "answers", "words", "reports"},
    "dashboard": {"domain", "words"},
    "simulator": {"domain", "duty"},
    "boomledger": {
        "domain", "duty", "store", "transfer", "ingest", "analytics", "alerts", "answers", "words", "reports", "api", "dashboard",
        "simulator",
    },
}  # fmt: skip
SIMULATOR_MAY_USE_OF_DUTY = {"duty.geometry", "duty.statics"}


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize("room", sorted(MAY_IMPORT))
def test_a_room_imports_only_the_rooms_below_it(room: str) -> None:
    modules = sorted((ROOT / room).rglob("*.py"))
    assert modules, f"{room}/ is empty"
    wrong = {
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules
        for name in imports_of(path)
        if (top := name.split(".")[0]) in MAY_IMPORT and top != room and top not in MAY_IMPORT[room]
    }
    assert not wrong


def test_the_simulator_takes_only_geometry_and_statics_from_duty() -> None:
    used = {name for path in (ROOT / "simulator").rglob("*.py") for name in imports_of(path)}
    of_duty = {".".join(name.split(".")[:2]) for name in used if name.startswith("duty.")}
    assert of_duty <= SIMULATOR_MAY_USE_OF_DUTY


def test_answers_know_nothing_of_the_web() -> None:
    used = {name.split(".")[0] for path in (ROOT / "answers").rglob("*.py") for name in imports_of(path)}
    assert used.isdisjoint({"fastapi", "starlette"})


def test_no_route_imports_another() -> None:
    modules = (ROOT / "api" / "routes").glob("*.py")
    assert not {(path.name, name) for path in modules for name in imports_of(path) if "api.routes" in name}


def test_only_its_mount_imports_sparkplug() -> None:
    """So its folder can be deleted with that statement alone."""
    modules = [path for room in MAY_IMPORT for path in (ROOT / room).rglob("*.py")]
    outside = [path for path in modules if ROOT / "ingest" / "sparkplug" not in path.parents]
    users = [
        path.relative_to(ROOT).as_posix()
        for path in outside
        if any(name.startswith("ingest.sparkplug") for name in imports_of(path))
    ]
    assert users == ["boomledger/services.py"]
    assert (ROOT / "boomledger" / "services.py").read_text().count("ingest.sparkplug") == 1


def test_the_table_names_every_room() -> None:
    packages = {path.parent.name for path in ROOT.glob("*/py.typed")}
    assert packages == set(MAY_IMPORT)
