-- Triggers and what they do. On a cluster those of a copied table fire on every node; what they write to is on one.

-- One statement at a time: a cluster hands the text that it was sent on to its nodes, and these take no more than one.
create or replace function set_trigger(trigger name, moment text, of_table regclass, action text) returns void
language plpgsql
as $$
begin
    if is_placed(of_table) then
        perform set_config('citus.enable_unsafe_triggers', 'on', true);
    end if;
    execute format('create or replace trigger %I %s on %s for each %s', trigger, moment, of_table, action);
end
$$;

create or replace function note_fleet_change() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
    if to_regclass('public.fleet_change') is not null then
        insert into public.fleet_change default values;
    end if;
    return null;
end
$$;
select set_trigger(trigger, 'after insert or update or delete or truncate', of_table, 'statement execute function note_fleet_change()')
from (values
    ('fleet_change_of_crane', 'crane'::regclass), ('fleet_change_of_type', 'crane_type'), ('fleet_change_of_site', 'site'),
    ('fleet_change_of_charts', 'load_chart_version'), ('fleet_change_of_records', 'life_record')
) as change (trigger, of_table);

-- A crane gets its own copy of its type however it is registered.
create or replace function copy_type() returns trigger
language plpgsql
as $$
begin
    if new.spec_id is null and to_regclass('public.crane_spec') is not null then
        new.spec_id := spec_id_of((select spec from crane_type where type_id = new.type_id));
    end if;
    return new;
end
$$;
select set_trigger('crane_copies_type', 'before insert', 'crane', 'row execute function copy_type()');

create or replace function describe_from_beginning() returns trigger
language plpgsql
as $$
begin
    if to_regclass('public.crane_description') is not null then
        insert into crane_description (crane_id, valid_from, spec_id)
        values (new.crane_id, date '1970-01-01', new.spec_id)
        on conflict do nothing;
    end if;
    return null;
end
$$;
select set_trigger('crane_is_described', 'after insert', 'crane', 'row execute function describe_from_beginning()');

-- For the api's role, and for the owner too: whoever takes this trigger away does it knowingly.
create or replace function dossier_immutable() returns trigger
language plpgsql
as $$
begin
    raise exception 'a finished dossier is never changed: finish another one'
        using errcode = 'insufficient_privilege';
end
$$;
select set_trigger('dossier_immutable', 'before update or delete or truncate', 'dossier', 'statement execute function dossier_immutable()');
