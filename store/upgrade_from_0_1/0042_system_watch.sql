-- Which processes work, as each tells of itself, and what is wrong with the system itself. No crane's and no site's: everyone
-- who is signed in may read it; the api's role may not write it.

create table process_pulse (
    process text primary key,
    beaten_at timestamptz not null,    -- when it told of itself last
    working_at timestamptz not null,   -- when it told last that it works; before that, when it was first heard of
    trouble text not null default ''   -- what it said was wrong when it told last
);

-- One row for each thing that is wrong now; gone when it is right again. What was sent stays in alert_delivery.
create table system_trouble (
    subject text primary key,
    raised_at timestamptz not null,
    detail text not null
);

alter table process_pulse enable row level security;
create policy read_by_all on process_pulse for select using (true);
alter table system_trouble enable row level security;
create policy read_by_all on system_trouble for select using (true);
