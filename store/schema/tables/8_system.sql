-- Which processes work, as each tells of itself, and what is wrong with the system itself. No crane's and no site's.

create table process_heartbeat (
    process text primary key,
    beat_at timestamptz not null,    -- when it told of itself last
    working_at timestamptz not null,   -- when it told last that it works; before that, when it was first heard of
    trouble text not null default ''   -- what it said was wrong when it told last
);

-- One row for each thing that is wrong now; gone when it is right again. What was sent stays in alert_delivery.
create table system_trouble (
    subject text primary key,
    raised_at timestamptz not null,
    detail text not null
);

-- A time in which a clock that ours was compared with was ahead of ours. Messages that came then are judged by it.
create table clock_doubt (
    doubt_id integer generated always as identity primary key,
    from_at timestamptz not null,                -- by our clock, as quarantine's received_at is
    to_at timestamptz not null,                  -- likewise, so far
    ahead_ms bigint not null check (ahead_ms >= 0),  -- how far the furthest of the clocks was ahead of ours, at most
    detail text not null,
    noted_at timestamptz not null default now(), -- by the database's clock
    seen_at timestamptz not null default now()   -- likewise; over once it is minutes old
);

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
