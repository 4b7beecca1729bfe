-- Rows in the tables that the steps from 21 to 42 added.
insert into refused_reading select crane_id, '2026-03-02', 'slew_deg', 2, 5, '2026-03-02 08:00Z', '2026-03-02 09:00Z', 400, 700 from crane;
insert into refused_message select crane_id, '2026-03-02 08:00Z', 3, 9, '2026-03-02 08:01Z', '\x00ff' from crane;
insert into exclusion (crane_id, from_at, to_at, reason, entered_by) select crane_id, '2026-03-02', '2026-03-03', 'sensor stuck', 'smith' from crane;
insert into finding (crane_id, day, code, channel, from_at, to_at, size) select crane_id, '2026-03-02', 'stuck', '', '2026-03-02', '2026-03-03', 3 from crane;
insert into counter_reading (crane_id, kind, read_on, value, entered_by) select crane_id, 'lifts', '2026-03-02', 120, 'smith' from crane;
insert into overload_decision
    (crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, limiter_stops, limiter_overrides, cause, decided, decided_by)
select crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, 0, 0, 'load', 'inspected', 'smith'
from lift where peak_structural_pct > 100;
insert into overload
    (crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, limiter_stops, limiter_overrides, counted, open, decision_ids)
select crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, 0, 0, true, false, array[decision_id]
from overload_decision;
insert into life_record (crane_id, kind, happened_on, person, entered_by) select crane_id, 'inspection', '2026-03-02', 'smith', 'smith' from crane;
insert into life_record_file (crane_id, record_id, name, media_type, size_bytes, sha256, content, attached_by)
select crane_id, record_id, 'report.pdf', 'application/pdf', 2, encode(sha256('\x00ff'), 'hex'), '\x00ff', 'smith' from life_record;
insert into dossier (crane_id, number, finished_at, finished_by, program_version, data, data_sha256, pdf, pdf_sha256)
select crane_id, 1, '2026-03-05', 'smith', '0.1', '{}', encode(sha256('{}'), 'hex'), '\x00ff', encode(sha256('\x00ff'), 'hex') from crane;
insert into process_pulse (process, beaten_at, working_at) values ('ingest', '2026-03-05', '2026-03-05');
insert into system_trouble (subject, raised_at, detail) values ('backup', '2026-03-05', 'none for a week');
