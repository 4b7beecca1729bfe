-- name: crane_rows
-- One page of cranes of the sites in scope, by name.
select c.name, coalesce(c.spec ->> 'title', '') as title, t.name as type, coalesce(p.spec ->> 'title', '') as type_title,
    s.name as site, c.registered_at, c.draft
from crane c
join site s using (site_id)
join crane_type t using (type_id)
join crane_spec p using (spec_id)
where (%(sites)s::text[] is null or s.name = any(%(sites)s::text[])) and c.name > %(after)s
order by c.name
limit %(rows)s;

-- name: cranes_in_scope
-- Cranes of some names whose site is in scope, by what every answer about them needs.
select c.crane_id, c.name, c.registered_at, c.draft, t.name as type_name, s.name as site_name,
    s.spec ->> 'time_zone' as time_zone
from crane c
join site s using (site_id)
join crane_type t using (type_id)
where c.name = any(%(cranes)s) and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
order by c.name;

-- name: crane_known
-- The same with everything entered about it, as text: whether that is known already is seen without reading it.
select c.crane_id, c.name, c.registered_at, c.draft, t.name as type_name, s.name as site_name,
    s.spec ->> 'time_zone' as time_zone, c.spec::text as spec, p.spec::text as type_spec, s.spec::text as site_spec
from crane c
join site s using (site_id)
join crane_type t using (type_id)
join crane_spec p using (spec_id)
where c.name = %(crane)s and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]));

-- name: live_rows
-- Last known values of some cranes, or of every crane in scope.
select c.name as crane, coalesce(l.online, false) as online, l.at, l.received_at, l.last_values
from crane c
join site s using (site_id)
left join live l using (crane_id)
where (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(cranes)s::text[] is null or c.name = any(%(cranes)s::text[]))
order by c.name;

-- name: event_rows
-- One page of events in a time range, newest first, of one crane or of every crane in scope.
select c.name as crane, e.at, e.kind, e.code, e.state, e.text, e.received_at, e.boot, e.seq
from event e
join crane c using (crane_id)
join site s using (site_id)
where e.at >= %(time_from)s and e.at < %(time_to)s
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(crane)s::text is null or c.name = %(crane)s)
    and (%(kinds)s::text[] is null or e.kind = any(%(kinds)s::text[]))
    and (%(before_at)s::timestamptz is null
        or (e.at, c.name, e.boot, e.seq) < (%(before_at)s, %(before_crane)s, %(before_boot)s, %(before_seq)s))
order by e.at desc, c.name desc, e.boot desc, e.seq desc
limit %(rows)s;

-- name: fault_rows
-- Status codes of one crane over a period, open ones first.
select f.code, (array_agg(f.text order by f.raised_at desc))[1] as text,
    (count(*) filter (where f.raised_at >= %(time_from)s))::int as raised,
    min(f.raised_at) filter (where f.cleared_at is null) as open_since, max(f.raised_at) as last_at
from fault_episode f
where f.crane_id = %(crane_id)s and (f.raised_at >= %(time_from)s or f.cleared_at is null)
group by f.code
order by min(f.raised_at) filter (where f.cleared_at is null) nulls last, count(*) desc, f.code;

-- name: quarantine_rows
-- One page of messages set aside, newest first; those of no known crane only to whom every site is in scope.
select q.quarantine_id, q.received_at, q.topic, q.crane_name as crane, q.reason, q.detail,
    octet_length(q.raw) as raw_bytes, substring(q.raw for 200) as raw_start
from quarantine q
where (%(sites)s::text[] is null or exists (
        select from crane c join site s using (site_id)
        where c.name = q.crane_name and s.name = any(%(sites)s::text[])))
    and (%(before)s::bigint is null or q.quarantine_id < %(before)s)
order by q.quarantine_id desc
limit %(rows)s;

-- name: quarantined_count
-- How many messages were set aside in a time range.
select count(*)::int as quarantined
from quarantine q
where q.received_at >= %(time_from)s and q.received_at < %(time_to)s
    and (%(sites)s::text[] is null or exists (
        select from crane c join site s using (site_id)
        where c.name = q.crane_name and s.name = any(%(sites)s::text[])));

-- name: crane_plan_dropped
-- Forgets an interval of service that was entered for this crane alone, and what was done under it.
delete from service_plan where crane_id = %(crane_id)s and name = %(name)s;
