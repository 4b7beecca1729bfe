-- The server takes some 50 ns to send one element of a `real[]`: calls its output function, makes a small datum, counts its bytes. Our
-- own reader needs none of that and asks for the array as it lies in memory, one copy a channel of a message, through a function
-- that PostgreSQL has anyway: `byteasend`, which hands over the bytes of a variable-length value. Rows and columns stay what they are,
-- and whoever asks in SQL sees arrays as ever.
--
-- Only a superuser may declare such a function. Where the owner of the database is none, and on a cluster (its nodes would need the
-- function too), it is left out and the reader asks for elements: slower, with the same readings. The function stands in a
-- schema of its own, which a backup leaves out; `migrate` and a restore call this again.
create function offer_plain_readings() returns void
language plpgsql
as $$
begin
    if to_regclass('pg_catalog.pg_dist_partition') is not null
        or to_regprocedure('plain.readings(real[])') is not null
    then
        return;
    end if;
    create schema if not exists plain;
    grant usage on schema plain to public;
    create function plain.readings(real[]) returns bytea
        language internal immutable strict parallel safe as 'byteasend';
    comment on function plain.readings(real[]) is 'the array as it lies in memory of the server, behind its length';
exception
    when insufficient_privilege then
        raise notice 'no right to declare plain.readings: readings will be sent element by element';
end
$$;
