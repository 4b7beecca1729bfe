-- name: quarantine_stored
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
-- Remove messages beyond a number and a size, the same for each crane and reason, and those that came last before a time.
-- The largest pile gives first, its oldest first. Names of no crane can be made up, so all of them share one room.
with of_name as (
    select q.quarantine_id, q.received_at, q.last_received_at, q.reason, q.crane_name, octet_length(q.raw) as bytes,
        c.crane_id is not null as known,
        row_number() over newest_first as place, sum(octet_length(q.raw)) over newest_first as bytes_so_far
    from quarantine q
    left join crane c on c.name = q.crane_name
    window newest_first as (partition by q.crane_name, q.reason order by q.quarantine_id desc)
), of_pile as (
    select of_name.*,
        case when known then place
            else row_number() over (partition by reason, known order by place, quarantine_id desc) end as pile_place,
        case when known then bytes_so_far
            else sum(bytes) over (partition by reason, known order by bytes_so_far, quarantine_id desc) end as pile_bytes
    from of_name
), ranked as (
    select of_pile.*, row_number() over (order by pile_place, quarantine_id desc) as rank,
        sum(bytes) over (order by pile_bytes, quarantine_id desc) as bytes_to_here
    from of_pile
), removed as (
    delete from quarantine
    using ranked
    where quarantine.quarantine_id = ranked.quarantine_id
        and (
            ranked.rank > %(most_rows)s or ranked.bytes_to_here > %(most_bytes)s
            or ranked.last_received_at < %(before)s::timestamptz
        )
    returning ranked.received_at, ranked.reason, ranked.crane_name, ranked.known, ranked.bytes,
        ranked.rank <= %(most_rows)s and ranked.bytes_to_here <= %(most_bytes)s as aged
), by_reason as (
    select reason, count(*) as messages from removed group by reason
), by_crane as (
    select crane_name, count(*) as messages from removed where known group by crane_name
)
insert into quarantine_removal (messages, bytes, oldest_received_at, newest_received_at, reasons, cranes, aged)
select count(*), sum(bytes), min(received_at), max(received_at),
    (select jsonb_object_agg(reason, messages) from by_reason),
    (select coalesce(jsonb_object_agg(crane_name, messages), '{}') from by_crane),
    count(*) filter (where aged)
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

-- name: clock_doubted
-- Write down that our clock is in doubt; what is written down already is extended.
insert into clock_doubt (from_at, to_at, ahead_ms, detail) values (%(from_at)s, %(to_at)s, %(ahead_ms)s, %(detail)s)
returning doubt_id;

-- name: clock_doubted_still
-- Our clock is in doubt still.
update clock_doubt
set to_at = %(to_at)s, ahead_ms = greatest(ahead_ms, %(ahead_ms)s), detail = %(detail)s, seen_at = now()
where doubt_id = %(doubt_id)s;

-- name: clock_doubts_between
-- When our clock was in doubt within a time, and how far others were ahead of it.
select from_at, to_at, ahead_ms from clock_doubt
where from_at <= %(time_to)s and to_at >= %(time_from)s and ahead_ms > 0
order by from_at;

-- name: database_time
-- The time by the clock of the database.
select clock_timestamp();

-- name: replay_asked
-- Ask for refused messages to be judged again; a request that waits already is the same one.
with asked as (
    insert into quarantine_replay (crane_name, reason, asked_by)
    select %(crane_name)s, %(reason)s, %(asked_by)s
    where not exists (
        select from quarantine_replay
        where done_at is null and crane_name is not distinct from %(crane_name)s::text
            and reason is not distinct from %(reason)s::text
    )
    returning replay_id
)
select replay_id from asked
union all
select replay_id from quarantine_replay
where done_at is null and crane_name is not distinct from %(crane_name)s::text
    and reason is not distinct from %(reason)s::text
limit 1;

-- name: replays_listed
-- Requests to judge refused messages again, newest first.
select replay_id, crane_name as crane, reason, asked_at, asked_by, done_at, stored, known, kept, problem
from quarantine_replay
where (%(replay_id)s::integer is null or replay_id = %(replay_id)s)
    and (
        %(sites)s::text[] is null or crane_name in (
            select c.name from crane c join site s using (site_id) where s.name = any(%(sites)s::text[])
        )
    )
order by replay_id desc
limit %(most)s;

-- name: replay_claimed
-- The oldest request that waits and that nobody else works on; it is ours until the transaction ends.
select replay_id, crane_name, reason from quarantine_replay
where done_at is null
order by replay_id
limit 1
for update skip locked;

-- name: replay_done
-- What became of a request.
update quarantine_replay
set done_at = now(), stored = %(stored)s, known = %(known)s, kept = %(kept)s, problem = %(problem)s
where replay_id = %(replay_id)s;
