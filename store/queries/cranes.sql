-- name: site_saved
-- Add a site or replace what is known about it.
insert into site (name, spec) values (%(name)s, %(spec)s)
on conflict (name) do update set spec = excluded.spec
returning site_id;

-- name: crane_type_saved
-- Add a crane type or replace what is known about it.
insert into crane_type (name, spec) values (%(name)s, %(spec)s)
on conflict (name) do update set spec = excluded.spec
returning type_id;

-- name: spec_id_of_type
-- The number of a copy of a type's entry. Asked first: a trigger would number the copies on the nodes of a cluster apart, or not at all.
select spec_id_of_type(%(type)s);

-- name: crane_saved
-- Add a crane or replace what is known about it; nothing comes back when its site or its type is unknown.
insert into crane (name, site_id, type_id, registered_at, draft, spec, spec_id)
select %(name)s, site_id, type_id, %(registered_at)s, %(draft)s, %(spec)s, %(spec_id)s
from site, crane_type
where site.name = %(site)s and crane_type.name = %(type)s
on conflict (name) do update
    set site_id = excluded.site_id, registered_at = excluded.registered_at,
        draft = excluded.draft, spec = excluded.spec
returning crane_id;

-- name: site_ensured
-- Add a site unless there is one of its name.
insert into site (name, spec) values (%(name)s, %(spec)s) on conflict (name) do nothing;

-- name: crane_type_ensured
-- Add a crane type unless there is one of its name.
insert into crane_type (name, spec) values (%(name)s, %(spec)s) on conflict (name) do nothing;

-- name: crane_added
-- Add a crane; nothing comes back when there is one of its name.
insert into crane (name, site_id, type_id, registered_at, draft, spec, spec_id)
select %(name)s, site_id, type_id, %(registered_at)s, %(draft)s, %(spec)s, %(spec_id)s
from site, crane_type
where site.name = %(site)s and crane_type.name = %(type)s
on conflict (name) do nothing
returning crane_id;

-- name: cranes_all
-- Every crane with the description that holds now and its site, by name.
select crane.crane_id, crane.spec, crane_spec.spec as type_spec, site.spec as site_spec
from crane
join crane_spec using (spec_id)
join site using (site_id)
order by crane.name;

-- name: crane_by_name
-- One crane with the description that holds now and its site.
select crane.crane_id, crane.spec, crane_spec.spec as type_spec, site.spec as site_spec
from crane
join crane_spec using (spec_id)
join site using (site_id)
where crane.name = %(name)s;


-- name: crane_directory
-- What ingest needs to know of every crane, or of those of some sites.
select crane.name, crane.crane_id, crane.registered_at, site.spec ->> 'time_zone' as time_zone
from crane
join site using (site_id)
where %(sites)s::text[] is null or site.name = any(%(sites)s::text[]);

-- name: site_by_name
-- One site.
select spec from site where name = %(name)s;

-- name: crane_type_by_name
-- One crane type.
select spec from crane_type where name = %(name)s;

-- name: sites_in_scope
-- Sites, every one or those named, by name.
select spec from site
where %(sites)s::text[] is null or name = any(%(sites)s::text[])
order by name;

-- name: crane_types_listed
-- A page of crane types by name, each with how many cranes in scope are of it.
select t.name, coalesce(t.spec ->> 'title', '') as title, (t.spec ->> 'rated_moment_kn_m')::float8 as rated_moment_kn_m,
    jsonb_array_length(coalesce(t.spec -> 'extensions', '[]')) as extensions, t.spec ->> 'jib' is not null as jib,
    jsonb_array_length(coalesce(t.spec -> 'charts', '[]')) as charts,
    coalesce((t.spec ->> 'invented')::boolean, false) as invented,
    (
        select count(*)::int from crane c join site s using (site_id)
        where c.type_id = t.type_id and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    ) as cranes
from crane_type t
where t.name > %(after)s
order by t.name
limit %(rows)s;

-- name: histories
-- Every completed crane as it is entered, and when its record begins.
-- Read first by itself: a cluster does not join a spread table with one behind row-level security.
with summary as materialized (select crane_id, first_at from crane_summary)
select c.name, s.name as site, c.spec, p.spec as type_spec, m.first_at
from crane c
join site s using (site_id)
join crane_spec p using (spec_id)
left join summary m using (crane_id)
where not c.draft and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
order by c.name;

-- name: history_entered
-- Some fields of what is entered of a crane; the others stay.
update crane set spec = spec || %(changes)s where name = %(crane)s;

-- name: history_begins
-- When the record of one crane begins.
select m.first_at from crane_summary m join crane c using (crane_id) where c.name = %(crane)s;
