-- Counters that a crane keeps by itself, sent in samples: two more channels, and what each day knows of them.
alter table segment add column operating_hours_h real[];
alter table segment add column lift_counter real[];

do $$
declare
    part record;
begin
    if segment_is_partitioned() then  -- as in 0006_segment_storage
        for part in
            select format('%s alter column %I', child.oid::regclass, attname) as place
            from pg_partition_tree('segment') tree
            join pg_class child on child.oid = tree.relid
            join pg_attribute on attrelid = child.oid and attname in ('operating_hours_h', 'lift_counter')
        loop
            execute format('alter table %s set storage main', part.place);
        end loop;
    end if;
end
$$;

create or replace view sample as
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
    segment.radio_quality_pct[i] as radio_quality_pct,
    segment.operating_hours_h[i] as operating_hours_h,
    segment.lift_counter[i] as lift_counter
from segment
join crane using (crane_id)
cross join lateral generate_series(1, segment.n) as i;

-- Least, largest and last reading of each counter on a day; null where it was not sent.
alter table day_figure
    add column operating_hours_h_low double precision,
    add column operating_hours_h_high double precision,
    add column operating_hours_h_last double precision,
    add column lift_counter_low double precision,
    add column lift_counter_high double precision,
    add column lift_counter_last double precision;
