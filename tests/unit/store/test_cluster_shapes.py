"""No named query has a shape that a Citus cluster refuses: each was seen to be refused there, and each has an example here."""

import re
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import Any

import pytest
from pglast import ast, parse_sql
from pglast.enums import JoinType

from store.sql import queries

Found = Iterator[str]


@cache
def placed() -> tuple[frozenset[str], frozenset[str]]:
    """Tables that `db shard` copies to every node, and those that it spreads by crane, from the function that does it."""
    function = files("store").joinpath("cluster", "replaced.sql").read_text()
    copied, spread = re.findall(r"constant text\[\] := array\[(.*?)\]", function, re.DOTALL)
    return frozenset(re.findall(r"'(\w+)'", copied)), frozenset(re.findall(r"'(\w+)'", spread))


def parsed(text: str) -> ast.Node:
    """A named query as PostgreSQL reads it, with values and channels filled in."""
    text = re.sub(r"%\((\w+)\)s", "$1", text).replace("%%", "%")
    text = re.sub(r"(?<!')\{(channels\w*)\}", "slew_deg", text)
    text = re.sub(r"(?<!')\{(table|key|role|setting)\}", "x", text)
    text = re.sub(r"(?<!')\{\w+\}", "'1'", text)
    return parse_sql(text)[-1].stmt


def children(node: Any) -> Iterator[ast.Node]:
    values = [getattr(node, name) for name in node] if isinstance(node, ast.Node) else node
    for value in values:
        if isinstance(value, ast.Node):
            yield value
        elif isinstance(value, tuple):
            yield from children(value)


def within(node: Any) -> Iterator[ast.Node]:
    yield node
    for child in children(node):
        yield from within(child)


def tables(node: Any) -> set[str]:
    """Tables read anywhere inside."""
    return {one.relname for one in within(node) if isinstance(one, ast.RangeVar)}


def tables_joined(from_clause: Any) -> set[str]:
    """Tables that stand in a FROM themselves, those inside its subqueries left out."""
    if isinstance(from_clause, ast.RangeVar):
        return {from_clause.relname}
    if isinstance(from_clause, ast.JoinExpr):
        return tables_joined(from_clause.larg) | tables_joined(from_clause.rarg)
    if isinstance(from_clause, tuple):
        return set().union(*map(tables_joined, from_clause))
    return set()


def names(from_clause: Any) -> set[str]:
    """The names by which a FROM's tables and subqueries are called."""
    found = set()
    for one in within(from_clause or ()):
        if isinstance(one, ast.RangeVar):
            found.add(one.alias.aliasname if one.alias else one.relname)
        elif isinstance(one, ast.RangeSubselect) and one.alias:
            found.add(one.alias.aliasname)
    return found


def asks_outside(select: ast.Node) -> bool:
    """Whether a subquery uses columns of the query around it (a column is of another table when its name says so)."""
    own = {
        name for one in within(select) if isinstance(one, ast.SelectStmt) for name in names(one.fromClause)
    }
    return any(
        isinstance(one, ast.ColumnRef) and len(one.fields) > 1 and one.fields[0].sval not in own
        for one in within(select)
        if not (isinstance(one, ast.ColumnRef) and isinstance(one.fields[-1], ast.A_Star))
    )


def shifts_in_zone(update: ast.Node) -> bool:
    """Whether an UPDATE reckons with an interval in the zone of the session: where a day begins depends on it."""
    found = list(within(update.targetList))
    interval = any(isinstance(one, ast.TypeName) and one.names[-1].sval == "interval" for one in found)
    return interval and not any(
        isinstance(one, ast.FuncCall) and one.funcname[-1].sval == "timezone" for one in found
    )


def refused(statement: ast.Node) -> Found:
    """What a cluster would not do with a statement."""
    copied, spread = placed()
    for one in within(statement):
        if isinstance(one, ast.UpdateStmt | ast.DeleteStmt) and one.relation.relname in copied | spread:
            ours = {cte.ctename for cte in (one.withClause.ctes if one.withClause else ())}
            if elsewhere := tables(one) - copied - spread - ours:
                yield f"changes {one.relation.relname} of the nodes by {', '.join(sorted(elsewhere))} of the coordinator"
        if (
            isinstance(one, ast.UpdateStmt)
            and one.relation.relname in copied | spread
            and shifts_in_zone(one)
        ):
            yield f"adds an interval to a time of {one.relation.relname}: add it `at time zone 'UTC'`"
        if isinstance(one, ast.SelectStmt):
            yield from refused_in_select(one, copied, spread)


def refused_in_select(select: ast.Node, copied: frozenset[str], spread: frozenset[str]) -> Found:
    here = tables_joined(select.fromClause)
    if select.lockingClause and here & spread:
        yield f"locks rows of {', '.join(sorted(here & spread))}, which are spread"
    for one in within(select.fromClause or ()):
        if isinstance(one, ast.JoinExpr) and one.jointype == JoinType.JOIN_LEFT:
            days = {one.rarg.relname} & spread if isinstance(one.rarg, ast.RangeVar) else set()
            if days and tables_joined(one.larg) & copied and not tables_joined(one.larg) & spread:
                yield f"joins {', '.join(days)} where it may be missing, row by row, to what is copied: sum it first"
    for one in children(select):
        yield from refused_below(one, here, spread)


def refused_below(node: Any, here: set[str], spread: frozenset[str]) -> Found:
    """Looks at the subqueries of one SELECT, and not into theirs."""
    if isinstance(node, ast.SelectStmt):
        return
    inner = None
    if isinstance(node, ast.SubLink):
        inner = node.subselect
        read = tables(inner) & spread
        if read and not inner.targetList and not asks_outside(inner):
            yield f"asks whether {', '.join(sorted(read))} has rows and selects nothing: write `select 1`"
    elif isinstance(node, ast.RangeSubselect) and node.lateral:
        inner = node.subquery
    if inner is not None and tables(inner) & spread and not here & spread and asks_outside(inner):
        yield f"looks into {', '.join(sorted(tables(inner) & spread))} once for each row of what is not spread: join"
    for child in children(node):
        yield from refused_below(child, here, spread)


@pytest.mark.parametrize("name", sorted(queries()))
def test_a_cluster_runs_every_query(name: str) -> None:
    assert list(refused(parsed(queries()[name].text))) == []


@pytest.mark.parametrize(
    ("statement", "problem"),
    [
        ("update crane c set spec_id = d.spec_id from crane_description d", "crane_description of the coord"),
        ("delete from lift l using touched_day t where t.crane_id = l.crane_id", "touched_day of the coord"),
        ("select exists (select from day_figure where crane_id = 1)", "write `select 1`"),
        (
            "select (select min(d.day) from day_figure d where d.crane_id = c.crane_id) from crane c",
            "once for each row",
        ),
        (
            "select m.crane_id from crane_summary m cross join lateral "
            "(select count(*) from lift l where l.crane_id = m.crane_id) p",
            "once for each row",
        ),
        ("select 1 from day_figure where crane_id = 1 for update", "locks rows"),
        ("update event set at = at + $1 * interval '1 millisecond' where crane_id = 1", "an interval"),
        ("select c.name from crane c left join day_figure d on d.crane_id = c.crane_id", "sum it first"),
    ],
)
def test_each_shape_is_found(statement: str, problem: str) -> None:
    (found,) = refused(parse_sql(statement)[0].stmt)
    assert problem in found


def test_shapes_that_run_are_left_alone() -> None:
    for statement in (
        "select c.name from crane c left join (select crane_id, count(*) from lift group by 1) l using (crane_id)",
        "select count(*) filter (where exists (select from lift a where a.crane_id = l.crane_id)) from lift l",
        "update lift l set day = d.day from unnest(array[date '2026-03-01']) as d (day) where l.crane_id = 1",
    ):
        assert list(refused(parse_sql(statement)[0].stmt)) == [], statement


def test_the_function_places_tables_that_there_are() -> None:
    copied, spread = placed()
    assert "crane" in copied
    assert {"segment", "lift"} <= spread
    assert not copied & spread


def test_triggers_are_made_one_statement_at_a_time() -> None:
    """A file is sent whole, and a cluster hands that text on to its nodes for a trigger."""
    made = [
        f"{file.name}: {one.stmt.trigname}"
        for file in (
            *files("store").joinpath("schema", "replaced").iterdir(),
            files("store").joinpath("cluster", "replaced.sql"),
        )
        for one in parse_sql(file.read_text())
        if isinstance(one.stmt, ast.CreateTrigStmt)
    ]
    assert made == [], "write set_trigger(...), which makes it by itself"
