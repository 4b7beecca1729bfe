"""What a database is made of, object by object, as text: equal for two databases whose schema is the same.

The order of columns is left out: a step can only add a column behind the others.
"""

from typing import Any, Final

import psycopg
from psycopg import sql

OURS: Final = "n.nspname in ('public', 'site_scope', 'plain')"
EXTENSION: Final = "exists (select from pg_depend d where d.objid = {}.oid and d.deptype = 'e')"
_ACL: Final = (
    "array(select concat_ws(' ', coalesce(pg_get_userbyid(nullif(grantee, 0)), 'public'), privilege_type, is_grantable)"
    " from aclexplode({}) order by 1)"
)
_RELATION: Final = f"""
from pg_class c join pg_namespace n on n.oid = c.relnamespace
where {OURS} and not {EXTENSION.format("c")}"""

_PARTS: Final = {
    "relation": f"""
        select c.oid::regclass::text, c.relkind, c.relpersistence, c.relrowsecurity, c.relforcerowsecurity, c.relispartition,
            array(select unnest(c.reloptions) order by 1), pg_get_partkeydef(c.oid), pg_get_expr(c.relpartbound, c.oid),
            pg_get_userbyid(c.relowner), {_ACL.format("coalesce(c.relacl, acldefault('r', c.relowner))")}, obj_description(c.oid, 'pg_class')
        {_RELATION} and c.relkind <> 'i'""",
    "column": f"""
        select c.oid::regclass || '.' || a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull, a.attidentity, a.attgenerated,
            pg_get_expr(e.adbin, e.adrelid), a.attstorage, a.attcompression, a.attcollation::regcollation, a.attstattarget, a.attacl::text,
            col_description(c.oid, a.attnum)
        from pg_attribute a join pg_class c on c.oid = a.attrelid join pg_namespace n on n.oid = c.relnamespace
        left join pg_attrdef e on e.adrelid = c.oid and e.adnum = a.attnum
        where {OURS} and c.relkind in ('r', 'p', 'v', 'm') and a.attnum > 0 and not a.attisdropped and not {EXTENSION.format("c")}""",
    "sequence": f"""
        select c.oid::regclass::text, s.seqtypid::regtype, s.seqstart, s.seqincrement, s.seqmin, s.seqmax, s.seqcache, s.seqcycle
        from pg_sequence s join pg_class c on c.oid = s.seqrelid join pg_namespace n on n.oid = c.relnamespace where {OURS}""",
    "constraint": f"""
        select c.oid::regclass || '.' || k.conname, k.contype, pg_get_constraintdef(k.oid), k.convalidated
        from pg_constraint k join pg_class c on c.oid = k.conrelid join pg_namespace n on n.oid = c.relnamespace
        where {OURS} and not {EXTENSION.format("c")}""",
    "index": f"""
        select c.oid::regclass::text, pg_get_indexdef(c.oid), i.indisvalid, i.indisunique
        from pg_index i join pg_class c on c.oid = i.indexrelid join pg_namespace n on n.oid = c.relnamespace
        where {OURS} and not {EXTENSION.format("c")}""",
    "view": f"select c.oid::regclass::text, pg_get_viewdef(c.oid) {_RELATION} and c.relkind in ('v', 'm')",
    "policy": """
        select polrelid::regclass || '.' || polname, polcmd, polpermissive, polroles::regrole[]::text, pg_get_expr(polqual, polrelid),
            pg_get_expr(polwithcheck, polrelid)
        from pg_policy""",
    "trigger": f"""
        select c.oid::regclass || '.' || t.tgname, pg_get_triggerdef(t.oid), t.tgenabled
        from pg_trigger t join pg_class c on c.oid = t.tgrelid join pg_namespace n on n.oid = c.relnamespace
        where {OURS} and not t.tgisinternal""",
    "function": f"""
        select p.oid::regprocedure::text, pg_get_functiondef(p.oid), pg_get_userbyid(p.proowner),
            {_ACL.format("coalesce(p.proacl, acldefault('f', p.proowner))")}, obj_description(p.oid, 'pg_proc')
        from pg_proc p join pg_namespace n on n.oid = p.pronamespace where {OURS} and not {EXTENSION.format("p")}""",
    "type": f"""
        select t.oid::regtype::text, t.typtype
        from pg_type t join pg_namespace n on n.oid = t.typnamespace
        where {OURS} and not {EXTENSION.format("t")}""",
    "schema": f"""
        select n.nspname, {_ACL.format("coalesce(n.nspacl, acldefault('n', n.nspowner))")} from pg_namespace n
        where n.nspname !~ '^(pg_|information_schema|_?timescaledb)'""",
    "extension": "select extname, extversion from pg_extension",
    "right to come": "select defaclrole::regrole::text, defaclnamespace, defaclobjtype, defaclacl::text from pg_default_acl",
}
_OF_A_HYPERTABLE: Final = {
    "hypertable": "select hypertable_name, num_dimensions, compression_enabled from timescaledb_information.hypertables",
    "dimension": "select hypertable_name, column_name, time_interval from timescaledb_information.dimensions",
    "compression": """
        select hypertable_name || '.' || attname, segmentby_column_index, orderby_column_index, orderby_asc, orderby_nullsfirst
        from timescaledb_information.compression_settings""",
    "job": """
        select proc_name, hypertable_name, schedule_interval, config - 'hypertable_id' from timescaledb_information.jobs
        where hypertable_name is not null""",
}


def catalogue(conn: psycopg.Connection[Any]) -> dict[str, str]:
    """Every object by its kind and name, and what it is."""
    parts = dict(_PARTS)
    if conn.execute("select from pg_extension where extname = 'timescaledb'").fetchone() is not None:
        parts |= _OF_A_HYPERTABLE
    return {
        f"{kind} {name}": repr(rest)
        for kind, query in parts.items()
        for name, *rest in conn.execute(query.encode()).fetchall()
    }


def contents(conn: psycopg.Connection[Any]) -> dict[str, list[dict[str, Any]]]:
    """The rows of each table, as JSON."""
    names = conn.execute(
        "select tablename from pg_tables where schemaname = 'public' order by tablename"
    ).fetchall()
    return {
        name: [
            row
            for (row,) in conn.execute(
                sql.SQL("select to_jsonb(t) from {} t order by to_jsonb(t)::text").format(
                    sql.Identifier(name)
                )
            ).fetchall()
        ]
        for (name,) in names
    }
