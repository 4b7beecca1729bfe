-- What is done about accounts, sessions and tokens under the api's role, which can neither read a digest nor change a row of them.
-- Each demands what the web process signed (4_row_level_security.sql): whoever runs SQL alone cannot sign.
-- Whatever goes by the state of an account locks its row first, and what hangs on it afterwards: so a password, a disabling, a link
-- and a session that come at once come one after the other, and none waits for the other in a ring.

create or replace function demand_claims(of_role text, of_account text) returns void
language plpgsql stable
as $$
begin
    if (scope_claims() ->> 'role', scope_claims() ->> 'account') is distinct from (of_role, of_account) then
        raise exception 'this needs the role % of the account %, signed', of_role, of_account using errcode = 'insufficient_privilege';
    end if;
end
$$;

create or replace function demand_governing() returns void
language plpgsql stable
as $$
begin
    if not governs_accounts() then
        raise exception 'this needs an administrator of every site, signed' using errcode = 'insufficient_privilege';
    end if;
end
$$;

create or replace function note_in_audit(action text, target text, detail jsonb) returns void
language sql
as $$
    insert into audit (account_name, via, action, target, detail)
    select c ->> 'account', c ->> 'via', action, target, detail from scope_claims() c
$$;

-- Counts a log-in before the password is looked at, so that parallel tries see each other. Of the password it tells how it was
-- hashed, with `A` for the digest; null where there is none.
create or replace function begin_log_in(of_name text, from_address text, within interval)
returns table (of_both int, of_address int, of_account int, known boolean, hashed_as text)
language sql security definer set search_path = public, pg_temp
as $$
    select demand_claims('log-in', of_name);
    insert into login_attempt (account_name, address) values (of_name, from_address);
    select count(*) filter (where account_name = of_name and address = from_address)::int,
           count(*) filter (where address = from_address)::int,
           count(*) filter (where account_name = of_name)::int,
           exists (
               select from known_address k join account a using (account_id)
               where a.name = of_name and k.address = from_address and k.seen_at > now() - interval '30 days'
           ),
           (select regexp_replace(password_hash, '[^$]+$', repeat('A', length(substring(password_hash from '[^$]+$'))))
            from account where name = of_name and disabled_at is null)
    from login_attempt
    where at > now() - within and (account_name = of_name or address = from_address);
$$;

-- The account where the password's hash is right: its tries from there are forgotten, and the address is known of it for 30 days.
-- The session is opened in the same transaction: a password that is changed meanwhile opens none that outlives the change.
create or replace function finish_log_in(of_name text, hash text, from_address text)
returns table (account_id int, name text, role text, sites text[])
language plpgsql security definer set search_path = public, pg_temp
as $$
#variable_conflict use_column
declare
    found_id int;
begin
    perform demand_claims('log-in', of_name);
    select account_id into found_id from account
    where name = of_name and disabled_at is null and sha256(password_hash::bytea) = sha256(hash::bytea)
    for no key update;
    if found_id is null then
        return;
    end if;
    delete from login_attempt where (account_name = of_name and address = from_address) or at < now() - interval '1 day';
    delete from known_address
    where account_id = found_id and seen_at < now() - interval '30 days' and address <> from_address;
    insert into known_address (account_id, address) values (found_id, from_address)
    on conflict (account_id, address) do update set seen_at = now();
    return query select account_id, name, role, sites from account where account_id = found_id;
end
$$;

-- Who signed on at the provider, added at the first time, with role and sites as they are now; nothing where another account has the
-- name. Where they changed, the sessions of before end.
create or replace function sign_on(of_issuer text, of_subject text, of_name text, with_role text, with_sites text[])
returns table (account_id int, name text, role text, sites text[], disabled_at timestamptz)
language plpgsql security definer set search_path = public, pg_temp
as $$
#variable_conflict use_column
declare
    before account;
    found_id int;
begin
    perform demand_claims('signed-in', of_name);
    select * into before from account where issuer = of_issuer and subject = of_subject for update;
    if before.account_id is null then
        insert into account (name, issuer, subject, role, sites, signed_on_at)
        values (of_name, of_issuer, of_subject, with_role, with_sites, now())
        on conflict do nothing
        returning account_id into found_id;
        if found_id is not null then
            perform note_in_audit('add account', of_name, jsonb_build_object('role', with_role, 'sites', with_sites, 'issuer', of_issuer));
        end if;
    else
        found_id := before.account_id;
        update account set role = with_role, sites = with_sites, signed_on_at = now() where account_id = found_id;
        if (before.role, before.sites) is distinct from (with_role, with_sites) then
            delete from session where account_id = found_id;
            perform note_in_audit('change account', before.name, jsonb_build_object('role', with_role, 'sites', with_sites, 'issuer', of_issuer));
        end if;
    end if;
    return query select account_id, name, role, sites, disabled_at from account where account_id = found_id;
end
$$;

-- For who has signed in just now.
create or replace function open_session(digest bytea, ends_at timestamptz, from_address text, with_agent text) returns void
language sql security definer set search_path = public, pg_temp
as $$
    select demand_claims('signed-in', account_in_scope());
    insert into session (secret_sha256, account_id, expires_at, address, agent)
    select digest, account_id, ends_at, from_address, with_agent from account where name = account_in_scope() and disabled_at is null
    for no key update;
$$;

-- Sessions and tokens are found by the digest of their secret, and their use is noted by it: before anything is signed.
create or replace function session_of_digest(digest bytea, idle interval)
returns table (name text, role text, sites text[], session_id bigint, last_seen_at timestamptz)
language sql stable security definer set search_path = public, pg_temp
as $$
    select a.name, a.role, a.sites, s.session_id, s.last_seen_at
    from session s join account a using (account_id)
    where s.secret_sha256 = digest and s.expires_at > now() and s.last_seen_at > now() - idle and a.disabled_at is null
$$;

create or replace function token_of_digest(digest bytea, signed_on_within interval)
returns table (name text, account_role text, account_sites text[], token_id bigint, role text, sites text[], last_used_at timestamptz)
language sql stable security definer set search_path = public, pg_temp
as $$
    select a.name, a.role, a.sites, t.token_id, t.role, t.sites, t.last_used_at
    from api_token t join account a using (account_id)
    where t.secret_sha256 = digest and t.expires_at > now() and a.disabled_at is null
        and (a.issuer is null or a.signed_on_at > now() - signed_on_within)
$$;

create or replace function note_use(digest bytea) returns void
language sql security definer set search_path = public, pg_temp
as $$
    update session set last_seen_at = now() where secret_sha256 = digest;
    update api_token set last_used_at = now() where secret_sha256 = digest;
$$;

-- A signed-in person makes tokens of the own account; nothing where there is none (open access).
create or replace function add_token(digest bytea, with_title text, with_role text, with_sites text[], ends_at timestamptz)
returns table (token_id bigint, title text, role text, sites text[], created_at timestamptz, expires_at timestamptz, last_used_at timestamptz)
language plpgsql security definer set search_path = public, pg_temp
as $$
#variable_conflict use_column
begin
    if scope_claims() ->> 'via' is distinct from 'session' then
        raise exception 'only a signed-in person makes tokens' using errcode = 'insufficient_privilege';
    end if;
    return query insert into api_token (secret_sha256, account_id, title, role, sites, expires_at)
    select digest, account_id, with_title, with_role, with_sites, ends_at from account where name = account_in_scope()
    returning token_id, title, role, sites, created_at, expires_at, last_used_at;
end
$$;

-- Nothing where the name is taken.
create or replace function add_account(of_name text, hash text, with_role text, with_sites text[])
returns table (account_id int, name text, role text, sites text[], created_at timestamptz, disabled_at timestamptz, issuer text)
language plpgsql security definer set search_path = public, pg_temp
as $$
#variable_conflict use_column
begin
    perform demand_governing();
    return query insert into account (name, password_hash, role, sites) values (of_name, hash, with_role, with_sites)
    on conflict (name) do nothing
    returning account_id, name, role, sites, created_at, disabled_at, issuer;
    if found then
        perform note_in_audit('add account', of_name, jsonb_build_object('role', with_role, 'sites', with_sites));
    end if;
end
$$;

-- Nulls leave the role, the password and the state as they are; the sessions of the account end. Nothing where there is none;
-- restrict_violation where that would leave no administrator of every site, who are locked so that two changes cannot do it either.
create or replace function change_account(
    of_name text, to_role text, set_sites boolean, to_sites text[], to_hash text, to_disabled boolean
)
returns table (account_id int, name text, role text, sites text[], created_at timestamptz, disabled_at timestamptz, issuer text)
language plpgsql security definer set search_path = public, pg_temp
as $$
#variable_conflict use_column
begin
    perform demand_governing();
    perform from account where role = 'admin' and sites is null and disabled_at is null order by account_id for update;
    return query update account
    set role = coalesce(to_role, role),
        sites = case when set_sites then to_sites else sites end,
        password_hash = coalesce(to_hash, password_hash),
        disabled_at = case when to_disabled is null then disabled_at when to_disabled then coalesce(disabled_at, now()) end
    where name = of_name
    returning account_id, name, role, sites, created_at, disabled_at, issuer;
    if not found then
        return;
    end if;
    if not exists (select from account where role = 'admin' and sites is null and disabled_at is null) then
        raise exception 'this would leave no administrator of every site' using errcode = 'restrict_violation';
    end if;
    delete from session where account_id = (select account_id from account where name = of_name);
    perform note_in_audit('change account', of_name, jsonb_strip_nulls(jsonb_build_object(
        'role', to_role, 'disabled', to_disabled, 'password', case when to_hash is not null then 'new' end
    )) || case when set_sites then jsonb_build_object('sites', to_sites) else '{}' end);
end
$$;

-- Links to set a password with: the role of the api reaches them by these alone, and never reads one.

-- Nothing where the account is unknown, disabled, or signs on elsewhere. The link of before ends.
create or replace function put_reset_link(of_name text, digest bytea, ends_at timestamptz) returns table (name text)
language sql
as $$
    insert into reset_link (account_id, secret_sha256, expires_at)
    select account_id, digest, ends_at from account where account.name = of_name and disabled_at is null and issuer is null
    for no key update
    on conflict (account_id) do update set secret_sha256 = excluded.secret_sha256, made_at = now(), expires_at = excluded.expires_at
    returning of_name
$$;

-- The same by an administrator.
create or replace function make_reset_link(of_name text, digest bytea, ends_at timestamptz) returns table (name text)
language sql security definer set search_path = public, pg_temp
as $$
    select demand_governing();
    select * from put_reset_link(of_name, digest, ends_at);
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
    found_id int := (select account_id from reset_link where secret_sha256 = digest);
    found_name text;
begin
    select a.name into found_name from account a where a.account_id = found_id and a.disabled_at is null for no key update;
    delete from reset_link where secret_sha256 = digest and account_id = found_id and expires_at > now() and found_name is not null;
    if not found then
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

-- What works with its owner's rights is called by the owner and the api's role only, and finds no object of anybody else.
do $$
declare
    one record;
begin
    for one in
        select p.oid::regprocedure as name from pg_proc p where p.pronamespace = 'public'::regnamespace and p.prosecdef
            and not exists (select from pg_depend d where d.objid = p.oid and d.deptype = 'e')
    loop
        execute format('revoke execute on function %s from public', one.name);
        if exists (select from pg_roles where rolname = 'boomledger_api') then
            execute format('grant execute on function %s to boomledger_api', one.name);
        end if;
    end loop;
    execute 'revoke execute on function new_scope_key(), put_scope_key(bytea) from public';
    -- Policies ask these of everybody; without a signed scope they answer nothing.
    for one in
        select f.name as function, r.rolname as role from pg_roles r, unnest(array['scope_claims()', 'sites_in_scope()', 'cranes_in_scope()',
            'crane_names_in_scope()', 'account_id_in_scope()']) as f (name)
        where r.rolname in ('boomledger_ingest', 'boomledger_analytics', 'boomledger_watch')
    loop
        execute format('grant execute on function %s to %I', one.function, one.role);
    end loop;
    if exists (select from pg_roles where rolname = 'boomledger_ingest') then
        execute 'grant execute on function spec_id_of(jsonb), segment_make_ranges(timestamptz, timestamptz) to boomledger_ingest';
    end if;
end
$$;
