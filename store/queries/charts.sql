-- name: fleet_stamp
-- A number that changes whenever a crane, a type, a site or a chart version does.
select count(*)::text as stamp from fleet_change;

-- name: fleet_cranes
-- A page of cranes by name, each with the chart version in force on a day: its own, its type's, none where the type's spec holds.
select c.name, coalesce(c.spec ->> 'title', '') as title, c.draft, c.type_id, c.spec_id, s.name as site,
    c.spec ->> 'design' as design, c.spec ->> 'prior_duty' is not null as prior_duty,
    jsonb_strip_nulls(jsonb_build_object(
        'manufactured_on', c.spec -> 'manufactured_on', 'commissioned_on', c.spec -> 'commissioned_on',
        'special_assessment_after_years', c.spec -> 'special_assessment_after_years',
        'assessed_on', c.spec -> 'assessed_on', 'assess_by', c.spec -> 'assess_by',
        'assess_because', c.spec -> 'assess_because', 'assess_since', c.spec -> 'assess_since',
        'defects', d.defects
    ))::text as entries,
    coalesce((c.spec ->> 'review_at_share')::float8, %(review_at_share)s) as review_at_share,
    (c.spec ->> 'wind_limit_m_s')::float8 as wind_limit_m_s, (c.spec ->> 'slope_limit_deg')::float8 as slope_limit_deg,
    s.spec ->> 'time_zone' as time_zone,
    (s.spec ->> 'latitude_deg')::float8 as latitude_deg, (s.spec ->> 'longitude_deg')::float8 as longitude_deg,
    coalesce(own.version_id, typed.version_id) as version_id
from crane c
join site s using (site_id)
left join crane_defects d using (crane_id)
left join lateral (
    select version_id from load_chart_version v
    where v.crane_id = c.crane_id and v.valid_from <= %(day)s
    order by v.valid_from desc, v.version_id desc limit 1
) own on true
left join (
    select distinct on (type_id) type_id, version_id from load_chart_version v
    where v.type_id is not null and v.valid_from <= %(day)s
    order by type_id, valid_from desc, version_id desc
) typed on typed.type_id = c.type_id
where c.name > %(after)s
order by c.name
limit %(rows)s;

-- name: chart_days
-- Days in a range on which some version of charts begins to hold.
select distinct valid_from from load_chart_version
where valid_from > %(after)s and valid_from <= %(until)s
order by valid_from;

-- name: fleet_types
-- Every description that holds for a crane now.
select spec_id, spec from crane_spec p where exists (select from crane c where c.spec_id = p.spec_id);

-- name: chart_versions_of
-- The charts of some versions as parallel JSON lists: one entry a chart, and from outreach_m on one a point.
select version_id,
    jsonb_path_query_array(charts, '$[*].spread_left')::text as spread_left,
    jsonb_path_query_array(charts, '$[*].spread_right')::text as spread_right,
    jsonb_path_query_array(charts, '$[*].sector')::text as sector,
    jsonb_path_query_array(charts, '$[*].jib_fitted')::text as jib_fitted,
    jsonb_path_query_array(charts, '$[*].stage')::text as stage,
    jsonb_path_query_array(charts, '$[*].points.size()')::text as points,
    jsonb_path_query_array(charts, '$[*].points[*].outreach_m')::text as outreach_m,
    jsonb_path_query_array(charts, '$[*].points[*].capacity_kg')::text as capacity_kg,
    jsonb_path_query_array(charts, '$[*].points[*].hook_height_m')::text as hook_height_m
from load_chart_version where version_id = any(%(version_ids)s::int[]);

-- name: charts_written
-- A new version of the charts of a crane or of a type.
insert into load_chart_version (type_id, crane_id, valid_from, charts, source, imported_by)
select t.type_id, c.crane_id, %(valid_from)s, %(charts)s, %(source)s, %(imported_by)s
from (select 1) one
left join crane c on c.name = %(crane)s
left join crane_type t on t.name = %(type)s
where num_nonnulls(c.crane_id, t.type_id) = 1
returning version_id;

-- name: chart_versions_listed
-- Versions that hold for a crane, its own and its type's, newest first.
select v.version_id, v.crane_id is not null as own, v.valid_from, v.source, v.imported_at, v.imported_by,
    jsonb_array_length(v.charts) as charts
from load_chart_version v
join crane c on c.name = %(crane)s and (v.crane_id = c.crane_id or v.type_id = c.type_id)
order by v.valid_from desc, v.version_id desc;

-- name: chart_version_in_force
-- The charts of a crane that hold on a day: its own before its type's; no row where the type's spec holds.
select v.version_id, v.crane_id is not null as own, v.valid_from, v.source, v.charts
from load_chart_version v
join crane c on c.name = %(crane)s and (v.crane_id = c.crane_id or v.type_id = c.type_id)
where v.valid_from <= %(day)s
order by v.crane_id is not null desc, v.valid_from desc, v.version_id desc
limit 1;
