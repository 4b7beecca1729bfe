-- A row for every change of what a lift is matched against, so that a reader sees by one count that the fleet changed.

-- Nothing is taken out: a row becomes visible with the transaction that made the change, so the count only grows.
create table fleet_change (
    change_id bigint generated always as identity primary key,
    changed_at timestamptz not null default now()
);

create function note_fleet_change() returns trigger language plpgsql as $$
begin
    insert into fleet_change default values;
    return null;
end
$$;

create trigger fleet_change_of_crane after insert or update or delete or truncate on crane
    for each statement execute function note_fleet_change();
create trigger fleet_change_of_type after insert or update or delete or truncate on crane_type
    for each statement execute function note_fleet_change();
create trigger fleet_change_of_site after insert or update or delete or truncate on site
    for each statement execute function note_fleet_change();
create trigger fleet_change_of_charts after insert or update or delete or truncate on load_chart_version
    for each statement execute function note_fleet_change();
