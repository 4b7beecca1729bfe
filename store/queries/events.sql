-- name: event_staging
-- A table of this session for incoming events, empty at every commit.
create temporary table if not exists incoming_event (like event) on commit delete rows;

-- name: events_stored
-- Move staged events into the store; what is there already stays. In the order of the key, against deadlocks.
insert into event
select * from incoming_event
order by crane_id, at, boot, seq
on conflict (crane_id, at, boot, seq) do nothing
returning crane_id, (extract(epoch from at) * 1000)::bigint, boot, seq;

-- name: events_differing
-- Staged events whose key is stored with other contents.
select crane_id, (extract(epoch from at) * 1000)::bigint, boot, seq
from incoming_event incoming
join event stored using (crane_id, at, boot, seq)
where (incoming.kind, incoming.code, incoming.state, incoming.text)
    is distinct from (stored.kind, stored.code, stored.state, stored.text);

-- name: events_of_crane
-- Events of one crane in a time range, oldest first.
select crane_id, at, boot, seq, kind, code, state, text, received_at
from event
where crane_id = %(crane_id)s and at >= %(time_from)s and at < %(time_to)s
order by at, boot, seq;
