-- Row-level security, behind the queries' own site filter: the api works under a role that sees only rows of cranes at the
-- sites that a transaction names in `boomledger.sites` (names with commas between, `*` for every site; nothing without).
-- Owner and superuser are not bound by it: ingest, analytics, alerts and the command line see everything.

create or replace function every_site_in_scope() returns boolean
language sql stable
as $$ select coalesce(current_setting('boomledger.sites', true), '') = '*' $$;

-- These read `site` and `crane` as their owner, or the policies of those tables would ask themselves.
create or replace function sites_in_scope() returns setof integer
language sql stable security definer set search_path = public, pg_temp
as $$
    select site_id from site
    where name = any(string_to_array(current_setting('boomledger.sites', true), ','))
$$;

create or replace function cranes_in_scope() returns setof integer
language sql stable security definer set search_path = public, pg_temp
as $$ select crane_id from crane where site_id in (select sites_in_scope()) $$;

create or replace function crane_names_in_scope() returns setof text
language sql stable security definer set search_path = public, pg_temp
as $$ select name from crane where site_id in (select sites_in_scope()) $$;

-- Policies of a table on the nodes of a cluster cannot ask other tables: those stand in store/cluster/replaced.sql.
create or replace function set_policy(of_table regclass, policy name, definition text) returns void
language plpgsql
as $$
begin
    if is_placed(of_table) then
        return;
    end if;
    execute format('alter table %s enable row level security', of_table);
    execute format('drop policy if exists %I on %s', policy, of_table);
    execute format('create policy %I on %s %s', policy, of_table, definition);
end
$$;

-- Every table with a `crane_id`, those of a later release too: rows of cranes in scope. A row without a crane (a weld detail of
-- a type) is everyone's to read; only who sees every site writes it.
select set_policy(c.oid::regclass, 'site_scope', format(
    'using (%1$s %2$s) with check (%1$s)',
    '(select every_site_in_scope()) or crane_id in (select cranes_in_scope())',
    case when a.attnotnull then '' else 'or crane_id is null' end
))
from pg_class c
join pg_attribute a on a.attrelid = c.oid and a.attname = 'crane_id' and not a.attisdropped
where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and not c.relispartition
    -- segment: a hypertable with a columnstore takes no policy; the view below stands for it. The rest have their own below.
    and c.relname not in ('segment', 'crane', 'alert_rule', 'life_record', 'life_record_file');

-- A new crane must stand at a site in scope.
select set_policy(of_table, 'site_scope', 'using ((select every_site_in_scope()) or site_id in (select sites_in_scope()))')
from unnest(array['site', 'crane']::regclass[]) as of_table;

select set_policy(of_table, 'site_scope',
    'using ((select every_site_in_scope()) or crane_name in (select crane_names_in_scope()))')
from unnest(array['quarantine', 'quarantine_replay']::regclass[]) as of_table;

-- Rules of the whole fleet are everyone's to read.
select set_policy('alert_rule', 'site_scope', format('using (%1$s or (crane_id is null and site_id is null)) with check (%1$s)',
    '(select every_site_in_scope()) or crane_id in (select cranes_in_scope()) or site_id in (select sites_in_scope())'));

select set_policy(of_table, 'site_scope', format('using (exists (select from alert a where a.alert_id = %s.alert_id))', of_table))
from unnest(array['alert_history', 'alert_news']::regclass[]) as of_table;

select set_policy(of_table, 'site_scope', 'using ((select every_site_in_scope()))')
from unnest(array['alert_target', 'alert_delivery', 'cold_file_unfinished']::regclass[]) as of_table;

-- Who has some sites in scope sees the own imports of the audit and nothing else of it.
select set_policy('audit', 'insert_by_all', 'for insert with check (true)');
select set_policy('audit', 'site_scope', 'for select using ((select every_site_in_scope()))');
select set_policy('audit', 'own_imports', 'for select using (action = ''POST /imports'''
    ' and account_name = (select current_setting(''boomledger.account'', true)))');

-- Decisions are added, and neither changed nor taken out.
select set_policy('overload_decision', 'no_update', 'as restrictive for update using (false)');
select set_policy('overload_decision', 'no_delete', 'as restrictive for delete using (false)');

-- Records and their files are read and added: there is no policy by which one could be changed or taken out.
select set_policy(of_table, 'site_scope', 'for select using (' || in_scope || ')'),
    set_policy(of_table, 'insert_in_scope', 'for insert with check (' || in_scope || ')')
from unnest(array['life_record', 'life_record_file']::regclass[]) as of_table,
    (values ('(select every_site_in_scope()) or crane_id in (select cranes_in_scope())')) as rows (in_scope);

-- Everyone who is signed in may read these; the api's role may not write them.
select set_policy(of_table, 'select_by_all', 'for select using (true)')
from unnest(array['process_heartbeat', 'system_trouble', 'clock_doubt', 'cold_folder']::regclass[]) as of_table;

-- Readings come through a view of the same name, which checks what is added too: a hypertable with a columnstore takes no policy,
-- and this way both kinds of database are protected by the same thing. The role finds it first on its search path. On the nodes of
-- a cluster the view could not ask other tables; there the role reads and adds to `segment` itself, which has a policy.
create schema if not exists site_scope;
do $$
begin
    if is_placed('segment') then
        drop view if exists site_scope.segment;
    else
        create or replace view site_scope.segment with (security_barrier, check_option = cascaded) as
        select * from public.segment
        where (select every_site_in_scope()) or crane_id in (select cranes_in_scope());
    end if;
end
$$;
