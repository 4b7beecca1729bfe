-- name: exclusion_added
-- Exclude a span of one channel or of all; the one that is there where the same was asked for before.
with added as (
    insert into exclusion (crane_id, channel, from_at, to_at, readings_false, reason, entered_by)
    values (%(crane_id)s, %(channel)s, %(from_at)s, %(to_at)s, %(readings_false)s, %(reason)s, %(entered_by)s)
    on conflict do nothing
    returning exclusion_id
)
select exclusion_id from added
union all
select exclusion_id from exclusion
where crane_id = %(crane_id)s and channel is not distinct from %(channel)s and from_at = %(from_at)s
    and to_at = %(to_at)s and readings_false = %(readings_false)s and reason = %(reason)s and withdrawn_at is null
limit 1;

-- name: exclusion_withdrawn
-- Take an exclusion back; one that was taken back before stays as it is.
update exclusion set withdrawn_at = now(), withdrawn_by = %(account)s
where crane_id = %(crane_id)s and exclusion_id = %(exclusion_id)s and withdrawn_at is null
returning exclusion_id;

-- name: exclusions_listed
-- Exclusions of one crane or of those at some sites, newest first, before an exclusion_id; those taken back included.
select e.exclusion_id, c.name as crane, e.channel, e.from_at, e.to_at, e.readings_false, e.reason, e.entered_at,
    e.entered_by, e.withdrawn_at, e.withdrawn_by
from exclusion e
join crane c using (crane_id)
join site s using (site_id)
where (%(crane_id)s::integer is null or e.crane_id = %(crane_id)s)
    and (%(exclusion_id)s::integer is null or e.exclusion_id = %(exclusion_id)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(time_from)s::timestamptz is null or e.to_at > %(time_from)s)
    and (%(time_to)s::timestamptz is null or e.from_at < %(time_to)s)
    and (%(before)s::integer is null or e.exclusion_id < %(before)s)
order by e.exclusion_id desc
limit %(rows)s;

-- name: exclusions_in_force
-- What is excluded of one crane in a time range.
select channel, from_at, to_at, readings_false from exclusion
where crane_id = %(crane_id)s and withdrawn_at is null and from_at < %(time_to)s and to_at > %(time_from)s
order by from_at, exclusion_id;

-- name: days_between_touched
-- Days of one crane in a range that were counted or wait for it, to be counted again.
insert into touched_day (crane_id, day, touched_at)
select %(crane_id)s, day, clock_timestamp()
from (
    select day from day_figure where crane_id = %(crane_id)s and day between %(first_day)s and %(last_day)s
    union
    select day from touched_day where crane_id = %(crane_id)s and day between %(first_day)s and %(last_day)s
) counted
order by day
on conflict (crane_id, day) do update set touched_at = excluded.touched_at
returning day;
