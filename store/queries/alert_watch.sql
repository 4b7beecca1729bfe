-- name: watch_rules
-- Every rule in force with the keys of its scope.
select rule_id, name, spec, site_id, type_id, crane_id from alert_rule where retired_at is null order by rule_id;

-- name: watch_cranes
-- Every completed crane with what it was heard and judged last; its day is the local day of its site.
select c.crane_id, c.name as crane, c.site_id, c.type_id, s.name as site, s.spec ->> 'time_zone' as time_zone,
    (%(now)s::timestamptz at time zone (s.spec ->> 'time_zone'))::date as today,
    l.received_at is not null as heard, coalesce(l.received_at, c.registered_at) as heard_at, m.used_share, m.forecast_early_on,
    m.unknown_years, m.assessment_on, case when m.assessment_on is null then c.spec || jsonb_build_object('defects', d.defects) end as entries
from crane c
join site s using (site_id)
left join live l using (crane_id)
left join crane_summary m using (crane_id)
left join crane_defects d using (crane_id)
where not c.draft
order by c.crane_id;

-- name: watch_duty
-- Near-limit time, time under load and overrides of every counted crane over its last local days, summed first as in `near_limit_periods`.
with summary as materialized (select crane_id, counting_id from crane_summary)
select m.crane_id, coalesce(f.near_limit_ms, 0)::bigint as near_limit_ms, coalesce(f.loaded_ms, 0)::bigint as loaded_ms,
    coalesce(f.limiter_overrides, 0)::int as limiter_overrides
from summary m
left join (
    select n.crane_id, sum(d.near_limit_ms) as near_limit_ms, sum(d.loaded_ms) as loaded_ms,
        sum(d.limiter_overrides) as limiter_overrides
    from summary n
    join crane k on k.crane_id = n.crane_id
    join site o using (site_id)
    join day_figure d on d.crane_id = n.crane_id and d.counting_id = n.counting_id
    where d.day > (%(now)s::timestamptz at time zone (o.spec ->> 'time_zone'))::date - %(days)s::int
    group by n.crane_id
) f on f.crane_id = m.crane_id;

-- name: watch_faults
-- Every open fault.
select crane_id, code from fault_episode where cleared_at is null;

-- name: watch_findings
-- Findings of every crane over its last local days, those that came to notice in them included: on how many each was found.
select c.crane_id, f.code, count(distinct f.day)::int as days
from finding f
join crane c using (crane_id)
join site s using (site_id)
where greatest(f.day, f.noticed_on) > (%(now)s::timestamptz at time zone (s.spec ->> 'time_zone'))::date - %(days)s::int
group by c.crane_id, f.code
order by c.crane_id, f.code;

-- name: watch_tokens
-- Tokens of accounts that are not disabled. Renewed is one beside a newer one of the same title that holds longer, once it is used no more.
select t.token_id::text as token, t.title, a.name as account, t.expires_at,
    exists (
        select from api_token n
        where n.account_id = t.account_id and n.title = t.title and n.token_id > t.token_id and n.expires_at > t.expires_at
            and (t.last_used_at is null or t.last_used_at < greatest(n.created_at, %(now)s::timestamptz - interval '1 day'))
    ) as renewed
from api_token t
join account a using (account_id)
where a.disabled_at is null
order by t.token_id;

-- name: watch_quarantine
-- Messages set aside by crane over the last days.
select c.crane_id, count(*)::int as messages
from quarantine q
join crane c on c.name = q.crane_name
where q.received_at > %(now)s::timestamptz - make_interval(days => %(days)s)
group by c.crane_id;

-- name: watch_open
-- Every open alert.
select alert_id, crane_id, rule_id, subject, calm_since, value, worst_value, detail from alert where cleared_at is null;

-- name: watch_shelves
-- What is on the shelf now.
select rule_id, crane_id, subject from alert_shelf where until > %(now)s;

-- name: watch_shelves_cleaned
-- Forgets shelves that ran out.
delete from alert_shelf where until <= %(now)s::timestamptz - interval '1 day';

-- name: watch_targets
-- Every target.
select target_id, name, spec, entered_at, entered_by from alert_target order by target_id;

-- name: alert_raised
-- A new alert; nothing where it is open already.
insert into alert (crane_id, rule_id, subject, raised_at, value, worst_value, detail)
values (%(crane_id)s, %(rule_id)s, %(subject)s, %(at)s, %(value)s, %(value)s, %(detail)s)
on conflict (rule_id, crane_id, subject) where cleared_at is null do nothing
returning alert_id;

-- name: alert_seen
-- The newest value of an open alert, and since when it is on the good side.
update alert set value = %(value)s, worst_value = %(worst_value)s, calm_since = %(calm_since)s,
    detail = %(detail)s
where alert_id = %(alert_id)s;

-- name: alert_cleared
-- An alert is over.
update alert set cleared_at = %(at)s, value = coalesce(%(value)s, value)
where alert_id = %(alert_id)s and cleared_at is null;

-- name: alert_history_written
-- One thing that the rule did to an alert.
insert into alert_history (alert_id, at, what, note) values (%(alert_id)s, %(at)s, %(what)s, %(note)s);

-- name: alert_news_written
-- What one target is still to be told.
insert into alert_news (target_id, alert_id, what, made_at, not_before)
values (%(target_id)s, %(alert_id)s, %(what)s, %(at)s, %(not_before)s);

-- name: news_ready
-- Targets with something to tell now: how urgent, and when they were told last.
select n.target_id, bool_or(r.spec ->> 'priority' = 'high' and n.what = 'raised') as high,
    (select max(d.made_at) from alert_delivery d where d.target_id = n.target_id
        and exists (select from alert_news told where told.delivery_id = d.delivery_id)) as told_at
from alert_news n
join alert a using (alert_id)
join alert_rule r using (rule_id)
where n.delivery_id is null and n.not_before <= %(now)s
group by n.target_id;

-- name: news_of_target
-- Everything that one target can be told now, by crane.
select n.news_id, n.what, a.alert_id, coalesce(c.name, '') as crane, coalesce(s.name, '') as site,
    coalesce(s.spec ->> 'time_zone', 'UTC') as time_zone, r.name as rule, r.spec, a.subject, a.value, a.detail,
    a.raised_at, a.cleared_at, a.acknowledged_by
from alert_news n
join alert a using (alert_id)
join alert_rule r using (rule_id)
left join crane c on c.crane_id = a.crane_id
left join site s on s.site_id = c.site_id
where n.target_id = %(target_id)s and n.delivery_id is null and n.not_before <= %(now)s
order by c.name nulls first, a.alert_id, n.news_id;

-- name: delivery_made
-- One message out of waiting news.
insert into alert_delivery (target_id, made_at, due_at, body)
values (%(target_id)s, %(now)s, %(now)s, %(body)s)
returning delivery_id;

-- name: news_put_into
-- The news that a message carries.
update alert_news set delivery_id = %(delivery_id)s where news_id = any(%(news_ids)s::bigint[]);

-- name: delivery_claimed
-- The message that waited longest, for one sender; it comes up again where that one dies.
update alert_delivery d
set claimed_until = clock_timestamp() + make_interval(secs => %(claim_s)s), tries = d.tries + 1
from alert_target t
where t.target_id = d.target_id and d.delivery_id = (
    select delivery_id from alert_delivery
    where sent_at is null and given_up_at is null and due_at <= clock_timestamp()
        and (claimed_until is null or claimed_until <= clock_timestamp())
    order by due_at, delivery_id
    limit 1
    for update skip locked
)
returning d.delivery_id, d.message_id::text as message_id, d.made_at, d.tries, d.body, t.name as target, t.spec;

-- name: delivery_sent
-- The other side has a message.
update alert_delivery set sent_at = clock_timestamp(), claimed_until = null, last_error = ''
where delivery_id = %(delivery_id)s;

-- name: delivery_failed
-- A try that failed: again later, or given up.
update alert_delivery
set claimed_until = null, last_error = %(error)s, due_at = clock_timestamp() + make_interval(secs => %(wait_s)s),
    given_up_at = case when %(give_up)s then clock_timestamp() end
where delivery_id = %(delivery_id)s;

-- name: deliveries_waiting
-- How many messages wait, and how many were given up in the last day.
select count(*) filter (where given_up_at is null)::int as waiting,
    count(*) filter (where given_up_at > now() - interval '1 day')::int as given_up
from alert_delivery where sent_at is null;

-- name: deliveries_forgotten
-- Messages that are over and old.
delete from alert_delivery
where (sent_at is not null or given_up_at is not null) and made_at < now() - make_interval(days => %(days)s);
