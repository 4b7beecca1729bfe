-- name: quarantine_kept
-- Set messages aside; one that comes again is counted. In order, against deadlocks.
insert into quarantine (received_at, last_received_at, topic, crane_name, reason, detail, raw, digest)
select received_at, received_at, topic, crane_name, reason, detail, raw, digest
from unnest(
    %(received_at)s::timestamptz[], %(topics)s::text[], %(crane_names)s::text[], %(reasons)s::text[],
    %(details)s::text[], %(raws)s::bytea[], %(digests)s::bytea[]
) as incoming (received_at, topic, crane_name, reason, detail, raw, digest)
order by digest
on conflict (digest) do update
    set times = quarantine.times + 1, last_received_at = excluded.last_received_at,
        reason = excluded.reason, detail = excluded.detail;

-- name: quarantine_listed
-- One page of messages set aside, newest first.
select quarantine_id, received_at, last_received_at, times, topic, crane_name, reason, detail, raw
from quarantine
where (%(crane_name)s::text is null or crane_name = %(crane_name)s)
    and (%(reason)s::text is null or reason = %(reason)s)
    and (%(before_id)s::bigint is null or quarantine_id < %(before_id)s)
order by quarantine_id desc
limit %(most)s;

-- name: quarantine_oldest
-- One page of messages set aside, oldest first.
select quarantine_id, received_at, last_received_at, times, topic, crane_name, reason, detail, raw
from quarantine
where (%(crane_name)s::text is null or crane_name = %(crane_name)s)
    and (%(reason)s::text is null or reason = %(reason)s)
    and quarantine_id > %(after_id)s
order by quarantine_id
limit %(most)s;

-- name: quarantine_counted
-- Messages set aside, by reason.
select reason, count(*) as messages, sum(times)::bigint as times, sum(octet_length(raw))::bigint as bytes
from quarantine
group by reason
order by reason;

-- name: quarantine_released
-- Forget messages that were replayed.
delete from quarantine where quarantine_id = any(%(ids)s::bigint[]);

-- name: quarantine_bounded
-- Remove the oldest messages beyond a number and a size, and those that came last before a time; record what went.
with kept as (
    select quarantine_id, received_at, last_received_at, reason, octet_length(raw) as bytes,
        row_number() over newest_first as place,
        sum(octet_length(raw)) over newest_first as bytes_so_far
    from quarantine
    window newest_first as (order by quarantine_id desc)
), removed as (
    delete from quarantine
    using kept
    where quarantine.quarantine_id = kept.quarantine_id
        and (
            kept.place > %(most_rows)s or kept.bytes_so_far > %(most_bytes)s
            or kept.last_received_at < %(before)s::timestamptz
        )
    returning kept.received_at, kept.reason, kept.bytes
), by_reason as (
    select reason, count(*) as messages from removed group by reason
)
insert into quarantine_removal (messages, bytes, oldest_received_at, newest_received_at, reasons)
select count(*), sum(bytes), min(received_at), max(received_at),
    (select jsonb_object_agg(reason, messages) from by_reason)
from removed
having count(*) > 0
returning messages;

-- name: quarantine_ahead
-- Samples messages of one crane that came in a time range and were refused as ahead of our clock.
select received_at, raw from quarantine
where crane_name = %(crane)s and reason = 'in_future' and received_at >= %(time_from)s and received_at < %(time_to)s
order by quarantine_id;

-- name: quarantine_days
-- Messages of one crane that were set aside, but those ahead of our clock, by the local day on which they came.
select (received_at at time zone %(zone)s)::date as day, count(*)::int as messages,
    min(received_at) as first_at, max(received_at) as last_at
from quarantine
where crane_name = %(crane)s and reason <> 'in_future'
    and (received_at at time zone %(zone)s)::date between %(first_day)s and %(last_day)s
group by 1
order by 1;

-- name: quarantine_days_of
-- Cranes and local days on which some messages came.
select distinct c.crane_id, (q.received_at at time zone (s.spec ->> 'time_zone'))::date as day
from quarantine q
join crane c on c.name = q.crane_name
join site s using (site_id)
where q.quarantine_id = any(%(ids)s::bigint[]);

-- name: quarantine_removals
-- What the size bound removed, newest first.
select removed_at, messages, bytes, oldest_received_at, newest_received_at, reasons
from quarantine_removal
order by removal_id desc
limit %(most)s;
