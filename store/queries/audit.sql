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

-- name: importer_named
-- Name the account whose own imports the rest of the transaction sees.
select set_config('boomledger.account', %(account)s, true);

-- name: list_imports
-- One page of the files that were stored, newest first, of an account or of every one.
select audit_id, at, account_name as account, detail - 'stored' as detail
from audit
where action = 'POST /imports' and detail ->> 'stored' = 'true' and audit_id < %(before)s
    and (%(account)s::text is null or account_name = %(account)s)
order by audit_id desc
limit %(limit)s;
