-- Time of a crane-day that was recorded and cannot be told: two boots at once, or a clock that was wrong. It is missing time.
alter table day_figure add column overlap_ms bigint not null default 0;
alter table day_figure add column clock_ms bigint not null default 0;
alter table gap drop constraint gap_cause_check;
alter table gap add constraint gap_cause_check
    check (cause in ('offline', 'quarantine', 'sensor', 'overlap', 'clock'));
create index quarantine_ahead on quarantine (crane_name, received_at) where reason = 'in_future';

-- What a crane-day says about its own readings: statistics from which findings are judged, so that another threshold needs no
-- other count.
alter table day_figure add column plausibility bytea;

-- What was found, one row for each day, or for the week that ends with it.
create table finding (
    crane_id integer not null references crane on delete cascade,
    day date not null,
    code text not null,
    channel text not null,             -- empty where it is of the whole record
    from_at timestamptz not null,      -- where to look at the trace
    to_at timestamptz not null,
    size double precision not null,    -- in the unit of the code
    primary key (crane_id, day, code, channel)
);
create index finding_by_day on finding (day, crane_id);
alter table crane_summary add column judged_by text;  -- the thresholds that its findings were judged by
