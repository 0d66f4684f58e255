-- +goose Up

-- epoch counts what ended all sessions: a session of an earlier one is over, also where it is written
-- again by a request that was under way.
CREATE TABLE signins (
    person   TEXT COLLATE "C" PRIMARY KEY REFERENCES people (id),
    login    TEXT COLLATE "C" NOT NULL UNIQUE,
    hash     TEXT             NOT NULL, -- of the password, with its parameters; empty where none is set
    disabled BIGINT           NOT NULL, -- 0 while it opens something
    changed  BIGINT           NOT NULL,
    epoch    BIGINT           NOT NULL
);

CREATE TABLE sessions (
    key    TEXT COLLATE "C" PRIMARY KEY, -- a digest of what the browser has
    person TEXT COLLATE "C" NOT NULL,
    epoch  BIGINT           NOT NULL,
    ends   BIGINT           NOT NULL,
    data   BYTEA            NOT NULL
);
CREATE INDEX sessions_by_person ON sessions (person);
CREATE INDEX sessions_by_end ON sessions (ends);

CREATE TABLE tokens (
    id      TEXT COLLATE "C" PRIMARY KEY,
    person  TEXT COLLATE "C" NOT NULL,
    digest  BYTEA            NOT NULL UNIQUE, -- SHA-256
    name    TEXT             NOT NULL,
    made    BIGINT           NOT NULL,
    used    BIGINT           NOT NULL, -- about, 0 for never
    revoked BIGINT           NOT NULL  -- 0 while it opens something
);
CREATE INDEX tokens_by_person ON tokens (person, made, id);

CREATE TABLE signin_links (
    digest BYTEA            PRIMARY KEY, -- SHA-256
    person TEXT COLLATE "C" NOT NULL,    -- empty: the first administrator
    ends   BIGINT           NOT NULL
);

CREATE TABLE audit (
    n      BIGINT PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    at     BIGINT           NOT NULL,
    by     TEXT COLLATE "C" NOT NULL, -- a person's id
    did    TEXT COLLATE "C" NOT NULL,
    of     TEXT COLLATE "C" NOT NULL,
    detail TEXT             NOT NULL,
    origin TEXT COLLATE "C" NOT NULL  -- network address
);
CREATE INDEX audit_by_time ON audit (at);

-- +goose StatementBegin
CREATE FUNCTION audit_stands() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'an entry of the audit log is never changed'; END $$;
-- +goose StatementEnd
CREATE TRIGGER audit_stands BEFORE UPDATE ON audit
    FOR EACH ROW WHEN (NEW.origin <> '') EXECUTE FUNCTION audit_stands();

-- +goose Down
DROP TABLE audit;
DROP FUNCTION audit_stands;
DROP TABLE signin_links;
DROP TABLE tokens;
DROP TABLE sessions;
DROP TABLE signins;
