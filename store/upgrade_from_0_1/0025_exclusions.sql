-- Spans whose readings an engineer excluded, and what that makes of a day: time in use that is not recorded.

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

alter table day_figure
    add column excluded_ms bigint not null default 0,  -- samples arrived, their utilisation is excluded
    add column excluded_cubed_sum double precision not null default 0;  -- of the lifts found there before, as peak_cubed_sum

alter table gap drop constraint gap_cause_check;
alter table gap add constraint gap_cause_check
    check (cause in ('offline', 'quarantine', 'sensor', 'overlap', 'clock', 'excluded'));

alter table crane_summary add column unrecorded_ms bigint not null default 0;  -- in use, and what it did is not known
