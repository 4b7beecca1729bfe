-- name: role_taken
-- Work under a role that is bound by row-level security, and find the view of the readings in scope first.
select set_config('role', %(role)s, false), set_config('search_path', 'site_scope, public', false);

-- name: sites_named
-- The sites in scope until the end of the transaction.
select set_config('boomledger.sites', %(sites)s, true);

-- name: site_scope_begun
-- A transaction with the sites in scope in it, filled in and sent as plain text: two statements take no parameters.
begin; select set_config('boomledger.sites', {sites}, true);

-- name: steady_site_scope_begun
-- The same, reading everything as it stands now.
begin isolation level repeatable read; select set_config('boomledger.sites', {sites}, true);

-- name: sites_asked
-- The sites in scope now.
select current_setting('boomledger.sites', true);

-- name: sites_set_for_session
-- The sites in scope until the session ends.
select set_config('boomledger.sites', %(sites)s, false);

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
