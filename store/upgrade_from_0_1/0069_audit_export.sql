-- The audit is handed over to a file or a syslog receiver.
create table audit_export (
    target text primary key,
    audit_id bigint not null,
    at timestamptz not null default now()
);
comment on table audit_export is 'how far the audit was handed over to a file or syslog receiver';
