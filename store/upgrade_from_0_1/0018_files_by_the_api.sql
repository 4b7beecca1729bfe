-- The api takes files in: under its role it adds readings of cranes in its sight through the walled view, which refuses
-- others.

-- As in 0013, but for the readings: the view checks what is added.
create or replace function wall_off() returns void
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

    execute 'create or replace view sight.segment with (security_barrier, check_option = cascaded) as'
        ' select * from public.segment where ' || seen;

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
        grant select, insert on sight.segment to boomledger_api;
        grant select, insert on audit to boomledger_api;  -- rows are only ever added
    exception
        when insufficient_privilege then
            raise notice 'no right to grant to boomledger_api: the api will work without its second wall';
    end;
end
$$;
