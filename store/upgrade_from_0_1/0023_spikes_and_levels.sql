-- What a crane-day knows of single readings that stand alone, and of its time under load.
alter table day_figure
    add column spikes integer not null default 0,                   -- set aside: in no figure
    add column spikes_counted integer not null default 0,           -- where too few readings came to tell: they count
    add column largest_spike_pct double precision not null default 0,  -- how far the farthest stands off
    add column light_part bytea;                                    -- recorded time that is not near the limit

comment on column day_figure.loaded_ms is 'recorded time of this day in a lift, or near the limit';

alter table crane_summary
    add column spikes bigint not null default 0,
    add column spikes_counted bigint not null default 0,
    add column largest_spike_pct double precision not null default 0,
    add column damage_beyond bigint not null default 0;             -- readings that no class reaches, behind damage
