-- name: refused_readings_stored
-- Count refused readings of messages not stored before, in order against deadlocks; a day keeps only some unknown names, those that came first.
with incoming as (
    select crane_id, day, channel, count(*) as messages, sum(readings) as readings, min(first_at) as first_at, max(last_at) as last_at,
        min(least) as least, max(most) as most,
        channel <> all(%(known)s::text[]) and not exists (
            select from refused_reading there where (there.crane_id, there.day, there.channel) = (found.crane_id, found.day, found.channel)
        ) as fresh
    from unnest(
        %(crane_ids)s::integer[], %(days)s::date[], %(channels)s::text[], %(readings)s::bigint[],
        %(first_at)s::timestamptz[], %(last_at)s::timestamptz[], %(least)s::double precision[], %(most)s::double precision[]
    ) as found (crane_id, day, channel, readings, first_at, last_at, least, most)
    group by crane_id, day, channel
), placed as (
    select *, row_number() over (partition by crane_id, day, fresh order by first_at, channel) as place from incoming
)
insert into refused_reading as kept (crane_id, day, channel, messages, readings, first_at, last_at, least, most)
select crane_id, day, channel, messages, readings, first_at, last_at, least, most
from placed
where not fresh or place <= %(most_names)s - (
    select count(*) from refused_reading there
    where (there.crane_id, there.day) = (placed.crane_id, placed.day) and there.channel <> all(%(known)s::text[])
)
order by crane_id, day, channel
on conflict (crane_id, day, channel) do update
    set messages = kept.messages + excluded.messages, readings = kept.readings + excluded.readings,
        first_at = least(kept.first_at, excluded.first_at), last_at = greatest(kept.last_at, excluded.last_at),
        least = least(kept.least, excluded.least), most = greatest(kept.most, excluded.most);

-- name: refused_readings_gone
-- Forget what stood under a name by day, where all of it was brought in.
delete from refused_reading
using unnest(%(crane_ids)s::integer[], %(days)s::date[], %(messages)s::bigint[]) as brought (crane_id, day, messages)
where refused_reading.crane_id = brought.crane_id and refused_reading.day = brought.day and channel = %(channel)s
    and refused_reading.most = 'NaN' and refused_reading.messages <= brought.messages;

-- name: refused_readings_fewer
-- Count less of what stood under a name by day, where some of it was brought in.
update refused_reading
set messages = refused_reading.messages - brought.messages, readings = greatest(1, refused_reading.readings - brought.readings)
from unnest(%(crane_ids)s::integer[], %(days)s::date[], %(messages)s::bigint[], %(readings)s::bigint[])
    as brought (crane_id, day, messages, readings)
where refused_reading.crane_id = brought.crane_id and refused_reading.day = brought.day and channel = %(channel)s
    and refused_reading.most = 'NaN';

-- name: refused_messages_stored
-- Keep the bytes of messages that had refused readings.
insert into refused_message (crane_id, t0, boot, seq, received_at, raw)
select crane_id, t0, boot, seq, received_at, raw
from unnest(
    %(crane_ids)s::integer[], %(t0)s::timestamptz[], %(boots)s::bigint[], %(seqs)s::bigint[],
    %(received_at)s::timestamptz[], %(raws)s::bytea[]
) as incoming (crane_id, t0, boot, seq, received_at, raw)
order by crane_id, t0, boot, seq
on conflict do nothing;

-- name: refused_messages_bounded
-- Remove the oldest kept messages of some cranes beyond a number and a size for each.
with kept as (
    select crane_id, t0, boot, seq, row_number() over newest_first as place,
        sum(octet_length(raw)) over newest_first as bytes_so_far
    from refused_message
    where crane_id = any(%(crane_ids)s::integer[])
    window newest_first as (partition by crane_id order by received_at desc, t0 desc, boot, seq)
)
delete from refused_message
using kept
where (refused_message.crane_id, refused_message.t0, refused_message.boot, refused_message.seq)
        = (kept.crane_id, kept.t0, kept.boot, kept.seq)
    and (kept.place > %(most_messages)s or kept.bytes_so_far > %(most_bytes)s);

-- name: refused_readings_listed
-- Refused readings of a crane by day and channel.
select day, channel, messages, readings, first_at, last_at, least, most
from refused_reading
where crane_id = %(crane_id)s and day between %(first_day)s and %(last_day)s
order by day, channel;

-- name: refused_messages_listed
-- Kept messages of a crane that had refused readings, newest first.
select t0, boot, seq, received_at, raw
from refused_message
where crane_id = %(crane_id)s
order by received_at desc, t0 desc, boot, seq
limit %(most)s;
