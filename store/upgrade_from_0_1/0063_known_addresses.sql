-- Who guesses passwords locks nobody out who signs in from an address that is known of the account.
create table known_address (
    account_id int not null references account on delete cascade,
    address text not null,
    seen_at timestamptz not null default now(),
    primary key (account_id, address)
);
comment on table known_address is 'where an account signed in from in the last 30 days: failures of others do not lock it out there';
