-- name: segments_whole
-- Segments of one crane that begin in a time range, with everything that is stored of them.
select crane_id, t0, boot, seq, dt_ms, n, received_at, {channels}
from segment
where crane_id = {crane_id} and t0 >= {time_from} and t0 < {time_to}
order by t0, boot, seq;

-- name: cold_days_of_crane
-- Files of one crane with segments that may reach into a time range.
select location from cold_day
where crane_id = %(crane_id)s and day >= %(first_day)s and day <= %(last_day)s
order by day;

-- name: cold_files_of_crane
-- Every file of one crane.
select day, location from cold_day where crane_id = %(crane_id)s order by day;

-- name: cold_day_of_crane
-- The file of one crane-day.
select location from cold_day where crane_id = %(crane_id)s and day = %(day)s;

-- name: cold_day_stored
-- A crane-day lives in this file now.
insert into cold_day (crane_id, day, location, segments, samples, bytes)
values (%(crane_id)s, %(day)s, %(location)s, %(segments)s, %(samples)s, %(bytes)s)
on conflict (crane_id, day) do update
    set location = excluded.location, segments = excluded.segments, samples = excluded.samples,
        bytes = excluded.bytes, moved_at = now();

-- name: segments_moved
-- Remove the segments that were copied, and no other.
delete from segment
using unnest(%(t0)s::timestamptz[], %(boot)s::bigint[], %(seq)s::bigint[]) as copied (t0, boot, seq)
where segment.crane_id = %(crane_id)s
    and segment.t0 >= %(time_from)s and segment.t0 < %(time_to)s
    and segment.t0 = copied.t0 and segment.boot = copied.boot and segment.seq = copied.seq;

-- name: days_uncounted
-- Whether a day that the file would touch waits to be counted.
select exists (
    select from touched_day
    where crane_id = %(crane_id)s and day between %(day)s::date - 1 and %(day)s::date + 1
);

-- name: days_to_move
-- Crane-days with segments from before a time, oldest first.
select distinct crane_id, (t0 at time zone 'UTC')::date as day
from segment
where t0 < %(before)s
order by day, crane_id;

-- name: empty_ranges_dropped
-- Give back the space of ranges that were moved out completely.
select segment_drop_empty_ranges(%(before)s);
