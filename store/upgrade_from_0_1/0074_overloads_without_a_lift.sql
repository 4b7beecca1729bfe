-- The overload register holds time above the full structural rating that is in no lift. Days counted before know of none
-- until they are counted again.
alter table day_figure add column over_part bytea;  -- time above the full structural rating, in a lift or not; null without any
alter table overload add column in_lift boolean not null default true;  -- false: time above the rating without a lift
alter table overload_decision add column in_lift boolean not null default true;
