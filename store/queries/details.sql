-- name: details_of
-- Weld details that apply to one crane, the default one first.
select d.detail_id, d.name, d.spec, d.is_default, d.entered_at, d.entered_by
from detail d, crane c
where c.name = %(crane)s and (d.crane_id is null or d.crane_id = c.crane_id)
    and (d.type_id is null or d.type_id = c.type_id)
order by d.is_default desc, d.name;

-- name: detail_written
-- A weld detail, replacing one of the same name and scope.
insert into detail (type_id, crane_id, name, spec, is_default, entered_by)
select t.type_id, c.crane_id, %(name)s, %(spec)s, %(is_default)s, %(entered_by)s
from (select 1) one
left join crane_type t on t.name = %(type)s
left join crane c on c.name = %(crane)s
where (%(type)s::text is null or t.type_id is not null) and (%(crane)s::text is null or c.crane_id is not null)
on conflict (type_id, crane_id, name) do update set
    spec = excluded.spec, is_default = excluded.is_default, entered_by = excluded.entered_by, entered_at = now()
returning detail_id;

-- name: crane_detail_dropped
-- Forgets a weld detail that was entered for this crane alone.
delete from detail where crane_id = %(crane_id)s and name = %(name)s;
