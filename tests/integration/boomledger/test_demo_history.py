"""The history of a demo's first start: finished at the next start where it was interrupted, and never mixed with others."""

import io
import threading
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest
from rich.console import Console

from boomledger import demo
from boomledger.settings import Settings
from boomledger.yard import is_registered, register
from domain.errors import Conflict
from simulator.yard import Yard, load_yard
from store import cranes
from store.connection import connect
from store.touched import waiting_days


def samples_stored(url: str) -> int:
    with connect(url) as conn:
        row = conn.execute("select coalesce(sum(n), 0) from segment").fetchone()
    assert row is not None
    return int(row[0])


def test_an_interrupted_history_is_finished_at_the_next_start(
    database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = load_yard(date(2026, 1, 5))
    two = Yard(site=whole.site, cranes=whole.cranes[5:7])
    monkeypatch.setattr(demo, "load_yard", lambda day: two)
    stack = SimpleNamespace(data_dir=tmp_path, database_url=database)
    output = io.StringIO()
    stop = threading.Event()

    def finish() -> bool:
        return demo._finish_history(stack, Settings(), stop, Console(file=output))  # type: ignore[arg-type]

    demo._begin_history(tmp_path, 9)
    stop.set()
    assert not finish()
    of_a_week = samples_stored(database)
    assert of_a_week > 0
    assert is_registered(database, two)  # so the cranes alone do not say that the history is complete

    stop.clear()
    assert finish()
    assert samples_stored(database) > of_a_week
    with connect(database) as conn:
        assert waiting_days(conn) == 0
    printed = output.getvalue()
    assert finish()
    assert output.getvalue() == printed


def test_the_yard_is_not_mixed_with_other_cranes(database: str) -> None:
    yard = load_yard(date(2026, 1, 5))
    assert not is_registered(database, yard)
    register(database, yard, date(2026, 1, 1))
    some = yard.cranes[0].crane
    with connect(database) as conn:
        cranes.save_crane(conn, some.model_copy(update={"name": "replay-yard-01"}))
        cranes.save_crane(conn, some.model_copy(update={"name": "joined-later"}))
    assert is_registered(database, yard)


@pytest.mark.parametrize(
    ("name", "refused"), [("crane-7", True), ("replay-crane-7", False), ("yard-09", False)]
)
def test_cranes_of_others_are_told_from_the_yards_own(database: str, name: str, refused: bool) -> None:
    yard = load_yard(date(2026, 1, 5))
    with connect(database) as conn:
        cranes.save_site(conn, yard.site)
        cranes.save_crane(conn, yard.cranes[0].crane.model_copy(update={"name": name}))
    if refused:
        with pytest.raises(Conflict, match="not mixed with real ones"):
            is_registered(database, yard)
    else:
        assert not is_registered(database, yard)
