-- What a crane-day knows of single readings that stand alone.
alter table day_figure
    add column spikes integer not null default 0,                   -- set aside: in no figure
    add column spikes_counted integer not null default 0,           -- where too few readings came to tell: they count
    add column largest_spike_pct double precision not null default 0;  -- how far the farthest stands off
