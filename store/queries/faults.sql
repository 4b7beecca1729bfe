-- name: fault_events_of
-- Every fault event of one crane in time order.
select at, code, state, text from event where crane_id = %(crane_id)s and kind = 'fault' order by at, boot, seq;

-- name: fault_episodes_forgotten
-- Fault episodes of one crane, before they are paired again.
delete from fault_episode where crane_id = %(crane_id)s;

-- name: fault_episode_written
-- One fault from raised to cleared.
insert into fault_episode (crane_id, code, raised_at, cleared_at, raised_times, text)
values (%(crane_id)s, %(code)s, %(raised_at)s, %(cleared_at)s, %(raised_times)s, %(text)s);

-- name: event_contexts_forgotten
-- What a crane was doing at the events of one day, before it is found again.
delete from event_context where crane_id = %(crane_id)s and day = %(day)s;

-- name: event_context_written
-- What a crane was doing when one event came.
insert into event_context (
    crane_id, at, boot, seq, day, kind, code, utilisation_pct, peak_utilisation_pct, structural_pct, outreach_m,
    hook_height_m, slew_deg, mode, stabiliser_left_pct, stabiliser_right_pct
) values (
    %(crane_id)s, %(at)s, %(boot)s, %(seq)s, %(day)s, %(kind)s, %(code)s, %(utilisation_pct)s,
    %(peak_utilisation_pct)s, %(structural_pct)s, %(outreach_m)s, %(hook_height_m)s, %(slew_deg)s, %(mode)s,
    %(stabiliser_left_pct)s, %(stabiliser_right_pct)s
)
on conflict do nothing;

-- name: fault_episodes_read
-- Fault episodes of one crane that touch a time range, open ones first, with what the crane was doing.
select f.code, f.raised_at, f.cleared_at, f.raised_times, f.text,
    (select count(*) from fault_episode again
     where again.crane_id = f.crane_id and again.code = f.code and again.raised_at < f.raised_at
        and again.raised_at >= f.raised_at - make_interval(days => %(repeat_days)s))::int as repeats,
    x.utilisation_pct, x.peak_utilisation_pct, x.structural_pct, x.outreach_m, x.hook_height_m, x.slew_deg, x.mode,
    s.meaning, s.advice
from fault_episode f
join crane c using (crane_id)
left join lateral (
    select * from event_context e
    where e.crane_id = f.crane_id and e.at = f.raised_at and e.kind = 'fault' and e.code = f.code
    limit 1
) x on true
left join lateral (
    select meaning, advice from status_code k
    where k.code = f.code and (k.type_id is null or k.type_id = c.type_id)
    order by k.type_id nulls last limit 1
) s on true
where c.name = %(crane)s and f.raised_at < %(time_to)s and coalesce(f.cleared_at, 'infinity') >= %(time_from)s
order by f.cleared_at is not null, f.raised_at desc;

-- name: open_faults
-- Every open fault of the fleet, oldest first.
select c.name as crane, f.code, f.raised_at, f.raised_times, f.text, s.meaning, s.advice
from fault_episode f
join crane c using (crane_id)
left join lateral (
    select meaning, advice from status_code k
    where k.code = f.code and (k.type_id is null or k.type_id = c.type_id)
    order by k.type_id nulls last limit 1
) s on true
where f.cleared_at is null
order by f.raised_at;

-- name: fault_pareto
-- Codes by how often they were raised in a time range, how many came again soon, with the running share of all.
select code, count, cranes, open, open_hours, repeats, sum(count) over (order by count desc, code)::float8
    / sum(count) over () as running_share
from (
    select f.code, count(*)::int as count, count(distinct f.crane_id)::int as cranes,
        count(*) filter (where f.cleared_at is null)::int as open,
        sum(extract(epoch from least(coalesce(f.cleared_at, %(time_to)s), %(time_to)s) - f.raised_at))::float8 / 3600
            as open_hours,
        count(*) filter (where exists (
            select from fault_episode again
            where again.crane_id = f.crane_id and again.code = f.code and again.raised_at < f.raised_at
                and again.raised_at >= f.raised_at - make_interval(days => %(repeat_days)s)
        ))::int as repeats
    from fault_episode f
    join crane c using (crane_id)
    join site s using (site_id)
    where f.raised_at >= %(time_from)s and f.raised_at < %(time_to)s
        and (%(crane)s::text is null or c.name = %(crane)s)
        and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    group by f.code
) counted
order by count desc, code;

-- name: fault_pareto_by_crane
-- Cranes by how many faults they raised in a time range, with their working hours in it.
select c.name as crane, coalesce(raised.count, 0)::int as count, coalesce(raised.codes, 0)::int as codes,
    coalesce(raised.open, 0)::int as open, coalesce(worked.working_ms, 0)::float8 / 3600000 as working_hours
from crane c
join site s using (site_id)
left join (
    select f.crane_id, count(*) as count, count(distinct f.code) as codes,
        count(*) filter (where f.cleared_at is null) as open
    from fault_episode f
    where f.raised_at >= %(time_from)s and f.raised_at < %(time_to)s
    group by f.crane_id
) raised on raised.crane_id = c.crane_id
left join (
    select k.crane_id, sum(d.working_ms) as working_ms
    from crane k
    join site o using (site_id)
    join counting u on u.in_use
    -- The days are in the key and the moments are not; a local day is at most one off the one of UTC.
    join day_figure d on d.crane_id = k.crane_id and d.counting_id = u.counting_id
        and d.day between (%(time_from)s::timestamptz at time zone 'UTC')::date - 2
            and (%(time_to)s::timestamptz at time zone 'UTC')::date + 1
    where d.day_start_at < %(time_to)s and d.day_end_at > %(time_from)s
        and (%(sites)s::text[] is null or o.name = any(%(sites)s::text[]))
    group by k.crane_id
) worked on worked.crane_id = c.crane_id
where %(sites)s::text[] is null or s.name = any(%(sites)s::text[])
order by count desc, c.name;

-- name: overrides_read
-- Limiter overrides of a time range with what the crane was doing, newest first.
select c.name as crane, e.at, e.boot, e.seq, e.code, e.utilisation_pct, e.peak_utilisation_pct, e.structural_pct,
    e.outreach_m, e.hook_height_m, e.slew_deg, e.mode, e.stabiliser_left_pct, e.stabiliser_right_pct,
    l.started_at as lift_started_at, l.mass_kg as lift_mass_kg, l.peak_utilisation_pct as lift_peak_utilisation_pct
from event_context e
join crane c using (crane_id)
left join lateral (
    select started_at, mass_kg, peak_utilisation_pct
    from lift l join counting u using (counting_id)
    where l.crane_id = e.crane_id and u.in_use and l.started_at <= e.at and l.ended_at >= e.at
    order by l.started_at desc limit 1
) l on true
where e.kind = 'limiter_override' and e.at >= %(time_from)s and e.at < %(time_to)s
    and (%(crane)s::text is null or c.name = %(crane)s)
order by e.at desc
limit %(rows)s;

-- name: faults_and_overloads
-- By crane-day of a time range: faults raised, and overloads (limiter stops, overrides, time above 100 %).
select d.faults, d.limiter_stops + d.limiter_overrides as limiter_events, d.over_limit_ms, d.working_ms
from day_figure d
join crane c using (crane_id)
join counting u using (counting_id)
where u.in_use and d.day between %(day_from)s and %(day_to)s
    and (%(crane)s::text is null or c.name = %(crane)s)
    and (%(sites)s::text[] is null or c.site_id in (select site_id from site where name = any(%(sites)s::text[])))
order by d.crane_id, d.day;

-- name: status_code_written
-- Meaning of one status code, replacing an older one.
insert into status_code (type_id, code, meaning, advice, source, imported_at)
select t.type_id, %(code)s, %(meaning)s, %(advice)s, %(source)s, now()
from (select 1) one
left join crane_type t on t.name = %(type)s
where %(type)s::text is null or t.type_id is not null
on conflict (type_id, code) do update set
    meaning = excluded.meaning, advice = excluded.advice, source = excluded.source, imported_at = excluded.imported_at;

-- name: status_codes_read
-- The catalogue of status codes.
select t.name as type, k.code, k.meaning, k.advice, k.source, k.imported_at
from status_code k
left join crane_type t using (type_id)
order by k.code, t.name nulls first;

-- name: cranes_with_faults
-- Cranes with open faults and their codes.
select c.name as crane, array_agg(f.code order by f.code) as codes
from fault_episode f
join crane c using (crane_id)
where f.cleared_at is null
group by c.name;
