-- Lifts are found from the load on the hook. A lift over a gap in the record is loaded for its recorded time only.

alter table lift add column loaded_ms bigint;  -- its recorded time; null where counted by a method before

alter table day_figure
    add column posed boolean not null default false,       -- whether lifts were found from the load in kg, or from percent
    add column no_pose_ms bigint not null default 0;       -- time with a reading, outside transport, whose pose is not known
