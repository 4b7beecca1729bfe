-- name: service_plan_written
-- An interval of service, replacing one of the same name and scope.
insert into service_plan (type_id, crane_id, name, every_hours, every_lifts, every_days, note)
select t.type_id, c.crane_id, %(name)s, %(every_hours)s, %(every_lifts)s, %(every_days)s, %(note)s
from (select 1) one
left join crane_type t on t.name = %(type)s
left join crane c on c.name = %(crane)s
where (%(type)s::text is null or t.type_id is not null) and (%(crane)s::text is null or c.crane_id is not null)
on conflict (type_id, crane_id, name) do update set
    every_hours = excluded.every_hours, every_lifts = excluded.every_lifts, every_days = excluded.every_days,
    note = excluded.note
returning plan_id;

-- name: service_plan_dropped
-- Forgets an interval of service and what was done under it.
delete from service_plan where plan_id = %(plan_id)s;

-- name: service_done_written
-- A service that was done, with who and when.
insert into service_done (crane_id, plan_id, done_at, done_by, note)
select c.crane_id, %(plan_id)s, %(done_at)s, %(done_by)s, %(note)s from crane c where c.name = %(crane)s
on conflict (crane_id, plan_id, done_at) do update set done_by = excluded.done_by, note = excluded.note
returning done_id;

-- name: service_done_read
-- Services done on one crane, newest first.
select d.done_id, p.name as plan, d.done_at, d.done_by, d.note, d.entered_at
from service_done d
join service_plan p using (plan_id)
join crane c on c.crane_id = d.crane_id
where c.name = %(crane)s
order by d.done_at desc;

-- name: service_states
-- Every interval that applies to a crane: use since it was last done (or since registration) and use of late.
with due as (
    select c.crane_id, c.name as crane, p.plan_id, p.name as plan, p.every_hours, p.every_lifts, p.every_days, p.note,
        d.done_at, d.done_by, coalesce(d.done_at, c.registered_at) as counted_from
    from crane c
    join service_plan p
        on (p.crane_id is null or p.crane_id = c.crane_id) and (p.type_id is null or p.type_id = c.type_id)
    left join lateral (
        select done_at, done_by from service_done s
        where s.crane_id = c.crane_id and s.plan_id = p.plan_id
        union all
        -- An inspection or repair that completes the interval: from the beginning of its day, whose use counts again.
        select r.happened_on::timestamp at time zone (t.spec ->> 'time_zone'), r.person
        from life_record_now r
        join site t on t.site_id = c.site_id
        where r.crane_id = c.crane_id and not r.withdrawn and r.service_interval = p.name
        order by done_at desc limit 1
    ) d on true
    where %(crane)s::text is null or c.name = %(crane)s
)
select due.crane, due.plan_id, due.plan, due.every_hours, due.every_lifts, due.every_days, due.note,
    due.done_at, due.done_by, due.counted_from,
    coalesce(since.working_ms, 0)::float8 / 3600000 as hours_since, coalesce(since.lifts, 0)::bigint as lifts_since,
    coalesce(late.working_ms, 0)::float8 / 3600000 as hours_of_late, coalesce(late.lifts, 0)::bigint as lifts_of_late,
    %(late_days)s::int as late_days
from due
left join (
    select f.crane_id, e.plan_id, sum(f.working_ms) as working_ms, sum(f.lifts) as lifts
    from due e
    -- The day is in the key and its start is not; a local day is at most one off the one of UTC.
    join day_figure f on f.crane_id = e.crane_id and f.day >= (e.counted_from at time zone 'UTC')::date - 1
        and f.day_start_at >= e.counted_from
    join counting u on u.counting_id = f.counting_id
    where u.in_use
    group by 1, 2
) since on since.crane_id = due.crane_id and since.plan_id = due.plan_id
left join (
    select f.crane_id, sum(f.working_ms) as working_ms, sum(f.lifts) as lifts
    from (select distinct crane_id from due) e
    join day_figure f on f.crane_id = e.crane_id
    join counting u on u.counting_id = f.counting_id
    where u.in_use and f.day > %(today)s::date - %(late_days)s::int and f.day <= %(today)s::date
    group by 1
) late on late.crane_id = due.crane_id
order by due.crane, due.plan;
