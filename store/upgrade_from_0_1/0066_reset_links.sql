-- Links by which a person sets a password without knowing the one before.
create table reset_link (
    account_id int primary key references account on delete cascade,
    secret_sha256 bytea not null unique check (octet_length(secret_sha256) = 32),
    made_at timestamptz not null default now(),
    expires_at timestamptz not null
);
comment on table reset_link is 'the one link of an account to set a password with; gone when it is used, when another is made, when the account is disabled or gets a password otherwise';
