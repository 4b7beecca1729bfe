-- Load charts by the day from which they hold, and who has booked which crane when.

-- Charts of one crane, or of every crane of a type. Never changed: a new version takes over from its day.
create table load_chart_version (
    version_id integer generated always as identity primary key,
    type_id integer references crane_type on delete cascade,
    crane_id integer references crane on delete cascade,
    valid_from date not null,
    charts jsonb not null,
    source text not null,              -- where they were read off: manual, plate, edition
    imported_at timestamptz not null default now(),
    imported_by text not null,
    check (num_nonnulls(type_id, crane_id) = 1)
);
create index load_chart_version_of_crane on load_chart_version (crane_id, valid_from) where crane_id is not null;
create index load_chart_version_of_type on load_chart_version (type_id, valid_from) where type_id is not null;

create table reservation (
    reservation_id bigint generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    during tstzrange not null,
    title text not null check (length(title) between 1 and 200),
    job jsonb,                         -- the lift asked for, as the api takes it
    planned jsonb,                     -- what was answered when it was held, to compare with what was measured
    held_by text not null,
    held_at timestamptz not null default now(),
    released_by text,
    released_at timestamptz,
    override_reason text,              -- why it was made all the same, where the crane needs an override
    override_states text[] not null default '{}',  -- and over what: as domain/dispatch_answers.py
    check (not isempty(during) and not lower_inf(during) and not upper_inf(during)),
    check ((released_by is null) = (released_at is null)),
    -- The crane as a range of one number, so that no extension is needed for equality in a GiST index.
    constraint reservation_no_overlap exclude using gist (
        int4range(crane_id, crane_id, '[]') with &&, during with &&
    ) where (released_at is null)
);
create index reservation_by_start on reservation (lower(during));
