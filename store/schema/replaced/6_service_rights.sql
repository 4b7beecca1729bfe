-- Roles of the services that are not the api: what their statements need and no more. A login of each service takes one
-- (deploy/database/logins.sql). They see every site, and neither a secret of an account nor the key of the scopes; none makes tables.
-- tests/security/test_service_rights.py goes over every statement that a service can come to. Not on the tables of a cluster's nodes.

-- Whether the one who asks is such a service.
create or replace function is_service() returns boolean
language sql stable
as $$
    select coalesce(bool_or(pg_has_role(current_user, oid, 'usage')), false) from pg_roles
    where rolname in ('boomledger_ingest', 'boomledger_analytics', 'boomledger_watch')
$$;
select set_policy(c.oid::regclass, 'of_services', 'using ((select is_service()))')
from pg_class c
where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and not c.relispartition and c.relrowsecurity;

do $$
declare
    of_table record;
    of_role text;
    roles constant text[] := array['boomledger_ingest', 'boomledger_analytics', 'boomledger_watch'];
    wanted constant text[] := array[
        'boomledger_ingest', 'select', 'clock_correction clock_doubt cold_day cold_file_unfinished cold_folder correction_version crane'
            ' crane_spec crane_type event further_channel lease lease_renewal live process_heartbeat quarantine quarantine_removal'
            ' quarantine_replay refused_message refused_reading segment site touched_day',
        'boomledger_ingest', 'insert', 'clock_doubt cold_day cold_file_unfinished crane crane_description crane_type event lease lease_renewal'
            ' live process_heartbeat quarantine quarantine_removal quarantine_replay refused_message refused_reading segment site touched_day',
        'boomledger_ingest', 'update', 'clock_correction clock_doubt cold_day correction_version event further_channel lease lease_renewal live'
            ' process_heartbeat quarantine quarantine_replay refused_reading segment touched_day',
        'boomledger_ingest', 'delete', 'cold_day cold_file_unfinished lease quarantine refused_message refused_reading segment',
        'boomledger_analytics', 'select', 'cold_day cold_folder counter_reading counting crane crane_description crane_spec crane_summary day_figure detail event'
            ' event_context exclusion fault_episode finding gap life_record life_record_now lift overload overload_decision process_heartbeat'
            ' quarantine recount_day refused_message refused_reading segment site span_ledger touched_day',
        'boomledger_analytics', 'insert', 'counting crane_summary day_figure event_context fault_episode finding gap lift overload'
            ' process_heartbeat recount_day span_ledger touched_day',
        'boomledger_analytics', 'update', 'crane_summary day_figure overload process_heartbeat span_ledger touched_day',
        'boomledger_analytics', 'delete', 'day_figure event_context fault_episode finding gap lift overload span_ledger touched_day',
        'boomledger_watch', 'select', 'alert alert_delivery alert_history alert_news alert_rule alert_shelf alert_target audit audit_export'
            ' clock_doubt counting crane crane_defects crane_summary crane_type day_figure fault_episode finding known_address life_record life_record_now'
            ' live login_attempt process_heartbeat quarantine quarantine_removal reservation service_done service_plan site system_trouble'
            ' touched_day',
        'boomledger_watch', 'select (account_id, name, role, sites, created_at, disabled_at, issuer, signed_on_at)', 'account',
        'boomledger_watch', 'select (session_id, expires_at)', 'session',
        'boomledger_watch', 'select (token_id, account_id, title, role, sites, created_at, expires_at, last_used_at)', 'api_token',
        'boomledger_watch', 'select (account_name, key, created_at)', 'idempotency',
        'boomledger_watch', 'insert', 'alert alert_delivery alert_history alert_news audit_export process_heartbeat system_trouble',
        'boomledger_watch', 'update', 'alert alert_delivery alert_news audit_export process_heartbeat system_trouble',
        'boomledger_watch', 'delete', 'alert_delivery alert_news alert_shelf api_token audit idempotency known_address login_attempt'
            ' reservation session system_trouble'
    ];
begin
    foreach of_role in array roles loop
        begin
            if not exists (select from pg_roles where rolname = of_role) then
                execute format('create role %I nologin nosuperuser nobypassrls', of_role);
            end if;
        exception
            when duplicate_object or unique_violation then null;  -- another database of this server was quicker
        end;
        execute format('grant usage on schema public to %I', of_role);
        for of_table in
            select c.oid::regclass as name
            from pg_class c
            where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v') and not c.relispartition
        loop
            execute format('revoke all on %s from %I', of_table.name, of_role);
        end loop;
    end loop;
    for of_table in
        select wanted[n] as role, wanted[n + 1] as rights, name
        from generate_series(1, array_length(wanted, 1), 3) n, string_to_table(wanted[n + 2], ' ') name
    loop
        execute format('grant %s on %I to %I', of_table.rights, of_table.name, of_table.role);
    end loop;
exception
    when insufficient_privilege then
        raise notice 'no right to create the roles of the services or to grant to them: give ingest, analytics and watch the login of the owner';
end
$$;
