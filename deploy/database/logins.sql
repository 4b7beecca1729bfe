-- A login for each service, with the role that the migration made for it and no more. Run by psql as the owner, after `boomledger db migrate`;
-- again it sets the passwords anew, and takes back what a login changed of its own settings. Passwords come from the environment.
\set ON_ERROR_STOP on
\getenv ingest DATABASE_INGEST_PASSWORD
\getenv analytics DATABASE_ANALYTICS_PASSWORD
\getenv watch DATABASE_WATCH_PASSWORD
\getenv web DATABASE_WEB_PASSWORD
set client_min_messages to warning;
begin;
create temp table login (name text, role text, password text) on commit drop;
insert into login values
    ('boomledger_ingest_login', 'boomledger_ingest', :'ingest'),
    ('boomledger_analytics_login', 'boomledger_analytics', :'analytics'),
    ('boomledger_watch_login', 'boomledger_watch', :'watch'),
    ('boomledger_web_login', 'boomledger_api', :'web');
select format('create role %I', name) from login where not exists (select from pg_roles where rolname = name) \gexec
select format('alter role %I login noinherit nosuperuser nocreatedb nocreaterole nobypassrls password %L', name, password) from login \gexec
-- The api takes its role by itself; what is theirs the others have from the start.
select format('alter role %I inherit', name) from login where role <> 'boomledger_api' \gexec
select format('alter role %I reset all', name) from login \gexec
select format('grant %I to %I', role, name) from login \gexec
commit;
