-- name: shard_by_crane
-- Spread the growing tables over a Citus cluster by crane; how many tables were placed.
select shard_by_crane();
