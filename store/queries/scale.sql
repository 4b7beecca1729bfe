-- name: touched_by_crane
-- Touched days of every crane, with the version of each touch, in time order.
select crane_id, array_agg(day order by day), array_agg(touched_at order by day)
from touched_day
join crane using (crane_id)
group by crane_id
order by crane_id;

-- name: crane_held
-- The claim on one named crane, waiting for whoever holds it now.
select crane_id from crane_summary where crane_id = %(crane_id)s for no key update;
