-- name: fleet_cranes_now
-- Every crane with its whole-life summary and what it last reported.
-- Read first by itself: a cluster does not join a spread table with one behind row-level security.
with summary as materialized (select * from crane_summary),
newest as materialized (select crane_id, online, at, last_values from live)
select
    c.crane_id, c.name as crane, coalesce(c.spec ->> 'title', '') as title, t.name as type, s.name as site, c.draft,
    coalesce((c.spec ->> 'review_at_share')::float8, %(review_at_share)s) as review_at_share,
    m.assessment_on, m.assessment_by, coalesce(m.assessment_reason, '') as assessment_reason,
    case when m.assessment_on is null then c.spec || jsonb_build_object('defects', d.defects) end as entries,
    coalesce(l.online, false) as online, l.at as live_at, (l.last_values ->> 'utilisation_pct')::float8 as utilisation_pct,
    m.counting_id, m.counted_at, m.last_at, m.used_share, m.used_share_counted, m.used_share_prior,
    m.used_share_unknown, m.used_share_unrecorded, m.unknown_years, coalesce(m.open_faults, 0) as open_faults,
    m.forecast_middle_on, m.detail_name, m.damage, m.allowed_sum, m.damage_beyond
from crane c
join site s using (site_id)
join crane_type t using (type_id)
left join newest l using (crane_id)
left join summary m using (crane_id)
left join crane_defects d using (crane_id)
where (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
order by c.name;

-- name: fleet_period
-- Figures of some cranes over a period and over the period of equal length before it; cranes without a counted day are absent.
with summary as materialized (
    select crane_id, counting_id, counted_at from crane_summary where crane_id = any(%(crane_ids)s::int[])
)
select n.crane_id, n.counting_id, n.counted_at,
    coalesce(sum(d.recorded_ms) filter (where now), 0)::bigint as recorded_ms,
    coalesce(sum(d.working_ms) filter (where now), 0)::bigint as working_ms,
    coalesce(sum(d.loaded_ms) filter (where now), 0)::bigint as loaded_ms,
    coalesce(sum(d.near_limit_ms) filter (where now), 0)::bigint as near_limit_ms,
    coalesce(sum(d.emergency_ms) filter (where now), 0)::bigint as emergency_ms,
    coalesce(sum(d.lifts) filter (where now), 0)::bigint as lifts,
    coalesce(sum(d.near_limit_lifts) filter (where now), 0)::bigint as near_limit_lifts,
    coalesce(sum(d.warnings) filter (where now), 0)::bigint as warnings,
    coalesce(sum(d.limiter_stops) filter (where now), 0)::bigint as limiter_stops,
    coalesce(sum(d.limiter_overrides) filter (where now), 0)::bigint as limiter_overrides,
    coalesce(sum(d.faults) filter (where now), 0)::bigint as faults,
    coalesce(sum(d.loaded_ms) filter (where not now), 0)::bigint as before_loaded_ms,
    coalesce(sum(d.near_limit_ms) filter (where not now), 0)::bigint as before_near_limit_ms
from summary n
-- An array of one, so that the days of each are looked up in the key: for a hash of all the table would be read.
join day_figure d on d.crane_id = any(array[n.crane_id]) and d.counting_id = n.counting_id
cross join lateral (select d.day >= %(day_from)s as now) which
where d.day between %(day_from)s - (%(day_to)s - %(day_from)s + 1) and %(day_to)s
group by n.crane_id, n.counting_id, n.counted_at;

-- name: fleet_weeks
-- Time under load and near the limit of every crane by ISO week, from the Monday of the first week on.
-- Read first by itself, as for `fleet_cranes_now`.
with summary as materialized (select crane_id, counting_id from crane_summary)
select c.name as crane, date_trunc('week', d.day)::date as week,
    sum(d.loaded_ms)::bigint as loaded_ms, sum(d.near_limit_ms)::bigint as near_limit_ms
from crane c
join site s using (site_id)
join summary m using (crane_id)
join day_figure d on d.crane_id = c.crane_id and d.counting_id = m.counting_id
where d.day between %(day_from)s and %(day_to)s
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(cranes)s::text[] is null or c.name = any(%(cranes)s::text[]))
group by 1, 2
order by 1, 2;

-- name: near_limit_periods
-- What every crane (or one) did near its limit in a period and in the period of equal length before it.
-- Days are summed first: a cluster does not join days one by one to what it copies to every node where they may be missing.
select c.crane_id, c.name as crane, coalesce(c.spec ->> 'title', '') as title, t.name as type, s.name as site, which.now,
    coalesce(f.working_ms, 0)::bigint as working_ms, coalesce(f.loaded_ms, 0)::bigint as loaded_ms,
    coalesce(f.near_limit_ms, 0)::bigint as near_limit_ms, coalesce(f.lifts, 0)::bigint as lifts,
    coalesce(f.near_limit_lifts, 0)::bigint as near_limit_lifts, coalesce(f.warnings, 0)::bigint as warnings,
    coalesce(f.limiter_stops, 0)::bigint as limiter_stops, coalesce(f.limiter_overrides, 0)::bigint as limiter_overrides
from crane c
join site s using (site_id)
join crane_type t using (type_id)
cross join (values (true), (false)) which (now)
left join (
    select d.crane_id, d.day >= %(day_from)s as now, sum(d.working_ms) as working_ms, sum(d.loaded_ms) as loaded_ms,
        sum(d.near_limit_ms) as near_limit_ms, sum(d.lifts) as lifts, sum(d.near_limit_lifts) as near_limit_lifts,
        sum(d.warnings) as warnings, sum(d.limiter_stops) as limiter_stops, sum(d.limiter_overrides) as limiter_overrides
    from crane k
    join site o using (site_id)
    join counting u on u.in_use
    join day_figure d on d.crane_id = k.crane_id and d.counting_id = u.counting_id
    where d.day between %(day_from)s - (%(day_to)s - %(day_from)s + 1) and %(day_to)s
        and (%(crane)s::text is null or k.name = %(crane)s)
        and (%(sites)s::text[] is null or o.name = any(%(sites)s::text[]))
    group by 1, 2
) f on f.crane_id = c.crane_id and f.now = which.now
where (%(crane)s::text is null or c.name = %(crane)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
order by c.name, which.now;

-- name: crane_summary_of
-- The whole-life summary of one crane.
select c.name as crane, m.*
from crane_summary m
join crane c using (crane_id)
where c.name = %(crane)s;

-- name: summary_rows_made
-- A summary row for every touched crane that has none yet, in order against deadlocks.
insert into crane_summary (crane_id)
select distinct crane_id from touched_day t
where not exists (select 1 from crane_summary m where m.crane_id = t.crane_id)
order by crane_id
on conflict do nothing;

-- name: crane_claimed
-- The touched crane that waited longest since its last recount; its row stays locked, others pass it by. One that was counted just now waits, unless days of it have waited already.
select m.crane_id
from crane_summary m
cross join lateral (select clock_timestamp() - make_interval(secs => %(again_after_s)s) as at) just_now
where m.crane_id <> all(%(left_alone)s::int[])
    and exists (
        select from touched_day t
        where t.crane_id = m.crane_id
            and (m.counted_at is null or m.counted_at <= just_now.at or t.touched_at <= just_now.at)
    )
order by m.counted_at nulls first, m.crane_id
limit 1
for no key update of m skip locked;

-- name: crane_with_changed_entries
-- A counted crane whose entries (crane, type, zone, weld details) are not the ones its summary rests on, or whose findings were judged by other thresholds.
select m.crane_id
from crane_summary m
where m.counted_at is not null and (
    m.made_of is distinct from crane_entries_digest(m.crane_id) or m.judged_by is distinct from %(judged_by)s
)
order by m.crane_id
limit 1
for no key update skip locked;

-- name: summaries_outdated
-- Has every summary written again from the counting that is in use now.
update crane_summary set made_of = null;

-- name: summary_totals_written
-- Whole-life totals of one crane from its days; days that a wrong clock dates years back do not begin its record.
update crane_summary m
set counting_id = %(counting_id)s, counted_at = statement_timestamp(),
    made_of = crane_entries_digest(%(crane_id)s), first_at = d.first_at, last_at = d.last_at,
    days = d.days, recorded_ms = d.recorded_ms, working_ms = d.working_ms, loaded_ms = d.loaded_ms,
    near_limit_ms = d.near_limit_ms, over_limit_ms = d.over_limit_ms, emergency_ms = d.emergency_ms,
    limit_assumed_ms = d.limit_assumed_ms, lifts = d.lifts, near_limit_lifts = d.near_limit_lifts,
    peak_cubed_sum = d.peak_cubed_sum, warnings = d.warnings, limiter_stops = d.limiter_stops,
    limiter_overrides = d.limiter_overrides, faults = d.faults,
    kq = d.peak_cubed_sum / nullif(d.lifts, 0), unrecorded_ms = d.unrecorded_ms,
    spikes = d.spikes, spikes_counted = d.spikes_counted, largest_spike_pct = d.largest_spike_pct,
    open_faults = (select count(*) from fault_episode f where f.crane_id = %(crane_id)s and f.cleared_at is null)
from (
    select count(*)::int as days,
        coalesce(min(first_at) filter (where 2 * clock_ms < recorded_ms), min(first_at)) as first_at, max(last_at) as last_at,
        coalesce(sum(recorded_ms), 0) as recorded_ms, coalesce(sum(working_ms), 0) as working_ms,
        coalesce(sum(loaded_ms), 0) as loaded_ms, coalesce(sum(near_limit_ms), 0) as near_limit_ms,
        coalesce(sum(over_limit_ms), 0) as over_limit_ms, coalesce(sum(emergency_ms), 0) as emergency_ms,
        coalesce(sum(limit_assumed_ms), 0) as limit_assumed_ms, coalesce(sum(lifts), 0) as lifts,
        coalesce(sum(near_limit_lifts), 0) as near_limit_lifts,
        coalesce(sum(peak_cubed_sum order by day), 0) as peak_cubed_sum, coalesce(sum(warnings), 0) as warnings,
        coalesce(sum(limiter_stops), 0) as limiter_stops,
        coalesce(sum(limiter_overrides), 0) as limiter_overrides, coalesce(sum(faults), 0) as faults,
        coalesce(sum(excluded_ms + overlap_ms + clock_ms + case when posed then no_pose_ms else 0 end), 0)
            as unrecorded_ms,
        coalesce(sum(spikes), 0) as spikes, coalesce(sum(spikes_counted), 0) as spikes_counted,
        coalesce(max(largest_spike_pct), 0) as largest_spike_pct
    from day_figure
    where crane_id = %(crane_id)s and counting_id = %(counting_id)s
) d
where m.crane_id = %(crane_id)s
returning m.lifts, m.peak_cubed_sum, m.recorded_ms, m.first_at, m.unrecorded_ms;

-- name: summary_judged
-- What the totals of one crane mean: coverage, used share, forecast, damage of the default detail.
update crane_summary
set missing_ms = %(missing_ms)s, coverage = %(coverage)s, f1 = %(f1)s, f1_reason = %(f1_reason)s,
    used_share = %(used_share)s, used_share_counted = %(used_share_counted)s,
    used_share_prior = %(used_share_prior)s, used_share_unknown = %(used_share_unknown)s,
    used_share_unrecorded = %(used_share_unrecorded)s, unknown_years = %(unknown_years)s,
    assessment_on = %(assessment_on)s, assessment_by = %(assessment_by)s, assessment_reason = %(assessment_reason)s, forecast_early_on = %(forecast_early_on)s,
    forecast_middle_on = %(forecast_middle_on)s, forecast_late_on = %(forecast_late_on)s,
    forecast_text = %(forecast_text)s, detail_name = %(detail_name)s, damage = %(damage)s, damage_counted = %(damage_counted)s,
    allowed_sum = %(allowed_sum)s, damage_beyond = %(damage_beyond)s,
    damage_direction_deg = %(damage_direction_deg)s
where crane_id = %(crane_id)s;

-- name: touched_heard
-- Have this session told when days are touched.
listen boomledger_touched;

-- name: life_of_cranes
-- What was counted of every crane, as lists in one order: read in one piece, ten thousand cranes take few milliseconds.
select coalesce(array_agg(c.name), '{}') as cranes, coalesce(array_agg(m.used_share), '{}') as used_shares,
    coalesce(array_agg(m.f1), '{}') as f1s, coalesce(array_agg(m.damage), '{}') as damages,
    coalesce(array_agg(m.detail_name), '{}') as detail_names, coalesce(array_agg(m.assessment_on), '{}') as assessment_ons,
    coalesce(array_agg(m.last_at is not null or l.at is not null), '{}') as heard
from crane c
left join crane_summary m using (crane_id)
left join live l using (crane_id);

-- name: default_details
-- Weld details entered as the default of a crane, of a type or of the fleet.
select d.name, c.name as crane, d.type_id, d.spec
from detail d
left join crane c using (crane_id)
where d.is_default;

-- name: levelling_rows
-- Life used and use of late of every crane in scope: cubed peak shares of the lifts of the last days, and the first of them on record.
-- Read first by itself: a cluster does not join a spread table with one behind row-level security.
with summary as materialized (select crane_id, used_share, f1 from crane_summary)
select c.name as crane, m.used_share, m.f1, coalesce(late.peak_cubed_sum, 0)::float8 as peak_cubed_sum,
    coalesce(late.limiter_overrides, 0)::bigint as limiter_overrides, late.first_day
from crane c
join site s using (site_id)
left join summary m using (crane_id)
left join (
    select k.crane_id, sum(d.peak_cubed_sum) as peak_cubed_sum, sum(d.limiter_overrides) as limiter_overrides,
        min(d.day) as first_day
    from crane k
    join site o using (site_id)
    join counting u on u.in_use
    join day_figure d on d.crane_id = any(array[k.crane_id]) and d.counting_id = u.counting_id
    where d.day > %(today)s::date - %(days)s::int and d.day <= %(today)s
        and (%(sites)s::text[] is null or o.name = any(%(sites)s::text[]))
    group by k.crane_id
) late on late.crane_id = c.crane_id
where %(sites)s::text[] is null or s.name = any(%(sites)s::text[])
order by c.name;
