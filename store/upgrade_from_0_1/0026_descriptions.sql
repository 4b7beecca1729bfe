-- What a crane was like, by the local day from which it was so. A crane owns its copies: editing a type on file never
-- reaches the cranes that were registered by it, and the past is counted with what was valid then.

-- Copies of type entries, never changed; equal ones are kept once, so that a fleet of one type is read once.
create table crane_spec (
    spec_id integer generated always as identity primary key,
    digest text not null unique,
    spec jsonb not null
);

-- The number of a copy, made where there is none.
create function spec_kept(wanted jsonb) returns integer
language plpgsql
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

create table crane_description (
    crane_id integer not null references crane on delete cascade,
    valid_from date not null,          -- 1970-01-01: from the beginning
    spec_id integer not null references crane_spec,
    attachments jsonb not null default '[]',
    sensors_replaced jsonb not null default '[]',
    note text not null default '',
    entered_at timestamptz not null default now(),
    entered_by text not null default '',
    primary key (crane_id, valid_from)
);

-- The newest description, which holds now.
alter table crane add column spec_id integer;
update crane set spec_id = spec_kept(t.spec) from crane_type t where t.type_id = crane.type_id;
insert into crane_description (crane_id, valid_from, spec_id, note, entered_by)
select crane_id, date '1970-01-01', spec_id, 'as its type stood on file at the upgrade', 'upgrade' from crane;

-- A crane gets its own copy however it is registered. On other nodes of a cluster, where this fires too, there is no copy to make.
create function copy_type() returns trigger
language plpgsql
as $$
begin
    if new.spec_id is null and to_regclass('public.crane_spec') is not null then
        new.spec_id := spec_kept((select spec from crane_type where type_id = new.type_id));
    end if;
    return new;
end
$$;
create function describe_from_beginning() returns trigger
language plpgsql
as $$
begin
    if to_regclass('public.crane_description') is not null then
        insert into crane_description (crane_id, valid_from, spec_id)
        values (new.crane_id, date '1970-01-01', new.spec_id)
        on conflict do nothing;
    end if;
    return null;
end
$$;
create trigger crane_copies_type before insert on crane for each row execute function copy_type();
create trigger crane_is_described after insert on crane for each row execute function describe_from_beginning();

-- As in 0002, with the crane's own copy for its type.
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
