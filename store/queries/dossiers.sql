-- name: dossiers_listed
-- Finished dossiers of one crane, newest first, before a number where one is given; without their contents.
select c.name as crane, d.number, d.finished_at, d.finished_by, d.note, d.program_version,
    length(d.data) as data_bytes, d.data_sha256, length(d.pdf) as pdf_bytes, d.pdf_sha256
from dossier d join crane c using (crane_id)
where d.crane_id = %(crane_id)s and (%(before)s::integer is null or d.number < %(before)s)
order by d.number desc
limit %(rows)s;

-- name: dossier_data
-- The JSON of one finished dossier as it is kept.
select data as content from dossier where crane_id = %(crane_id)s and number = %(number)s;

-- name: dossier_pdf
-- The PDF of one finished dossier as it is kept.
select pdf as content from dossier where crane_id = %(crane_id)s and number = %(number)s;

-- name: dossier_added
-- A finished dossier.
insert into dossier
    (crane_id, number, finished_at, finished_by, note, program_version, data, data_sha256, pdf, pdf_sha256)
values
    (%(crane_id)s, %(number)s, %(finished_at)s, %(finished_by)s, %(note)s, %(program_version)s, %(data)s,
    %(data_sha256)s, %(pdf)s, %(pdf_sha256)s);

-- name: crane_days_waiting
-- How many days of one crane wait to be counted, those before a day where one is given.
select count(*)::int as days from touched_day
where crane_id = %(crane_id)s and (%(before)s::date is null or day < %(before)s);

-- name: counting_of_figures
-- The count that figures were made from.
select version, settings_hash, settings from counting where counting_id = %(counting_id)s;
