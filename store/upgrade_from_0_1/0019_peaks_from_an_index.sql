-- The peaks of a crane's lifts are read for every spectrum: from the index alone. It also does what the one by day did.
create index lift_peak_by_day on lift (crane_id, counting_id, day, started_at) include (peak_structural_pct);
drop index lift_by_day;
