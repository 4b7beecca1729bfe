-- A crane's life: weld details, service, counters, overloads, records and dossiers.

-- Weld details: a linear map from structural percent to stress, with an S-N curve. Stress is made when reading.
create table detail (
    detail_id integer generated always as identity primary key,
    type_id integer references crane_type on delete cascade,
    crane_id integer references crane on delete cascade,
    name text not null,
    spec jsonb not null,
    is_default boolean not null default false,   -- the one whose damage the fleet page shows
    entered_at timestamptz not null default now(),
    entered_by text not null default '',
    check (type_id is null or crane_id is null),
    unique nulls not distinct (type_id, crane_id, name)
);

-- Intervals of service, by hours, lifts and calendar, whichever comes first.
create table service_plan (
    plan_id integer generated always as identity primary key,
    type_id integer references crane_type on delete cascade,
    crane_id integer references crane on delete cascade,
    name text not null,
    every_hours double precision check (every_hours > 0),
    every_lifts integer check (every_lifts > 0),
    every_days integer check (every_days > 0),
    note text not null default '',
    check (num_nonnulls(every_hours, every_lifts, every_days) > 0),
    check (type_id is null or crane_id is null),
    unique nulls not distinct (type_id, crane_id, name)
);

create table service_done (
    done_id bigint generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    plan_id integer not null references service_plan on delete cascade,
    done_at timestamptz not null,
    done_by text not null,
    note text not null default '',
    entered_at timestamptz not null default now(),
    unique (crane_id, plan_id, done_at)
);

-- Counters that a crane keeps by itself, as somebody read them: what tells days without data from rest.
create table counter_reading (
    reading_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    kind text not null check (kind in ('operating_hours', 'lifts')),
    read_on date not null,             -- local day, at its end
    value double precision not null check (value >= 0),
    restarted boolean not null default false,  -- replaced or set: nothing is reckoned from readings before
    note text not null default '',
    entered_at timestamptz not null default now(),
    entered_by text not null,
    withdrawn_at timestamptz,
    withdrawn_by text
);
create unique index counter_reading_once on counter_reading (crane_id, kind, read_on) where withdrawn_at is null;

-- What people decided about overloads, only ever added. The lift stands beside it as it was then: a later count may find it
-- otherwise.
create table overload_decision (
    decision_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    started_at timestamptz not null,
    ended_at timestamptz not null,
    day date not null,
    peak_utilisation_pct double precision not null,
    peak_structural_pct double precision not null,
    peak_outreach_m double precision,
    mass_kg double precision,
    limiter_stops integer not null,
    limiter_overrides integer not null,
    in_lift boolean not null default true,  -- false: time above the rating without a lift
    cause text not null,               -- as domain/overload.py
    note text not null default '',     -- what was found
    decided text not null check (decided <> ''),
    decided_at timestamptz not null default now(),
    decided_by text not null
);
create index overload_decision_by_crane on overload_decision (crane_id, decision_id);

-- The overload register, each lift above 100 % structural of the counting in use, and such time without a lift: follows from the lifts and the decisions,
-- and is written anew after each count (duty/overloads.py).
create table overload (
    crane_id integer not null references crane on delete cascade,
    started_at timestamptz not null,
    ended_at timestamptz not null,
    day date not null,
    peak_utilisation_pct double precision not null,
    peak_structural_pct double precision not null,
    peak_outreach_m double precision,
    mass_kg double precision,
    limiter_stops integer not null,
    limiter_overrides integer not null,
    in_lift boolean not null default true,  -- false: time above the rating without a lift
    counted boolean not null,          -- false: decided, and no overload is counted there any more
    open boolean not null,
    decision_ids integer[] not null default '{}',  -- oldest first; the last one holds
    primary key (crane_id, started_at)
);
create index overload_open on overload (crane_id) where open;
create index overload_by_time on overload (started_at desc, crane_id);

-- Records that belong to a crane's life. Every correction and withdrawal is a row of its own: rows are only ever added.
create table life_record (
    crane_id integer not null references crane on delete cascade,
    record_id integer generated by default as identity,
    version smallint not null default 1 check (version >= 1),
    kind text not null check (kind in ('inspection', 'finding', 'repair', 'crack', 'calibration', 'changed_detail')),
    happened_on date not null,         -- local day
    person text not null check (person <> ''),
    note text not null default '',
    detail text,                       -- weld detail by name, or a component in words
    length_mm double precision check (length_mm > 0),
    channel text,
    found_error_pct double precision,
    left_error_pct double precision check (left_error_pct > 0),
    found_in integer,                  -- record_id of an inspection
    closes integer[] not null default '{}',  -- record_ids of findings and cracks
    service_interval text,             -- name of the interval that begins anew
    withdrawn boolean not null default false,
    reason text not null default '',
    entered_at timestamptz not null default now(),
    entered_by text not null,
    primary key (record_id, version)
);
create index life_record_by_crane on life_record (crane_id, record_id, version desc);

create table life_record_file (
    file_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    record_id integer not null,
    name text not null check (name <> ''),
    media_type text not null,
    size_bytes integer not null check (size_bytes > 0),
    sha256 text not null,
    content bytea not null,
    attached_at timestamptz not null default now(),
    attached_by text not null,
    unique (record_id, sha256)
);
alter table life_record_file alter column content set storage external;  -- pictures and PDF are packed already
create index life_record_file_by_crane on life_record_file (crane_id);

-- Finished dossiers: kept byte for byte with their hashes, and never changed.
create table dossier (
    crane_id integer not null references crane,  -- no cascade: a crane with a finished dossier stays
    number integer not null check (number > 0),
    finished_at timestamptz not null,
    finished_by text not null,
    note text not null default '',
    program_version text not null,
    data bytea not null,               -- JSON
    data_sha256 text not null check (data_sha256 = encode(sha256(data), 'hex')),
    pdf bytea not null,
    pdf_sha256 text not null check (pdf_sha256 = encode(sha256(pdf), 'hex')),
    primary key (crane_id, number)
);
