-- A second wall behind the queries' own site filter: the api works under a role that sees only rows of cranes at the
-- sites that a transaction names in `boomledger.sites` (names with commas between, `*` for every site; nothing without).
-- Owner and superuser are not bound by it: ingest, analytics, alerts and the command line see everything.

create function every_site_in_sight() returns boolean
language sql stable
as $$ select coalesce(current_setting('boomledger.sites', true), '') = '*' $$;

-- These read `site` and `crane` as their owner, or the policies of those tables would ask themselves.
create function sites_in_sight() returns setof integer
language sql stable security definer set search_path = public, pg_temp
as $$
    select site_id from site
    where name = any(string_to_array(current_setting('boomledger.sites', true), ','))
$$;

create function cranes_in_sight() returns setof integer
language sql stable security definer set search_path = public, pg_temp
as $$ select crane_id from crane where site_id in (select sites_in_sight()) $$;

create function crane_names_in_sight() returns setof text
language sql stable security definer set search_path = public, pg_temp
as $$ select name from crane where site_id in (select sites_in_sight()) $$;

-- Readings come through a view of the same name: a hypertable with a columnstore takes no row-level security, and this
-- way both kinds of database are walled by the same thing. The role finds it first on its search path.
create schema sight;

-- Puts the wall up, and up again for what a later migration adds: policies on every table with cranes, the view, the
-- rights of the role. Does nothing twice. `migrate` calls it after every change of the schema.
create function wall_off() returns void
language plpgsql
as $$
declare
    of_table record;
    seen constant text := '(select every_site_in_sight()) or crane_id in (select cranes_in_sight())';
begin
    for of_table in
        select c.relname as name, not a.attnotnull as for_all
        from pg_class c
        join pg_namespace n on n.oid = c.relnamespace and n.nspname = 'public'
        join pg_attribute a on a.attrelid = c.oid and a.attname = 'crane_id' and not a.attisdropped
        where c.relkind in ('r', 'p') and not c.relispartition and c.relname <> 'segment' and not c.relrowsecurity
    loop
        execute format('alter table %I enable row level security', of_table.name);
        -- A row without a crane (a weld detail of a type) is everyone's to read; only who sees every site writes it.
        execute format(
            'create policy in_sight on %I using (%s %s) with check (%s)',
            of_table.name, seen, case when of_table.for_all then 'or crane_id is null' else '' end, seen
        );
    end loop;

    execute 'create or replace view sight.segment with (security_barrier) as select * from public.segment where ' || seen;

    begin
        if not exists (select from pg_roles where rolname = 'boomledger_api') then
            create role boomledger_api nologin nosuperuser nobypassrls;
        end if;
    exception
        when duplicate_object or unique_violation then null;  -- another database of this server was quicker
        when insufficient_privilege then
            raise notice 'no right to create the role boomledger_api: the api will work without its second wall';
            return;
    end;
    begin
        if not pg_has_role(current_user, 'boomledger_api', 'usage') then
            execute format('grant boomledger_api to %I', current_user);
        end if;
        grant usage on schema public, sight to boomledger_api;
        for of_table in
            select c.relname as name
            from pg_class c
            join pg_namespace n on n.oid = c.relnamespace and n.nspname = 'public'
            where c.relkind in ('r', 'p', 'v') and not c.relispartition
                and c.relname not in ('segment', 'sample', 'audit', 'schema_migration')
                and not has_table_privilege('boomledger_api', c.oid, 'delete')
        loop
            execute format('grant select, insert, update, delete on %I to boomledger_api', of_table.name);
        end loop;
        grant select on sight.segment to boomledger_api;
        grant select, insert on audit to boomledger_api;  -- rows are only ever added
    exception
        when insufficient_privilege then
            raise notice 'no right to grant to boomledger_api: the api will work without its second wall';
    end;
end
$$;

select wall_off();

-- Tables whose rows belong to a crane in another way.
alter table site enable row level security;
create policy in_sight on site
    using ((select every_site_in_sight()) or site_id in (select sites_in_sight()));

-- crane has a crane_id, so it has a policy already; a new crane must stand at a site in sight.
drop policy in_sight on crane;
create policy in_sight on crane
    using ((select every_site_in_sight()) or site_id in (select sites_in_sight()));

alter table quarantine enable row level security;
create policy in_sight on quarantine
    using ((select every_site_in_sight()) or crane_name in (select crane_names_in_sight()));

drop policy in_sight on alert_rule;
create policy in_sight on alert_rule
    using (
        (select every_site_in_sight()) or crane_id in (select cranes_in_sight()) or site_id in (select sites_in_sight())
        or (crane_id is null and site_id is null)
    )
    with check (
        (select every_site_in_sight()) or crane_id in (select cranes_in_sight()) or site_id in (select sites_in_sight())
    );

alter table alert_history enable row level security;
create policy in_sight on alert_history
    using (exists (select from alert a where a.alert_id = alert_history.alert_id));

alter table alert_news enable row level security;
create policy in_sight on alert_news
    using (exists (select from alert a where a.alert_id = alert_news.alert_id));

alter table alert_target enable row level security;
create policy in_sight on alert_target using ((select every_site_in_sight()));

alter table alert_delivery enable row level security;
create policy in_sight on alert_delivery using ((select every_site_in_sight()));

alter table audit enable row level security;
create policy added_by_all on audit for insert with check (true);
create policy in_sight on audit for select using ((select every_site_in_sight()));
