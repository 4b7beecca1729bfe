-- name: scope_key
-- The key by which site scopes are signed; refused to a login that is not the owner.
select key from scope_key;

-- name: backend_asked
-- The backend of a connection, and its clock [s].
select pg_backend_pid(), extract(epoch from clock_timestamp())::float8;

-- name: role_taken
-- Work under a role that is bound by row-level security, and find the view of the readings in scope first, temporary tables last.
select set_config('role', %(role)s, false), set_config('search_path', 'site_scope, public, pg_temp', false);

-- name: scope_named
-- The signed site scope until the end of the transaction.
select set_config('boomledger.scope', %(scope)s, true);

-- name: site_scope_begun
-- A transaction with its signed site scope in it, filled in and sent as plain text: two statements take no parameters.
begin; select set_config('boomledger.scope', {scope}, true);

-- name: steady_site_scope_begun
-- The same, reading everything as it stands now.
begin isolation level repeatable read; select set_config('boomledger.scope', {scope}, true);

-- name: scope_asked
-- The signed site scope now.
select current_setting('boomledger.scope', true);

-- name: scope_set_for_session
-- The signed site scope until the session ends.
select set_config('boomledger.scope', %(scope)s, false);

-- name: nodes_followed
-- On a cluster: what a transaction sets for itself is set on the nodes too. No row elsewhere.
select set_config('citus.propagate_set_commands', 'local', false) where to_regclass('pg_catalog.pg_dist_partition') is not null;

-- name: keys_in_scope
-- The numbers of the sites and of the cranes in scope, as the nodes of a cluster are told them.
select (select coalesce(string_agg(s::text, ','), '') from sites_in_scope() s) as site_ids,
    (select coalesce(string_agg(c::text, ','), '') from cranes_in_scope() c) as crane_ids;

-- name: node_told
-- One setting of a transaction, filled in and sent as plain text: only so do the nodes get it.
set local {setting} to {value};
