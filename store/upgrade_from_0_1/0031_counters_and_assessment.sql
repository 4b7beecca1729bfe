-- Counters that a crane keeps by itself, as somebody read them: what tells days without data from rest.

create table counter_reading (
    reading_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    kind text not null check (kind in ('operating_hours', 'lifts')),
    read_on date not null,             -- local day, at its end
    value double precision not null check (value >= 0),
    restarted boolean not null default false,  -- replaced or set: nothing is reckoned from readings before
    note text not null default '',
    entered_at timestamptz not null default now(),
    entered_by text not null,
    withdrawn_at timestamptz,
    withdrawn_by text
);
create unique index counter_reading_once on counter_reading (crane_id, kind, read_on) where withdrawn_at is null;

-- The special assessment by the one rule of duty.assessment, and what the factor f1 rests on.
alter table crane_summary
    add column f1_reason text not null default '',
    add column assessment_on date,
    add column assessment_by text,     -- as domain/life_answers.py
    add column assessment_reason text not null default '',
    add column allowed_sum double precision;  -- of the default detail

alter table alert add column detail text not null default '';  -- names, where an alert is about several cranes of a site

update crane_summary set made_of = null;  -- every crane is judged again
