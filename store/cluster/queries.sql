-- name: shard_by_crane
-- Spread the growing tables over a Citus cluster by crane; how many tables were placed.
select shard_by_crane();

-- name: role_kept_out
-- Whether the api's role cannot log in yet.
select from pg_roles where rolname = %(role)s and not rolcanlogin;

-- name: role_let_in
-- Let the nodes reach each other under the api's role, filled in; without a password, so their pg_hba.conf decides.
alter role {role} login;

-- name: numbers_granted
-- The api's role may number what it enters into copied tables: an ordinary sequence stands there for the identity column.
select format('grant usage on sequence %%s to %%I', pg_get_serial_sequence(name, key), %(role)s::text)
from (values ('site', 'site_id'), ('crane_type', 'type_id'), ('crane', 'crane_id')) as copied (name, key);
