-- name: clock_correction_added
-- Enter an offset for messages of one boot; the one that is there where the same was asked for before.
with added as (
    insert into clock_correction (crane_id, boot, seq_from, seq_to, offset_ms, reason, entered_by)
    select %(crane_id)s, %(boot)s, %(seq_from)s, %(seq_to)s, %(offset_ms)s, %(reason)s, %(entered_by)s
    where not exists (
        select from clock_correction
        where crane_id = %(crane_id)s and boot = %(boot)s and (seq_from, seq_to) = (%(seq_from)s, %(seq_to)s)
            and offset_ms = %(offset_ms)s and withdrawn_at is null and problem = ''
    )
    returning correction_id
)
select correction_id from added
union all
select correction_id from clock_correction
where crane_id = %(crane_id)s and boot = %(boot)s and (seq_from, seq_to) = (%(seq_from)s, %(seq_to)s)
    and offset_ms = %(offset_ms)s and withdrawn_at is null and problem = ''
limit 1;

-- name: clock_correction_withdrawn
-- Take a correction back; one that was taken back before stays as it is.
update clock_correction set withdrawn_at = now(), withdrawn_by = %(account)s, problem = ''
where crane_id = %(crane_id)s and correction_id = %(correction_id)s and withdrawn_at is null;

-- name: clock_corrections_listed
-- Corrections of one crane or of those at some sites, newest first, those taken back included.
select k.correction_id, c.name as crane, k.boot, k.seq_from, k.seq_to, k.offset_ms, k.reason, k.entered_at, k.entered_by,
    k.applied_at, k.withdrawn_at, k.withdrawn_by, k.reverted_at, k.messages, k.problem
from clock_correction k
join crane c using (crane_id)
join site s using (site_id)
where (%(crane_id)s::integer is null or k.crane_id = %(crane_id)s)
    and (%(correction_id)s::integer is null or k.correction_id = %(correction_id)s)
    and (%(sites)s::text[] is null or s.name = any(%(sites)s::text[]))
    and (%(before)s::integer is null or k.correction_id < %(before)s)
order by k.correction_id desc
limit %(rows)s;

-- name: clock_correction_claimed
-- The oldest correction that waits to be applied or reverted and that nobody else works on; ours until the transaction ends.
select k.correction_id, k.crane_id, c.name as crane, c.registered_at, s.spec ->> 'time_zone' as time_zone,
    k.boot, k.seq_from, k.seq_to, k.offset_ms, k.entered_by, k.applied_at is not null as reverting
from clock_correction k
join crane c using (crane_id)
join site s using (site_id)
where k.problem = '' and k.reverted_at is null and (k.applied_at is null) = (k.withdrawn_at is null)
order by k.correction_id
limit 1
for update of k skip locked;

-- name: clock_correction_overlaps
-- Another correction that is in force for some of the same messages.
select other.correction_id
from clock_correction other
join clock_correction this on this.crane_id = other.crane_id and this.boot = other.boot
    and this.seq_from <= other.seq_to and this.seq_to >= other.seq_from and this.correction_id <> other.correction_id
where this.correction_id = %(correction_id)s and other.applied_at is not null and other.reverted_at is null
limit 1;

-- name: correction_version_raised
-- Other times hold from now on: waits for whoever stores messages, and has them wait.
update correction_version set version = version + 1;

-- name: correction_version_held
-- Which corrections hold; they stay until the transaction ends.
select version from correction_version for share;

-- name: clock_corrections_in_force
-- Which corrections hold, with the version of them.
select version, crane_id, boot, seq_from, seq_to, offset_ms
from correction_version
left join clock_correction on applied_at is not null and reverted_at is null;

-- name: clock_correction_applied
-- A correction is in force.
update clock_correction set applied_at = now(), messages = %(messages)s where correction_id = %(correction_id)s;

-- name: clock_correction_reverted
-- A correction is no longer in force.
update clock_correction set reverted_at = now() where correction_id = %(correction_id)s;

-- name: clock_correction_failed
-- A correction could not be applied or reverted.
update clock_correction set problem = %(problem)s where correction_id = %(correction_id)s;

-- name: corrected_segments_staged
-- Stored messages of one boot into the session's table. A boot has no bound in time, so all of the crane's keys are read.
insert into incoming_segment
select * from segment where crane_id = %(crane_id)s and boot = %(boot)s and seq between %(seq_from)s and %(seq_to)s;

-- name: corrected_segments_removed
-- The same out of the store.
delete from segment
where crane_id = %(crane_id)s and boot = %(boot)s and seq between %(seq_from)s and %(seq_to)s
    and t0 between %(first_at)s and %(past_at)s;

-- name: corrected_segments_shifted
-- Give staged messages other times.
update incoming_segment set t0 = t0 + %(offset_ms)s * interval '1 millisecond';

-- name: corrected_segments_kept
-- Staged messages into the store again.
insert into segment select * from incoming_segment order by crane_id, t0, boot, seq;

-- name: corrected_events_shifted
-- Give stored events of one boot other times; in UTC, since nodes of a cluster add nothing that goes by a session's zone.
update event set at = ((at at time zone 'UTC') + %(offset_ms)s * interval '1 millisecond') at time zone 'UTC'
where crane_id = %(crane_id)s and boot = %(boot)s and seq between %(seq_from)s and %(seq_to)s;

-- name: corrected_live_shifted
-- What was last heard of a crane has another time too, where it is of this boot.
update live set at = at + %(offset_ms)s * interval '1 millisecond' where crane_id = %(crane_id)s and boot = %(boot)s;

-- name: corrected_days
-- Local days of the staged messages and of the events of one boot, and the ends of the time they cover.
select array_agg(distinct day) as days, min(from_at) as first_at, max(past_at) as past_at,
    max(past_at - received_at) as ahead
from (
    select unnest(array[(t0 at time zone %(zone)s)::date, ((t0 + n * dt_ms * interval '1 millisecond') at time zone %(zone)s)::date])
            as day,
        t0 as from_at, t0 + (n - 1) * dt_ms * interval '1 millisecond' as past_at, received_at
    from incoming_segment
    union all
    select (at at time zone %(zone)s)::date, at, at, received_at
    from event where crane_id = %(crane_id)s and boot = %(boot)s and seq between %(seq_from)s and %(seq_to)s
) of_span;

-- name: corrected_ahead_set_aside
-- Staged messages that lie ahead of when they came, or before the crane was registered, into quarantine as they are stored.
with wrong as (
    delete from incoming_segment
    where t0 + (n - 1) * dt_ms * interval '1 millisecond' > received_at + %(skew)s::interval or t0 < %(registered_at)s
    returning *
), told as (
    select received_at, %(topic)s::text as topic, t0 < %(registered_at)s as early,
        convert_to(
            jsonb_build_object(
                'boot', boot, 'seq', seq, 'dt_ms', dt_ms,
                't0', to_char(t0 at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.MS"Z"'),
                'channels', replace(
                    jsonb_strip_nulls(
                        to_jsonb(wrong)
                        - array['crane_id', 't0', 'boot', 'seq', 'dt_ms', 'n', 'received_at', 'further_names', 'further']
                        || coalesce((
                            select jsonb_object_agg(name, to_jsonb(further[(place - 1) * n + 1 : place * n]))
                            from unnest(further_names) with ordinality as listed (name, place)
                        ), '{}')
                    )::text, '"NaN"', 'null'
                )::jsonb
            )::text, 'UTF8'
        ) as raw
    from wrong
)
insert into quarantine (received_at, last_received_at, topic, crane_name, reason, detail, raw, digest)
select received_at, received_at, topic, %(crane)s, case when early then 'before_registration' else 'in_future' end,
    %(detail)s, raw, sha256(convert_to(topic, 'UTF8') || '\x00'::bytea || raw)
from told
on conflict (digest) do nothing;

-- name: arrivals
-- Newest samples messages of one crane over a time range: whose they are, the time of their last sample, when they came.
select boot, seq, t0 + (n - 1) * dt_ms * interval '1 millisecond' as end_at, received_at
from segment
where crane_id = %(crane_id)s and t0 >= %(time_from)s and t0 < %(time_to)s
order by t0 desc
limit %(rows)s;

-- name: arrivals_refused
-- Newest messages of one crane that were refused for their time, as they are kept; long ones are left out.
select received_at, raw
from quarantine
where crane_name = %(crane)s and reason in ('in_future', 'before_registration') and octet_length(raw) <= %(bytes)s
order by quarantine_id desc
limit %(rows)s;

-- name: clock_finding_days
-- Newest local days of one crane whose messages tell of a clock that was wrong, as the ends of each.
select from_at, to_at
from finding
where crane_id = %(crane_id)s and code in ('clock_behind', 'clock_set_back')
order by coalesce(noticed_on, day) desc, day desc
limit %(rows)s;
