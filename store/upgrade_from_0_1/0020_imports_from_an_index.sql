-- Files that were stored are listed from the audit, which holds every write: those alone, newest first.
create index audit_of_imports on audit (audit_id desc)
    where action = 'POST /imports' and detail ->> 'stored' = 'true';

-- Who has some sites in sight sees the own ones of them and nothing else of the audit.
create policy own_imports on audit for select using (
    action = 'POST /imports' and account_name = (select current_setting('boomledger.account', true))
);
