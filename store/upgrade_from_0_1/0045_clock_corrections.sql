-- Spans of messages whose sender had a wrong clock: an offset for a boot and its numbers, entered through the api or a command
-- and applied by ingest to what is stored and to what comes.
create table clock_correction (
    correction_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    boot bigint not null,
    seq_from bigint not null,
    seq_to bigint not null,            -- the last one, included
    offset_ms bigint not null check (offset_ms <> 0),  -- added to the times that the messages state
    reason text not null check (reason <> ''),
    entered_at timestamptz not null default now(),
    entered_by text not null,
    applied_at timestamptz,            -- in force from then on
    withdrawn_at timestamptz,
    withdrawn_by text,
    reverted_at timestamptz,           -- in force until then
    messages bigint not null default 0,  -- that were stored when it was applied
    problem text not null default '',  -- why it could not be applied or reverted
    check (seq_from <= seq_to)
);
create index clock_correction_by_crane on clock_correction (crane_id, boot);

-- One row. Who applies or reverts a correction raises it; who stores messages holds it meanwhile, and knows by it what is in force.
create table correction_version (
    version bigint primary key
);
insert into correction_version (version) values (0);
