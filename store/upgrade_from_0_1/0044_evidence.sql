-- What was refused stays evidence: of which cranes messages were deleted for lack of room, when the server's own clock was
-- in doubt, and who asked for refused messages to be judged again.

alter table quarantine_removal
    add column cranes jsonb not null default '{}',  -- messages by crane, those of no crane left out
    add column aged bigint not null default 0;      -- of the messages those that went for their age, and not for lack of room

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
alter table clock_doubt enable row level security;
create policy read_by_all on clock_doubt for select using (true);

create table quarantine_replay (
    replay_id integer generated always as identity primary key,
    crane_name text,                             -- null: of every crane, and of none
    reason text,                                 -- null: for every reason
    asked_at timestamptz not null default now(),
    asked_by text not null,
    done_at timestamptz,
    stored bigint not null default 0,
    known bigint not null default 0,             -- were stored already
    kept bigint not null default 0,              -- are refused again
    problem text not null default ''
);
create index quarantine_replay_waiting on quarantine_replay (replay_id) where done_at is null;
alter table quarantine_replay enable row level security;
create policy in_sight on quarantine_replay
    using ((select every_site_in_sight()) or crane_name in (select crane_names_in_sight()));
