-- Functions that need no view, by the table they serve.

-- Of an upgraded database; store/cluster makes it anew where it is there.
drop function if exists shard_by_crane();

-- Whether the nodes of a cluster hold the table (store/cluster/replaced.sql).
create or replace function is_placed(of_table regclass) returns boolean
language plpgsql stable
as $$
begin
    if to_regclass('pg_catalog.pg_dist_partition') is null then
        return false;
    end if;
    return exists (select 1 from pg_dist_partition where logicalrelid = of_table);
end
$$;

-- The number of a copy of a type's entry, made where there is none. It works with its owner's rights: the api's role reads the copies and
-- writes none, or a copy under the digest of another type would be the chart of every crane that is registered by that type later.
create or replace function spec_id_of(wanted jsonb) returns integer
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
    wanted_digest constant text := encode(sha256(convert_to(wanted::text, 'UTF8')), 'hex');
    found integer;
begin
    select spec_id into found from crane_spec where digest = wanted_digest;
    if found is null then
        insert into crane_spec (digest, spec) values (wanted_digest, wanted)
        on conflict (digest) do update set digest = excluded.digest
        returning spec_id into found;
    end if;
    return found;
end
$$;

-- The same of the type on file under a name, null where there is none. What a cluster reads stands apart from what it writes.
create or replace function spec_id_of_type(of_type text) returns integer
language plpgsql
as $$
declare
    on_file constant jsonb := (select spec from crane_type where name = of_type);
begin
    return case when on_file is not null then spec_id_of(on_file) end;
end
$$;

-- Digest of the entries that the summary of a crane rests on beside its days.
create or replace function crane_entries_digest(of_crane_id integer) returns text
language sql stable
as $$
    select md5(concat_ws('|', c.spec::text, p.spec::text, s.spec ->> 'time_zone', (
        select string_agg(d.name || d.is_default::text || d.spec::text, '|' order by d.detail_id)
        from detail d
        where (d.crane_id is null or d.crane_id = c.crane_id) and (d.type_id is null or d.type_id = c.type_id)
    )))
    from crane c join crane_spec p using (spec_id) join site s using (site_id)
    where c.crane_id = of_crane_id
$$;

-- Whether `segment` is partitioned by this schema (and not by TimescaleDB).
create or replace function segment_is_partitioned() returns boolean
language sql stable
as $$ select relkind = 'p' from pg_class where oid = 'segment'::regclass $$;

-- Readings stay in the row when they are compressed (a row of a message is far below a page): 5 % less disk than with overflow
-- storage, measured on a simulated day of 8 channels. A hypertable's columnstore does its own packing. A cluster takes no such
-- change of a table that is spread already: there a column of a later release overflows, and reads the same.
do $$
declare
    place record;
begin
    for place in
        select tree.relid, attname as channel
        from pg_partition_tree('segment') tree
        join pg_attribute on attrelid = tree.relid and atttypid = 'real[]'::regtype and attstorage <> 'm'
        where segment_is_partitioned() and not is_placed('segment')
    loop
        execute format('alter table %s alter column %I set storage main', place.relid, place.channel);
    end loop;
end
$$;

-- Makes sure that every month from `at_from` to `at_to` has a partition. Does nothing on a hypertable.
-- A partition is made on its own and then attached: that waits for no reader and no writer, where `create table ...
-- partition of` would wait for a running backup and hold up everybody behind it.
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

-- Drops the ranges of `segment` that end before `before` and hold nothing any more; how many went.
create or replace function segment_drop_empty_ranges(before timestamptz) returns integer
language plpgsql
as $$
declare
    ranges constant text := case
        when segment_is_partitioned() then $partitions$
            select child.oid::regclass
            from pg_inherits
            join pg_class child on child.oid = inhrelid
            where inhparent = 'segment'::regclass
                and substring(pg_get_expr(child.relpartbound, child.oid) from 'TO \(''([^'']+)''\)')::timestamptz <= $1
        $partitions$
        else $chunks$
            select format('%I.%I', chunk_schema, chunk_name)::regclass
            from timescaledb_information.chunks
            where hypertable_name = 'segment' and range_end <= $1
        $chunks$
    end;
    part regclass;
    occupied boolean;
    dropped integer := 0;
begin
    -- Rather later than never: a busy range is left for the next time instead of holding up writers.
    perform set_config('lock_timeout', '2s', true);
    for part in execute ranges using before loop
        execute format('select exists (select 1 from %s)', part) into occupied;
        if not occupied then
            execute format('lock table %s in access exclusive mode', part);
            execute format('select exists (select 1 from %s)', part) into occupied;
            if not occupied then
                execute format('drop table %s', part);
                dropped := dropped + 1;
            end if;
        end if;
    end loop;
    return dropped;
end
$$;

-- The server takes some 50 ns to send one element of a `real[]`: calls its output function, makes a small datum, counts its
-- bytes. Our own reader needs none of that and asks for the array as it lies in memory, one copy a channel of a message,
-- through a function that PostgreSQL has anyway: `byteasend`, which hands over the bytes of a variable-length value. Rows and
-- columns stay what they are, and whoever asks in SQL sees arrays as ever.
--
-- Only a superuser may declare such a function. Where the owner of the database is none, and on a cluster (its nodes would
-- need the function too), it is left out and the reader asks for elements: slower, with the same readings. The function
-- stands in a schema of its own, which a backup leaves out.
create or replace function offer_plain_readings() returns void
language plpgsql
as $$
begin
    if to_regclass('pg_catalog.pg_dist_partition') is not null
        or to_regprocedure('plain.readings(real[])') is not null
    then
        return;
    end if;
    create schema if not exists plain;
    grant usage on schema plain to public;
    create function plain.readings(real[]) returns bytea
        language internal immutable strict parallel safe as 'byteasend';
    comment on function plain.readings(real[]) is 'the array as it lies in memory of the server, behind its length';
exception
    when insufficient_privilege then
        raise notice 'no right to declare plain.readings: readings will be sent element by element';
end
$$;
select offer_plain_readings();
