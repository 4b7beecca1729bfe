-- What these did is done by store/schema/replaced, whole, after the last step.
drop function wall_off();
drop function open_readings_of_a_cluster();
