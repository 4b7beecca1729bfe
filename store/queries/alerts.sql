-- name: alert_rules_read
-- Rules in force whose scope is in scope, by name.
select r.rule_id, r.name, r.spec, s.name as site, t.name as type, c.name as crane, r.entered_at, r.entered_by,
    (select count(*) from alert a where a.rule_id = r.rule_id and a.cleared_at is null)::int as open_alerts
from alert_rule r
left join site s on s.site_id = r.site_id
left join crane_type t on t.type_id = r.type_id
left join crane c on c.crane_id = r.crane_id
left join site cs on cs.site_id = c.site_id
where r.retired_at is null
    and (%(name)s::text is null or r.name = %(name)s)
    and (%(sites)s::text[] is null or coalesce(s.name, cs.name, '') = any(%(sites)s::text[])
        or (r.site_id is null and r.crane_id is null))
    and r.name > %(after)s
order by r.name
limit %(rows)s;

-- name: alert_rule_written
-- A rule, replacing the one of the same name; nothing where its site, type or crane is unknown or out of scope.
insert into alert_rule (name, site_id, type_id, crane_id, spec, entered_by)
select %(name)s, s.site_id, t.type_id, c.crane_id, %(spec)s, %(entered_by)s
from (select 1) one
left join site s on s.name = %(site)s and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
left join crane_type t on t.name = %(type)s
left join (
    select crane.crane_id, crane.name, site.name as of_site from crane join site using (site_id)
) c on c.name = %(crane)s and (%(sites)s::text[] is null or c.of_site = any(%(sites)s::text[]))
where (%(site)s::text is null or s.site_id is not null) and (%(type)s::text is null or t.type_id is not null)
    and (%(crane)s::text is null or c.crane_id is not null)
on conflict (name) where retired_at is null do update set
    site_id = excluded.site_id, type_id = excluded.type_id, crane_id = excluded.crane_id, spec = excluded.spec,
    entered_by = excluded.entered_by, entered_at = now()
returning rule_id;

-- name: alert_rule_retired
-- Takes a rule out of force and clears its open alerts.
with retired as (
    update alert_rule set retired_at = now() where name = %(name)s and retired_at is null returning rule_id
), cleared as (
    update alert set cleared_at = now()
    where rule_id in (select rule_id from retired) and cleared_at is null
    returning alert_id
), noted as (
    insert into alert_history (alert_id, what, by_whom, note)
    select alert_id, 'cleared', %(by_whom)s, 'the rule was dropped' from cleared
)
select rule_id from retired;

-- name: alert_rows
-- One page of alerts in scope, newest first.
-- Of a kind that is about the fleet there is one row a rule: the open alerts of the sites in scope together, acknowledged or shelved only where all of them are.
-- Those about accounts are for administrators of every site (`accounts`).
select a.alert_id, coalesce(c.name, '') as crane, coalesce(s.name, '') as site, r.name as rule, r.spec, a.subject, coalesce(f.detail, a.detail) as detail,
    coalesce(f.value, a.value) as value, coalesce(f.worst_value, a.worst_value) as worst_value,
    coalesce(f.raised_at, a.raised_at) as raised_at, a.cleared_at,
    case when coalesce(f.acknowledged, true) then a.acknowledged_at end as acknowledged_at,
    case when coalesce(f.acknowledged, true) then a.acknowledged_by end as acknowledged_by,
    case when coalesce(f.shelved, true) then h.until end as shelved_until,
    case when coalesce(f.shelved, true) then h.shelved_by end as shelved_by,
    case when coalesce(f.shelved, true) then h.reason end as shelved_reason
from alert a
left join crane c using (crane_id)
left join site s using (site_id)
join alert_rule r using (rule_id)
left join alert_shelf h on h.crane_id is not distinct from a.crane_id and h.rule_id = a.rule_id and h.subject = a.subject
    and h.until > now() and a.cleared_at is null
left join lateral (
    select min(o.alert_id) as first_id, string_agg(o.detail, ', ' order by o.detail) as detail, sum(o.value) as value,
        sum(o.worst_value) as worst_value, min(o.raised_at) as raised_at,
        bool_and(o.acknowledged_at is not null) as acknowledged, bool_and(oh.until is not null) as shelved
    from alert o
    join crane oc on oc.crane_id = o.crane_id
    join site os on os.site_id = oc.site_id
    left join alert_shelf oh on oh.crane_id = o.crane_id and oh.rule_id = o.rule_id and oh.subject = o.subject
        and oh.until > now()
    where o.rule_id = a.rule_id and o.cleared_at is null
        and (%(sites)s::text[] is null or os.name = any(%(sites)s::text[]))
) f on a.cleared_at is null and r.spec ->> 'kind' = any(%(fleet_kinds)s::text[])
where (%(sites)s::text[] is null or s.name = any(%(sites)s::text[])) and (a.crane_id is not null or %(accounts)s)
    and (f.first_id is null or a.alert_id in (f.first_id, %(alert_id)s::bigint) or %(crane)s::text is not null)
    and (%(alert_id)s::bigint is null or a.alert_id = %(alert_id)s)
    and (%(crane)s::text is null or c.name = %(crane)s)
    and (%(open_only)s::boolean is not true or a.cleared_at is null)
    and (%(priority)s::text is null or r.spec ->> 'priority' = %(priority)s)
    and (%(before)s::bigint is null or a.alert_id < %(before)s)
order by a.alert_id desc
limit %(rows)s;

-- name: alerts_alike
-- The open alerts in scope that one row of a kind about the fleet stands for; the alert itself of any other.
select o.alert_id
from alert a
join alert_rule r using (rule_id)
join alert o on o.rule_id = a.rule_id and o.cleared_at is null
join crane c on c.crane_id = o.crane_id
join site s on s.site_id = c.site_id
where a.alert_id = %(alert_id)s and a.cleared_at is null and r.spec ->> 'kind' = any(%(fleet_kinds)s::text[])
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
union
select %(alert_id)s::bigint
order by 1;

-- name: alert_history_read
-- What happened to one alert, in time order.
select at, what, by_whom, note from alert_history where alert_id = %(alert_id)s order by history_id;

-- name: alerts_by_crane
-- Open alerts in scope by crane; those on the shelf are counted apart. Of a kind that is about the fleet one counts.
select coalesce(c.name, '') as crane, coalesce(s.name, '') as site,
    count(*) filter (where h.until is null and r.spec ->> 'priority' = 'high')::int as high,
    count(*) filter (where h.until is null and r.spec ->> 'priority' = 'medium')::int as medium,
    count(*) filter (where h.until is null and r.spec ->> 'priority' = 'low')::int as low,
    count(*) filter (where h.until is null and a.acknowledged_at is null)::int as unacknowledged,
    count(h.until)::int as shelved, max(a.raised_at) as newest_at
from alert a
left join crane c using (crane_id)
left join site s using (site_id)
join alert_rule r using (rule_id)
left join alert_shelf h on h.crane_id is not distinct from a.crane_id and h.rule_id = a.rule_id and h.subject = a.subject and h.until > now()
where a.cleared_at is null and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (a.crane_id is not null or %(accounts)s)
    and not (r.spec ->> 'kind' = any(%(fleet_kinds)s::text[]) and exists (
        select from alert o join crane oc on oc.crane_id = o.crane_id join site os on os.site_id = oc.site_id
        where o.rule_id = a.rule_id and o.cleared_at is null and o.alert_id < a.alert_id
            and (%(sites)s::text[] is null or os.name = any(%(sites)s::text[]))
    ))
group by c.name, s.name
order by high desc, medium desc, low desc, c.name;

-- name: alert_acknowledged
-- Somebody has an open alert. Whoever was first keeps it; a later one is noted.
with first as (
    update alert set acknowledged_at = now(), acknowledged_by = %(by_whom)s
    where alert_id = %(alert_id)s and acknowledged_at is null and cleared_at is null
    returning alert_id
)
insert into alert_history (alert_id, what, by_whom, note)
select alert_id, case when exists (select from first) then 'acknowledged' else 'noted' end, %(by_whom)s, %(note)s
from alert where alert_id = %(alert_id)s;

-- name: alert_shelved
-- Nothing is sent about this rule, crane and subject until then.
with shelf as (
    insert into alert_shelf (rule_id, crane_id, subject, until, reason, shelved_by)
    select rule_id, crane_id, subject, %(until)s, %(reason)s, %(by_whom)s from alert where alert_id = %(alert_id)s
    on conflict (crane_id, rule_id, subject) do update set
        until = excluded.until, reason = excluded.reason, shelved_by = excluded.shelved_by, shelved_at = now()
    returning until
), unsaid as (
    delete from alert_news n
    using alert a, alert mine
    where mine.alert_id = %(alert_id)s and a.crane_id is not distinct from mine.crane_id and a.rule_id = mine.rule_id
        and a.subject = mine.subject and n.alert_id = a.alert_id and n.delivery_id is null
)
insert into alert_history (alert_id, what, by_whom, note)
select %(alert_id)s, 'shelved', %(by_whom)s, %(note)s from shelf;

-- name: alert_unshelved
-- Takes an alert off the shelf.
with taken as (
    delete from alert_shelf h using alert a
    where a.alert_id = %(alert_id)s and h.rule_id = a.rule_id and h.crane_id is not distinct from a.crane_id and h.subject = a.subject
        and h.until > now()
    returning a.alert_id
)
insert into alert_history (alert_id, what, by_whom) select alert_id, 'unshelved', %(by_whom)s from taken;

-- name: alert_targets_read
-- Targets by name.
select target_id, name, spec, entered_at, entered_by
from alert_target
where (%(name)s::text is null or name = %(name)s) and name > %(after)s
order by name
limit %(rows)s;

-- name: alert_target_written
-- A target, replacing the one of the same name.
insert into alert_target (name, spec, entered_by) values (%(name)s, %(spec)s, %(entered_by)s)
on conflict (name) do update set spec = excluded.spec, entered_by = excluded.entered_by, entered_at = now();

-- name: alert_target_dropped
-- Forgets a target and what was sent to it.
delete from alert_target where name = %(name)s;

-- name: alert_trial_made
-- A message to one target that says that messages arrive.
insert into alert_delivery (target_id, made_at, due_at, body)
select target_id, now(), now(), %(body)s from alert_target where name = %(name)s;

-- name: alert_deliveries_read
-- One page of messages, newest first.
select d.delivery_id, t.name as target, d.message_id::text as message_id, d.made_at,
    (select count(*) from alert_news n where n.delivery_id = d.delivery_id)::int as alerts,
    case when d.sent_at is not null then 'sent' when d.given_up_at is not null then 'given up' else 'waiting' end as state,
    d.tries, d.due_at, d.sent_at, d.last_error
from alert_delivery d
join alert_target t using (target_id)
where (%(before)s::bigint is null or d.delivery_id < %(before)s)
order by d.delivery_id desc
limit %(rows)s;
