-- In which configuration each lift was made: the narrowest spread of the stabilisers while it lasted. Null where the
-- crane sends none, and for lifts counted before: `boomledger analyse --again` fills them.

alter table lift add column stabiliser_left_pct real, add column stabiliser_right_pct real;
