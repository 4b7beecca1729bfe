-- name: live_values_stored
-- Newest readings of some cranes; older ones than those known change nothing.
insert into live (crane_id, at, received_at, last_values)
select * from unnest(%(crane_ids)s::integer[], %(at)s::timestamptz[], %(received_at)s::timestamptz[], %(values)s::jsonb[])
order by 1
on conflict (crane_id) do update
    set at = excluded.at, received_at = excluded.received_at, last_values = excluded.last_values
    where live.at is null or live.at <= excluded.at;

-- name: live_presence_stored
-- A crane is online with this boot, or offline. A last will of an earlier boot changes nothing.
insert into live (crane_id, boot, online) values (%(crane_id)s, %(boot)s, %(online)s)
on conflict (crane_id) do update set boot = excluded.boot, online = excluded.online
where excluded.online or live.boot is null or live.boot = excluded.boot;

-- name: live_told
-- Tell listeners which cranes have news. Sent at the commit.
select pg_notify('boomledger_live', crane) from unnest(%(cranes)s::text[]) as crane;
