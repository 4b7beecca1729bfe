-- The api's role and what it may do. Where the account that migrates may not create roles or grant, the log says so and the
-- queries' own filter stands alone.
do $$
declare
    of_table record;
begin
    begin
        if not exists (select from pg_roles where rolname = 'boomledger_api') then
            create role boomledger_api nologin nosuperuser nobypassrls;
        end if;
    exception
        when duplicate_object or unique_violation then null;  -- another database of this server was quicker
        when insufficient_privilege then
            raise notice 'no right to create the role boomledger_api: the api will work without row-level security';
            return;
    end;
    if not pg_has_role(current_user, 'boomledger_api', 'usage') then
        execute format('grant boomledger_api to %I', current_user);
    end if;
    grant usage on schema public, site_scope to boomledger_api;
    for of_table in
        select c.relname as name
        from pg_class c
        where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v') and not c.relispartition
            and c.relname not in ('segment', 'sample', 'audit', 'audit_export', 'schema_migration', 'reset_link')
            and not has_table_privilege('boomledger_api', c.oid, 'delete')
    loop
        execute format('grant select, insert, update, delete on %I to boomledger_api', of_table.name);
    end loop;
    grant select, insert on audit to boomledger_api;  -- rows are only ever added
    if is_placed('segment') then
        grant select, insert on segment to boomledger_api;
    else
        grant select, insert on site_scope.segment to boomledger_api;
    end if;
exception
    when insufficient_privilege then
        raise notice 'no right to grant to boomledger_api: the api will work without row-level security';
end
$$;
