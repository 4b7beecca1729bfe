-- Counted duty: how days are counted, what each day came to, lifts, faults, findings, and a summary of each crane.
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

-- Local days (in the site's zone) whose data changed since they were counted. `touched_at` is the version of a touch:
-- who has counted a day removes it only with the version that was read before counting.
create table touched_day (
    crane_id integer not null,
    day date not null,
    touched_at timestamptz not null,
    primary key (crane_id, day)
) with (fillfactor = 50);

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
    came_at timestamptz,               -- when the newest of its messages came
    message_ms integer not null default 0,        -- median span of a samples message
    samples bigint not null default 0,
    recorded_ms bigint not null default 0,        -- time with a utilisation reading
    sensor_gap_ms bigint not null default 0,      -- messages arrived, the utilisation reading is missing
    offline_gap_ms bigint not null default 0,     -- sequence numbers missing inside the day
    quarantine_gap_ms bigint not null default 0,  -- the same, and found in quarantine
    -- Recorded, and cannot be told: two boots at once, or a clock that was wrong. It is missing time.
    overlap_ms bigint not null default 0,
    clock_ms bigint not null default 0,
    -- Between messages of a boot without a number left out, and of messages whose number another one has: what a sender
    -- that does not count up, or pauses without a new boot, leaves untold.
    hole_ms bigint not null default 0,
    uncounted_ms bigint not null default 0,
    excluded_ms bigint not null default 0,        -- samples arrived, their utilisation is excluded
    limit_assumed_ms bigint not null default 0,   -- limit_pct absent, 100 assumed
    no_pose_ms bigint not null default 0,         -- with a reading, outside transport, whose pose is not known
    posed boolean not null default false,         -- whether lifts were found from the load in kg, or from percent
    working_ms bigint not null default 0,         -- any mode but transport
    loaded_ms bigint not null default 0,
    near_limit_ms bigint not null default 0,
    over_limit_ms bigint not null default 0,      -- utilisation above 100 %
    emergency_ms bigint not null default 0,       -- on the manual valves
    lifts integer not null default 0,             -- lifts that began on this day
    near_limit_lifts integer not null default 0,
    peak_cubed_sum double precision not null default 0,  -- sum of (peak_structural_pct / 100)^3 of these lifts
    excluded_cubed_sum double precision not null default 0,  -- the same of the lifts found before in what is excluded now
    warnings integer not null default 0,
    limiter_stops integer not null default 0,
    limiter_overrides integer not null default 0,
    faults integer not null default 0,
    spikes integer not null default 0,            -- single readings that stand alone, set aside: in no figure
    spikes_counted integer not null default 0,    -- where too few readings came to tell: they count
    largest_spike_pct double precision not null default 0,  -- how far the farthest stands off
    -- Counters that the crane keeps by itself: least, largest and last reading; null where it was not sent.
    operating_hours_h_low double precision,
    operating_hours_h_high double precision,
    operating_hours_h_last double precision,
    lift_counter_low double precision,
    lift_counter_high double precision,
    lift_counter_last double precision,
    lift_part bytea not null,          -- what the day knows of its lifts; joined with its neighbours at midnight
    light_part bytea,                  -- recorded time that is not near the limit
    over_part bytea,                   -- time above the full structural rating, in a lift or not; null without any
    plausibility bytea,                -- statistics from which findings are judged: another threshold needs no other count
    primary key (crane_id, counting_id, day)
);
comment on column day_figure.loaded_ms is 'recorded time of this day in a lift, or near the limit';
-- The weeks of a crane are summed for every answer about its life: from the index alone where the days of years lie spread
-- over the table.
create index day_figure_by_week on day_figure (crane_id, counting_id, day) include (peak_cubed_sum);

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
    loaded_ms bigint,                  -- its recorded time; null where counted by a method before
    peak_utilisation_pct double precision not null,
    peak_structural_pct double precision not null,
    peak_outreach_m double precision,
    mass_kg double precision,          -- estimated, rigging included
    slew_travel_deg double precision not null default 0,
    stabiliser_left_pct real,          -- the narrowest spread while it lasted; null where the crane sends none
    stabiliser_right_pct real,
    limiter_stops integer not null default 0,
    limiter_overrides integer not null default 0,
    primary key (crane_id, counting_id, started_at)
);
-- The peaks of a crane's lifts are read for every spectrum: from the index alone.
create index lift_peak_by_day on lift (crane_id, counting_id, day, started_at) include (peak_structural_pct);
-- The same level as in duty/overloads.py: an index takes a constant.
create index lift_overload on lift (crane_id, counting_id, started_at) where peak_structural_pct > 100;

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
    cause text not null check (cause in ('offline', 'quarantine', 'hole', 'sensor', 'overlap', 'clock', 'excluded')),
    missing_ms bigint not null,        -- at most: messages missing times their usual span
    messages integer not null default 0,
    primary key (crane_id, day, from_at, cause)
);

-- What is wrong with the readings of a day, or of the week that ends with it.
create table finding (
    crane_id integer not null references crane on delete cascade,
    day date not null,
    code text not null,
    channel text not null,             -- empty where it is of the whole record
    from_at timestamptz not null,      -- where to look at the trace
    to_at timestamptz not null,
    size double precision not null,    -- in the unit of the code
    noticed_on date,                   -- local day on which messages came that a clock dates back: people look at the days that are now
    primary key (crane_id, day, code, channel)
);
create index finding_by_day on finding (day, crane_id);
create index finding_by_notice on finding (noticed_on, crane_id) where noticed_on is not null;

-- One row a crane: what the fleet page shows without reading a ledger. Its row lock is a worker's claim on the crane.
create table crane_summary (
    crane_id integer primary key references crane on delete cascade,
    counting_id smallint references counting,
    counted_at timestamptz,            -- end of the last recount; null before the first
    made_of text,                      -- digest of the entries of crane, type, site and details it rests on
    judged_by text,                    -- the thresholds that its findings were judged by
    first_at timestamptz,
    last_at timestamptz,
    days integer not null default 0,
    recorded_ms bigint not null default 0,
    missing_ms bigint not null default 0,
    unrecorded_ms bigint not null default 0,  -- in use, and what it did is not known
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
    spikes bigint not null default 0,
    spikes_counted bigint not null default 0,
    largest_spike_pct double precision not null default 0,
    kq double precision,
    coverage double precision,
    f1 double precision,
    f1_reason text not null default '',
    -- What is not known of a crane's life stands beside what is counted: `used_share` and `damage` hold all of it.
    used_share double precision,
    used_share_counted double precision,
    used_share_prior double precision,
    used_share_unknown double precision,     -- of unknown years before the record
    used_share_unrecorded double precision,  -- of time in use without one
    unknown_years double precision,          -- before the first record, of which nothing is entered
    forecast_early_on date,
    forecast_middle_on date,
    forecast_late_on date,
    forecast_text text not null default '',
    assessment_on date,                -- the special assessment, by duty.assessment
    assessment_by text,                -- as domain/life_answers.py
    assessment_reason text not null default '',
    detail_name text,
    damage double precision,
    damage_counted double precision,
    damage_beyond bigint not null default 0,  -- readings that no class reaches, behind damage
    damage_direction_deg double precision,
    allowed_sum double precision       -- of the default detail
);
