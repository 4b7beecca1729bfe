-- name: add_account
-- Add a person or program from the command line; nothing is returned when the name is taken.
insert into account (name, password_hash, role, sites)
values (%(name)s, %(password_hash)s, %(role)s, %(sites)s)
on conflict (name) do nothing
returning account_id, name, role, sites, created_at, disabled_at, issuer;

-- name: account_added
-- The same by an administrator.
select * from add_account(%(name)s, %(password_hash)s, %(role)s, %(sites)s::text[]);

-- name: sign_on
-- Who signed on, added at the first time, with role and sites as they are now; nothing where another account has the name.
select * from sign_on(%(issuer)s, %(subject)s, %(account)s, %(role)s, %(sites)s);

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
select * from change_account(
    %(name)s, %(role)s, %(set_sites)s, %(sites)s::text[], %(password_hash)s, %(disabled)s
);

-- name: begin_log_in
-- Count a log-in that is about to be tried; counts in the window without a good one, and how the password is hashed.
select * from begin_log_in(%(name)s, %(address)s, %(within)s);

-- name: finish_log_in
-- The account where the hash is right.
select * from finish_log_in(%(name)s, %(hash)s, %(address)s);

-- name: open_session
-- Open a session of who has signed in just now.
select open_session(%(secret_sha256)s, %(expires_at)s, %(address)s, %(agent)s);

-- name: note_use
-- Note that a session or token is in use.
select note_use(%(secret_sha256)s);

-- name: session_principal
-- Who a session secret belongs to, if it is still good.
select * from session_of_digest(%(secret_sha256)s, %(idle)s);

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

-- name: add_token
-- Make an api token of the account that asks.
select * from add_token(%(secret_sha256)s, %(title)s, %(role)s, %(sites)s::text[], %(expires_at)s);

-- name: token_principal
-- Who an api token speaks for, with the role and sites of both.
select * from token_of_digest(%(secret_sha256)s, %(signed_on_within)s);

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

-- name: put_reset_link
-- The same from the command line.
select name from put_reset_link(%(name)s, %(secret_sha256)s, %(expires_at)s);

-- name: account_of_reset_link
-- Whose password a link sets, if it still holds.
select name from account_of_reset_link(%(secret_sha256)s);

-- name: use_reset_link
-- Set the password of a link; its account, or nothing where it holds no more.
select name from use_reset_link(%(secret_sha256)s, %(password_hash)s, %(address)s);
