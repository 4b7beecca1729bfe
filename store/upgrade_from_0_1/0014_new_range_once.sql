-- Two writers may need the same new month at once. The second waits for the lock with its "there is none" of before still in
-- its name cache, which a lock of this kind does not refresh; so it asks the catalogue itself once it holds the lock.
-- It works with its owner's rights: the api takes files in under a role that makes no tables.
create or replace function segment_make_ranges(at_from timestamptz, at_to timestamptz) returns void
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
    month timestamp := date_trunc('month', at_from at time zone 'UTC');
    partition text;
begin
    if not segment_is_partitioned() then
        return;
    end if;
    while month <= at_to at time zone 'UTC' loop
        partition := to_char(month, '"segment_"YYYY"_"MM');
        if to_regclass(partition) is null then
            perform pg_advisory_xact_lock(hashtext('segment_make_ranges'));
            if not exists (
                select from pg_class
                where relname = partition
                    and relnamespace = (select relnamespace from pg_class where oid = 'segment'::regclass)
            ) then
                execute format('create table %I (like segment including all)', partition);
                execute format(
                    'alter table segment attach partition %I for values from (%L) to (%L)',
                    partition, month at time zone 'UTC', (month + interval '1 month') at time zone 'UTC'
                );
            end if;
        end if;
        month := month + interval '1 month';
    end loop;
end
$$;
