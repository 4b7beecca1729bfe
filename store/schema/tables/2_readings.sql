-- What cranes sent, as it came in, and what could not be read of it.

-- One row a samples message; a channel that the crane does not have is null, a missing reading is NaN.
-- With TimescaleDB a hypertable; without it, partitioned by month. Name, columns and keys are the same, so is every query.
-- No foreign key to crane: it would lock and check the crane's row for every message, and ingest has just looked it up.
-- A new channel goes behind the last one, where a step puts it too: the view `sample` has them in this order.
do $$
declare
    columns constant text := $columns$
        crane_id integer not null,
        t0 timestamptz not null,
        boot bigint not null,
        seq bigint not null,
        dt_ms integer not null check (dt_ms > 0),
        n integer not null check (n > 0),
        received_at timestamptz not null,
        utilisation_pct real[],
        limit_pct real[],
        slew_deg real[],
        main_boom_deg real[],
        knuckle_boom_deg real[],
        extension_m real[],
        jib_deg real[],
        jib_extension_m real[],
        outreach_m real[],
        hook_height_m real[],
        mode real[],
        stabiliser_left_pct real[],
        stabiliser_right_pct real[],
        oil_temperature_degc real[],
        controller_battery_pct real[],
        radio_quality_pct real[],
        operating_hours_h real[],
        lift_counter real[],
        further_names text[],  -- of further channels
        further real[],        -- n readings of each of them, one name after the other
        primary key (crane_id, t0, boot, seq),
        -- Bounds how far before a range a segment that reaches into it can begin.
        constraint segment_span check (n::bigint * dt_ms <= 86400000)
    $columns$;
begin
    if exists (select from pg_available_extensions where name = 'timescaledb')
        and current_setting('timescaledb.disable_load', true) is not null  -- its library is loaded
    then
        create extension if not exists timescaledb;
        execute format('create table segment (%s)', columns);
        perform create_hypertable('segment', by_range('t0', interval '7 days'), create_default_indexes => false);
        alter table segment set (
            timescaledb.compress,
            timescaledb.compress_segmentby = 'crane_id',
            timescaledb.compress_orderby = 't0'
        );
        perform add_compression_policy('segment', interval '14 days');
    else
        execute format('create table segment (%s) partition by range (t0)', columns);
    end if;
end
$$;

-- Channels that people register beside the columns of `segment`: of a crane, or (null) of every crane.
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
    brought_in_at timestamptz,           -- readings that were kept apart before
    brought_in bigint not null default 0,  -- messages of them
    unique nulls not distinct (crane_id, name)
);

-- Where the files of the cold tier lie: a folder, or an s3:// URL.
create table cold_folder (
    single boolean primary key default true check (single),
    folder text not null
);

-- Files that no day lives in: being written, or no longer needed. The next run removes what it finds here.
create table cold_file_unfinished (
    location text primary key
);

-- Days whose segments live in Parquet files: one file a crane and UTC day (by the start of a segment). `location`: from `cold_folder`.
create table cold_day (
    crane_id integer not null,
    day date not null,
    location text not null,
    segments integer not null,
    samples bigint not null,
    bytes bigint not null,
    moved_at timestamptz not null default now(),
    primary key (crane_id, day)
);

create table event (
    crane_id integer not null,
    at timestamptz not null,
    boot bigint not null,
    seq bigint not null,
    kind text not null,
    code text not null,
    state text not null,
    text text not null,
    received_at timestamptz not null,
    primary key (crane_id, at, boot, seq)
);
create index event_at on event (at desc);

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

create table live (
    crane_id integer primary key,
    at timestamptz,
    received_at timestamptz,
    boot bigint,
    online boolean not null default false,
    last_values jsonb not null default '{}'
);

-- The same bytes on the same topic are kept once and counted: a message that comes again is not two messages.
create table quarantine (
    quarantine_id bigint generated always as identity primary key,
    received_at timestamptz not null,
    last_received_at timestamptz not null,
    times bigint not null default 1,
    topic text not null,
    crane_name text,
    reason text not null,
    detail text not null,
    raw bytea not null,
    digest bytea not null unique
);
create index quarantine_crane on quarantine (crane_name, quarantine_id);
create index quarantine_ahead on quarantine (crane_name, received_at) where reason = 'in_future';

-- What the size bound removed from quarantine, so that nothing leaves without a trace.
create table quarantine_removal (
    removal_id bigint generated always as identity primary key,
    removed_at timestamptz not null default now(),
    messages bigint not null,
    bytes bigint not null,
    oldest_received_at timestamptz not null,
    newest_received_at timestamptz not null,
    reasons jsonb not null,
    cranes jsonb not null default '{}',  -- messages by crane, those of no crane left out
    aged bigint not null default 0       -- of the messages those that went for their age, and not for lack of room
);

-- Who asked for refused messages to be judged again, and what came of it.
create table quarantine_replay (
    replay_id integer generated always as identity primary key,
    crane_name text,                             -- null: of every crane, and of none
    reason text,                                 -- null: for every reason
    asked_at timestamptz not null default now(),
    asked_by text not null,
    done_at timestamptz,
    stored bigint not null default 0,
    known bigint not null default 0,             -- were stored already
    kept bigint not null default 0,              -- are refused again
    problem text not null default ''
);
create index quarantine_replay_waiting on quarantine_replay (replay_id) where done_at is null;

-- Readings out of their channel's range: the message is stored with them missing. How many, by crane, local day of their
-- site and channel; and the newest messages that had any, as they came.
create table refused_reading (
    crane_id integer not null,
    day date not null,
    channel text not null,
    messages bigint not null,
    readings bigint not null,
    first_at timestamptz not null,
    last_at timestamptz not null,
    least double precision not null,
    most double precision not null,  -- NaN: some or all stood under a name that was no channel
    primary key (crane_id, day, channel)
);

create table refused_message (
    crane_id integer not null,
    t0 timestamptz not null,
    boot bigint not null,
    seq bigint not null,
    received_at timestamptz not null,
    raw bytea not null,
    primary key (crane_id, t0, boot, seq)
);

-- Spans whose readings an engineer excluded: time in use that is not recorded.
create table exclusion (
    exclusion_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    channel text,                      -- null: every channel
    from_at timestamptz not null,
    to_at timestamptz not null,        -- first instant after the span
    readings_false boolean not null default false,
    reason text not null check (reason <> ''),
    entered_at timestamptz not null default now(),
    entered_by text not null,
    withdrawn_at timestamptz,
    withdrawn_by text,
    check (from_at < to_at)
);
create index exclusion_by_crane on exclusion (crane_id, from_at);
-- The same exclusion asked for again is the one that is there.
create unique index exclusion_once
    on exclusion (crane_id, from_at, to_at, coalesce(channel, ''), readings_false, md5(reason))
    where withdrawn_at is null;

-- Spans of messages whose sender had a wrong clock: an offset for a boot and its numbers, applied by ingest to what is stored and to
-- what comes.
create table clock_correction (
    correction_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    boot bigint not null,
    seq_from bigint not null,
    seq_to bigint not null,            -- the last one, included
    offset_ms bigint not null check (offset_ms <> 0),  -- added to the times that the messages state
    reason text not null check (reason <> ''),
    entered_at timestamptz not null default now(),
    entered_by text not null,
    applied_at timestamptz,            -- in force from then on
    withdrawn_at timestamptz,
    withdrawn_by text,
    reverted_at timestamptz,           -- in force until then
    messages bigint not null default 0,  -- that were stored when it was applied
    problem text not null default '',  -- why it could not be applied or reverted
    check (seq_from <= seq_to)
);
create index clock_correction_by_crane on clock_correction (crane_id, boot);

-- One row. Who applies or reverts a correction raises it; who stores messages holds it meanwhile, and knows by it what is in force.
create table correction_version (
    version bigint primary key
);
insert into correction_version (version) values (0);
