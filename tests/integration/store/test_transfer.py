"""Import and export: what goes out comes back the same, and a foreign table is judged line by line."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import psycopg
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from click.testing import Result
from typer.testing import CliRunner

from boomledger.cli import app
from domain.channels import CHANNEL_NAMES
from domain.errors import Conflict, InvalidInput
from domain.further_channel import FurtherChannelAsked
from domain.messages import EventKind
from duty import ledger
from ingest.limits import Limits
from store import cold, events, further_channels, refused, segments
from store.columns import Segment
from tests.integration.analytics.crane_at_work import Yard, hours, put_crane, working
from tests.support.ingesting import register
from tests.support.rows import count, crane_id, remove
from transfer.exporting import Chosen, export
from transfer.importing import OTHER_CONTENTS, Imported, import_file, own_mapping
from transfer.mapping import ChannelColumn, CraneColumn, Mapping, read_mapping

T0 = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
DAYS = (T0 - timedelta(days=2), T0 + timedelta(days=3))
EXAMPLES = Path(__file__).parents[3] / "docs" / "examples"
PLAIN = Mapping.model_validate(
    {
        "kind": "samples",
        "crane": {"name": "crane-a"},
        "time": {"column": "at"},
        "step": {"ms": 1000},
        "channels": {"utilisation_pct": "load", "slew_deg": "slew"},
    }
)


@pytest.fixture
def conn(connection: psycopg.Connection, database: str) -> psycopg.Connection:
    """A database with the cranes crane-a and crane-b."""
    register(database, "crane-a", "crane-b")
    return connection


def bring(conn: psycopg.Connection, file: Path, mapping: Mapping = PLAIN, **more: bool) -> Imported:
    return import_file(conn, file, mapping, Limits(), **more)  # type: ignore[arg-type]


def everything(conn: psycopg.Connection, crane: str = "crane-a") -> list[Segment]:
    return segments.read_both_tiers(conn, crane_id(conn, crane), *DAYS)


def table_of(tmp_path: Path, rows: list[str], header: str = "at,load,slew", name: str = "table.csv") -> Path:
    file = tmp_path / name
    file.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return file


def at(second: float) -> str:
    return (T0 + timedelta(seconds=second)).isoformat()


def worked(yard: Yard) -> None:
    """Two days of work over a midnight, with a hole in the numbers, a missing channel and events."""
    start = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)
    channels = working(6)
    channels["utilisation_pct"][1000:1100] = np.nan
    stored = yard.messages(start, channels)
    bare = yard.messages(start + hours(7), {"utilisation_pct": working(1)["utilisation_pct"]}, boot=2**63 - 1)
    happened = [
        yard.event(start + timedelta(minutes=5, milliseconds=7), EventKind.FAULT, 9001, code='E,"1'),
        yard.event(start + hours(1), EventKind.LIMITER_OVERRIDE, 9002),
        yard.event(start + hours(2), EventKind.FAULT, 9003, code='E,"1', cleared=True),
    ]
    yard.store([*stored[:100], *stored[110:], *bare], happened)
    yard.count()


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_what_goes_out_comes_back_the_same_and_counts_the_same(
    database: str, empty_database: str, tmp_path: Path, form: str
) -> None:
    from store.migrate import migrate

    first = put_crane(database)
    worked(first)
    chosen = Chosen(cranes=(), time_from=DAYS[0], time_to=DAYS[1])
    with psycopg.connect(database, autocommit=True) as conn:
        # Half of it comes from the cold tier.
        cold.move(conn, str(tmp_path / "cold"), before=date(2026, 3, 3))
        for what in ("samples", "events"):
            assert export(conn, what, tmp_path / f"{what}.{form}", chosen) > 0  # type: ignore[arg-type]
        sent = everything(conn, first.crane.name)
        happened = events.read(conn, first.crane_id, *DAYS)
    migrate(empty_database)
    second = put_crane(empty_database)
    with psycopg.connect(empty_database, autocommit=True) as conn:
        for repeat in range(2):
            for what in ("samples", "events"):
                file = tmp_path / f"{what}.{form}"
                done = import_file(conn, file, own_mapping(file), Limits())
                assert done.problems == ()
                assert (done.new == 0) == (repeat == 1)
        back = everything(conn, second.crane.name)
        assert len(back) == len(sent) == 410
        assert all(one.same_as(other) for one, other in zip(sent, back, strict=True))
        assert [one.received_ms for one in sent] == [one.received_ms for one in back]
        assert events.read(conn, second.crane_id, *DAYS) == happened
    second.count()
    assert second.counted() == first.counted()
    assert first.rows("span_ledger")


def test_lifts_and_ledgers_go_out_whole(database: str, tmp_path: Path) -> None:
    yard = put_crane(database)
    worked(yard)
    chosen = Chosen(cranes=(yard.crane.name,), time_from=DAYS[0], time_to=DAYS[1])
    with psycopg.connect(database, autocommit=True) as conn:
        export(conn, "lifts", tmp_path / "lifts.parquet", chosen)
        export(conn, "ledgers", tmp_path / "ledgers.parquet", chosen)
    lifts = pq.read_table(tmp_path / "lifts.parquet").to_pylist()
    rows = sorted(yard.rows("lift"), key=lambda row: row["started_at"], reverse=True)
    assert len(lifts) == len(rows) > 20
    assert [lift["peak_structural_pct"] for lift in lifts] == [row["peak_structural_pct"] for row in rows]
    entries = pq.read_table(tmp_path / "ledgers.parquet").to_pylist()
    days = [row for row in yard.rows("span_ledger") if row["span"] == "day"]
    for row in days:
        counts = ledger.from_bytes(bytes(row["ledger"]))
        here = [entry for entry in entries if entry["day"] == row["first_day"]]
        cells = {
            (entry["low_class"], entry["high_class"]): entry["count"]
            for entry in here
            if entry["entry"] == "cycles"
        }
        pairs = zip(counts.low_class.tolist(), counts.high_class.tolist(), strict=True)
        assert cells == dict(zip(pairs, counts.counts.tolist(), strict=True))
        points = [entry["low_class"] for entry in here if entry["entry"] == "turning_point"]
        assert points == counts.residue.tolist()
        assert [e["count"] for e in here if e["entry"] == "samples"] == [counts.samples]
    assert len(days) == len({entry["day"] for entry in entries}) == 2


def test_a_file_that_is_there_and_another_ending_are_refused(
    conn: psycopg.Connection, tmp_path: Path
) -> None:
    chosen = Chosen(cranes=(), time_from=DAYS[0], time_to=DAYS[1])
    export(conn, "samples", tmp_path / "a.csv", chosen)
    with pytest.raises(Conflict, match="is there already"):
        export(conn, "samples", tmp_path / "a.csv", chosen)
    with pytest.raises(InvalidInput, match=r"csv or \.parquet"):
        export(conn, "samples", tmp_path / "a.xlsx", chosen)
    with pytest.raises(InvalidInput, match="no crane nobody"):
        export(conn, "samples", tmp_path / "b.csv", Chosen(cranes=("nobody",), time_from=T0, time_to=T0))


def test_a_foreign_table_is_cut_by_time_and_counts_once(conn: psycopg.Connection, tmp_path: Path) -> None:
    rows = [f"{at(second)},{second % 50},{second / 10}" for second in (*range(700), *range(900, 1000))]
    file = table_of(tmp_path, rows)
    done = bring(conn, file)
    assert (done.new, done.known, done.samples, done.problems) == (3, 0, 800, ())
    assert [one.values.shape[1] for one in everything(conn)] == [600, 100, 100]
    # The days are queued, and a second time nothing is new.
    assert count(conn, "touched_day") == 1
    remove(conn, "touched_day")
    again = bring(conn, file)
    assert (again.new, again.known, count(conn, "touched_day")) == (0, 3, 0)


def test_a_longer_recording_brings_only_what_is_new(conn: psycopg.Connection, tmp_path: Path) -> None:
    rows = [f"{at(second)},{second % 50},1" for second in range(1000)]
    bring(conn, table_of(tmp_path, rows[100:450]))
    done = bring(conn, table_of(tmp_path, rows[:800], name="longer.csv"))
    assert done.problems == ()
    bring(conn, table_of(tmp_path, rows, name="longest.csv"))
    found = everything(conn)
    instants = {
        one.t0_ms + place * 1000: float(value) for one in found for place, value in enumerate(one.values[0])
    }
    assert [instants[segments.to_ms(T0) + second * 1000] for second in range(1000)] == [
        second % 50 for second in range(1000)
    ]
    assert len(instants) == 1000


def test_other_readings_for_a_stored_time_are_told_and_not_kept(
    conn: psycopg.Connection, tmp_path: Path
) -> None:
    rows = [f"{at(second)},{second},1" for second in range(60)]
    bring(conn, table_of(tmp_path, rows))
    rows[30] = f"{at(30)},99,1"
    (problem,) = bring(conn, table_of(tmp_path, rows, name="other.csv")).problems
    assert (problem.first_line, problem.last_line, problem.text) == (2, 61, OTHER_CONTENTS)
    assert everything(conn)[0].values[0, 30] == 30


BAD = [  # from line 2 on
    f"{at(0)},1,1",
    f"{at(1)},401,1",  # line 3: beyond the physical range, and so stored without that reading
    f"{at(2)},abc,1",
    f"{at(3)},1,inf",
    "yesterday,1,1",
    "2026-03-02T07:00:00,1,1",  # line 7: no offset
    f"{at(0)},1,1",  # line 8: goes back
    f"{at(4)},1",
    "2099-01-01T00:00:00Z,1,1",
    "2001-01-01T00:00:00Z,1,1",
    f"{at(5)},1_0,1",
    f"{at(6)},,",
    f"{at(7)},5,1",
    f"{at(50)},,",
]
TOLD = {
    4: "utilisation_pct: 'abc' is no number",
    5: "slew_deg: 'inf' is not finite",
    6: "'yesterday' is no time of the form iso",
    7: "2026-03-02T07:00:00 has no offset: name the `zone` in the mapping",
    8: "not later than the row of this crane before it: sort the file by time",
    9: "2 cells, the first line has 3",
    10: "lies in the future",
    11: "lies before the crane was registered: set its `registered_at` earlier",
    12: "utilisation_pct: '1_0' is no number",
}


def test_every_problem_is_told_with_its_line_and_nothing_is_stored(
    conn: psycopg.Connection, tmp_path: Path
) -> None:
    file = table_of(tmp_path, BAD)
    done = bring(conn, file)
    assert {problem.first_line: problem.text for problem in done.problems} == TOLD
    assert (done.stored, count(conn, "segment"), count(conn, "touched_day")) == (False, 0, 0)
    skipped = bring(conn, file, skip_bad=True)
    assert {problem.first_line: problem.text for problem in skipped.problems} == TOLD
    assert (skipped.stored, skipped.samples, skipped.empty_rows) == (True, 4, 1)


def test_readings_out_of_range_are_stored_as_missing_and_told_once(
    conn: psycopg.Connection, tmp_path: Path
) -> None:
    rows = [
        f"{at(second)},{65535 if 10 <= second < 20 else second},{1e4 if second == 5 else 1}"
        for second in range(60)
    ]
    file = table_of(tmp_path, rows)
    told = [
        "line 7: slew_deg: 10000 is not in -720 to 720: stored as missing",
        "line 12-21: utilisation_pct: 65535 is not in -20 to 400: stored as missing",
    ]
    tried = bring(conn, file, dry_run=True)
    assert [str(one) for one in tried.refused] == told
    assert (tried.problems, tried.samples, count(conn, "refused_reading")) == ((), 60, 0)
    assert tried.refused_readings == 11
    for known in (0, 1):
        done = bring(conn, file)
        assert ([str(one) for one in done.refused], done.stored, done.known) == (told, True, known)
        found = {one.channel: one for one in refused.by_day(conn, 1, T0.date(), T0.date())}
        assert (found["utilisation_pct"].readings, found["utilisation_pct"].most) == (10, 65535)
        assert (found["slew_deg"].readings, found["slew_deg"].first_at) == (1, T0 + timedelta(seconds=5))
    (segment,) = everything(conn)
    assert np.isnan(segment.readings("utilisation_pct")).nonzero()[0].tolist() == list(range(10, 20))
    assert np.isnan(segment.readings("slew_deg")).nonzero()[0].tolist() == [5]
    longer = table_of(tmp_path, [*rows, f"{at(60)},1,-9000"], name="longer.csv")
    assert bring(conn, longer).samples == 1
    (slew,) = [one for one in refused.by_day(conn, 1, T0.date(), T0.date()) if one.channel == "slew_deg"]
    assert (slew.messages, slew.readings, slew.least, slew.most) == (2, 2, -9000, 10000)


def test_the_same_problem_on_many_lines_is_told_once(conn: psycopg.Connection, tmp_path: Path) -> None:
    mapping = PLAIN.model_copy(update={"crane": PLAIN.crane.model_copy(update={"name": "nobody"})})
    (problem,) = bring(
        conn, table_of(tmp_path, [f"{at(second)},1,1" for second in range(300)]), mapping
    ).problems
    assert (problem.first_line, problem.last_line) == (2, 301)
    assert str(problem).startswith("line 2-301: crane nobody is not registered")


def test_a_dry_run_says_what_would_happen_and_changes_nothing(
    conn: psycopg.Connection, tmp_path: Path
) -> None:
    rows = [f"{at(second)},1,1" for second in range(1000)]
    bring(conn, table_of(tmp_path, rows[:100]))
    before = {table: count(conn, table) for table in ("segment", "touched_day")}
    dry = bring(conn, table_of(tmp_path, rows, name="all.csv"), dry_run=True)
    assert {table: count(conn, table) for table in before} == before
    wet = bring(conn, table_of(tmp_path, rows, name="again.csv"))
    assert (dry.new, dry.known, dry.samples) == (wet.new, wet.known, wet.samples) == (2, 0, 900)


def test_the_example_of_the_documents_reads_local_times_units_and_words(
    database: str, conn: psycopg.Connection, tmp_path: Path
) -> None:
    register(database, "crane-07")
    rows = [
        "02.03.2026 07:00:00;Kran 7;41,5;0,5;10;Fernsteuerung",
        "02.03.2026 07:00:01;Kran 7;-;0,5;20;Fahrt",
        "02.03.2026 07:00:02;Kran 7;1.5;0,5;20;Flug",
        "29.03.2026 02:30:00;Kran 7;1;0,5;20;Fahrt",
        "25.10.2025 02:30:00;Kran 7;1;0,5;20;Fahrt",
        "26.10.2025 02:30:00;Kran 7;1;0,5;20;Fahrt",
    ]
    file = table_of(tmp_path, rows, "Zeit;Maschine;Auslastung;Winkel;Reichweite;Betriebsart")
    done = bring(conn, file, read_mapping(EXAMPLES / "import-samples.toml"), skip_bad=True)
    assert [(problem.first_line, problem.text.split(":")[0]) for problem in done.problems] == [
        (4, "mode"),
        (4, "utilisation_pct"),
        (5, "2026-03-29T02"),
        (6, "not later than the row of this crane before it"),
        (7, "2025-10-26T02"),
    ]
    (one,) = everything(conn, "crane-07")
    assert segments.from_ms(one.t0_ms) == T0
    assert one.channels == ("utilisation_pct", "main_boom_deg", "outreach_m", "mode")
    np.testing.assert_allclose(one.values[:, 0], [41.5, 28.64789, 3.048, 2], rtol=1e-6)
    np.testing.assert_allclose(one.values[:, 1], [np.nan, 28.64789, 6.096, 0], rtol=1e-6)


def test_events_of_the_example_count_once_and_their_problems_are_told(
    database: str, conn: psycopg.Connection, tmp_path: Path
) -> None:
    crane_id = register(database, "crane-07")["crane-07"]
    second = int(T0.timestamp())
    rows = [
        f"{second}.5;Störung;E1;kommt",
        f"{second + 9};Störung;E1;geht",
        f"{second};Laune;E1;kommt",
        f"x;Störung;{'E' * 65};kommt",
    ]
    file = table_of(tmp_path, rows, "time;art;nummer;zustand")
    mapping = read_mapping(EXAMPLES / "import-events.toml")
    for new in (2, 0):
        done = bring(conn, file, mapping, skip_bad=True)
        assert [problem.first_line for problem in done.problems] == [4, 5, 5]
        assert (done.new, done.known) == (new, 2 - new)
    raised, cleared = events.read(conn, crane_id, *DAYS)
    assert (raised.at, raised.kind, raised.code, raised.state) == (
        T0 + timedelta(milliseconds=500),
        "fault",
        "E1",
        "raised",
    )
    assert cleared.state == "cleared"


def test_a_mapping_that_cannot_be_used_names_every_field(tmp_path: Path) -> None:
    file = tmp_path / "mapping.toml"
    file.write_text(
        'kind = "samples"\n[crane]\n[time]\ncolumn = "t"\nzone = "Nowhere"\n[step]\nms = 0\n'
        '[channels]\nno_such = "x"\n'
    )
    with pytest.raises(InvalidInput) as raised:
        read_mapping(file)
    for word in ("crane", "time", "Nowhere", "step.ms"):
        assert word in str(raised.value)
    file.write_text("kind = ")
    with pytest.raises(InvalidInput, match="no TOML"):
        read_mapping(file)


def test_further_channels_go_out_and_come_back(conn: psycopg.Connection, tmp_path: Path) -> None:
    ids = {name: crane_id(conn, name) for name in ("crane-a", "crane-b")}
    bar = FurtherChannelAsked(unit="bar", low=0, high=400)
    further_channels.register(conn, ids["crane-a"], "oil_pressure_bar", bar, "ida")
    file = table_of(tmp_path, [f"2026-03-02T06:00:0{k}Z,{k},{k * 300}" for k in range(3)])
    names = {**PLAIN.channels, "oil_pressure_bar": ChannelColumn(column="slew", factor=0.5)}
    del names["slew_deg"]
    mapping = PLAIN.model_copy(update={"channels": names})
    assert bring(conn, file, mapping).samples == 3
    crate = mapping.model_copy(update={"crane": CraneColumn(name="crane-b")})
    refusal = bring(conn, file, crate)
    assert [str(one) for one in refusal.problems] == [
        "line 2-4: oil_pressure_bar is no channel of its crane: register it (`boomledger channel add`), or leave it out"
    ]
    wide = bar.model_copy(update={"high": 100.0})
    further_channels.register(conn, ids["crane-b"], "oil_pressure_bar", wide, "ida")
    assert (bring(conn, file, crate).refused_readings, bring(conn, file, crate).known) == (2, 1)
    for name, high in (("crane-a", [0, 150, 300]), ("crane-b", [0, np.nan, np.nan])):
        (whole,) = everything(conn, name)
        np.testing.assert_array_equal(whole.readings("oil_pressure_bar"), np.array(high, np.float32))
    for ending in ("csv", "parquet"):
        out = tmp_path / f"out.{ending}"
        export(conn, "samples", out, Chosen(cranes=(), time_from=DAYS[0], time_to=DAYS[1]))
        before = everything(conn)
        conn.execute("delete from segment")
        assert bring(conn, out, own_mapping(out)).new == 2
        assert all(one.same_as(other) for one, other in zip(before, everything(conn), strict=True))
    unknown = PLAIN.model_copy(update={"channels": {"no_such": ChannelColumn(column="slew")}})
    with pytest.raises(InvalidInput, match="no channel 'no_such'"):
        bring(conn, file, unknown)


def test_files_that_cannot_be_read_at_all_are_said_plainly(conn: psycopg.Connection, tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="has no column 'load', 'slew'; it has 'at', 'x'"):
        bring(conn, table_of(tmp_path, [f"{at(0)},1"], "at,x"))
    with pytest.raises(InvalidInput, match="no file"):
        bring(conn, tmp_path / "missing.csv")
    (tmp_path / "latin.csv").write_bytes("at,load,slew\n\xe4,1,1\n".encode("latin-1"))
    with pytest.raises(InvalidInput, match="not written in utf-8"):
        bring(conn, tmp_path / "latin.csv")
    (tmp_path / "no.parquet").write_text("no")
    with pytest.raises(InvalidInput, match="no Parquet"):
        bring(conn, tmp_path / "no.parquet")
    with pytest.raises(InvalidInput, match="once"):
        bring(conn, table_of(tmp_path, [], "at,at"))


def test_parquet_of_another_maker_is_read(conn: psycopg.Connection, tmp_path: Path) -> None:
    moments = pa.array([T0 + timedelta(seconds=second) for second in range(3)], pa.timestamp("ns", tz="UTC"))
    table = pa.table({"at": moments, "load": pa.array([1, None, 3], pa.int16()), "slew": [0.5, 1.5, 2.5]})
    pq.write_table(table, tmp_path / "theirs.parquet")
    assert bring(conn, tmp_path / "theirs.parquet").samples == 3
    (one,) = everything(conn)
    np.testing.assert_array_equal(one.values, np.array([[1, np.nan, 3], [0.5, 1.5, 2.5]], np.float32))


@pytest.fixture
def run(database: str, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    monkeypatch.setenv("BOOMLEDGER_DATABASE_URL", database)
    return lambda *words: CliRunner().invoke(app, list(words))


def test_the_commands_as_a_person_types_them(
    conn: psycopg.Connection, run: Callable[..., Result], tmp_path: Path
) -> None:
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        'kind = "samples"\n[crane]\nname = "crane-a"\n[time]\ncolumn = "at"\n[step]\nms = 1000\n'
        '[channels]\nutilisation_pct = "load"\n'
    )
    file = str(table_of(tmp_path, [f"{at(second)},{second},0" for second in range(5)]))
    dry = run("import", file, "--mapping", str(mapping), "--dry-run")
    assert (dry.exit_code, "1 messages with 5 samples would be stored" in dry.output) == (0, True)
    assert run("import", file, "--mapping", str(mapping)).exit_code == 0
    assert count(conn, "segment") == 1
    bad = str(table_of(tmp_path, [f"{at(9)},much,0", f"{at(10)},900,0"], name="bad.csv"))
    told = run("import", bad, "--mapping", str(mapping))
    assert (told.exit_code, "line 2: utilisation_pct: 'much'" in told.output) == (1, True)
    assert "line 3: utilisation_pct: 900 is not in -20 to 400: stored as missing" in told.output
    out = tmp_path / "out.csv"
    written = run("export", "samples", str(out), "--from", "2026-03-01T00:00:00Z", "--crane", "crane-a")
    assert (written.exit_code, "5 rows" in written.output) == (0, True)
    assert pyarrow.csv.read_csv(out)["utilisation_pct"].to_pylist() == [0, 1, 2, 3, 4]
    assert len(CHANNEL_NAMES) + 7 == len(pyarrow.csv.read_csv(out).column_names)
