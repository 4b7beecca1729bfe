-- name: session_named
-- Give this session a name by which whoever takes over can end it.
select set_config('application_name', %(session)s, false);

-- name: lease_seen
-- Who holds a lease, how old its renewal is, and whether any session of the holder is open.
select l.holder, extract(epoch from clock_timestamp() - r.renewed_at)::float8 as age_s,
    exists (select from pg_stat_activity where application_name = %(prefix)s || l.holder) as connected
from lease l
join lease_renewal r using (name, holder)
where name = %(name)s;

-- name: sessions_ended
-- End the sessions of a holder that renews no more: whatever they had begun is undone. How many there still are.
select count(pg_terminate_backend(pid)) from pg_stat_activity
where application_name = %(session)s and pid <> pg_backend_pid();

-- name: lease_taken
-- Take a lease that nobody holds, or the one that is named; waits for transactions of its holder.
insert into lease (name, holder) values (%(name)s, %(holder)s)
on conflict (name) do update set holder = excluded.holder, taken_at = now()
where lease.holder = %(before)s;

-- name: lease_renewed_first
-- The renewal of a lease that was just taken.
insert into lease_renewal (name, holder, renewed_at) values (%(name)s, %(holder)s, clock_timestamp())
on conflict (name) do update set holder = excluded.holder, renewed_at = excluded.renewed_at;

-- name: lease_renewed
-- The holder still works.
update lease_renewal set renewed_at = clock_timestamp() where name = %(name)s and holder = %(holder)s;

-- name: lease_proved
-- Whether a lease is held; nobody takes it over until the transaction ends.
select true from lease where name = %(name)s and holder = %(holder)s for share;

-- name: lease_given_up
-- The holder ends: the next need not wait.
delete from lease where name = %(name)s and holder = %(holder)s;

-- name: lock_wait_bounded
-- Until the transaction ends, wait for no lock longer than this.
select set_config('lock_timeout', %(wait)s, true);
