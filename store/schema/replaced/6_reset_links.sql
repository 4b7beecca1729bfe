-- Links to set a password with: the role of the api reaches them by these alone, and never reads one.

-- Nothing where the account is unknown, disabled, or signs on elsewhere. The link of before ends.
create or replace function make_reset_link(of_name text, digest bytea, ends_at timestamptz) returns table (name text)
language sql security definer set search_path = public, pg_temp
as $$
    insert into reset_link (account_id, secret_sha256, expires_at)
    select account_id, digest, ends_at from account where account.name = of_name and disabled_at is null and issuer is null
    on conflict (account_id) do update set secret_sha256 = excluded.secret_sha256, made_at = now(), expires_at = excluded.expires_at
    returning of_name
$$;

create or replace function account_of_reset_link(digest bytea) returns table (name text)
language sql stable security definer set search_path = public, pg_temp
as $$
    select a.name from reset_link r join account a using (account_id)
    where r.secret_sha256 = digest and r.expires_at > now() and a.disabled_at is null
$$;

-- Every session of the account ends, and what was tried in vain from there is forgotten.
create or replace function use_reset_link(digest bytea, hash text, from_address text) returns table (name text)
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
    found_id int;
    found_name text;
begin
    delete from reset_link r using account a
    where r.secret_sha256 = digest and r.expires_at > now() and a.account_id = r.account_id and a.disabled_at is null
    returning a.account_id, a.name into found_id, found_name;
    if found_id is null then
        return;
    end if;
    update account set password_hash = hash where account_id = found_id;
    delete from session where account_id = found_id;
    delete from login_attempt where account_name in (found_name, '') and address = from_address;
    return query select found_name;
end
$$;

create or replace function end_reset_link() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
    delete from reset_link where account_id = new.account_id;
    return null;
end
$$;
select set_trigger('account_ends_reset_link', 'after update', 'account',
    'row when (old.password_hash is distinct from new.password_hash or new.disabled_at is not null) execute function end_reset_link()');

do $$
declare
    one regprocedure;
begin
    foreach one in array array[
        'make_reset_link(text, bytea, timestamptz)', 'account_of_reset_link(bytea)', 'use_reset_link(bytea, text, text)'
    ]::regprocedure[]
    loop
        execute format('revoke execute on function %s from public', one);
        if exists (select from pg_roles where rolname = 'boomledger_api') then
            execute format('grant execute on function %s to boomledger_api', one);
        end if;
    end loop;
end
$$;
