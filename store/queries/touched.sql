-- name: touched_days_stored
-- Queue crane-days to be counted again, in order against deadlocks.
insert into touched_day (crane_id, day, touched_at)
select crane_id, day, clock_timestamp()
from unnest(%(crane_ids)s::integer[], %(days)s::date[]) as touched (crane_id, day)
order by crane_id, day
on conflict (crane_id, day) do update set touched_at = excluded.touched_at;

-- name: touched_told
-- Tell the counting process that the queue has rows. Sent at the commit.
select pg_notify('boomledger_touched', '');
