-- Reads of personal data are in the audit too, and many: what was done is listed without them.
comment on table audit is 'every write, export and log-in, and reads of personal data (action: read /...); rows are only ever added';
create index audit_of_acts on audit (audit_id desc) where action not like 'read /%';
