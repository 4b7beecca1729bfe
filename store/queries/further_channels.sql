-- name: further_channel_saved
-- Register a further channel of a crane or (null) of the fleet, or change the one of its name; nothing where there are too many.
insert into further_channel as f (crane_id, name, unit, low, high, meaning, registered_by)
select %(crane_id)s::integer, %(name)s, %(unit)s, %(low)s, %(high)s, %(meaning)s, %(account)s
where %(most)s > (
    select count(*) from further_channel other
    where other.crane_id is not distinct from %(crane_id)s::integer and other.name <> %(name)s and other.withdrawn_at is null
)
on conflict (crane_id, name) do update
    set unit = excluded.unit, low = excluded.low, high = excluded.high, meaning = excluded.meaning, registered_at = now(),
        registered_by = excluded.registered_by, withdrawn_at = null, withdrawn_by = null, brought_in_at = null
returning channel_id;

-- name: further_channel_unit
-- The unit that a name was registered with, of whichever crane or the fleet, withdrawn ones included: the newest.
select unit from further_channel where name = %(name)s order by registered_at desc, channel_id desc limit 1;

-- name: further_channel_withdrawn
-- Take a further channel back; one that was taken back before stays as it is.
update further_channel set withdrawn_at = now(), withdrawn_by = %(account)s
where crane_id is not distinct from %(crane_id)s::integer and name = %(name)s and withdrawn_at is null;

-- name: further_channels_listed
-- Further channels of the fleet, and of one crane or of those at some sites; in the order of their numbers, withdrawn ones included.
select f.channel_id, c.name as crane, f.name, f.unit, f.low, f.high, f.meaning, f.registered_at, f.registered_by,
    f.withdrawn_at, f.withdrawn_by, f.brought_in_at, f.brought_in
from further_channel f
left join crane c using (crane_id)
left join site s using (site_id)
where (f.crane_id is null or (%(sites)s::text[] is null or s.name = any(%(sites)s::text[])))
    and (%(crane_id)s::integer is null or f.crane_id is null or f.crane_id = %(crane_id)s)
    and f.channel_id > %(after)s
order by f.channel_id
limit %(rows)s;

-- name: further_channels_in_force
-- Name and range of further channels by crane; of every crane under null.
select crane_id, name, low, high from further_channel where withdrawn_at is null order by name;

-- name: further_channel_claimed
-- A further channel whose readings of before wait to be brought in and that nobody else works on; ours until the transaction ends.
select channel_id, crane_id, name
from further_channel
where withdrawn_at is null and brought_in_at is null and registered_at <= now() - %(after_s)s * interval '1 second'
order by channel_id
limit 1
for update skip locked;

-- name: further_readings_added
-- Add the readings of a further channel to a message that is stored without it.
update segment
set further_names = coalesce(further_names, '{}') || array[%(name)s::text],
    further = coalesce(further, '{}') || %(readings)s::real[]
where crane_id = %(crane_id)s and t0 = %(t0)s and boot = %(boot)s and seq = %(seq)s and n = %(n)s
    and not coalesce(%(name)s = any(further_names), false);

-- name: further_channel_brought_in
-- The readings of before are brought in.
update further_channel set brought_in_at = now(), brought_in = brought_in + %(messages)s where channel_id = %(channel_id)s;
