-- Accounts of people who sign on at the provider of their company: known by issuer and subject, without a password.
alter table account
    alter column password_hash drop not null,
    add column issuer text,
    add column subject text,
    add column signed_on_at timestamptz,
    add constraint account_signs_in check ((issuer is null) = (subject is null) and (password_hash is null) <> (issuer is null)),
    add constraint account_of_subject unique (issuer, subject);
comment on column account.issuer is 'provider of a sign-on; null for an account with a password';
comment on column account.subject is 'who it is there, whatever the name';
comment on column account.signed_on_at is 'last sign-on: role and sites are as the claims said then';
