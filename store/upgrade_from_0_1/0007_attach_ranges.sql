-- A partition is made on its own and then attached: that waits for no reader and no writer, where `create table ...
-- partition of` would wait for a running backup and hold up everybody behind it.
create or replace function segment_make_ranges(at_from timestamptz, at_to timestamptz) returns void
language plpgsql
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
            if to_regclass(partition) is null then
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
