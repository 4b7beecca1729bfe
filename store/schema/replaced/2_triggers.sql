-- Triggers and what they do. On a cluster those of a copied table fire on every node; what they write to is on one.

create or replace function note_fleet_change() returns trigger language plpgsql as $$
begin
    if to_regclass('public.fleet_change') is not null then
        insert into public.fleet_change default values;
    end if;
    return null;
end
$$;
create or replace trigger fleet_change_of_crane after insert or update or delete or truncate on crane
    for each statement execute function note_fleet_change();
create or replace trigger fleet_change_of_type after insert or update or delete or truncate on crane_type
    for each statement execute function note_fleet_change();
create or replace trigger fleet_change_of_site after insert or update or delete or truncate on site
    for each statement execute function note_fleet_change();
create or replace trigger fleet_change_of_charts after insert or update or delete or truncate on load_chart_version
    for each statement execute function note_fleet_change();
create or replace trigger fleet_change_of_records after insert or update or delete or truncate on life_record
    for each statement execute function note_fleet_change();

-- A crane gets its own copy of its type however it is registered.
create or replace function copy_type() returns trigger
language plpgsql
as $$
begin
    if new.spec_id is null and to_regclass('public.crane_spec') is not null then
        new.spec_id := spec_kept((select spec from crane_type where type_id = new.type_id));
    end if;
    return new;
end
$$;
create or replace trigger crane_copies_type before insert on crane for each row execute function copy_type();

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
create or replace trigger crane_is_described after insert on crane for each row execute function describe_from_beginning();

-- For the api's role, and for the owner too: whoever takes this trigger away does it knowingly.
create or replace function dossier_stays() returns trigger
language plpgsql
as $$
begin
    raise exception 'a finished dossier is never changed: finish another one'
        using errcode = 'insufficient_privilege';
end
$$;
create or replace trigger dossier_stays before update or delete or truncate on dossier
    for each statement execute function dossier_stays();
