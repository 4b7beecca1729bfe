-- Time of a crane-day that was recorded and cannot be told: two boots at once, or a clock that was wrong. It is missing time.
alter table day_figure add column overlap_ms bigint not null default 0;
alter table day_figure add column clock_ms bigint not null default 0;
alter table gap drop constraint gap_cause_check;
alter table gap add constraint gap_cause_check
    check (cause in ('offline', 'quarantine', 'sensor', 'overlap', 'clock'));
create index quarantine_ahead on quarantine (crane_name, received_at) where reason = 'in_future';
