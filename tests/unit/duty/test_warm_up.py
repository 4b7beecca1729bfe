"""After the warm-up nothing compiles, and the cache finds a place where the installed code cannot be written."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import duty
from duty import directions, float_cycles, kernels, ledger, reading, runs
from duty.edges import DEFAULT_EDGES

ROOT = Path(duty.__file__).parents[1]


def compiled_signatures():
    return {
        name: list(kernel.signatures)
        for name, kernel in (vars(kernels) | vars(runs)).items()
        if hasattr(kernel, "inspect_llvm")
    }


def test_no_call_compiles_after_the_warm_up():
    duty.warm_up()
    before = compiled_signatures()
    assert len(before) > 5
    values = np.array([0.0, 50.0, 20.0, 90.0, 10.0])
    unaligned = np.frombuffer(b"\0" + values.tobytes(), np.uint8)[1:].view(np.float64)
    read_only = values.copy()
    read_only.flags.writeable = False
    for signal in (
        [],
        values,
        values[::2],
        values.astype(np.float32),
        unaligned,
        read_only,
        [1, 2],
        np.tile(values, 9999),
    ):
        counted = ledger.count(signal, DEFAULT_EDGES)
        unpacked = ledger.from_bytes(ledger.to_bytes(counted))
        merged = ledger.merge_all([ledger.empty(DEFAULT_EDGES), unpacked, counted])
        for rule in reading.ResidueRule:
            reading.cycles(merged, rule)
        float_cycles.merge(float_cycles.count(signal), float_cycles.count(signal))
        turned = directions.count_directions(signal, signal, 3)
        directions.merge(directions.empty(3), directions.from_bytes(directions.to_bytes(turned)))
    assert compiled_signatures() == before


def run_count(folder: Path, **environment: str) -> str:
    """Cell count of a small signal by a fresh process that has the code only from `folder`."""
    program = (
        "from duty import ledger, kernels; from duty.edges import DEFAULT_EDGES;"
        "print(ledger.count([0.0, 50.0, 20.0, 90.0], DEFAULT_EDGES).closed, kernels.__file__)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1", **environment},
        capture_output=True,
        text=True,
        check=True,
        timeout=240,
    )
    return ran.stdout


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The code in a folder where no cache can be kept: a file stands where the cache folder would be made."""
    for room in ("duty", "domain"):
        shutil.copytree(ROOT / room, tmp_path / "code" / room, ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "code" / "duty" / "__pycache__").write_text("no folder")
    return tmp_path / "code"


def test_read_only_code_keeps_its_cache_with_the_user(installed, tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    environment = {"HOME": str(home), "XDG_CACHE_HOME": str(home / "cache"), "NUMBA_CACHE_DIR": ""}
    assert run_count(installed, **environment).startswith(f"1 {installed}")
    assert list(home.rglob("*.nbi"))


def test_without_any_place_for_a_cache_it_counts_all_the_same(installed, tmp_path):
    file = tmp_path / "file"
    file.write_text("no folder")
    environment = {"HOME": str(file), "XDG_CACHE_HOME": str(file / "cache"), "NUMBA_CACHE_DIR": ""}
    assert run_count(installed, **environment).startswith(f"1 {installed}")
