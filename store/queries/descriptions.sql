-- name: descriptions_of
-- What a crane was like, by the local day from which it was so, newest first.
select d.valid_from, p.spec, d.attachments, d.sensors_replaced, d.note, d.entered_at, d.entered_by
from crane_description d
join crane_spec p using (spec_id)
where d.crane_id = %(crane_id)s
order by d.valid_from desc;

-- name: description_on
-- What a crane was like on a local day, as text; the first description before its day.
select p.spec::text as spec
from crane_description d
join crane_spec p using (spec_id)
where d.crane_id = %(crane_id)s
order by d.valid_from <= %(day)s desc, case when d.valid_from <= %(day)s then d.valid_from end desc, d.valid_from
limit 1;

-- name: description_written
-- What a crane is like from a local day on, replacing what was entered for that day.
insert into crane_description (crane_id, valid_from, spec_id, attachments, sensors_replaced, note, entered_by)
values (
    %(crane_id)s, %(valid_from)s, spec_id_of(%(spec)s), %(attachments)s, %(sensors_replaced)s, %(note)s, %(entered_by)s
)
on conflict (crane_id, valid_from) do update set
    spec_id = excluded.spec_id, attachments = excluded.attachments, sensors_replaced = excluded.sensors_replaced,
    note = excluded.note, entered_at = now(), entered_by = excluded.entered_by;

-- name: description_dropped
-- Take the description of a local day out: the one before it holds on.
delete from crane_description where crane_id = %(crane_id)s and valid_from = %(valid_from)s;

-- name: newest_description
-- The newest description of a crane, which is the one that holds now, with the type that it names where that is on file.
select d.spec_id, t.type_id
from crane_description d
join crane_spec p using (spec_id)
left join crane_type t on t.name = p.spec ->> 'name'
where d.crane_id = %(crane_id)s
order by d.valid_from desc
limit 1;

-- name: crane_follows_description
-- What a crane is like now. By values: a cluster does not change a copied table by a join with one of the coordinator alone.
update crane set spec_id = %(spec_id)s, type_id = coalesce(%(type_id)s::integer, type_id)
where crane_id = %(crane_id)s;

-- name: newest_charts
-- The day of the newest charts that were entered by themselves for a crane or for a type, and so hold before those of a description.
select max(v.valid_from) as newest
from load_chart_version v
where v.crane_id = %(crane_id)s or v.type_id = (select type_id from crane_type where name = %(type)s);

-- name: any_day_recorded
-- Whether any day of a crane was counted or waits for it.
select exists (select 1 from day_figure where crane_id = %(crane_id)s)
    or exists (select 1 from touched_day where crane_id = %(crane_id)s) as recorded;
