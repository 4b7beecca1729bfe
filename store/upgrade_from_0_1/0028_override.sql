-- A reservation of a crane that needs an override says why it was made all the same, and over what.
alter table reservation add column override_reason text;
alter table reservation add column override_states text[] not null default '{}';  -- as domain/dispatch_answers.py
