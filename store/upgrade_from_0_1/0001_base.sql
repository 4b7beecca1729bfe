-- The fleet, its telemetry as it came in, what could not be read, and the queue of days to count again.
-- With TimescaleDB `segment` becomes a hypertable; without it, it is partitioned by month. Name, columns and keys
-- are the same, so is every query.

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

create table crane (
    crane_id integer generated always as identity primary key,
    name text not null unique,
    site_id integer not null references site,
    type_id integer not null references crane_type,
    registered_at timestamptz not null,
    draft boolean not null default false,
    spec jsonb not null
);

-- One row a samples message; a channel that the crane does not have is null, a missing reading is NaN.
-- No foreign key to crane: it would lock and check the crane's row for every message, and ingest has just looked it up.
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
        primary key (crane_id, t0, boot, seq),
        -- Bounds how far before a range a segment that reaches into it can begin.
        constraint segment_span check (n::bigint * dt_ms <= 86400000)
    $columns$;
begin
    if exists (select from pg_available_extensions where name = 'timescaledb')
        and current_setting('shared_preload_libraries') like '%timescaledb%'
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

-- Whether `segment` is partitioned by this schema (and not by TimescaleDB).
create function segment_is_partitioned() returns boolean
language sql stable
as $$ select relkind = 'p' from pg_class where oid = 'segment'::regclass $$;

-- Makes sure that every month from `at_from` to `at_to` has a partition. Does nothing on a hypertable.
create function segment_make_ranges(at_from timestamptz, at_to timestamptz) returns void
language plpgsql
as $$
declare
    month timestamp := date_trunc('month', at_from at time zone 'UTC');
    partition text;
begin
    if not segment_is_partitioned() then
        return;
    end if;
    while month <= at_to at time zone 'UTC' loop
        partition := to_char(month, '"segment_"YYYY"_"MM');
        if to_regclass(partition) is null then
            perform pg_advisory_xact_lock(hashtext('segment_make_ranges'));
            execute format(
                'create table if not exists %I partition of segment for values from (%L) to (%L)',
                partition, month at time zone 'UTC', (month + interval '1 month') at time zone 'UTC'
            );
        end if;
        month := month + interval '1 month';
    end loop;
end
$$;

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

-- What the size bound removed from quarantine, so that nothing leaves without a trace.
create table quarantine_removal (
    removal_id bigint generated always as identity primary key,
    removed_at timestamptz not null default now(),
    messages bigint not null,
    bytes bigint not null,
    oldest_received_at timestamptz not null,
    newest_received_at timestamptz not null,
    reasons jsonb not null
);

-- Local days (in the site's zone) whose data changed since they were counted. `touched_at` is the version of a touch:
-- who has counted a day removes it only with the version that was read before counting.
create table touched_day (
    crane_id integer not null,
    day date not null,
    touched_at timestamptz not null,
    primary key (crane_id, day)
) with (fillfactor = 50);

-- Every sample as a row, for people with a SQL tool. `at` is computed, so a filter on it alone reads everything:
-- filter `t0` as well (a segment lasts a day at most), or ask samples_between(), which does so.
create view sample as
select
    crane.name as crane,
    segment.crane_id,
    segment.t0,
    segment.t0 + (i - 1) * segment.dt_ms * interval '1 millisecond' as at,
    segment.utilisation_pct[i] as utilisation_pct,
    segment.limit_pct[i] as limit_pct,
    segment.slew_deg[i] as slew_deg,
    segment.main_boom_deg[i] as main_boom_deg,
    segment.knuckle_boom_deg[i] as knuckle_boom_deg,
    segment.extension_m[i] as extension_m,
    segment.jib_deg[i] as jib_deg,
    segment.jib_extension_m[i] as jib_extension_m,
    segment.outreach_m[i] as outreach_m,
    segment.hook_height_m[i] as hook_height_m,
    segment.mode[i] as mode,
    segment.stabiliser_left_pct[i] as stabiliser_left_pct,
    segment.stabiliser_right_pct[i] as stabiliser_right_pct,
    segment.oil_temperature_degc[i] as oil_temperature_degc,
    segment.controller_battery_pct[i] as controller_battery_pct,
    segment.radio_quality_pct[i] as radio_quality_pct
from segment
join crane using (crane_id)
cross join lateral generate_series(1, segment.n) as i;

-- Samples of one crane with time_from <= at < time_to. Inlined by the planner: only the segments in question are read.
create function samples_between(crane_name text, time_from timestamptz, time_to timestamptz) returns setof sample
language sql stable
as $$
    select * from sample
    where crane_id = (select crane.crane_id from crane where crane.name = crane_name)
        and t0 > time_from - interval '1 day' and t0 < time_to
        and at >= time_from and at < time_to
$$;
