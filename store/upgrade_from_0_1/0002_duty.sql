-- Counted duty: how days are counted, what each day came to, lifts, faults, weld details and service.
-- Every table that grows is keyed by crane first, so it can be sharded by crane.

-- A way of counting: settings and the version of the method. Exactly one is in use; another may be built beside it.
create table counting (
    counting_id smallint generated always as identity primary key,
    settings_hash text not null unique,
    version integer not null,
    settings jsonb not null,
    made_at timestamptz not null default now(),
    in_use boolean not null default false
);
create unique index counting_one_in_use on counting (in_use) where in_use;

-- Days that a counting which is being built still has to count.
create table recount_day (
    counting_id smallint not null references counting on delete cascade,
    crane_id integer not null references crane on delete cascade,
    day date not null,
    primary key (crane_id, counting_id, day)
);

-- Figures of one crane-day, narrow, so that a period of the whole fleet is a short scan.
create table day_figure (
    crane_id integer not null references crane on delete cascade,
    counting_id smallint not null references counting on delete cascade,
    day date not null,
    time_zone text not null,
    day_start_at timestamptz not null,
    day_end_at timestamptz not null,
    first_at timestamptz,              -- of the samples of this day
    last_at timestamptz,               -- end of the last sample of this day
    first_boot bigint,
    first_seq bigint,
    last_boot bigint,
    last_seq bigint,
    message_ms integer not null default 0,        -- median span of a samples message
    samples bigint not null default 0,
    recorded_ms bigint not null default 0,        -- time with a utilisation reading
    sensor_gap_ms bigint not null default 0,      -- messages arrived, the utilisation reading is missing
    offline_gap_ms bigint not null default 0,     -- sequence numbers missing inside the day
    quarantine_gap_ms bigint not null default 0,  -- the same, and found in quarantine
    limit_assumed_ms bigint not null default 0,   -- limit_pct absent, 100 assumed
    working_ms bigint not null default 0,         -- any mode but transport
    loaded_ms bigint not null default 0,          -- duration of the lifts that began on this day
    near_limit_ms bigint not null default 0,
    over_limit_ms bigint not null default 0,      -- utilisation above 100 %
    emergency_ms bigint not null default 0,       -- on the manual valves
    lifts integer not null default 0,             -- lifts that began on this day
    near_limit_lifts integer not null default 0,
    peak_cubed_sum double precision not null default 0,  -- sum of (peak_structural_pct / 100)^3 of these lifts
    warnings integer not null default 0,
    limiter_stops integer not null default 0,
    limiter_overrides integer not null default 0,
    faults integer not null default 0,
    lift_part bytea not null,          -- what the day knows of its lifts; joined with its neighbours at midnight
    primary key (crane_id, counting_id, day)
);

-- Mergeable counts over a day, a month (of its days) and a year (of its months).
create table span_ledger (
    crane_id integer not null references crane on delete cascade,
    counting_id smallint not null references counting on delete cascade,
    span text not null check (span in ('day', 'month', 'year')),
    first_day date not null,           -- of the span: the day, the first of the month or year
    last_day date not null,            -- last day that is merged in
    samples bigint not null,
    ledger bytea not null,             -- cycles of structural_pct
    directions bytea,                  -- cycles of structural_pct * cos(slew - phi); null without slew_deg
    tallies bytea not null,            -- time by level, mode, slewing sector and outreach
    circumstances bytea not null,      -- time by reach and height, stabilisers, hour, and that near the limit
    primary key (crane_id, counting_id, span, first_day)
);

create table lift (
    crane_id integer not null references crane on delete cascade,
    counting_id smallint not null references counting on delete cascade,
    started_at timestamptz not null,
    ended_at timestamptz not null,
    day date not null,                 -- local day in which it began: the day it counts for
    peak_utilisation_pct double precision not null,
    peak_structural_pct double precision not null,
    peak_outreach_m double precision,
    mass_kg double precision,          -- estimated, rigging included
    slew_travel_deg double precision not null default 0,
    limiter_stops integer not null default 0,
    limiter_overrides integer not null default 0,
    primary key (crane_id, counting_id, started_at)
);
create index lift_by_day on lift (crane_id, counting_id, day);

-- What the crane was doing when an event came.
create table event_context (
    crane_id integer not null references crane on delete cascade,
    at timestamptz not null,
    boot bigint not null,
    seq bigint not null,
    day date not null,
    kind text not null,
    code text not null,
    utilisation_pct real,              -- last reading at or before the event, at most 10 s old
    peak_utilisation_pct real,         -- largest of the 30 s before it
    structural_pct real,
    outreach_m real,
    hook_height_m real,
    slew_deg real,
    mode real,
    stabiliser_left_pct real,
    stabiliser_right_pct real,
    primary key (crane_id, at, boot, seq)
);
create index event_context_by_day on event_context (crane_id, day);

-- A fault from raised to cleared. Raised again while open counts as one episode.
create table fault_episode (
    crane_id integer not null references crane on delete cascade,
    code text not null,
    raised_at timestamptz not null,
    cleared_at timestamptz,
    raised_times integer not null default 1,
    text text not null default '',
    primary key (crane_id, code, raised_at)
);
create index fault_episode_open on fault_episode (crane_id) where cleared_at is null;

-- Time missing inside a day, with its cause. Between days it follows from the ends of the days.
create table gap (
    crane_id integer not null references crane on delete cascade,
    day date not null,
    from_at timestamptz not null,
    to_at timestamptz not null,
    cause text not null check (cause in ('offline', 'quarantine', 'sensor')),
    missing_ms bigint not null,        -- at most: messages missing times their usual span
    messages integer not null default 0,
    primary key (crane_id, day, from_at, cause)
);

-- One row a crane: what the fleet page shows without reading a ledger. Its row lock is a worker's claim on the crane.
create table crane_summary (
    crane_id integer primary key references crane on delete cascade,
    counting_id smallint references counting,
    counted_at timestamptz,            -- end of the last recount; null before the first
    made_of text,                      -- digest of the entries of crane, type, site and details it rests on
    first_at timestamptz,
    last_at timestamptz,
    days integer not null default 0,
    recorded_ms bigint not null default 0,
    missing_ms bigint not null default 0,
    working_ms bigint not null default 0,
    loaded_ms bigint not null default 0,
    near_limit_ms bigint not null default 0,
    over_limit_ms bigint not null default 0,
    emergency_ms bigint not null default 0,
    limit_assumed_ms bigint not null default 0,
    lifts bigint not null default 0,
    near_limit_lifts bigint not null default 0,
    peak_cubed_sum double precision not null default 0,
    warnings bigint not null default 0,
    limiter_stops bigint not null default 0,
    limiter_overrides bigint not null default 0,
    faults bigint not null default 0,
    open_faults integer not null default 0,
    kq double precision,
    coverage double precision,
    f1 double precision,
    used_share double precision,
    used_share_counted double precision,
    used_share_prior double precision,
    forecast_early_on date,
    forecast_middle_on date,
    forecast_late_on date,
    forecast_text text not null default '',
    detail_name text,
    damage double precision,
    damage_direction_deg double precision
);

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

-- Digest of the entries that the summary of a crane rests on beside its days.
create function crane_entries_digest(of_crane_id integer) returns text
language sql stable
as $$
    select md5(concat_ws('|', c.spec::text, t.spec::text, s.spec ->> 'time_zone', (
        select string_agg(d.name || d.is_default::text || d.spec::text, '|' order by d.detail_id)
        from detail d
        where (d.crane_id is null or d.crane_id = c.crane_id) and (d.type_id is null or d.type_id = c.type_id)
    )))
    from crane c join crane_type t using (type_id) join site s using (site_id)
    where c.crane_id = of_crane_id
$$;

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

-- Meaning of status codes, imported by the user.
create table status_code (
    type_id integer references crane_type on delete cascade,
    code text not null,
    meaning text not null,
    advice text not null default '',
    source text not null,
    imported_at timestamptz not null default now(),
    unique nulls not distinct (type_id, code)
);
