-- The folder of the cold tier stands in one place, so that it can be moved; what a run has not finished is written down.
create table cold_folder (
    single boolean primary key default true check (single),
    folder text not null
);
create table cold_file_unfinished (
    location text primary key
);

-- The folder of the day that moved last; files of days below another one keep their whole path.
create temporary table moved_file on commit drop as
select crane_id, day, moved_at, parts[1] || coalesce(parts[3], '') as folder, parts[2] as location
from cold_day,
    regexp_match(location, '^(.+)/([^/]+/\d{4}/\d{4}-\d\d-\d\d_[0-9a-f]{12}\.parquet)(\?.*)?$') as parts
where parts is not null;
insert into cold_folder (folder) select folder from moved_file order by moved_at desc, day desc limit 1;
update cold_day set location = moved_file.location
from moved_file, cold_folder
where cold_day.crane_id = moved_file.crane_id and cold_day.day = moved_file.day and moved_file.folder = cold_folder.folder;
