-- name: role_taken
-- Work under a role that is bound by row-level security, and find the walled view of the readings first.
select set_config('role', %(role)s, false), set_config('search_path', 'sight, public', false);

-- name: sites_named
-- The sites in sight until the end of the transaction.
select set_config('boomledger.sites', %(sites)s, true);

-- name: sight_begun
-- A transaction with the sites in sight in it, filled in and sent as plain text: two statements take no parameters.
begin; select set_config('boomledger.sites', {sites}, true);

-- name: steady_sight_begun
-- The same, reading everything as it stands now.
begin isolation level repeatable read; select set_config('boomledger.sites', {sites}, true);

-- name: sites_asked
-- The sites in sight now.
select current_setting('boomledger.sites', true);

-- name: sites_kept
-- The sites in sight until the session ends.
select set_config('boomledger.sites', %(sites)s, false);
