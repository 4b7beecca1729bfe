-- Samples of every crane with time_from <= at < time_to. Like the function of one crane it is inlined by the planner, and only
-- the segments in question are read: `at` is computed, so a filter on it cannot choose segments by itself.
create function samples_between(time_from timestamptz, time_to timestamptz) returns setof sample
language sql stable
as $$
    select * from sample
    where t0 > time_from - interval '1 day' and t0 < time_to
        and at >= time_from and at < time_to
$$;
