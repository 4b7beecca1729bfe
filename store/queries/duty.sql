-- name: counting_in_use
-- The way of counting that answers are read from.
select counting_id, settings_hash, version, settings, made_at, in_use from counting where in_use;

-- name: counting_by_hash
-- One way of counting by the hash of its settings.
select counting_id, settings_hash, version, settings, made_at, in_use from counting
where settings_hash = %(settings_hash)s;

-- name: counting_added
-- A way of counting; in use at once when it is the first.
insert into counting (settings_hash, version, settings, in_use)
select %(settings_hash)s, %(version)s, %(settings)s::jsonb, not exists (select 1 from counting where in_use)
on conflict do nothing;

-- name: counting_retired
-- No counting is in use, for a moment inside a transaction.
update counting set in_use = false where in_use;

-- name: counting_put_in_use
-- Answers are read from this counting from now on.
update counting set in_use = true where counting_id = %(counting_id)s;

-- name: countings_unused
-- Countings that are not in use and that no summary rests on any more. None of these can get a summary again but by being put in use.
select counting_id from counting u
where not in_use and not exists (select from crane_summary m where m.counting_id = u.counting_id);

-- name: countings_dropped
-- Some countings, with everything counted by them; one that is in use by now stays.
delete from counting where counting_id = any(%(counting_ids)s::smallint[]) and not in_use;

-- name: recount_days_dropped
-- Days that countings which are gone still had to count; on a cluster no key takes them along.
delete from recount_day where counting_id = any(%(counting_ids)s::smallint[]);

-- name: touched_days_of
-- Oldest touched days of one crane, with the version of each touch.
select day, touched_at from touched_day where crane_id = %(crane_id)s order by day limit %(days)s;

-- name: touched_days_done
-- Takes counted days off the queue; one touched again since, or being touched now, stays. Never waits for ingest.
delete from touched_day t
using (
    select q.crane_id, q.day
    from touched_day q
    join unnest(%(days)s::date[], %(touched_at)s::timestamptz[]) as done (day, touched_at)
        on q.day = done.day and q.touched_at = done.touched_at
    where q.crane_id = %(crane_id)s
    for update of q skip locked
) locked
where t.crane_id = locked.crane_id and t.day = locked.day;

-- name: queue_lag
-- How many crane-days wait and since when the oldest does.
select count(*)::int as crane_days, min(touched_at) as oldest_at from touched_day;

-- name: crane_entries
-- What counting one crane needs to know about it, as entered; its descriptions in order of the day from which each holds.
select c.spec::text, s.spec::text, d.days, d.specs
from crane c
join site s using (site_id)
cross join lateral (
    select array_agg(e.valid_from order by e.valid_from) as days, array_agg(p.spec::text order by e.valid_from) as specs
    from crane_description e
    join crane_spec p using (spec_id)
    where e.crane_id = c.crane_id
) d
where c.crane_id = %(crane_id)s;

-- name: lift_parts_before
-- What the days before a day know of their lifts, newest first.
select day, lift_part from day_figure
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day < %(day)s
order by day desc;

-- name: lift_parts_after
-- What the days after a day know of their lifts, oldest first.
select day, lift_part from day_figure
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day > %(day)s
order by day;

-- name: lift_parts_between
-- What days know of their lifts, in time order.
select day, lift_part from day_figure
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day between %(day_from)s and %(day_to)s
order by day;

-- name: day_figure_written
-- Figures of one crane-day, replacing older ones.
insert into day_figure (
    crane_id, counting_id, day, time_zone, day_start_at, day_end_at, first_at, last_at,
    first_boot, first_seq, last_boot, last_seq, message_ms, samples, recorded_ms, sensor_gap_ms, offline_gap_ms,
    quarantine_gap_ms, limit_assumed_ms, working_ms, near_limit_ms, over_limit_ms, emergency_ms,
    warnings, limiter_stops, limiter_overrides, faults, spikes, spikes_counted, largest_spike_pct,
    overlap_ms, clock_ms, hole_ms, uncounted_ms, came_at, excluded_ms, excluded_cubed_sum, plausibility, light_part, over_part, lift_part,
    posed, no_pose_ms, operating_hours_h_low, operating_hours_h_high, operating_hours_h_last,
    lift_counter_low, lift_counter_high, lift_counter_last
) values (
    %(crane_id)s, %(counting_id)s, %(day)s, %(time_zone)s, %(day_start_at)s, %(day_end_at)s, %(first_at)s,
    %(last_at)s, %(first_boot)s, %(first_seq)s, %(last_boot)s, %(last_seq)s, %(message_ms)s, %(samples)s,
    %(recorded_ms)s, %(sensor_gap_ms)s, %(offline_gap_ms)s, %(quarantine_gap_ms)s, %(limit_assumed_ms)s,
    %(working_ms)s, %(near_limit_ms)s, %(over_limit_ms)s, %(emergency_ms)s, %(warnings)s,
    %(limiter_stops)s, %(limiter_overrides)s, %(faults)s, %(spikes)s, %(spikes_counted)s, %(largest_spike_pct)s,
    %(overlap_ms)s, %(clock_ms)s, %(hole_ms)s, %(uncounted_ms)s, %(came_at)s, %(excluded_ms)s, %(excluded_cubed_sum)s, %(plausibility)s,
    %(light_part)s, %(over_part)s, %(lift_part)s, %(posed)s, %(no_pose_ms)s,
    %(operating_hours_h_low)s, %(operating_hours_h_high)s, %(operating_hours_h_last)s,
    %(lift_counter_low)s, %(lift_counter_high)s, %(lift_counter_last)s
)
on conflict (crane_id, counting_id, day) do update set
    time_zone = excluded.time_zone, day_start_at = excluded.day_start_at, day_end_at = excluded.day_end_at,
    first_at = excluded.first_at, last_at = excluded.last_at, first_boot = excluded.first_boot,
    first_seq = excluded.first_seq, last_boot = excluded.last_boot, last_seq = excluded.last_seq,
    message_ms = excluded.message_ms, samples = excluded.samples, recorded_ms = excluded.recorded_ms,
    sensor_gap_ms = excluded.sensor_gap_ms, offline_gap_ms = excluded.offline_gap_ms,
    quarantine_gap_ms = excluded.quarantine_gap_ms, limit_assumed_ms = excluded.limit_assumed_ms,
    working_ms = excluded.working_ms, loaded_ms = excluded.loaded_ms, near_limit_ms = excluded.near_limit_ms,
    over_limit_ms = excluded.over_limit_ms, emergency_ms = excluded.emergency_ms, warnings = excluded.warnings,
    limiter_stops = excluded.limiter_stops, limiter_overrides = excluded.limiter_overrides,
    faults = excluded.faults, spikes = excluded.spikes, spikes_counted = excluded.spikes_counted,
    largest_spike_pct = excluded.largest_spike_pct, overlap_ms = excluded.overlap_ms, clock_ms = excluded.clock_ms,
    hole_ms = excluded.hole_ms, uncounted_ms = excluded.uncounted_ms, came_at = excluded.came_at,
    plausibility = excluded.plausibility,
    excluded_ms = excluded.excluded_ms, excluded_cubed_sum = excluded.excluded_cubed_sum,
    light_part = excluded.light_part, over_part = excluded.over_part, lift_part = excluded.lift_part, posed = excluded.posed,
    no_pose_ms = excluded.no_pose_ms,
    operating_hours_h_low = excluded.operating_hours_h_low, operating_hours_h_high = excluded.operating_hours_h_high,
    operating_hours_h_last = excluded.operating_hours_h_last, lift_counter_low = excluded.lift_counter_low,
    lift_counter_high = excluded.lift_counter_high, lift_counter_last = excluded.lift_counter_last;

-- name: day_figure_forgotten
-- Figures of a day of which nothing is left.
delete from day_figure where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day = %(day)s;

-- name: day_lifts_counted
-- Lift figures of days from the lifts that began on them.
update day_figure f
set lifts = n.lifts, near_limit_lifts = n.near_limit_lifts, peak_cubed_sum = n.peak_cubed_sum
from (
    select d.day, count(l.started_at)::int as lifts,
        count(*) filter (where l.peak_utilisation_pct >= %(near_limit_pct)s)::int as near_limit_lifts,
        coalesce(sum(power(greatest(l.peak_structural_pct, 0) / 100, 3) order by l.started_at), 0) as peak_cubed_sum
    from unnest(%(days)s::date[]) as d (day)
    left join lift l on l.crane_id = %(crane_id)s and l.counting_id = %(counting_id)s and l.day = d.day
    group by d.day
) n
where f.crane_id = %(crane_id)s and f.counting_id = %(counting_id)s and f.day = n.day;

-- name: lifts_end
-- When the last of the lifts that began on some days ended.
select max(ended_at) from lift
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day = any(%(days)s::date[]);

-- name: days_under_load
-- Time near the limit, and the rest of the recorded time, of the days from one to another and on to a moment.
select day, day_start_at, day_end_at, near_limit_ms, light_part from day_figure
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day >= %(first)s
    and (day <= %(last)s or day_start_at < %(until)s)
order by day;

-- name: lifts_over
-- Start and end of the lifts between two moments, with the last that began before them, in time order.
select started_at, ended_at from lift
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and started_at < %(time_to)s
    and started_at >= coalesce((
        select max(b.started_at) from lift b
        where b.crane_id = %(crane_id)s and b.counting_id = %(counting_id)s and b.started_at < %(time_from)s
    ), %(time_from)s)
order by started_at;

-- name: day_loaded
-- Time under load of one day.
update day_figure set loaded_ms = %(loaded_ms)s
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day = %(day)s;

-- name: lifts_forgotten
-- Lifts that began on some days, before they are found again.
delete from lift
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day = any(%(days)s::date[]);

-- name: lift_written
-- One lift.
insert into lift (
    crane_id, counting_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct,
    peak_outreach_m, mass_kg, slew_travel_deg, limiter_stops, limiter_overrides, stabiliser_left_pct,
    stabiliser_right_pct, loaded_ms
) values (
    %(crane_id)s, %(counting_id)s, %(started_at)s, %(ended_at)s, %(day)s, %(peak_utilisation_pct)s,
    %(peak_structural_pct)s, %(peak_outreach_m)s, %(mass_kg)s, %(slew_travel_deg)s, %(limiter_stops)s, %(limiter_overrides)s,
    %(stabiliser_left_pct)s, %(stabiliser_right_pct)s, %(loaded_ms)s
);

-- name: limiter_moments
-- Limiter stops and overrides of one crane in a time range.
select kind, at from event
where crane_id = %(crane_id)s and at between %(time_from)s and %(time_to)s
    and kind in ('limiter_stop', 'limiter_override') and state = 'raised';

-- name: span_written
-- Mergeable counts of one span, replacing older ones.
insert into span_ledger (
    crane_id, counting_id, span, first_day, last_day, samples, ledger, directions, tallies,
    circumstances
) values (
    %(crane_id)s, %(counting_id)s, %(span)s, %(first_day)s, %(last_day)s, %(samples)s, %(ledger)s, %(directions)s,
    %(tallies)s, %(circumstances)s
)
on conflict (crane_id, counting_id, span, first_day) do update set
    last_day = excluded.last_day, samples = excluded.samples, ledger = excluded.ledger,
    directions = excluded.directions, tallies = excluded.tallies, circumstances = excluded.circumstances;

-- name: span_forgotten
-- One span of which nothing is left.
delete from span_ledger
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and span = %(span)s and first_day = %(first_day)s;

-- name: spans_of
-- Mergeable counts of one crane and span in time order.
select first_day, last_day, samples, ledger, directions, tallies, circumstances
from span_ledger
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and span = %(span)s
    and first_day >= %(first_day)s and first_day < %(past)s
order by first_day;

-- name: spans_read
-- The fewest spans that cover whole local days of some cranes: years and months where they lie inside, days at the ends.
select c.name as crane, s.first_day, s.last_day, s.samples, s.ledger, case when %(directions)s then s.directions end as directions,
    s.tallies, s.circumstances
from span_ledger s
join crane c using (crane_id)
join counting u using (counting_id)
cross join lateral (
    select date_trunc('year', s.first_day)::date as year, date_trunc('month', s.first_day)::date as month
) starts
cross join lateral (
    select year >= %(day_from)s and (year + interval '1 year')::date - 1 <= %(day_to)s as year_inside,
        month >= %(day_from)s and (month + interval '1 month')::date - 1 <= %(day_to)s as month_inside
) fits
where c.name = any(%(cranes)s) and u.in_use and s.first_day between %(day_from)s and %(day_to)s
    and case s.span when 'year' then year_inside when 'month' then month_inside and not year_inside
        else not month_inside and not year_inside end
order by c.name, s.first_day;

-- name: life_read
-- The whole-life counts of one crane, by year.
select s.first_day, s.last_day, s.samples, s.ledger, case when %(directions)s then s.directions end as directions,
    s.tallies, s.circumstances
from span_ledger s
join crane c using (crane_id)
join counting u using (counting_id)
where c.name = %(crane)s and u.in_use and s.span = 'year'
order by s.first_day;

-- name: days_recorded
-- How much of some local days of one crane was recorded.
select count(*)::int as days, min(d.day) as first_day, max(d.day) as last_day,
    coalesce(sum(d.recorded_ms), 0)::bigint as recorded_ms, coalesce(sum(d.spikes), 0)::bigint as spikes,
    coalesce(sum(d.spikes_counted), 0)::bigint as spikes_counted,
    coalesce(max(d.largest_spike_pct), 0) as largest_spike_pct,
    count(*) filter (where not d.posed and d.recorded_ms > 0)::int as days_without_pose,
    coalesce(sum(d.no_pose_ms) filter (where d.posed), 0)::bigint as no_pose_ms
from day_figure d
join crane c using (crane_id)
join counting u using (counting_id)
where c.name = %(crane)s and u.in_use and d.day between %(day_from)s and %(day_to)s;

-- name: life_recorded
-- The same over the whole record, from the summary where it was made by the counting in use.
-- Read first by itself, as for `fleet_cranes_now`.
with summary as materialized (
    select counting_id, days, recorded_ms, spikes, spikes_counted, largest_spike_pct
    from crane_summary where crane_id = %(crane_id)s
)
select m.days, m.recorded_ms, m.spikes, m.spikes_counted, m.largest_spike_pct, p.first_day, p.last_day,
    coalesce(p.days_without_pose, 0) as days_without_pose, coalesce(p.no_pose_ms, 0) as no_pose_ms
from summary m
join counting u using (counting_id)
left join (
    select d.counting_id, min(d.day) as first_day, max(d.day) as last_day,
        count(*) filter (where not d.posed and d.recorded_ms > 0)::int as days_without_pose,
        coalesce(sum(d.no_pose_ms) filter (where d.posed), 0)::bigint as no_pose_ms
    from day_figure d
    where d.crane_id = %(crane_id)s
    group by d.counting_id
) p using (counting_id)
where u.in_use;

-- name: days_read
-- Figures of some cranes by day.
select c.name as crane, d.day, d.time_zone, d.day_start_at, d.day_end_at, d.first_at, d.last_at, d.samples, d.recorded_ms,
    d.sensor_gap_ms, d.offline_gap_ms, d.quarantine_gap_ms, d.excluded_ms, d.limit_assumed_ms, d.working_ms, d.loaded_ms,
    d.near_limit_ms, d.over_limit_ms, d.emergency_ms, d.lifts, d.near_limit_lifts, d.peak_cubed_sum, d.warnings,
    d.limiter_stops, d.limiter_overrides, d.faults, d.spikes, d.spikes_counted, d.largest_spike_pct,
    d.overlap_ms, d.clock_ms, d.hole_ms, d.uncounted_ms, case when d.posed then d.no_pose_ms else 0 end as no_pose_ms
from day_figure d
join crane c using (crane_id)
join counting u using (counting_id)
where c.name = any(%(cranes)s) and u.in_use and d.day between %(day_from)s and %(day_to)s
order by c.name, d.day;

-- name: weekly_use
-- Cubed peaks of lifts by ISO week of one crane, weeks without a recorded day left out. Reads one index and nothing else.
select d.day - (d.day - date '0001-01-01') %% 7 as week, max(d.day) as last_day,
    sum(d.peak_cubed_sum order by d.day) as peak_cubed_sum
from day_figure d
where d.crane_id = %(crane_id)s and d.counting_id = %(counting_id)s
group by 1
order by 1;

-- name: weekly_record
-- What is on record of one crane by ISO week, and what is not though it was in use, with what had been counted there.
select d.day - (d.day - date '0001-01-01') %% 7 as week, sum(d.peak_cubed_sum order by d.day) as peak_cubed_sum,
    sum(d.recorded_ms)::bigint as recorded_ms,
    sum(d.excluded_ms + d.overlap_ms + d.clock_ms + case when d.posed then d.no_pose_ms else 0 end)::bigint as unrecorded_ms,
    sum(d.excluded_cubed_sum order by d.day) as known_cubed_sum
from day_figure d
where d.crane_id = %(crane_id)s and d.counting_id = %(counting_id)s
group by 1
order by 1;

-- name: weekly_heavy
-- Lifts of one crane from a peak up by ISO week: those up to a heaviest peak with their cubed peaks, and those beyond it.
select date_trunc('week', l.day)::date as week, count(*)::bigint as lifts,
    count(*) filter (where l.peak_structural_pct > %(heaviest_pct)s)::bigint as too_heavy,
    coalesce(sum(power(l.peak_structural_pct / 100, 3) order by l.started_at)
        filter (where l.peak_structural_pct <= %(heaviest_pct)s), 0) as peak_cubed_sum
from lift l
where l.crane_id = %(crane_id)s and l.counting_id = %(counting_id)s and l.peak_structural_pct >= %(heavy_from_pct)s
group by 1
order by 1;

-- name: lifts_read
-- Lifts of one crane that began in a time range, newest first, after a cursor.
-- Its numbers as values and not by a join: so the key gives the newest in order, and what the page does not show is not read.
select %(crane)s::text as crane, l.started_at, l.ended_at, l.day, l.peak_utilisation_pct, l.peak_structural_pct,
    l.peak_outreach_m, l.mass_kg, l.slew_travel_deg, l.limiter_stops, l.limiter_overrides
from lift l
where l.crane_id = (select crane_id from crane where name = %(crane)s)
    and l.counting_id = (select counting_id from counting where in_use)
    and l.started_at >= %(time_from)s and l.started_at < %(time_to)s
    and (%(before)s::timestamptz is null or l.started_at < %(before)s)
order by l.started_at desc
limit %(rows)s;

-- name: lift_peaks
-- Peak structural percent and mass of the lifts of one crane over whole local days, in time order.
select l.peak_structural_pct, l.peak_utilisation_pct, l.mass_kg, l.peak_outreach_m
from lift l
join crane c using (crane_id)
join counting u using (counting_id)
where c.name = %(crane)s and u.in_use and l.day between %(day_from)s and %(day_to)s
order by l.started_at;

-- name: structural_peaks
-- Peak structural percent of the lifts of one crane over whole local days, in time order, as one array. Reads one index and nothing else.
select array_agg(l.peak_structural_pct order by l.started_at) as peaks_pct
from lift l
where l.crane_id = (select crane_id from crane where name = %(crane)s)
    and l.counting_id = (select counting_id from counting where in_use)
    and l.day between %(day_from)s and %(day_to)s;

-- name: lift_bins
-- Lifts over whole local days by scope (crane, its type, every crane in scope) and step of their peak structural percent, with the sum of their cubes.
with counted as materialized (
    select l.crane_id, c.type_id, least(floor(greatest(l.peak_structural_pct, 0) / %(step_pct)s), %(last_step)s)::int as step,
        count(*) as lifts, sum(power(greatest(l.peak_structural_pct, 0) / 100, 3)) as cubes
    from lift l
    join crane c using (crane_id)
    join site s using (site_id)
    join counting u using (counting_id)
    where u.in_use and l.day between %(day_from)s and %(day_to)s
        and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    group by 1, 2, 3
)
select scope, step, sum(lifts)::bigint as lifts, count(distinct crane_id)::int as cranes, sum(cubes) as peak_cubed_sum
from counted
cross join lateral (values ('fleet', true), ('type', type_id = (select type_id from crane where crane_id = %(crane_id)s)), ('crane', crane_id = %(crane_id)s))
    as scopes (scope, inside)
where inside
group by scope, step
order by scope, step;

-- name: working_ms_of
-- Working time over whole local days by scope: crane, its type, every crane in scope.
with counted as materialized (
    select d.crane_id, c.type_id, sum(d.working_ms) as working_ms
    from day_figure d
    join crane c using (crane_id)
    join site s using (site_id)
    join counting u using (counting_id)
    where u.in_use and d.day between %(day_from)s and %(day_to)s
        and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    group by 1, 2
)
select scope, sum(working_ms)::bigint as working_ms, count(*)::int as cranes
from counted
cross join lateral (values ('fleet', true), ('type', type_id = (select type_id from crane where crane_id = %(crane_id)s)), ('crane', crane_id = %(crane_id)s))
    as scopes (scope, inside)
where inside
group by scope;

-- name: lift_configurations
-- Lifts of one crane over whole local days by stabiliser spread, left and right, and step of their peak structural percent.
select left_spread, right_spread, least(floor(greatest(l.peak_structural_pct, 0) / %(step_pct)s), %(last_step)s)::int as step,
    count(*)::bigint as lifts, count(*) filter (where l.peak_utilisation_pct >= %(near_limit_pct)s)::bigint as near_limit_lifts,
    sum(power(greatest(l.peak_structural_pct, 0) / 100, 3)) as peak_cubed_sum
from lift l
join crane c using (crane_id)
join counting u using (counting_id)
cross join lateral (
    select case when l.stabiliser_left_pct is null then 'unknown' when l.stabiliser_left_pct <= %(none_pct)s then 'none'
            when l.stabiliser_left_pct >= %(full_pct)s then 'full' else 'part' end as left_spread,
        case when l.stabiliser_right_pct is null then 'unknown' when l.stabiliser_right_pct <= %(none_pct)s then 'none'
            when l.stabiliser_right_pct >= %(full_pct)s then 'full' else 'part' end as right_spread
) spreads
where c.name = %(crane)s and u.in_use and l.day between %(day_from)s and %(day_to)s
group by 1, 2, 3
order by 1, 2, 3;

-- name: gaps_forgotten
-- Gaps inside one day, before they are found again.
delete from gap where crane_id = %(crane_id)s and day = %(day)s;

-- name: gap_written
-- One gap inside a day.
insert into gap (crane_id, day, from_at, to_at, cause, missing_ms, messages)
values (%(crane_id)s, %(day)s, %(from_at)s, %(to_at)s, %(cause)s, %(missing_ms)s, %(messages)s)
on conflict do nothing;

-- name: gaps_read
-- Time missing from the record of one crane, with causes: inside days, and between days.
-- Between days of one boot as much as numbers left out account for is offline, the rest a hole, a day at most. Of a new boot the numbers
-- before its first one are offline (duty.gaps), a million at most, and there is no hole. Events tell no time.
with chosen as (
    select c.crane_id, u.counting_id from crane c, counting u where c.name = %(crane)s and u.in_use
), ends as (
    select d.first_at, d.first_boot, d.first_seq, d.message_ms, lag(d.last_at) over w as before_at,
        lag(d.last_boot) over w as before_boot, lag(d.last_seq) over w as before_seq
    from day_figure d join chosen using (crane_id, counting_id)
    where d.first_at is not null
    window w as (order by d.day)
), seams as (
    select before_at, first_at, numbers.left_out as messages, least(numbers.left_out * message_ms, between_ms) as offline_ms,
        case when before_boot = first_boot then least(between_ms, 86400000) else 0 end as most_ms
    from ends cross join lateral (
        select (extract(epoch from first_at - before_at) * 1000)::bigint as between_ms, greatest(
            case when first_seq > before_seq then first_seq - before_seq - 1 when before_boot = first_boot then 0 else first_seq - 1 end, 0
        ) as left_out
    ) numbers
    where (before_boot = first_boot and first_seq >= before_seq or before_boot <> first_boot and numbers.left_out <= 1000000)
        and first_at > before_at and before_at < %(time_to)s and first_at > %(time_from)s
)
select from_at, to_at, cause, missing_ms, messages
from gap join chosen using (crane_id)
where from_at < %(time_to)s and to_at > %(time_from)s
union all
select before_at, first_at, parts.cause, parts.missing_ms, parts.messages
from seams cross join lateral (values
    ('offline', offline_ms, seams.messages::int), ('hole', most_ms - offline_ms, 0)
) as parts (cause, missing_ms, messages)
where parts.missing_ms > 0
order by from_at;

-- name: recount_days_queued
-- Every day of the fleet that another counting knows, or that is touched, and that this one has not counted yet.
insert into recount_day (counting_id, crane_id, day)
select %(counting_id)s, d.crane_id, d.day
from (
    select crane_id, day from day_figure
    union select crane_id, day from touched_day
    except select crane_id, day from day_figure where counting_id = %(counting_id)s
) d
join crane using (crane_id)
on conflict do nothing;

-- name: recount_days_followed
-- Days just counted by the counting in use, to be counted again by those being built.
insert into recount_day (counting_id, crane_id, day)
select u.counting_id, %(crane_id)s, d.day
from counting u, unnest(%(days)s::date[]) as d (day)
where not u.in_use
on conflict do nothing;

-- name: recount_crane_next
-- A crane with days still to be counted by one counting.
select m.crane_id
from crane_summary m
where exists (select 1 from recount_day r where r.crane_id = m.crane_id and r.counting_id = %(counting_id)s)
order by m.crane_id
limit 1
for no key update skip locked;

-- name: recount_days_of
-- Oldest days of one crane still to be counted by one counting.
select day from recount_day
where crane_id = %(crane_id)s and counting_id = %(counting_id)s
order by day limit %(days)s;

-- name: recount_days_done
-- Takes counted days off the list.
delete from recount_day
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day = any(%(days)s::date[]);

-- name: recount_days_left
-- How many crane-days one counting still has to count.
select count(*)::int as crane_days from recount_day where counting_id = %(counting_id)s;

-- name: quarantined_numbers
-- Boot and number of the samples messages of one crane in quarantine, where their text still shows them, but those ahead of our clock.
select distinct boot::bigint, seq::bigint
from quarantine
cross join lateral (select encode(substr(raw, 1, 2000), 'escape') as start) opening
cross join lateral (
    select substring(start from '"boot"\s*:\s*([0-9]{1,19})')::numeric as boot,
        substring(start from '"seq"\s*:\s*([0-9]{1,19})')::numeric as seq
) numbers
where crane_name = %(crane)s and reason <> 'in_future' and boot < 9223372036854775808 and seq < 9223372036854775808;

-- name: recorded_days_touched
-- Every counted day of one crane, of those of a type or of a site, or of the fleet, to be counted again.
insert into touched_day (crane_id, day, touched_at)
select distinct f.crane_id, f.day, now()
from day_figure f
join crane c using (crane_id)
join crane_type t using (type_id)
join site s using (site_id)
where (%(crane)s::text is null or c.name = %(crane)s)
    and (%(type)s::text is null or t.name = %(type)s)
    and (%(site)s::text is null or s.name = %(site)s)
order by f.crane_id, f.day
on conflict (crane_id, day) do update set touched_at = excluded.touched_at;

-- name: days_of_other_zone_touched
-- Local days, by the zone of now, of what was counted by the days of another zone.
insert into touched_day (crane_id, day, touched_at)
select distinct f.crane_id, (moment at time zone %(time_zone)s)::date, now()
from day_figure f
cross join lateral (
    values (coalesce(f.first_at, f.day_start_at)), (coalesce(f.last_at, f.day_end_at) - interval '1 millisecond')
) as ends (moment)
where f.crane_id = %(crane_id)s and f.counting_id = %(counting_id)s and f.time_zone <> %(time_zone)s
order by 1, 2
on conflict (crane_id, day) do update set touched_at = excluded.touched_at;

-- name: days_of_crane_forgotten
-- Every counted day of one crane.
delete from day_figure where crane_id = %(crane_id)s and counting_id = %(counting_id)s;

-- name: spans_of_crane_forgotten
-- Every span of one crane.
delete from span_ledger where crane_id = %(crane_id)s and counting_id = %(counting_id)s;

-- name: lifts_of_crane_forgotten
-- Every lift of one crane.
delete from lift where crane_id = %(crane_id)s and counting_id = %(counting_id)s;
