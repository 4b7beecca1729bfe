-- Time between messages of a boot without a number left out, and time of messages whose number another one has: what a sender that
-- does not count up, or pauses without a new boot, leaves untold. Days counted before have 0 until they are counted again.
alter table day_figure
    add column hole_ms bigint not null default 0,
    add column uncounted_ms bigint not null default 0,
    add column came_at timestamptz;    -- when the newest of its messages came

alter table gap drop constraint gap_cause_check;
alter table gap add constraint gap_cause_check
    check (cause in ('offline', 'quarantine', 'hole', 'sensor', 'overlap', 'clock', 'excluded'));

-- The local day on which messages came that a clock dates back: people look at the days that are now.
alter table finding add column noticed_on date;
create index finding_by_notice on finding (noticed_on, crane_id) where noticed_on is not null;
