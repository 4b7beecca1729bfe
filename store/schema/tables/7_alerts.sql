-- Alerts: rules over what is counted, what they found, who has it, and what was sent about it.

-- One rule over one site, one type, one crane, or (none of them) the fleet. A rule that is dropped is retired, so that
-- the history of its alerts stays.
create table alert_rule (
    rule_id integer generated always as identity primary key,
    name text not null,
    site_id integer references site on delete cascade,
    type_id integer references crane_type on delete cascade,
    crane_id integer references crane on delete cascade,
    spec jsonb not null,               -- as domain/alerts.py: kind, levels, priority, words
    entered_at timestamptz not null default now(),
    entered_by text not null,
    retired_at timestamptz,
    check (num_nonnulls(site_id, type_id, crane_id) <= 1)
);
create unique index alert_rule_in_force on alert_rule (name) where retired_at is null;

-- One thing found by one rule at one crane, from raised to cleared.
create table alert (
    alert_id bigint generated always as identity primary key,
    crane_id integer references crane on delete cascade,  -- null: about an account, for administrators of every site
    rule_id integer not null references alert_rule on delete cascade,
    subject text not null default '',  -- the status code, service interval or token, where a rule watches several
    raised_at timestamptz not null,
    cleared_at timestamptz,
    calm_since timestamptz,            -- back on the good side of the clear level since then
    value double precision,            -- newest
    worst_value double precision,
    acknowledged_at timestamptz,
    acknowledged_by text,
    detail text not null default '',   -- names, where an alert is about several cranes of a site
    check ((acknowledged_at is null) = (acknowledged_by is null))
);
create unique index alert_open on alert (rule_id, crane_id, subject) nulls not distinct where cleared_at is null;
create index alert_of_crane on alert (crane_id, alert_id);

create table alert_history (
    history_id bigint generated always as identity primary key,
    alert_id bigint not null references alert on delete cascade,
    at timestamptz not null default now(),
    what text not null check (what in ('raised', 'cleared', 'acknowledged', 'shelved', 'unshelved', 'noted')),
    by_whom text not null default '',  -- empty: the rule itself
    note text not null default ''
);
create index alert_history_of on alert_history (alert_id, history_id);

-- What is on the shelf sends nothing until then, also when it clears and comes again.
create table alert_shelf (
    rule_id integer not null references alert_rule on delete cascade,
    crane_id integer references crane on delete cascade,
    subject text not null default '',
    until timestamptz not null,
    reason text not null,
    shelved_by text not null,
    shelved_at timestamptz not null default now()
);
create unique index alert_shelf_of on alert_shelf (crane_id, rule_id, subject) nulls not distinct;

-- Who is told: addresses of e-mail, or a web address. Holds no secret.
create table alert_target (
    target_id integer generated always as identity primary key,
    name text not null unique,
    spec jsonb not null,
    entered_at timestamptz not null default now(),
    entered_by text not null
);

-- One message to one target. Its id and its body stay the same over all tries.
create table alert_delivery (
    delivery_id bigint generated always as identity primary key,
    target_id integer not null references alert_target on delete cascade,
    message_id uuid not null default gen_random_uuid(),
    made_at timestamptz not null,
    body jsonb not null,
    due_at timestamptz not null,
    claimed_until timestamptz,         -- somebody is sending it now; afterwards it may be sent again
    tries integer not null default 0,
    sent_at timestamptz,
    given_up_at timestamptz,
    last_error text not null default ''
);
create index alert_delivery_due on alert_delivery (due_at) where sent_at is null and given_up_at is null;
create index alert_delivery_of on alert_delivery (target_id, made_at desc);

-- What a target is still to be told; written in the transaction that raises or clears the alert.
create table alert_news (
    news_id bigint generated always as identity primary key,
    target_id integer not null references alert_target on delete cascade,
    alert_id bigint not null references alert on delete cascade,
    what text not null check (what in ('raised', 'cleared')),
    made_at timestamptz not null,
    not_before timestamptz not null,   -- quiet hours of the crane's site
    delivery_id bigint references alert_delivery on delete cascade
);
create index alert_news_waiting on alert_news (target_id, not_before) where delivery_id is null;
create index alert_news_of on alert_news (alert_id);
