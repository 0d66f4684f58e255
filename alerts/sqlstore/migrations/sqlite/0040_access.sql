-- +goose Up

-- epoch counts what ended all sessions: a session of an earlier one is over, also where it is written
-- again by a request that was under way.
CREATE TABLE signins (
    person   TEXT    PRIMARY KEY REFERENCES people (id),
    login    TEXT    NOT NULL UNIQUE,
    hash     TEXT    NOT NULL, -- of the password, with its parameters; empty where none is set
    disabled INTEGER NOT NULL, -- 0 while it opens something
    changed  INTEGER NOT NULL,
    epoch    INTEGER NOT NULL
) STRICT;

CREATE TABLE sessions (
    key    TEXT    PRIMARY KEY, -- a digest of what the browser has
    person TEXT    NOT NULL,
    epoch  INTEGER NOT NULL,
    ends   INTEGER NOT NULL,
    data   BLOB    NOT NULL
) STRICT;
CREATE INDEX sessions_by_person ON sessions (person);
CREATE INDEX sessions_by_end ON sessions (ends);

CREATE TABLE tokens (
    id      TEXT    PRIMARY KEY,
    person  TEXT    NOT NULL,
    digest  BLOB    NOT NULL UNIQUE, -- SHA-256
    name    TEXT    NOT NULL,
    made    INTEGER NOT NULL,
    used    INTEGER NOT NULL, -- about, 0 for never
    revoked INTEGER NOT NULL  -- 0 while it opens something
) STRICT;
CREATE INDEX tokens_by_person ON tokens (person, made, id);

CREATE TABLE signin_links (
    digest BLOB    PRIMARY KEY, -- SHA-256
    person TEXT    NOT NULL,    -- empty: the first administrator
    ends   INTEGER NOT NULL
) STRICT;

CREATE TABLE audit (
    n      INTEGER PRIMARY KEY AUTOINCREMENT,
    at     INTEGER NOT NULL,
    by     TEXT    NOT NULL, -- a person's id
    did    TEXT    NOT NULL,
    of     TEXT    NOT NULL,
    detail TEXT    NOT NULL,
    origin TEXT    NOT NULL  -- network address
) STRICT;
CREATE INDEX audit_by_time ON audit (at);

-- +goose StatementBegin
CREATE TRIGGER audit_stands BEFORE UPDATE ON audit WHEN NEW.origin <> ''
BEGIN SELECT RAISE(ABORT, 'an entry of the audit log is never changed'); END;
-- +goose StatementEnd

-- +goose Down
DROP TABLE audit;
DROP TABLE signin_links;
DROP TABLE tokens;
DROP TABLE sessions;
DROP TABLE signins;
