-- Who does what only one process may do at a time. The holder renews its lease every few seconds; whoever stores under it holds
-- the row of `lease` in the transaction that stores, so that it cannot be taken over meanwhile.
create table lease (
    name text primary key,
    holder text not null,
    taken_at timestamptz not null default now()
);
-- Apart, so that a renewal does not wait for a long transaction of the holder.
create table lease_renewal (
    name text primary key,
    holder text not null,
    renewed_at timestamptz not null
);
