-- name: segments_whole
-- Segments of one crane that begin in a time range, with everything that is stored of them.
select crane_id, t0, boot, seq, dt_ms, n, received_at, {channels}
from segment
where crane_id = {crane_id} and t0 >= {time_from} and t0 < {time_to}
order by t0, boot, seq;

-- name: cold_days_of_crane
-- Folder and name of the files of one crane with segments that may reach into a time range.
select coalesce((select folder from cold_folder), '') as folder, location from cold_day
where crane_id = %(crane_id)s and day >= %(first_day)s and day <= %(last_day)s
order by day;

-- name: cold_files_of_crane
-- Every file of one crane.
select day, coalesce((select folder from cold_folder), '') as folder, location from cold_day
where crane_id = %(crane_id)s order by day;

-- name: cold_files_of_days
-- The files of some crane-days.
select crane_id, day, coalesce((select folder from cold_folder), '') as folder, location from cold_day
join unnest(%(crane_ids)s::integer[], %(days)s::date[]) as asked (crane_id, day) using (crane_id, day);

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

-- name: cold_day_forgotten
-- A crane-day lives in the database again.
delete from cold_day where crane_id = %(crane_id)s and day = %(day)s;

-- name: cold_folder_now
-- Where the files of the cold tier lie.
select folder from cold_folder;

-- name: cold_folder_set
-- They lie there from now on.
insert into cold_folder (folder) values (%(folder)s) on conflict (single) do update set folder = excluded.folder;

-- name: cold_files_all
-- Every file with its bytes.
select location, bytes from cold_day order by location;

-- name: cold_file_begun
-- A file is about to be written, or to be no longer needed; one that a day lives in is neither.
insert into cold_file_unfinished (location)
select %(location)s where not exists (select from cold_day where location = %(location)s)
on conflict do nothing;

-- name: cold_file_finished
-- A day lives in the file, or the file is gone.
delete from cold_file_unfinished where location = %(location)s;

-- name: cold_files_unfinished
-- Files that no day lives in.
select location from cold_file_unfinished order by location;

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

-- name: standby_follows
-- Whether another server follows this one.
select exists (select from pg_stat_replication);
