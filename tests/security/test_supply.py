"""What is shipped: licences, the bill of materials, and a wheel that comes out the same wherever it is built."""

import hashlib
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT: Final = Path(__file__).parents[2]
BIN: Final = Path(sys.executable).parent
SPARING: Final = (
    r"MIT(-0|-CMU)?|BSD(-[23]-Clause)?|0BSD|ISC|Zlib|CC0-1\.0|Apache-2\.0( WITH LLVM-exception)?|PSF-2\.0|Python-2\.0"
    r"|License :: OSI Approved :: (BSD License|MIT License|Apache Software License)"
)
"""Licences that ask for no more than to be named."""
AS_THEY_ARE: Final = (
    r"LGPL-3\.0-only|MPL-2\.0|License :: OSI Approved :: Mozilla Public License 2\.0 \(MPL 2\.0\)"
)
"""Licences that also ask for changes of the package itself to be given on: it is used unchanged, as its own files."""
NOT_DECLARED: Final = {"protobuf": "BSD-3-Clause"}  # in the text of its licence, in no field of its own


@pytest.fixture(scope="module")
def components(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What the bill of materials says of each package of this environment."""
    bill = tmp_path_factory.mktemp("bill") / "bill.json"
    subprocess.run(
        [BIN / "cyclonedx-py", "environment", "--output-reproducible", "--no-validate", "--pyproject", "pyproject.toml", "--output-file", bill, sys.executable],
        cwd=ROOT, check=True,
    )  # fmt: skip
    told = json.loads(bill.read_text(encoding="utf-8"))
    assert told["bomFormat"] == "CycloneDX"
    assert told["metadata"]["component"]["name"] == "boomledger"
    return {canonicalize_name(one["name"]): one for one in told["components"]}


def locked() -> dict[str, str]:
    """Version by name of what is shipped on a machine like this one."""
    lines = (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines()
    asked = [Requirement(line.removesuffix("\\").strip()) for line in lines if re.match(r"[a-zA-Z0-9]", line)]
    return {
        canonicalize_name(one.name): str(one.specifier).removeprefix("==")
        for one in asked
        if one.marker is None or one.marker.evaluate()
    }


def licences(component: dict[str, Any]) -> list[str]:
    said = [
        one.get("expression") or one["license"].get("id") or one["license"]["name"]
        for one in component.get("licenses", ())
    ]
    return said or [NOT_DECLARED.get(component["name"], "none")]


def allowed(expression: str) -> bool:
    """Each part of an `AND`, one part of an `OR`, whatever brackets stand about them."""
    if re.fullmatch(f"{SPARING}|{AS_THEY_ARE}", expression):
        return True
    if " AND " in expression:
        return all(allowed(part.strip("() ")) for part in re.split(r" AND (?![^(]*\))", expression))
    return " OR " in expression and any(allowed(part.strip("() ")) for part in expression.split(" OR "))


def test_the_bill_of_materials_names_every_locked_package(components: dict[str, dict[str, Any]]) -> None:
    shipped = locked()
    assert len(shipped) > 50
    assert {name: components[name]["version"] for name in shipped if name in components} == shipped


def test_every_licence_lets_us_ship(components: dict[str, dict[str, Any]]) -> None:
    refused = {
        name: licences(components[name])
        for name in locked()
        if not all(allowed(one) for one in licences(components[name]))
    }
    assert not refused


def test_a_licence_that_binds_the_whole_is_refused() -> None:
    assert allowed("MPL-2.0 AND (Apache-2.0 OR MIT)")
    assert allowed("EPL-2.0 OR BSD-3-Clause")
    for binding in (
        "GPL-3.0-only",
        "AGPL-3.0-or-later",
        "MIT AND GPL-2.0-only",
        "none",
        "EPL-2.0 OR GPL-2.0",
    ):
        assert not allowed(binding), binding


def test_the_wheel_is_the_same_wherever_it_is_built(tmp_path: Path) -> None:
    made = [built(tmp_path / name, mode) for name, mode in (("here", 0o644), ("a longer way", 0o600))]
    assert len(set(made)) == 1, made


def built(folder: Path, mode: int) -> tuple[str, str]:
    """Name and SHA-256 of the wheel built from a copy of what is under version control, with this mode and today's times."""
    files = subprocess.run(["git", "ls-files", "-z", "--", ":!tests", ":!benchmarks"], cwd=ROOT, check=True, capture_output=True, text=True).stdout  # fmt: skip
    for name in files.split("\0")[:-1]:
        if (ROOT / name).is_file():
            copied = folder / name
            copied.parent.mkdir(parents=True, exist_ok=True)
            copied.write_bytes((ROOT / name).read_bytes())
            copied.chmod(mode)
    subprocess.run(
        [BIN / "uv", "build", "--quiet", "--offline", "--wheel", "--no-build-isolation", "--python", sys.executable, "--out-dir", folder / "dist"],
        cwd=folder, check=True,
    )  # fmt: skip
    (wheel,) = (folder / "dist").glob("*.whl")
    digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
    shutil.rmtree(folder)
    return wheel.name, digest
