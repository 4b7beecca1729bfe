-- The overload register: each lift above 100 % structural of the counting in use, and what was decided about it.

-- What people decided, only ever added. The lift stands beside it as it was then: a later count may find it otherwise.
create table overload_decision (
    decision_id integer generated always as identity primary key,
    crane_id integer not null references crane on delete cascade,
    started_at timestamptz not null,
    ended_at timestamptz not null,
    day date not null,
    peak_utilisation_pct double precision not null,
    peak_structural_pct double precision not null,
    peak_outreach_m double precision,
    mass_kg double precision,
    limiter_stops integer not null,
    limiter_overrides integer not null,
    cause text not null,               -- as domain/overload.py
    note text not null default '',     -- what was found
    decided text not null check (decided <> ''),
    decided_at timestamptz not null default now(),
    decided_by text not null
);
create index overload_decision_by_crane on overload_decision (crane_id, decision_id);

-- The register itself: follows from the lifts and the decisions, and is written anew after each count (duty/overloads.py).
create table overload (
    crane_id integer not null references crane on delete cascade,
    started_at timestamptz not null,
    ended_at timestamptz not null,
    day date not null,
    peak_utilisation_pct double precision not null,
    peak_structural_pct double precision not null,
    peak_outreach_m double precision,
    mass_kg double precision,
    limiter_stops integer not null,
    limiter_overrides integer not null,
    counted boolean not null,          -- false: decided, and no overload is counted there any more
    open boolean not null,
    decision_ids integer[] not null default '{}',  -- oldest first; the last one holds
    primary key (crane_id, started_at)
);
create index overload_open on overload (crane_id) where open;
create index overload_by_time on overload (started_at desc, crane_id);

-- The same level as in duty/overloads.py: an index takes a constant.
create index lift_overload on lift (crane_id, counting_id, started_at) where peak_structural_pct > 100;

-- Rows under the policies of their cranes; and under the api's role a decision is neither changed nor taken out.
select wall_off();
create policy kept_as_it_is on overload_decision as restrictive for update using (false);
create policy never_taken_out on overload_decision as restrictive for delete using (false);

update crane_summary set made_of = null;  -- every crane is judged again, and its register made
