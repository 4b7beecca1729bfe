-- Days whose segments live in Parquet files: one file a crane and UTC day (by the start of a segment).

create table cold_day (
    crane_id integer not null,
    day date not null,
    location text not null,
    segments integer not null,
    samples bigint not null,
    bytes bigint not null,
    moved_at timestamptz not null default now(),
    primary key (crane_id, day)
);

-- Drops the ranges of `segment` that end before `before` and hold nothing any more; how many went.
create function segment_drop_empty_ranges(before timestamptz) returns integer
language plpgsql
as $$
declare
    part record;
    occupied boolean;
    dropped integer := 0;
begin
    -- Rather later than never: a busy range is left for the next time instead of holding up writers.
    perform set_config('lock_timeout', '2s', true);
    if segment_is_partitioned() then
        for part in
            select child.oid::regclass as name
            from pg_inherits
            join pg_class child on child.oid = inhrelid
            where inhparent = 'segment'::regclass
                and substring(pg_get_expr(child.relpartbound, child.oid) from 'TO \(''([^'']+)''\)')::timestamptz <= before
        loop
            execute format('select exists (select from %s)', part.name) into occupied;
            if not occupied then
                execute format('lock table %s in access exclusive mode', part.name);
                execute format('select exists (select from %s)', part.name) into occupied;
                if not occupied then
                    execute format('drop table %s', part.name);
                    dropped := dropped + 1;
                end if;
            end if;
        end loop;
    else
        for part in
            select format('%I.%I', chunk_schema, chunk_name)::regclass as name
            from timescaledb_information.chunks
            where hypertable_name = 'segment' and range_end <= before
        loop
            execute format('select exists (select from %s)', part.name) into occupied;
            if not occupied then
                execute format('drop table %s', part.name);
                dropped := dropped + 1;
            end if;
        end loop;
    end if;
    return dropped;
end
$$;
