-- Spreads the tables that grow over the nodes of a Citus cluster, by crane, and copies the small ones that they are joined
-- with to every node. Does nothing for a table that is placed already; raises without the extension.

create or replace function shard_by_crane() returns integer
language plpgsql
as $$
declare
    small constant text[] := array['site', 'crane_type', 'crane', 'counting', 'status_code'];
    growing constant text[] := array[
        'segment', 'event', 'day_figure', 'span_ledger', 'lift', 'event_context', 'gap', 'fault_episode'
    ];
    waiting text[];
    item record;
    place text;
    placed integer := 0;
begin
    if not exists (select from pg_extension where extname = 'citus') then
        raise exception 'the extension citus is not in this database'
            using hint = 'create extension citus on every node, then citus_add_node() for each worker';
    end if;
    execute 'select array_agg(name) from unnest($1::text[]) as name
        where not exists (select from pg_dist_partition where logicalrelid = name::regclass)'
        into waiting using small || growing;
    if waiting is null then
        return 0;
    end if;
    perform set_config('citus.multi_shard_modify_mode', 'sequential', true);
    perform set_config('citus.enable_unsafe_triggers', 'on', true);

    -- A policy of a spread table cannot ask other tables: these go, and others come below when these files run again.
    for item in
        select c.relname as name, p.polname as policy
        from pg_policy p join pg_class c on c.oid = p.polrelid
        where c.relname = any(waiting)
    loop
        execute format('drop policy %I on %I', item.policy, item.name);
        execute format('alter table %I disable row level security', item.name);
    end loop;
    -- A key from one table to another would take every table that hangs on it along.
    for item in
        select conrelid::regclass as name, conname as constraint_name
        from pg_constraint
        where contype = 'f' and conparentid = 0
            and (conrelid::regclass::text = any(waiting) or confrelid::regclass::text = any(waiting))
    loop
        execute format('alter table %s drop constraint %I', item.name, item.constraint_name);
    end loop;
    -- Identity columns of less than 8 bytes are not copied: an ordinary sequence of this node takes over.
    for item in
        select c.relname as name, a.attname as column_name, a.atttypid::regtype as type,
            pg_get_serial_sequence(c.relname, a.attname) as sequence
        from pg_attribute a join pg_class c on c.oid = a.attrelid
        where a.attidentity <> '' and c.relname = any(waiting)
    loop
        place := item.name || '_' || item.column_name || '_number';
        execute format('create sequence %I as %s', place, item.type);
        execute format('select setval(%L, last_value, is_called) from %s', place, item.sequence);
        execute format('alter table %I alter column %I drop identity', item.name, item.column_name);
        execute format('alter sequence %I owned by %I.%I', place, item.name, item.column_name);
        execute format('alter table %I alter column %I set default nextval(%L)', item.name, item.column_name, place);
    end loop;

    foreach place in array small || growing loop
        if place = any(waiting) then
            if place = any(small) then
                execute format('select create_reference_table(%L)', place);
            elsif place = 'segment' then
                execute 'select create_distributed_table(''segment'', ''crane_id'')';
            else
                execute format('select create_distributed_table(%L, ''crane_id'', colocate_with => ''segment'')', place);
            end if;
            placed := placed + 1;
        end if;
    end loop;
    -- What a counting or a crane leaves behind goes with it, as on one node.
    foreach place in array growing loop
        if place = any(waiting) and place not in ('segment', 'event') then
            execute format('alter table %I add constraint %I foreign key (crane_id) references crane on delete cascade',
                place, place || '_crane_fkey');
            if place in ('day_figure', 'span_ledger', 'lift') then
                execute format('alter table %I add constraint %I foreign key (counting_id) references counting on delete cascade',
                    place, place || '_counting_fkey');
            end if;
        end if;
    end loop;
    return placed;
end
$$;

-- A key from a table of the coordinator to one of the nodes looks into what stands on the coordinator of it: nothing.
do $keys$
declare
    item record;
begin
    for item in
        select conrelid::regclass as name, conname as constraint_name
        from pg_constraint
        where contype = 'f' and conparentid = 0 and is_placed(confrelid) and not is_placed(conrelid)
    loop
        execute format('alter table %s drop constraint %I', item.name, item.constraint_name);
    end loop;
end
$keys$;

-- There a function in SQL cannot hand its parameters to the nodes, one in PL/pgSQL can. It plans each call anew.
do $place$
begin
    if not is_placed('segment') then
        return;
    end if;
    create or replace function samples_between(crane_name text, time_from timestamptz, time_to timestamptz)
    returns setof sample language plpgsql stable as $body$
    declare
        wanted integer := (select crane.crane_id from crane where crane.name = crane_name);
    begin
        return query select * from sample s
        where s.crane_id = wanted and s.t0 > time_from - interval '1 day' and s.t0 < time_to
            and s.at >= time_from and s.at < time_to;
    end
    $body$;
    create or replace function samples_between(time_from timestamptz, time_to timestamptz)
    returns setof sample language plpgsql stable as $body$
    begin
        return query select * from sample s
        where s.t0 > time_from - interval '1 day' and s.t0 < time_to and s.at >= time_from and s.at < time_to;
    end
    $body$;
end
$place$;

-- Policies of the tables of the nodes: the api tells with each transaction which sites and cranes are in scope. Tables that
-- belong to neither (types, countings, status codes) have none.
do $place$
declare
    item record;
begin
    if to_regclass('pg_catalog.pg_dist_partition') is null then
        return;
    end if;
    for item in
        select c.oid::regclass as name, k.key, k.setting
        from pg_dist_partition p
        join pg_class c on c.oid = p.logicalrelid and not c.relispartition and c.relnamespace = 'public'::regnamespace
        cross join lateral (
            select a.attname as key, format('boomledger.%ss', a.attname) as setting
            from pg_attribute a
            where a.attrelid = c.oid and a.attname in ('site_id', 'crane_id') and not a.attisdropped
            order by a.attname desc
            limit 1
        ) k
        order by c.relname
    loop
        execute format('alter table %s enable row level security', item.name);
        execute format('drop policy if exists site_scope on %s', item.name);
        execute format(
            'create policy site_scope on %s using (current_setting(''boomledger.sites'', true) = ''*'''
            ' or %I::text = any(string_to_array(current_setting(%L, true), '','')))',
            item.name, item.key, item.setting
        );
    end loop;
end
$place$;
