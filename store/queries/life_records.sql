-- name: life_records
-- Records of one crane as they stand, the newest day first; or one of them.
select r.record_id, c.name as crane, r.version, r.kind, r.happened_on, r.person, r.note, r.detail, r.length_mm, r.channel,
    r.found_error_pct, r.left_error_pct, r.found_in, r.closes, r.service_interval, r.withdrawn, r.reason,
    r.entered_at, r.entered_by, r.closed_on
from life_record_now r
join crane c using (crane_id)
where r.crane_id = %(crane_id)s and (%(record_id)s::int is null or r.record_id = %(record_id)s)
order by r.happened_on desc, r.record_id desc;

-- name: life_record_versions
-- Every version of the records of one crane, or of one record, oldest first.
select r.record_id, r.version, r.kind, r.happened_on, r.person, r.note, r.detail, r.length_mm, r.channel,
    r.found_error_pct, r.left_error_pct, r.found_in, r.closes, r.service_interval, r.withdrawn, r.reason,
    r.entered_at, r.entered_by
from life_record r
where r.crane_id = %(crane_id)s and (%(record_id)s::int is null or r.record_id = %(record_id)s)
order by r.record_id, r.version;

-- name: life_record_files
-- Files of the records of one crane, or of one record, without their content.
select file_id, record_id, name, media_type, size_bytes, sha256, attached_at, attached_by
from life_record_file
where crane_id = %(crane_id)s and (%(record_id)s::int is null or record_id = %(record_id)s)
order by record_id, file_id;

-- name: life_record_file_content
-- One file of one record of one crane.
select name, media_type, sha256, content from life_record_file
where crane_id = %(crane_id)s and record_id = %(record_id)s and file_id = %(file_id)s;

-- name: life_record_added
-- A record of its own.
insert into life_record (
    crane_id, kind, happened_on, person, note, detail, length_mm, channel, found_error_pct, left_error_pct, found_in, closes,
    service_interval, entered_by
)
values (
    %(crane_id)s, %(kind)s, %(happened_on)s, %(person)s, %(note)s, %(detail)s, %(length_mm)s, %(channel)s,
    %(found_error_pct)s, %(left_error_pct)s, %(found_in)s, %(closes)s::int[], %(service_interval)s, %(account)s
)
returning record_id;

-- name: life_record_version_added
-- What a record says from now on.
insert into life_record (
    crane_id, record_id, version, kind, happened_on, person, note, detail, length_mm, channel, found_error_pct,
    left_error_pct, found_in, closes, service_interval, withdrawn, reason, entered_by
)
values (
    %(crane_id)s, %(record_id)s, %(version)s, %(kind)s, %(happened_on)s, %(person)s, %(note)s, %(detail)s, %(length_mm)s,
    %(channel)s, %(found_error_pct)s, %(left_error_pct)s, %(found_in)s, %(closes)s::int[], %(service_interval)s,
    %(withdrawn)s, %(reason)s, %(account)s
);

-- name: life_record_files_size
-- Bytes and number of the files of one crane; number of those of one record.
select coalesce(sum(size_bytes), 0)::bigint as size_bytes, count(*) filter (where record_id = %(record_id)s)::int as of_record
from life_record_file where crane_id = %(crane_id)s;

-- name: life_record_file_added
-- A file of a record; nothing comes back where the record has the same bytes.
insert into life_record_file (crane_id, record_id, name, media_type, size_bytes, sha256, content, attached_by)
values (
    %(crane_id)s, %(record_id)s, %(name)s, %(media_type)s, %(size_bytes)s, %(sha256)s, %(content)s, %(account)s
)
on conflict (record_id, sha256) do nothing
returning file_id;

-- name: service_interval_names
-- Names of the service intervals that apply to one crane.
select distinct p.name
from service_plan p
join crane c on (p.crane_id is null or p.crane_id = c.crane_id) and (p.type_id is null or p.type_id = c.type_id)
where c.crane_id = %(crane_id)s
order by p.name;
