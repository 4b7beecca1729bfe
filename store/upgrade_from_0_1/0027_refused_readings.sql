-- Readings out of their channel's range: the message is stored with them missing. How many, by crane, local day of their
-- site and channel; and the newest messages that had any, as they came.

create table refused_reading (
    crane_id integer not null,
    day date not null,
    channel text not null,
    messages bigint not null,
    readings bigint not null,
    first_at timestamptz not null,
    last_at timestamptz not null,
    least double precision not null,
    most double precision not null,
    primary key (crane_id, day, channel)
);

create table refused_message (
    crane_id integer not null,
    t0 timestamptz not null,
    boot bigint not null,
    seq bigint not null,
    received_at timestamptz not null,
    raw bytea not null,
    primary key (crane_id, t0, boot, seq)
);
