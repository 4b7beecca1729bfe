-- The web process signs which sites a transaction sees; policies believe nothing else (store/schema/replaced/4_row_level_security.sql).
create table scope_key (
    only_one boolean primary key default true check (only_one),
    key bytea not null check (octet_length(key) = 32),
    inner_key bytea not null,
    outer_key bytea not null
);
comment on table scope_key is 'by which the web process signs the site scope of its transactions; the role of the api cannot read it';
comment on column scope_key.inner_key is 'the key padded for the inner digest of HMAC-SHA-256 (RFC 2104), outer_key for the outer one';

drop policy if exists insert_by_all on audit;
