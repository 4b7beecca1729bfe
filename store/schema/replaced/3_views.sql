-- Views, and the functions that return their rows. A view takes new columns at its end; for another change a step drops it.

-- Every sample as a row, for people with a SQL tool. `at` is computed, so a filter on it alone reads everything:
-- filter `t0` as well (a segment lasts a day at most), or ask samples_between(), which does so.
do $$
begin
    execute (
        select 'create or replace view sample as select crane.name as crane, segment.crane_id, segment.t0,'
            ' segment.t0 + (i - 1) * segment.dt_ms * interval ''1 millisecond'' as at, '
            || string_agg(format('segment.%1$I[i] as %1$I', attname), ', ' order by attnum)
            || ' from segment join crane using (crane_id) cross join lateral generate_series(1, segment.n) as i'
        from pg_attribute
        where attrelid = 'segment'::regclass and atttypid = 'real[]'::regtype and attname <> 'further' and not attisdropped
    );
end
$$;

-- Samples with time_from <= at < time_to, of one crane or of all. Inlined by the planner, so that only the segments in question
-- are read: `at` is computed, and a filter on it cannot choose segments by itself.
create or replace function samples_between(crane_name text, time_from timestamptz, time_to timestamptz) returns setof sample
language sql stable
as $$
    select * from sample
    where crane_id = (select crane.crane_id from crane where crane.name = crane_name)
        and t0 > time_from - interval '1 day' and t0 < time_to
        and at >= time_from and at < time_to
$$;
create or replace function samples_between(time_from timestamptz, time_to timestamptz) returns setof sample
language sql stable
as $$
    select * from sample
    where t0 > time_from - interval '1 day' and t0 < time_to
        and at >= time_from and at < time_to
$$;

-- Each record as it stands now; a finding or crack with the first day on which an inspection or repair closes it.
create or replace view life_record_now with (security_invoker = true) as
with newest as not materialized (
    select distinct on (crane_id, record_id) * from life_record order by crane_id, record_id, version desc
)
select n.*, (
    select min(c.happened_on) from newest c
    where c.crane_id = n.crane_id and not c.withdrawn and n.record_id = any(c.closes) and c.happened_on >= n.happened_on
) as closed_on
from newest n;

-- What the rule of the special assessment needs of a crane's findings and cracks: duty.assessment reads it.
create or replace view crane_defects with (security_invoker = true) as
select crane_id, jsonb_agg(
    jsonb_build_object(
        'kind', kind, 'found_on', happened_on, 'closed_on', closed_on, 'detail', coalesce(detail, ''),
        'length_mm', length_mm, 'note', left(note, 80)
    ) order by happened_on, record_id
) as defects
from life_record_now
where kind in ('finding', 'crack') and not withdrawn
group by crane_id;
