-- name: finding_facts
-- What findings are judged from: the recorded days of one crane, in order of time.
select day, coalesce(first_at, day_start_at) as first_at, coalesce(last_at, day_end_at) as past_at, plausibility, lifts,
    spikes + spikes_counted as spikes, largest_spike_pct, sensor_gap_ms, hole_ms, uncounted_ms,
    came_at, first_boot, first_seq, last_boot, last_seq
from day_figure
where crane_id = %(crane_id)s and counting_id = %(counting_id)s and day between %(day_from)s and %(day_to)s
    and plausibility is not null
order by day;

-- name: findings_forgotten
-- Findings of some days of one crane, before they are judged again.
delete from finding where crane_id = %(crane_id)s and day between %(day_from)s and %(day_to)s;

-- name: finding_written
-- One finding of one day.
insert into finding (crane_id, day, code, channel, from_at, to_at, size, noticed_on)
values (%(crane_id)s, %(day)s, %(code)s, %(channel)s, %(from_at)s, %(to_at)s, %(size)s, %(noticed_on)s);

-- name: findings_judged_by
-- The thresholds that the findings of one crane were judged by.
update crane_summary set judged_by = %(judged_by)s where crane_id = %(crane_id)s;

-- name: findings_read
-- Findings over some local days, those that came to notice in them included, one row for each crane, code and channel, with its worst stretch. In order, after a cursor.
select c.name as crane, s.name as site, f.code, f.channel, min(f.day) as day_from, max(f.day) as day_to,
    count(*)::int as days,
    (array_agg(f.from_at order by abs(f.size) desc, f.day desc))[1] as from_at,
    (array_agg(f.to_at order by abs(f.size) desc, f.day desc))[1] as to_at,
    (array_agg(f.size order by abs(f.size) desc, f.day desc))[1] as size,
    min(r.least) as least, max(r.most) as most
from finding f
join crane c using (crane_id)
join site s using (site_id)
left join refused_reading r
    on f.code = 'readings_refused' and (r.crane_id, r.day, r.channel) = (f.crane_id, f.day, f.channel)
where (f.day between %(day_from)s and %(day_to)s or f.noticed_on between %(day_from)s and %(day_to)s)
    and (%(crane)s::text is null or c.name = %(crane)s)
    and (%(code)s::text is null or f.code = %(code)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(after_crane)s::text is null
        or (c.name, f.code, f.channel) > (%(after_crane)s::text, %(after_code)s::text, %(after_channel)s::text))
group by c.name, s.name, f.code, f.channel
order by c.name, f.code, f.channel
limit %(rows)s;

-- name: findings_counted
-- How many findings there are of each crane over some local days, by code and channel.
select c.name as crane, count(distinct (f.code, f.channel))::int as findings
from finding f
join crane c using (crane_id)
join site s using (site_id)
where (f.day between %(day_from)s and %(day_to)s or f.noticed_on between %(day_from)s and %(day_to)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
group by c.name
order by c.name;
