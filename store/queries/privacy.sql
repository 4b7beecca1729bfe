-- name: past_reads
-- Reads of personal data that are past their time, and went to where the audit goes.
delete from audit where audit_id in (
    select audit_id from audit where action like 'read /%%' and at < now() - make_interval(secs => %(days)s * 86400) and (%(exported_to)s::text is null
        or audit_id <= coalesce((select e.audit_id from audit_export e where e.target = %(exported_to)s), -1)) limit %(rows)s
);

-- name: past_audit
-- Other lines of the audit likewise.
delete from audit where audit_id in (
    select audit_id from audit where action not like 'read /%%' and at < now() - make_interval(secs => %(days)s * 86400) and (%(exported_to)s::text is null
        or audit_id <= coalesce((select e.audit_id from audit_export e where e.target = %(exported_to)s), -1)) limit %(rows)s
);

-- name: past_sessions
-- Sessions that ended long ago.
delete from session where session_id in (
    select session_id from session where expires_at < now() - make_interval(secs => %(days)s * 86400) limit %(rows)s
);

-- name: past_tokens
-- Tokens that expired long ago.
delete from api_token where token_id in (
    select token_id from api_token where expires_at < now() - make_interval(secs => %(days)s * 86400) limit %(rows)s
);

-- name: past_failed_log_ins
-- Failed log-ins that no limit counts any more.
delete from login_attempt where attempt_id in (
    select attempt_id from login_attempt where at < now() - make_interval(secs => %(days)s * 86400) limit %(rows)s
);

-- name: past_known_addresses
-- Addresses from which an account did not sign in of late.
delete from known_address where (account_id, address) in (
    select account_id, address from known_address where seen_at < now() - make_interval(secs => %(days)s * 86400) limit %(rows)s
);

-- name: past_kept_answers
-- Answers that no idempotency key brings back any more.
delete from idempotency where (account_name, key) in (
    select account_name, key from idempotency where created_at < now() - make_interval(secs => %(days)s * 86400) limit %(rows)s
);

-- name: past_reservations
-- Reservations that are long over.
delete from reservation where reservation_id in (
    select reservation_id from reservation where upper(during) < now() - make_interval(secs => %(days)s * 86400) limit %(rows)s
);

-- name: governing_accounts
-- Administrators of every site who can sign in, locked so that two removals cannot both take the last one.
select account_id from account where role = 'admin' and sites is null and disabled_at is null order by account_id for update;

-- name: account_held
-- The account of somebody, locked: what hangs on it goes after that, as in what the api does about it.
select account_id from account where name = %(name)s for update;

-- name: named_by_name
-- Who is looked for, where a column holds the name.
select %(name)s::text;

-- name: named_by_account
-- Who is looked for, where a column holds the number of the account.
select account_id from account where name = %(name)s;

-- name: columns_of
-- Columns of a table that the role may read, but for hidden ones.
select column_name::text from information_schema.columns
where table_schema = 'public' and table_name = %(table)s and column_name <> all(%(hidden)s)
order by ordinal_position;

-- name: count_of_person
-- How many rows name somebody.
select count(*)::int from {table} where {key} in ({who});

-- name: rows_of_person
-- Rows that name somebody, those with the largest number first.
select {columns} from {table} where {key} in ({who}) order by 1 desc limit %(most)s;

-- name: person_gone
-- Rows of somebody go.
delete from {table} where {key} in ({who});

-- name: person_renamed
-- Rows of somebody stay under another name.
update {table} set {key} = %(pseudonym)s where {key} = %(name)s;

-- name: person_renamed_in_audit
-- Lines of the audit about somebody stay under another name, and those of somebody without the address.
-- A role, site or crane that is called the same, and the key of a value, are no person; nor is the target of what was done to
-- something else of that name. Only these actions name an account, or a person, as their target.
with said as (
    select audit_id,
        target = %(name)s
            and action in ('create account', 'add account', 'change account', 'make reset link', 'give person') as is_target,
        replace(replace(replace((detail - '{role,sites,crane}'::text[])::text, word || ': ', chr(1)), word, other), chr(1), word || ': ')::jsonb
        || coalesce((select jsonb_object_agg(key, value) from jsonb_each(detail) where key in ('role', 'sites', 'crane')), '{}') as detail
    from audit, (select to_json(%(name)s::text)::text, to_json(%(pseudonym)s::text)::text) as words (word, other)
)
update audit a
set address = case when account_name = %(pseudonym)s then '' else address end,
    target = case
        when is_target then %(pseudonym)s
        when target = '/users/' || %(name)s or starts_with(target, '/users/' || %(name)s || '/')
            then '/users/' || %(pseudonym)s || substr(target, length('/users/' || %(name)s) + 1)
        else target end,
    detail = said.detail
from said
where said.audit_id = a.audit_id and (account_name = %(pseudonym)s or is_target or target = '/users/' || %(name)s
    or starts_with(target, '/users/' || %(name)s || '/') or said.detail <> a.detail);

-- name: targets_of_recipient
-- Whom alerts are mailed to, where an address is among them.
select target_id, name, spec, entered_at from alert_target where spec -> 'recipients' ? %(name)s;

-- name: recipient_removed
-- An address gets no alerts any more, where another one is left.
update alert_target set spec = jsonb_set(spec, '{recipients}', (spec -> 'recipients') - %(name)s::text)
where spec -> 'recipients' ? %(name)s and jsonb_array_length(spec -> 'recipients') > 1;

-- name: token_alerts_of
-- Alerts about tokens of an account: their text ends with its name, which holds no comma.
select alert_id, raised_at, cleared_at, detail from alert
where crane_id is null and right(detail, length(%(name)s) + 2) = ', ' || %(name)s
order by alert_id desc;

-- name: token_alerts_removed
-- These go, with their history.
delete from alert where crane_id is null and right(detail, length(%(name)s) + 2) = ', ' || %(name)s;
