-- name: shard_by_crane
-- Spread the growing tables over a Citus cluster by crane; how many tables were placed.
select shard_by_crane();

-- name: tables_placed
-- Tables on the nodes of a cluster that belong to a site or to a crane: the key by which they do, and what the nodes are told of it.
select c.relname as name, k.key, k.setting
from pg_dist_partition p
join pg_class c on c.oid = p.logicalrelid and not c.relispartition and c.relnamespace = 'public'::regnamespace
cross join lateral (
    select a.attname as key, case a.attname when 'site_id' then 'boomledger.site_ids' else 'boomledger.crane_ids' end as setting
    from pg_attribute a
    where a.attrelid = c.oid and a.attname in ('site_id', 'crane_id') and not a.attisdropped
    order by a.attname desc
    limit 1
) k
order by c.relname;

-- name: placed_policy_gone
-- Before a table of the nodes is walled anew.
drop policy if exists in_sight on {table};

-- name: placed_walled
-- A policy for a table of the nodes: they cannot ask other tables, so what they are told with the transaction decides.
create policy in_sight on {table} using (
    current_setting('boomledger.sites', true) = '*'
    or {key}::text = any(string_to_array(current_setting({setting}, true), ','))
);

-- name: placed_wall_up
-- The policies of a table hold.
alter table {table} enable row level security;

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
