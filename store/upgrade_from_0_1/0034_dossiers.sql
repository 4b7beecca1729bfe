-- Finished dossiers: kept byte for byte with their hashes, and never changed.

create table dossier (
    crane_id integer not null references crane,  -- no cascade: a crane with a finished dossier stays
    number integer not null check (number > 0),
    finished_at timestamptz not null,
    finished_by text not null,
    note text not null default '',
    program_version text not null,
    data bytea not null,               -- JSON
    data_sha256 text not null check (data_sha256 = encode(sha256(data), 'hex')),
    pdf bytea not null,
    pdf_sha256 text not null check (pdf_sha256 = encode(sha256(pdf), 'hex')),
    primary key (crane_id, number)
);

-- For the api's role, and for the owner too: whoever takes this trigger away does it knowingly.
create function dossier_stays() returns trigger
language plpgsql
as $$
begin
    raise exception 'a finished dossier is never changed: finish another one'
        using errcode = 'insufficient_privilege';
end
$$;
create trigger dossier_stays before update or delete or truncate on dossier
    for each statement execute function dossier_stays();
