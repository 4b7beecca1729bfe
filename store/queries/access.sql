-- name: add_account
-- Add a person or program; nothing is returned when the name is taken.
insert into account (name, password_hash, role, sites)
values (%(name)s, %(password_hash)s, %(role)s, %(sites)s)
on conflict (name) do nothing
returning account_id, name, role, sites, created_at, disabled_at, issuer;

-- name: sign_on
-- Who signed on, added at the first time, with role and sites as they are now; nothing where another account has the name.
with before as (
    select account_id, role, sites from account where issuer = %(issuer)s and subject = %(subject)s for update
), changed as (
    update account a set role = %(role)s, sites = %(sites)s, signed_on_at = now()
    from before b where a.account_id = b.account_id
    returning a.account_id, a.name, a.role, a.sites, a.disabled_at,
        (b.role, b.sites) is distinct from (a.role, a.sites) as changed
), added as (
    insert into account (name, issuer, subject, role, sites, signed_on_at)
    select %(account)s, %(issuer)s, %(subject)s, %(role)s, %(sites)s, now() where not exists (select from before)
    on conflict do nothing
    returning account_id, name, role, sites, disabled_at, false as changed
)
select * from changed union all select * from added;

-- name: account_for_login
-- The account that signs in, with its password hash.
select account_id, name, role, sites, password_hash
from account
where name = %(name)s and disabled_at is null;

-- name: account_named
-- One account.
select account_id, name, role, sites, created_at, disabled_at, issuer from account where name = %(name)s;

-- name: list_accounts
-- One page of accounts, by name.
select account_id, name, role, sites, created_at, disabled_at, issuer
from account
where name > %(after)s
order by name
limit %(limit)s;

-- name: change_account
-- Change role, sites, password or state of an account; nulls leave the role and the password as they are.
update account
set role = coalesce(%(role)s, role),
    sites = case when %(set_sites)s then %(sites)s else sites end,
    password_hash = coalesce(%(password_hash)s, password_hash),
    disabled_at = case when %(disabled)s::boolean is null then disabled_at
                       when %(disabled)s then coalesce(disabled_at, now()) end
where name = %(name)s
returning account_id, name, role, sites, created_at, disabled_at, issuer;

-- name: count_active_admins
-- Administrators of every site that can still sign in, locked so that two changes cannot both remove the last one.
select account_id from account
where role = 'admin' and sites is null and disabled_at is null
order by account_id
for update;

-- name: add_session
-- Open a session.
insert into session (secret_sha256, account_id, expires_at, address, agent)
values (%(secret_sha256)s, %(account_id)s, %(expires_at)s, %(address)s, %(agent)s)
returning session_id;

-- name: session_principal
-- Who a session secret belongs to, if it is still good.
select a.account_id, a.name, a.role, a.sites, s.session_id, s.last_seen_at
from session s join account a using (account_id)
where s.secret_sha256 = %(secret_sha256)s
  and s.expires_at > now()
  and s.last_seen_at > now() - %(idle)s::interval
  and a.disabled_at is null;

-- name: see_session
-- Note that a session is in use.
update session set last_seen_at = now() where session_id = %(session_id)s;

-- name: list_sessions
-- Open sessions of one account, or of everyone.
select s.session_id, a.name as account, s.created_at, s.last_seen_at, s.expires_at, s.address, s.agent
from session s join account a using (account_id)
where s.expires_at > now() and (%(account)s::text is null or a.name = %(account)s)
  and s.session_id > %(after)s
order by s.session_id
limit %(limit)s;

-- name: end_session
-- Sign one session out.
delete from session s using account a
where a.account_id = s.account_id and s.session_id = %(session_id)s
  and (%(account)s::text is null or a.name = %(account)s)
returning s.session_id;

-- name: end_sessions_of
-- Sign every session of an account out.
delete from session where account_id = %(account_id)s;

-- name: add_token
-- Make an api token.
insert into api_token (secret_sha256, account_id, title, role, sites, expires_at)
select %(secret_sha256)s, account_id, %(title)s, %(role)s, %(sites)s, %(expires_at)s
from account where name = %(account)s
returning token_id, title, role, sites, created_at, expires_at, last_used_at;

-- name: token_principal
-- Who an api token speaks for, with the role and sites of both.
select a.account_id, a.name, a.role as account_role, a.sites as account_sites,
       t.token_id, t.role, t.sites, t.last_used_at
from api_token t join account a using (account_id)
where t.secret_sha256 = %(secret_sha256)s and t.expires_at > now() and a.disabled_at is null
  and (a.issuer is null or a.signed_on_at > now() - %(signed_on_within)s::interval);

-- name: see_token
-- Note that a token is in use.
update api_token set last_used_at = now() where token_id = %(token_id)s;

-- name: list_tokens
-- Tokens of one account, or of everyone; never the secrets.
select t.token_id, a.name as account, t.title, t.role, t.sites, t.created_at, t.expires_at, t.last_used_at
from api_token t join account a using (account_id)
where (%(account)s::text is null or a.name = %(account)s) and t.token_id > %(after)s
order by t.token_id
limit %(limit)s;

-- name: end_token
-- Revoke one token.
delete from api_token t using account a
where a.account_id = t.account_id and t.token_id = %(token_id)s
  and (%(account)s::text is null or a.name = %(account)s)
returning t.token_id;

-- name: make_reset_link
-- The one link of an account to set a password with; nothing where the account is unknown, disabled or signs on elsewhere.
select name from make_reset_link(%(name)s, %(secret_sha256)s, %(expires_at)s);

-- name: account_of_reset_link
-- Whose password a link sets, if it still holds.
select name from account_of_reset_link(%(secret_sha256)s);

-- name: use_reset_link
-- Set the password of a link; its account, or nothing where it holds no more.
select name from use_reset_link(%(secret_sha256)s, %(password_hash)s, %(address)s);

-- name: add_login_attempt
-- Remember a log-in that is about to be tried.
insert into login_attempt (account_name, address) values (%(name)s, %(address)s);

-- name: count_login_attempts
-- Log-ins tried in the window and not followed by a good one.
select count(*) filter (where account_name = %(name)s and address = %(address)s)::int as of_both,
       count(*) filter (where address = %(address)s)::int as of_address,
       count(*) filter (where account_name = %(name)s)::int as of_account,
       exists (
           select from known_address k join account a using (account_id)
           where a.name = %(name)s and k.address = %(address)s and k.seen_at > now() - interval '30 days'
       ) as known
from login_attempt
where at > now() - %(within)s::interval and (account_name = %(name)s or address = %(address)s);

-- name: forget_login_attempts
-- A good log-in clears the count of its account from its address; old attempts go with it.
delete from login_attempt
where (account_name = %(name)s and address = %(address)s) or at < now() - interval '1 day';

-- name: know_address
-- A good log-in makes its address known of the account; what is older than 30 days goes.
with gone as (
    delete from known_address where account_id = %(account_id)s and seen_at < now() - interval '30 days' and address <> %(address)s
)
insert into known_address (account_id, address) values (%(account_id)s, %(address)s)
on conflict (account_id, address) do update set seen_at = now();

-- name: claim_idempotency_key
-- Take a key for a first request; nothing is returned when it is taken already.
insert into idempotency (account_name, key, request_sha256)
values (%(account)s, %(key)s, %(request_sha256)s)
on conflict (account_name, key) do update
    set request_sha256 = excluded.request_sha256, created_at = now(), status = null, content_type = null, body = null
    where idempotency.created_at < now() - interval '1 day'
returning key;

-- name: idempotent_answer
-- What the first request with this key asked and was answered.
select request_sha256, status, content_type, body
from idempotency
where account_name = %(account)s and key = %(key)s;

-- name: keep_idempotent_answer
-- Keep the answer of the first request with this key.
update idempotency set status = %(status)s, content_type = %(content_type)s, body = %(body)s
where account_name = %(account)s and key = %(key)s;

-- name: release_idempotency_key
-- Give a key back after a request that changed nothing.
delete from idempotency where account_name = %(account)s and key = %(key)s and status is null;
