-- name: register_held
-- Until the transaction ends, others that write the register of this crane wait.
select pg_advisory_xact_lock(%(lock)s::int, %(crane_id)s::int);

-- name: lifts_above
-- Lifts of one crane whose peak structural percent is above a level, in time order.
select started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, peak_outreach_m, mass_kg, limiter_stops,
    limiter_overrides, true as in_lift
from lift
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and peak_structural_pct > %(over_pct)s
order by started_at;

-- name: over_parts
-- Time above the full structural rating of each day of one crane that has any, in time order.
select over_part from day_figure
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and over_part is not null
order by day;

-- name: overload_decisions
-- What was decided about overloads of one crane, oldest first, with the lifts as they were then; some of it where ids are given.
select decision_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, peak_outreach_m, mass_kg,
    limiter_stops, limiter_overrides, in_lift, cause, note, decided, decided_at, decided_by
from overload_decision
where crane_id = %(crane_id)s and (%(ids)s::integer[] is null or decision_id = any(%(ids)s::integer[]))
order by decision_id;

-- name: overload_rows
-- The register of one crane as it is written.
select started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, peak_outreach_m, mass_kg, limiter_stops,
    limiter_overrides, in_lift, counted, open, decision_ids
from overload where crane_id = %(crane_id)s;

-- name: overload_dropped
-- An entry out of the register.
delete from overload where crane_id = %(crane_id)s and started_at = %(started_at)s;

-- name: overload_written
-- An entry of the register, replacing the one of its lift.
insert into overload (
    crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, peak_outreach_m, mass_kg, limiter_stops,
    limiter_overrides, in_lift, counted, open, decision_ids
) values (
    %(crane_id)s, %(started_at)s, %(ended_at)s, %(day)s, %(peak_utilisation_pct)s, %(peak_structural_pct)s,
    %(peak_outreach_m)s, %(mass_kg)s, %(limiter_stops)s, %(limiter_overrides)s, %(in_lift)s, %(counted)s, %(open)s, %(decision_ids)s
)
on conflict (crane_id, started_at) do update set
    ended_at = excluded.ended_at, day = excluded.day, peak_utilisation_pct = excluded.peak_utilisation_pct,
    peak_structural_pct = excluded.peak_structural_pct, peak_outreach_m = excluded.peak_outreach_m,
    mass_kg = excluded.mass_kg, limiter_stops = excluded.limiter_stops, limiter_overrides = excluded.limiter_overrides, in_lift = excluded.in_lift,
    counted = excluded.counted, open = excluded.open, decision_ids = excluded.decision_ids;

-- name: overload_decided
-- A decision about the entry that begins at a moment, or about each open one up to a peak and between two days.
-- The lift as it stands there is kept with it, and the entry is no longer open.
with entry as (
    select * from overload
    where crane_id = %(crane_id)s
        and (started_at = %(started_at)s or (
            open and peak_structural_pct <= %(peak_up_to_pct)s::float8
            and (%(day_from)s::date is null or day >= %(day_from)s) and (%(day_to)s::date is null or day <= %(day_to)s)
        ))
), made as (
    insert into overload_decision (
        crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, peak_outreach_m, mass_kg,
        limiter_stops, limiter_overrides, in_lift, cause, note, decided, decided_by
    )
    select crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, peak_outreach_m, mass_kg,
        limiter_stops, limiter_overrides, in_lift, %(cause)s, %(note)s, %(decided)s, %(decided_by)s
    from entry
    returning decision_id, crane_id, started_at
)
update overload o set open = false, decision_ids = o.decision_ids || made.decision_id
from made
where o.crane_id = made.crane_id and o.started_at = made.started_at
returning made.decision_id;

-- name: overloads_read
-- Entries of one crane or of those at some sites, newest first, after a cursor; `at`: the one whose lift was under way then.
select o.crane_id, c.name as crane, s.name as site, o.started_at, o.ended_at, o.day, o.peak_utilisation_pct, o.peak_structural_pct,
    o.peak_outreach_m, o.mass_kg, o.limiter_stops, o.limiter_overrides, o.in_lift, o.counted, o.open,
    cardinality(o.decision_ids) as decisions, d.decision_id, d.cause, d.note, d.decided, d.decided_at, d.decided_by,
    d.peak_structural_pct as decided_peak_structural_pct
from overload o
join crane c using (crane_id)
join site s using (site_id)
left join overload_decision d on d.decision_id = o.decision_ids[cardinality(o.decision_ids)]
where (%(crane_id)s::integer is null or o.crane_id = %(crane_id)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(open)s::boolean is null or o.open = %(open)s)
    and (%(cause)s::text is null or d.cause = %(cause)s)
    and (%(at)s::timestamptz is null or (o.started_at <= %(at)s and o.ended_at >= %(at)s))
    and (%(time_from)s::timestamptz is null or o.started_at >= %(time_from)s)
    and (%(time_to)s::timestamptz is null or o.started_at < %(time_to)s)
    and (%(day_from)s::date is null or o.day >= %(day_from)s)
    and (%(day_to)s::date is null or o.day <= %(day_to)s)
    and (%(before_at)s::timestamptz is null
        or o.started_at < %(before_at)s or (o.started_at = %(before_at)s and c.name > %(before_crane)s::text))
order by o.started_at desc, c.name
limit %(rows)s;

-- name: overloads_counted
-- How many entries there are of each crane, and how many of them are open; cranes without any are absent.
select c.name as crane, count(*)::int as entries, (count(*) filter (where o.open))::int as open,
    (count(*) filter (where not o.counted))::int as no_longer_counted,
    max(o.peak_structural_pct) filter (where o.counted) as highest_peak_structural_pct
from overload o
join crane c using (crane_id)
join site s using (site_id)
where (%(crane_id)s::integer is null or o.crane_id = %(crane_id)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
group by c.name
order by c.name;
