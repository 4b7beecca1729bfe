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
