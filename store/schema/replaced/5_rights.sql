-- The api's role and what it may do. Where the account that migrates may not create roles or grant, the log says so and the
-- queries' own filter stands alone.
do $$
declare
    of_table record;
    -- Least rights: what no row names, a new table among it, the role cannot touch. tests/security/test_database_role.py holds the same
    -- by table. Accounts, sessions and tokens are changed by functions (7_access.sql).
    wanted constant text[] := array[
        'select', 'alert alert_delivery alert_history alert_news alert_rule alert_shelf alert_target audit clock_correction clock_doubt'
            ' cold_day cold_folder correction_version counter_reading counting crane crane_defects crane_description crane_spec crane_summary crane_type'
            ' day_figure detail dossier event event_context exclusion fault_episode finding fleet_change further_channel gap idempotency life_record'
            ' life_record_file life_record_now lift live load_chart_version overload overload_decision process_heartbeat quarantine'
            ' quarantine_removal quarantine_replay recount_day refused_message refused_reading reservation service_done service_plan'
            ' site span_ledger status_code system_trouble touched_day',
        'insert', 'alert_delivery alert_history alert_rule alert_shelf alert_target clock_correction counter_reading crane crane_description'
            ' crane_type detail dossier event exclusion further_channel idempotency life_record life_record_file load_chart_version'
            ' overload_decision quarantine_replay refused_message refused_reading reservation service_done service_plan site'
            ' status_code touched_day',
        'update', 'alert alert_rule alert_shelf alert_target clock_correction correction_version counter_reading crane crane_description'
            ' crane_summary crane_type detail exclusion further_channel idempotency overload refused_reading reservation service_done'
            ' service_plan site status_code touched_day',
        'delete', 'alert_news alert_shelf alert_target api_token crane_description detail idempotency refused_message service_plan session',
        'select (account_id, name, role, sites, created_at, disabled_at, issuer, signed_on_at)', 'account',
        'select (session_id, account_id, created_at, last_seen_at, expires_at, address, agent)', 'session',
        'select (token_id, account_id, title, role, sites, created_at, expires_at, last_used_at)', 'api_token',
        'insert (account_name, via, action, target, detail, address, request_id)', 'audit'
    ];
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
        select c.oid::regclass as name
        from pg_class c
        where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v') and not c.relispartition
    loop
        execute format('revoke all on %s from boomledger_api', of_table.name);
    end loop;
    for of_table in
        select wanted[n] as rights, name from generate_series(1, array_length(wanted, 1), 2) n, string_to_table(wanted[n + 1], ' ') name
    loop
        execute format('grant %s on %I to boomledger_api', of_table.rights, of_table.name);
    end loop;
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
