-- name: reservation_held
-- Holds a crane for a time; refused by the table where it is held already.
insert into reservation (crane_id, during, title, job, planned, held_by, override_reason, override_states)
select c.crane_id, tstzrange(%(starts_at)s, %(ends_at)s), %(title)s, %(job)s, %(planned)s, %(held_by)s, %(override_reason)s,
    %(override_states)s::text[]
from crane c where c.name = %(crane)s
returning reservation_id;

-- name: reservation_released
-- Gives a crane back.
update reservation r set released_at = now(), released_by = %(released_by)s
where reservation_id = %(reservation_id)s and released_at is null
returning reservation_id;

-- name: reservation_rows
-- Reservations that touch a time range, in time order: of one crane, or of every crane in scope.
select r.reservation_id, c.name as crane, s.name as site, s.spec ->> 'time_zone' as time_zone,
    lower(r.during) as starts_at, upper(r.during) as ends_at, r.title, r.job, r.planned,
    r.held_by, r.held_at, r.released_by, r.released_at, r.override_reason, r.override_states
from reservation r
join crane c using (crane_id)
join site s using (site_id)
where r.during && tstzrange(%(time_from)s, %(time_to)s)
    and (%(crane)s::text is null or c.name = %(crane)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(with_released)s or r.released_at is null)
order by lower(r.during), c.name, r.reservation_id
limit %(rows)s;

-- name: reservation_of
-- One reservation, if its crane's site is in scope.
select r.reservation_id, c.name as crane, s.name as site, s.spec ->> 'time_zone' as time_zone,
    lower(r.during) as starts_at, upper(r.during) as ends_at, r.title, r.job, r.planned,
    r.held_by, r.held_at, r.released_by, r.released_at, r.override_reason, r.override_states
from reservation r
join crane c using (crane_id)
join site s using (site_id)
where r.reservation_id = %(reservation_id)s and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]));

-- name: cranes_held
-- Cranes that are held at some time of a range, with the first such reservation.
select c.name as crane, min(lower(r.during)) as starts_at, max(upper(r.during)) as ends_at
from reservation r
join crane c using (crane_id)
where r.released_at is null and r.during && tstzrange(%(time_from)s, %(time_to)s)
group by c.name;

-- name: measured_for_reservations
-- Reservations that are over, of one crane or of every crane in scope, with what its lifts measured meanwhile: largest utilisation, and lifts.
with held as materialized (
    select r.reservation_id, r.crane_id, c.name as crane, lower(r.during) as starts_at, upper(r.during) as ends_at, r.title,
        (r.planned ->> 'expected_utilisation_pct')::float8 as planned_utilisation_pct,
        ((r.job ->> 'mass_kg')::float8 + (r.job ->> 'rigging_kg')::float8) as planned_mass_kg
    from reservation r
    join crane c using (crane_id)
    join site s using (site_id)
    where r.released_at is null and upper(r.during) <= %(until)s and r.planned is not null
        and lower(r.during) >= %(since)s
        and (%(crane)s::text is null or c.name = %(crane)s)
        and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    order by lower(r.during) desc
    limit 5000
)
select held.reservation_id, held.crane, held.starts_at, held.ends_at, held.title, held.planned_utilisation_pct,
    held.planned_mass_kg, coalesce(m.lifts, 0)::int as lifts, m.measured_utilisation_pct, m.measured_mass_kg
from held
left join (
    select h.reservation_id, count(*) as lifts, max(l.peak_utilisation_pct) as measured_utilisation_pct,
        max(l.mass_kg) as measured_mass_kg
    from held h
    join counting u on u.in_use
    -- An array of one, so that the lifts of each are looked up in the key: for a hash of all the table would be read.
    join lift l on l.crane_id = any(array[h.crane_id]) and l.counting_id = u.counting_id
        and l.started_at >= h.starts_at and l.started_at < h.ends_at
    group by h.reservation_id
) m on m.reservation_id = held.reservation_id
order by held.starts_at desc;
