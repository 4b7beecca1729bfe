-- The fleet: sites, types, cranes, and what a crane was like when.

create table site (
    site_id integer generated always as identity primary key,
    name text not null unique,
    spec jsonb not null
);

create table crane_type (
    type_id integer generated always as identity primary key,
    name text not null unique,
    spec jsonb not null
);

-- Copies of type entries, never changed; equal ones are kept once, so that a fleet of one type is read once. A crane owns
-- its copies: editing a type on file never reaches the cranes that were registered by it.
create table crane_spec (
    spec_id integer generated always as identity primary key,
    digest text not null unique,
    spec jsonb not null
);

create table crane (
    crane_id integer generated always as identity primary key,
    name text not null unique,
    site_id integer not null references site,
    type_id integer not null references crane_type,
    registered_at timestamptz not null,
    draft boolean not null default false,
    spec jsonb not null,
    spec_id integer                    -- of the newest description, which holds now
);

-- What a crane was like, by the local day from which it was so: the past is counted with what was valid then.
create table crane_description (
    crane_id integer not null references crane on delete cascade,
    valid_from date not null,          -- 1970-01-01: from the beginning
    spec_id integer not null references crane_spec,
    attachments jsonb not null default '[]',
    sensors_replaced jsonb not null default '[]',
    note text not null default '',
    entered_at timestamptz not null default now(),
    entered_by text not null default '',
    primary key (crane_id, valid_from)
);

-- A row for every change of what a lift is matched against, so that a reader sees by one count that the fleet changed.
-- Nothing is taken out: a row becomes visible with the transaction that made the change, so the count only grows.
create table fleet_change (
    change_id bigint generated always as identity primary key,
    changed_at timestamptz not null default now()
);
