-- name: database_takes_writes
-- Whether the database that answers takes writes: false on a standby, and where it was made read-only.
select not current_setting('transaction_read_only')::boolean;

-- name: session_of_mine
-- What this session is known by among those of its server.
select pid, backend_start::text as begun from pg_stat_activity where pid = pg_backend_pid();

-- name: session_is_there
-- Whether this server has a session.
select exists (select from pg_stat_activity where pid = %(pid)s and backend_start::text = %(begun)s);

-- name: heartbeat_stored
-- A process tells of itself: that it works, or what is wrong.
insert into process_heartbeat (process, beat_at, working_at, trouble)
values (%(process)s, now(), now(), %(trouble)s)
on conflict (process) do update
    set beat_at = excluded.beat_at,
        working_at = case when excluded.trouble = '' then excluded.working_at else process_heartbeat.working_at end,
        trouble = excluded.trouble;

-- name: process_heartbeats
-- What every process told of itself last.
select process, beat_at, working_at, trouble from process_heartbeat order by process;

-- name: newest_work
-- When the newest message was stored and a crane counted, what waits, what is said of ingest's clock, what was deleted.
select (select max(received_at) from live) as committed_at,
    (select max(counted_at) from crane_summary) as counted_at,
    (select min(touched_at) from touched_day) as waiting_since,
    (select min(noted_at) from clock_doubt where seen_at > now() - interval '2 minutes') as clock_doubted_since,
    (select detail from clock_doubt where seen_at > now() - interval '2 minutes' order by doubt_id desc limit 1) as clock_doubt,
    (select max(removed_at) from quarantine_removal where messages > aged) as evidence_deleted_at,
    now() as at;

-- name: system_troubles
-- What is wrong with the system, as last judged.
select subject, raised_at, detail from system_trouble order by subject;

-- name: system_trouble_raised
-- Something is wrong with the system.
insert into system_trouble (subject, raised_at, detail) values (%(subject)s, %(at)s, %(detail)s)
on conflict (subject) do update set detail = excluded.detail;

-- name: system_trouble_cleared
-- It is right again.
delete from system_trouble where subject = %(subject)s;
