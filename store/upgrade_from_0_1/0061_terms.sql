-- Objects get the terms of the field; functions, triggers, views and policies come anew from store/schema/replaced.
do $$
declare
    item record;
begin
    for item in
        select polname as policy, polrelid::regclass as of_table
        from pg_policy
        where polname in ('in_sight', 'added_in_sight', 'added_by_all', 'read_by_all', 'kept_as_it_is', 'never_taken_out')
        order by polrelid  -- on a cluster a table goes before its shards, which lose theirs with it
    loop
        execute format('drop policy if exists %I on %s', item.policy, item.of_table);
    end loop;
    -- Row-level security without a policy shows nothing: on a cluster these have none.
    for item in
        select name from unnest(array['crane_type', 'counting', 'status_code']) as name
        join pg_class c on c.oid = name::regclass and c.relrowsecurity
    loop
        execute format('alter table %I disable row level security', item.name);
    end loop;
end
$$;
drop view if exists sight.segment;
drop schema sight;
drop function every_site_in_sight(), sites_in_sight(), cranes_in_sight(), crane_names_in_sight();

drop trigger dossier_stays on dossier;
drop function dossier_stays();
alter function spec_kept(jsonb) rename to spec_id_of;

comment on column account.sites is 'names of the sites in scope; null for every site';

alter table process_pulse rename to process_heartbeat;
alter table process_heartbeat rename column beaten_at to beat_at;
do $$
declare
    item record;
begin
    for item in
        select conname as name, replace(replace(conname, 'process_pulse', 'process_heartbeat'), 'beaten_at', 'beat_at') as term
        from pg_constraint
        where conrelid = 'process_heartbeat'::regclass
    loop
        execute format('alter table process_heartbeat rename constraint %I to %I', item.name, item.term);
    end loop;
end
$$;
