-- An alert may be about no crane: about a token that expires.
alter table alert alter column crane_id drop not null;
drop index alert_open;
create unique index alert_open on alert (rule_id, crane_id, subject) nulls not distinct where cleared_at is null;
alter table alert_shelf drop constraint alert_shelf_pkey;
alter table alert_shelf alter column crane_id drop not null;
create unique index alert_shelf_of on alert_shelf (crane_id, rule_id, subject) nulls not distinct;
