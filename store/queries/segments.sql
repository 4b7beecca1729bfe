-- name: segment_staging
-- A table of this session for incoming segments, empty at every commit.
create temporary table if not exists incoming_segment (like segment) on commit delete rows;

-- name: segment_staging_emptied
-- What was staged is stored.
delete from incoming_segment;

-- name: segment_ranges
-- Partitions for a time range, where segments are partitioned.
select segment_make_ranges(%(time_from)s, %(time_to)s);

-- name: segments_stored
-- Move staged segments into the store; what is there already stays. In the order of the key, against deadlocks.
insert into segment
select * from incoming_segment
order by crane_id, t0, boot, seq
on conflict (crane_id, t0, boot, seq) do nothing
returning crane_id, (extract(epoch from t0) * 1000)::bigint, boot, seq;

-- name: segments_differing
-- Staged segments whose key is stored with other readings; those of further channels are compared where both have the same ones.
select crane_id, (extract(epoch from t0) * 1000)::bigint, boot, seq
from incoming_segment incoming
join segment stored using (crane_id, t0, boot, seq)
where (incoming.dt_ms, incoming.n, {channels_incoming}) is distinct from (stored.dt_ms, stored.n, {channels_stored})
    or (incoming.further_names = stored.further_names and incoming.further is distinct from stored.further);

-- name: segments_of_crane
-- Segments of one crane that overlap a time range. A segment lasts a day at most, which bounds the search.
select t0, boot, seq, dt_ms, n, received_at, {channels}
from segment
where crane_id = {crane_id} and t0 > {time_from}::timestamptz - interval '1 day' and t0 < {time_to}
    and t0 + n * dt_ms * interval '1 millisecond' > {time_from}::timestamptz
order by t0, boot, seq;

-- name: segment_extent
-- First and last start of the segments of one crane.
select min(t0) as first_at, max(t0) as last_at from segment where crane_id = %(crane_id)s;

-- name: plain_readings_offered
-- Whether arrays of readings can be asked for as they lie in memory (store/schema/replaced/1_functions.sql).
select to_regprocedure('plain.readings(real[])') is not null and to_regclass('pg_catalog.pg_dist_partition') is null;
