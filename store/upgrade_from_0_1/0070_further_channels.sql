-- Readings of further channels, which people register: their names in a message, and the readings of one name after the other.
alter table segment add column further_names text[];
alter table segment add column further real[];

create table further_channel (
    channel_id integer generated always as identity primary key,
    crane_id integer references crane on delete cascade,
    name text not null,
    unit text not null,
    low double precision not null,
    high double precision not null check (low < high),
    meaning text not null default '',
    registered_at timestamptz not null default now(),
    registered_by text not null,
    withdrawn_at timestamptz,
    withdrawn_by text,
    brought_in_at timestamptz,
    brought_in bigint not null default 0,
    unique nulls not distinct (crane_id, name)
);

-- Readings under a name that is no channel have no least and most.
update refused_reading set least = 'NaN', most = 'NaN'
where channel not in (
    'utilisation_pct', 'limit_pct', 'slew_deg', 'main_boom_deg', 'knuckle_boom_deg', 'extension_m', 'jib_deg', 'jib_extension_m',
    'outreach_m', 'hook_height_m', 'mode', 'stabiliser_left_pct', 'stabiliser_right_pct', 'oil_temperature_degc',
    'controller_battery_pct', 'radio_quality_pct', 'operating_hours_h', 'lift_counter'
);
