-- name: counter_readings
-- Readings of the counters of one crane in force, those that it sent included, in time order.
-- A reading stands for the end of its day, so that of several of a day the last one holds; low and high are the least and the largest.
select reading_id, kind, read_on, value, value as low, value as high, restarted, note, 'typed' as source, entered_at, entered_by
from counter_reading
where crane_id = %(crane_id)s and withdrawn_at is null
union all
select null, kind, read_on, (array_agg(value order by at desc))[1], min(value), max(value), false, '', 'event',
    max(received_at), ''
from (
    select e.code as kind, (e.at at time zone %(zone)s)::date as read_on, e.at, e.text::float8 as value, e.received_at
    from event e
    where e.crane_id = %(crane_id)s and e.kind = 'counter' and e.code in ('operating_hours', 'lifts')
        and e.text ~ %(counter_text)s
) sent
group by kind, read_on
union all
select null, sent.kind, d.day, sent.last, sent.low, sent.high, false, '', 'samples', d.day_end_at, ''
from day_figure d
join counting u on u.counting_id = d.counting_id and u.in_use
cross join lateral (
    values
        ('operating_hours', d.operating_hours_h_low, d.operating_hours_h_high, d.operating_hours_h_last),
        ('lifts', d.lift_counter_low, d.lift_counter_high, d.lift_counter_last)
) as sent (kind, low, high, last)
where d.crane_id = %(crane_id)s and sent.last is not null
order by kind, read_on, source desc;

-- name: recorded_between
-- What was recorded of one crane on the days after some days, each up to another; in their order.
select coalesce(sum(d.working_ms), 0)::bigint as working_ms, coalesce(sum(d.lifts), 0)::bigint as lifts
from unnest(%(after)s::date[], %(upto)s::date[]) with ordinality as span (after, upto, place)
left join day_figure d on d.crane_id = %(crane_id)s and d.counting_id = %(counting_id)s
    and d.day > span.after and d.day <= span.upto
group by span.place
order by span.place;

-- name: counter_reading_of_day
-- The reading of a counter and day that is in force.
select reading_id, value, restarted from counter_reading
where crane_id = %(crane_id)s and kind = %(kind)s and read_on = %(read_on)s and withdrawn_at is null;

-- name: counter_reading_added
-- A reading of a counter; nothing comes back where one of that day is in force.
insert into counter_reading (crane_id, kind, read_on, value, restarted, note, entered_by)
values (%(crane_id)s, %(kind)s, %(read_on)s, %(value)s, %(restarted)s, %(note)s, %(account)s)
on conflict (crane_id, kind, read_on) where withdrawn_at is null do nothing
returning reading_id;

-- name: counter_reading_withdrawn
-- Takes a reading back; nothing comes back where there is none in force.
update counter_reading set withdrawn_at = now(), withdrawn_by = %(account)s
where crane_id = %(crane_id)s and reading_id = %(reading_id)s and withdrawn_at is null
returning reading_id;

-- name: summary_outdated
-- Has the summary of one crane written again.
update crane_summary set made_of = null where crane_id = %(crane_id)s;

-- name: monthly_record
-- What is on record of one crane by month: time, time missing inside days and between them (see gaps_read), counted duty.
-- A day without samples has no ends, and stands apart. uncounted_ms is time of messages that were not counted up.
select d.day - (extract(day from d.day)::int - 1) as month, sum(d.recorded_ms)::bigint as recorded_ms,
    sum(d.gap_ms + d.seam_ms)::bigint as missing_ms, sum(d.unrecorded_ms)::bigint as unrecorded_ms,
    sum(d.peak_cubed_sum order by d.day) as cube_sum, sum(d.uncounted_ms)::bigint as uncounted_ms
from (
    select day, recorded_ms, peak_cubed_sum, uncounted_ms,
        excluded_ms + overlap_ms + clock_ms + case when posed then no_pose_ms else 0 end as unrecorded_ms,
        sensor_gap_ms + offline_gap_ms + quarantine_gap_ms + hole_ms + overlap_ms + clock_ms + excluded_ms
            + case when posed then no_pose_ms else 0 end as gap_ms,
        case when first_at <= before_at then 0
            when before_boot = first_boot and first_seq >= before_seq
            then least(greatest(left_out * message_ms, 86400000), between_ms)
            when before_boot <> first_boot and left_out <= 1000000 then least(left_out * message_ms, between_ms)
            else 0 end as seam_ms
    from (
        select day, recorded_ms, peak_cubed_sum, uncounted_ms, excluded_ms, overlap_ms, clock_ms, posed, no_pose_ms, sensor_gap_ms,
            offline_gap_ms, quarantine_gap_ms, hole_ms, first_at, first_boot, first_seq, message_ms,
            lag(last_at) over w as before_at, lag(last_boot) over w as before_boot, lag(last_seq) over w as before_seq
        from day_figure
        where crane_id = %(crane_id)s and counting_id = %(counting_id)s
        window w as (partition by first_at is null order by day)
    ) ends cross join lateral (
        select (extract(epoch from first_at - before_at) * 1000)::bigint as between_ms, greatest(
            case when first_seq > before_seq then first_seq - before_seq - 1 when before_boot = first_boot then 0 else first_seq - 1 end, 0
        ) as left_out
    ) numbers
) d
group by 1
order by 1;
