-- name: database_takes_writes
-- Whether the database that answers takes writes: false on a standby, and where it was made read-only.
select not current_setting('transaction_read_only')::boolean;
