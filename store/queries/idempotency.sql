-- name: claim_idempotency_key
-- Take a key for a first request; nothing is returned when it is taken already.
insert into idempotency (account_name, key, request_sha256)
values (%(account)s, %(key)s, %(request_sha256)s)
on conflict (account_name, key) do update
    set request_sha256 = excluded.request_sha256, created_at = now(), status = null, content_type = null, body = null
    where idempotency.created_at < now() - interval '1 day'
returning key;

-- name: idempotent_answer
-- What the first request with this key asked and was answered.
select request_sha256, status, content_type, body
from idempotency
where account_name = %(account)s and key = %(key)s;

-- name: keep_idempotent_answer
-- Keep the answer of the first request with this key.
update idempotency set status = %(status)s, content_type = %(content_type)s, body = %(body)s
where account_name = %(account)s and key = %(key)s;

-- name: release_idempotency_key
-- Give a key back after a request that changed nothing.
delete from idempotency where account_name = %(account)s and key = %(key)s and status is null;
