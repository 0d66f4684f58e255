-- +goose Up

-- body is the whole entry or link as JSON, with numbers for names (see names). The other columns repeat
-- what is searched and ordered by.
CREATE TABLE ledger (
    id     TEXT COLLATE "C" PRIMARY KEY,
    system TEXT COLLATE "C" NOT NULL,
    at     BIGINT           NOT NULL,
    body   TEXT             NOT NULL
);
CREATE INDEX ledger_of_system ON ledger (system, at, id);

CREATE TABLE calendar_links (
    id    TEXT COLLATE "C" PRIMARY KEY,
    token BYTEA            NOT NULL UNIQUE, -- SHA-256 of it
    made  BIGINT           NOT NULL,
    body  TEXT             NOT NULL
);

CREATE TRIGGER ledger_stands BEFORE UPDATE ON ledger
    EXECUTE FUNCTION refuse('an entry of the ledger is never changed');
CREATE TRIGGER ledger_stays BEFORE DELETE OR TRUNCATE ON ledger
    EXECUTE FUNCTION refuse('an entry of the ledger is never deleted');

-- +goose Down
DROP TABLE calendar_links;
DROP TABLE ledger;
