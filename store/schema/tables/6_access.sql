-- Who may do what, and what was done.

create table account (
    account_id int generated always as identity primary key,
    name text not null unique check (name ~ '^[a-z0-9][a-z0-9._@-]{0,62}$'),
    password_hash text,
    role text not null check (role in ('viewer', 'dispatcher', 'engineer', 'admin')),
    sites text[],
    created_at timestamptz not null default now(),
    disabled_at timestamptz,
    issuer text,
    subject text,
    signed_on_at timestamptz,
    constraint account_signs_in check ((issuer is null) = (subject is null) and (password_hash is null) <> (issuer is null)),
    constraint account_of_subject unique (issuer, subject)
);
comment on column account.issuer is 'provider of a sign-on; null for an account with a password';
comment on column account.subject is 'who it is there, whatever the name';
comment on column account.signed_on_at is 'last sign-on: role and sites are as the claims said then';
comment on column account.password_hash is 'argon2id in PHC form; never leaves the database by the api';
comment on column account.sites is 'names of the sites in scope; null for every site';

create table session (
    session_id bigint generated always as identity primary key,
    secret_sha256 bytea not null unique check (octet_length(secret_sha256) = 32),
    account_id int not null references account on delete cascade,
    created_at timestamptz not null default now(),
    last_seen_at timestamptz not null default now(),
    expires_at timestamptz not null,
    address text not null default '',
    agent text not null default ''
);
create index session_account on session (account_id);

create table api_token (
    token_id bigint generated always as identity primary key,
    secret_sha256 bytea not null unique check (octet_length(secret_sha256) = 32),
    account_id int not null references account on delete cascade,
    title text not null,
    role text not null check (role in ('viewer', 'dispatcher', 'engineer', 'admin')),
    sites text[],
    created_at timestamptz not null default now(),
    expires_at timestamptz not null,
    last_used_at timestamptz
);
comment on column api_token.role is 'never above the role of its account: the lower of the two counts';
create index api_token_account on api_token (account_id);

create table reset_link (
    account_id int primary key references account on delete cascade,
    secret_sha256 bytea not null unique check (octet_length(secret_sha256) = 32),
    made_at timestamptz not null default now(),
    expires_at timestamptz not null
);
comment on table reset_link is 'the one link of an account to set a password with; gone when it is used, when another is made, when the account is disabled or gets a password otherwise';

create table login_attempt (
    attempt_id bigint generated always as identity primary key,
    account_name text not null,
    address text not null,
    at timestamptz not null default now()
);
comment on table login_attempt is 'failed log-ins of the last minutes, shared by every api process';
create index login_attempt_account on login_attempt (account_name, at);
create index login_attempt_address on login_attempt (address, at);

create table known_address (
    account_id int not null references account on delete cascade,
    address text not null,
    seen_at timestamptz not null default now(),
    primary key (account_id, address)
);
comment on table known_address is 'where an account signed in from in the last 30 days: failures of others do not lock it out there';

create table audit (
    audit_id bigint generated always as identity primary key,
    at timestamptz not null default now(),
    account_name text not null,
    via text not null check (via in ('session', 'token', 'open', 'command', 'login')),
    action text not null,
    target text not null default '',
    detail jsonb not null default '{}',
    address text not null default '',
    request_id text not null default ''
);
comment on table audit is 'every write, export and log-in, and reads of personal data (action: read /...); rows are only ever added';
create index audit_at on audit (at desc);
-- Without the reads, which are many.
create index audit_of_acts on audit (audit_id desc) where action not like 'read /%';
-- Files that were stored are listed from the audit, which holds every write: those alone, newest first.
create index audit_of_imports on audit (audit_id desc)
    where action = 'POST /imports' and detail ->> 'stored' = 'true';

create table audit_export (
    target text primary key,
    audit_id bigint not null,
    at timestamptz not null default now()
);
comment on table audit_export is 'how far the audit was handed over to a file or syslog receiver';

create table idempotency (
    account_name text not null,
    key text not null check (length(key) between 1 and 200),
    request_sha256 bytea not null,
    created_at timestamptz not null default now(),
    status int,
    content_type text,
    body bytea,
    primary key (account_name, key)
);
comment on column idempotency.status is 'null while the first request with this key is still running';

create table scope_key (
    only_one boolean primary key default true check (only_one),
    key bytea not null check (octet_length(key) = 32),
    inner_key bytea not null,
    outer_key bytea not null
);
comment on table scope_key is 'by which the web process signs the site scope of its transactions; the role of the api cannot read it';
comment on column scope_key.inner_key is 'the key padded for the inner digest of HMAC-SHA-256 (RFC 2104), outer_key for the outer one';
