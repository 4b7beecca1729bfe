-- Row-level security, behind the queries' own site filter: the api works under a role that sees only rows of cranes at the
-- sites that a transaction names in `boomledger.scope`, in claims that the web process signed for it; nothing without.
-- Owner and superuser are not bound by it: ingest, analytics, alerts and the command line see everything.

-- The key of the signatures: 32 bytes that whoever deploys the web process chose, or new ones. Web processes that were given the one
-- before as a setting need this one.
create or replace function put_scope_key(wanted bytea) returns void
language sql
as $$
    insert into scope_key (key, inner_key, outer_key)
    select wanted, string_agg(set_byte('\x00', 0, get_byte(wanted || decode(repeat('00', 32), 'hex'), i) # 54), ''::bytea order by i),
        string_agg(set_byte('\x00', 0, get_byte(wanted || decode(repeat('00', 32), 'hex'), i) # 92), ''::bytea order by i)
    from generate_series(0, 63) i
    on conflict (only_one) do update set key = excluded.key, inner_key = excluded.inner_key, outer_key = excluded.outer_key
$$;
create or replace function new_scope_key() returns void
language sql
as $$
    select put_scope_key(sha256(uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid())))
$$;
select new_scope_key() where not exists (select from scope_key);

-- What the web process signed (store/site_scope.py): account, role, sites (null: every one), and for which backend and until
-- when a transaction may begin. Null where nothing is named. Policies ask once a statement.
create or replace function scope_claims() returns jsonb
language plpgsql stable security definer set search_path = public, pg_temp
as $$
declare
    told constant text := coalesce(current_setting('boomledger.scope', true), '');
    claims jsonb;
    signed boolean;
begin
    if told = '' then
        return null;
    end if;
    -- Digests of both are compared, so that the time it takes tells nothing.
    select sha256(convert_to(left(told, 64), 'UTF8'))
        = sha256(encode(sha256(outer_key || sha256(inner_key || convert_to(substr(told, 66), 'UTF8'))), 'hex')::bytea)
    into signed
    from scope_key;
    claims := case when signed then substr(told, 66)::jsonb end;
    if claims is null or (claims ->> 'pid')::int <> pg_backend_pid() or extract(epoch from now()) > (claims ->> 'until')::float8 then
        raise exception 'the site scope of this transaction was not signed for it' using errcode = 'insufficient_privilege';
    end if;
    return claims;
end
$$;

create or replace function every_site_in_scope() returns boolean
language sql stable
as $$ select coalesce(scope_claims() -> 'sites' = 'null', false) $$;

create or replace function account_in_scope() returns text
language sql stable
as $$ select scope_claims() ->> 'account' $$;

create or replace function role_in_scope() returns text
language sql stable
as $$ select scope_claims() ->> 'role' $$;

-- Accounts, tokens and the audit are for administrators of every site: of some sites, one could widen their own.
create or replace function governs_accounts() returns boolean
language sql stable
as $$ select coalesce(c -> 'sites' = 'null' and c ->> 'role' = 'admin', false) from scope_claims() c $$;

-- These read `site` and `crane` as their owner, or the policies of those tables would ask themselves.
create or replace function sites_in_scope() returns setof integer
language sql stable security definer set search_path = public, pg_temp
as $$
    select site_id from site
    where name in (select jsonb_array_elements_text(nullif(scope_claims() -> 'sites', 'null')))
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
    and c.relname not in ('segment', 'crane', 'alert_rule', 'life_record', 'life_record_file', 'alert', 'alert_shelf');

-- What is about no crane is about an account.
select set_policy(of_table, 'site_scope', 'using (case when crane_id is null then (select governs_accounts())'
    ' else (select every_site_in_scope()) or crane_id in (select cranes_in_scope()) end)')
from unnest(array['alert', 'alert_shelf']::regclass[]) as of_table;

-- A new crane must stand at a site in scope.
select set_policy('crane', 'site_scope', 'using ((select every_site_in_scope()) or site_id in (select sites_in_scope()))');

-- What serves every site: an administrator of every site adds and changes sites and replaces types, an engineer adds a type, and
-- an engineer of every site says what codes mean. Types and codes are everyone's to read.
select set_policy('site', 'site_scope', 'for select using ((select every_site_in_scope()) or site_id in (select sites_in_scope()))');
select set_policy(of_table, 'select_by_all', 'for select using (true)')
from unnest(array['crane_type', 'status_code', 'correction_version']::regclass[]) as of_table;
select set_policy(of_table, 'insert_for_all', format('for insert with check (%s)', may)),
    set_policy(of_table, 'update_for_all', format('for update using (%s)', may))
from (values
    ('site'::regclass, '(select governs_accounts())'),
    ('status_code', '(select every_site_in_scope() and role_in_scope() in (''engineer'', ''admin''))')
) as shared (of_table, may);
select set_policy('crane_type', 'insert_for_all', 'for insert with check ((select role_in_scope()) in (''engineer'', ''admin''))');
select set_policy('crane_type', 'update_for_all', 'for update using ((select governs_accounts()))');
select set_policy('correction_version', 'update_for_all', 'for update using ((select role_in_scope()) in (''engineer'', ''admin''))');

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

-- Who has some sites in scope sees the own lines of the audit and nothing else of it; lines are added of who asks only, or
-- of many where the web process signs that it writes down reads.
select set_policy('audit', 'insert_of_account', 'for insert with check ('
    'account_name = (select account_in_scope()) or (select scope_claims() ->> ''role'') = ''audit'')');
select set_policy('audit', 'site_scope', 'for select using ((select every_site_in_scope()))');
select set_policy('audit', 'own_lines', 'for select using (account_name = (select account_in_scope()))');
drop policy if exists own_imports on audit;  -- of before

-- Accounts are changed by functions (7_access.sql). Everyone sees the own one, its sessions and its tokens.
create or replace function account_id_in_scope() returns integer
language sql stable security definer set search_path = public, pg_temp
as $$ select account_id from account where name = account_in_scope() $$;

select set_policy('account', 'own_account', 'for select using ((select governs_accounts()) or name = (select account_in_scope()))');
select set_policy(of_table, 'own_account', 'using ((select governs_accounts()) or account_id = (select account_id_in_scope()))')
from unnest(array['session', 'api_token']::regclass[]) as of_table;
select set_policy('idempotency', 'own_account', 'using (account_name = (select account_in_scope()))');

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
