-- name: add_audit
-- Write down what was done.
insert into audit (account_name, via, action, target, detail, address, request_id)
values (%(account)s, %(via)s, %(action)s, %(target)s, %(detail)s, %(address)s, %(request_id)s);

-- name: list_audit
-- One page of the audit, newest first.
select audit_id, at, account_name as account, via, action, target, detail, address, request_id
from audit
where audit_id < %(before)s
order by audit_id desc
limit %(limit)s;

-- name: list_audit_of_acts
-- One page of the audit without the reads of personal data, newest first.
select audit_id, at, account_name as account, via, action, target, detail, address, request_id
from audit
where audit_id < %(before)s and action not like 'read /%%'
order by audit_id desc
limit %(limit)s;

-- name: last_and_writers
-- The last number, and who holds the lock that comes before a number: the locks are read after the snapshot is taken.
select coalesce(max(audit_id), 0), array(
    select virtualtransaction from pg_locks
    where locktype = 'relation' and relation = 'audit'::regclass and mode = 'RowExclusiveLock' and granted
        and database = (select oid from pg_database where datname = current_database())
)
from audit;

-- name: still_writing
-- Who of some transactions still holds that lock.
select distinct virtualtransaction from pg_locks
where locktype = 'relation' and relation = 'audit'::regclass and mode = 'RowExclusiveLock'
    and virtualtransaction = any(%(writers)s);

-- name: last_before
-- The last line before a time.
select max(audit_id) from audit where at < %(since)s;

-- name: export_begun
-- A target that is new begins with the first line.
insert into audit_export (target, audit_id) values (%(target)s, 0) on conflict do nothing;

-- name: export_position
-- How far the audit went to a target; nothing where another one is at it.
select audit_id from audit_export where target = %(target)s for update skip locked;

-- name: keep_export_position
-- The audit went to a target up to there.
update audit_export set audit_id = %(audit_id)s, at = now() where target = %(target)s;

-- name: audit_lines
-- Lines of the audit in their order.
select audit_id, at, account_name as account, via, action, target, detail, address, request_id
from audit
where audit_id > %(after)s and audit_id <= %(upto)s
order by audit_id
limit %(limit)s;

-- name: list_imports
-- One page of the files that were stored, newest first, of an account or of every one.
select audit_id, at, account_name as account, detail - 'stored' as detail
from audit
where action = 'POST /imports' and detail ->> 'stored' = 'true' and audit_id < %(before)s
    and (%(account)s::text is null or account_name = %(account)s)
order by audit_id desc
limit %(limit)s;
