-- What is not known of a crane's life stands beside what is counted: the share of unknown years before the record, and of time
-- in use without one. `used_share` and `damage` hold all of it.
alter table crane_summary
    add column used_share_unknown double precision,
    add column used_share_unrecorded double precision,
    add column unknown_years double precision,  -- before the first record, of which nothing is entered
    add column damage_counted double precision;

update crane_summary set made_of = null;  -- every crane is judged again
