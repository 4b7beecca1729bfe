-- Rows in every table of a database that has had the steps up to 20, as the programs of that time wrote them. All invented.
-- Site, type and cranes are there before.
select segment_make_ranges('2026-02-20', '2026-03-31');
insert into segment (crane_id, t0, boot, seq, dt_ms, n, received_at, utilisation_pct, slew_deg)
select crane_id, timestamptz '2026-02-27 08:00Z' + i * interval '5 hours', 3, i, 1000, 3, '2026-03-20',
    array[10 + i, 'NaN', 81.5]::real[], array[i, i + 0.5, i + 1]::real[]
from crane, generate_series(1, 40) i;
insert into cold_day (crane_id, day, location, segments, samples, bytes) select crane_id, '2026-01-05', 'cold/a.parquet', 7, 70, 700 from crane;
insert into event (crane_id, at, boot, seq, kind, code, state, text, received_at)
select crane_id, '2026-03-02 08:00Z', 3, 9, 'fault', 'E07', 'raised', 'oil hot', '2026-03-02 08:01Z' from crane;
insert into live (crane_id, at, received_at, boot, online, last_values)
select crane_id, '2026-03-02 08:00Z', '2026-03-02 08:01Z', 3, true, '{"utilisation_pct": 40}' from crane;
insert into status_code (type_id, code, meaning, source) select type_id, 'E07', 'oil hot', 'manual' from crane_type;
insert into quarantine (received_at, last_received_at, topic, crane_name, reason, detail, raw, digest)
select '2026-03-02', '2026-03-02', 'boomledger/v1/one/samples', 'one', reason, 'as it came', '\x00ff', sha256(reason::bytea)
from unnest(array['in_future', 'no_json']) reason;
insert into quarantine_removal (messages, bytes, oldest_received_at, newest_received_at, reasons)
values (3, 300, '2026-01-01', '2026-01-02', '{"no_json": 3}');

insert into counting (settings_hash, version, settings, in_use) values ('a', 1, '{}', true), ('b', 2, '{}', false);
insert into touched_day (crane_id, day, touched_at) select crane_id, '2026-03-04', '2026-03-05' from crane;
insert into recount_day (counting_id, crane_id, day) select counting_id, crane_id, '2026-03-03' from counting, crane where not in_use;
insert into day_figure (crane_id, counting_id, day, time_zone, day_start_at, day_end_at, recorded_ms, sensor_gap_ms, lifts, peak_cubed_sum, lift_part)
select crane_id, counting_id, day, 'UTC', day, day + interval '1 day', 3600000, 7, 2, 1.25, '\x01'
from counting, crane, generate_series(timestamptz '2026-03-01', '2026-03-03', interval '1 day') day where in_use;
insert into span_ledger (crane_id, counting_id, span, first_day, last_day, samples, ledger, tallies, circumstances)
select crane_id, counting_id, span, '2026-03-01', '2026-03-03', 120, '\x02', '\x03', '\x04'
from counting, crane, unnest(array['day', 'month', 'year']) span where in_use;
insert into lift (crane_id, counting_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, mass_kg)
select crane_id, counting_id, timestamptz '2026-03-02 08:00Z' + i * interval '1 hour', timestamptz '2026-03-02 08:05Z' + i * interval '1 hour',
    '2026-03-02', 90 + i * 10, 85 + i * 10, 640
from counting, crane, generate_series(0, 2) i where in_use;
insert into event_context (crane_id, at, boot, seq, day, kind, code, utilisation_pct)
select crane_id, '2026-03-02 08:00Z', 3, 9, '2026-03-02', 'fault', 'E07', 55 from crane;
insert into fault_episode (crane_id, code, raised_at) select crane_id, 'E07', '2026-03-02 08:00Z' from crane;
insert into gap (crane_id, day, from_at, to_at, cause, missing_ms)
select crane_id, '2026-03-02', '2026-03-02 08:00Z', '2026-03-02 09:00Z', cause, 7
from crane, unnest(array['offline', 'quarantine', 'sensor']) cause;
insert into crane_summary (crane_id, counting_id, counted_at, made_of, lifts, recorded_ms, used_share, damage)
select crane_id, counting_id, '2026-03-05', 'digest', 6, 10800000, 0.12, 0.03 from counting, crane where in_use;

insert into detail (type_id, crane_id, name, spec, is_default)
select type_id, null::integer, 'column foot', jsonb '{}', true from crane_type union all select null, crane_id, 'own detail', '{}', false from crane;
insert into service_plan (type_id, name, every_hours) select type_id, 'oil', 500 from crane_type;
insert into service_done (crane_id, plan_id, done_at, done_by) select c.crane_id, plan_id, '2026-02-01', 'smith' from crane c, service_plan;
insert into load_chart_version (type_id, valid_from, charts, source, imported_by) select type_id, '2025-01-01', '[]', 'manual', 'smith' from crane_type;
insert into reservation (crane_id, during, title, held_by) select crane_id, '[2026-03-10 08:00Z,2026-03-10 10:00Z)', 'roof truss', 'smith' from crane;

insert into account (name, password_hash, role, sites) values ('smith', 'argon2id', 'dispatcher', '{y}');
insert into session (secret_sha256, account_id, expires_at) select sha256('s'), account_id, '2026-03-30' from account;
insert into api_token (secret_sha256, account_id, title, role, expires_at) select sha256('t'), account_id, 'till', 'viewer', '2026-12-30' from account;
insert into login_attempt (account_name, address) values ('smith', '192.0.2.7');
insert into audit (account_name, via, action, target, detail) values
    ('smith', 'session', 'POST /imports', 'one', '{"stored": true}'), ('smith', 'token', 'POST /holds', 'one', '{}');
insert into idempotency (account_name, key, request_sha256) values ('smith', 'k', sha256('k'));

insert into alert_rule (name, site_id, spec, entered_by) select 'near limit', site_id, '{}', 'smith' from site;
insert into alert (crane_id, rule_id, raised_at, value) select c.crane_id, rule_id, '2026-03-02', 0.4 from crane c, alert_rule;
insert into alert_history (alert_id, what) select alert_id, 'raised' from alert;
insert into alert_shelf (rule_id, crane_id, until, reason, shelved_by) select rule_id, c.crane_id, '2026-04-01', 'known', 'smith' from crane c, alert_rule;
insert into alert_target (name, spec, entered_by) values ('yard', '{}', 'smith');
insert into alert_delivery (target_id, made_at, body, due_at) select target_id, '2026-03-02', '{}', '2026-03-02' from alert_target;
insert into alert_news (target_id, alert_id, what, made_at, not_before) select target_id, alert_id, 'raised', '2026-03-02', '2026-03-02' from alert_target, alert;
