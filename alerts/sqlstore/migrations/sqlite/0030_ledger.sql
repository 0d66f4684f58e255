-- +goose Up

-- body is the whole entry or link as JSON, with numbers for names (see names). The other columns repeat
-- what is searched and ordered by.
CREATE TABLE ledger (
    id     TEXT    PRIMARY KEY,
    system TEXT    NOT NULL,
    at     INTEGER NOT NULL,
    body   TEXT    NOT NULL
) STRICT;
CREATE INDEX ledger_of_system ON ledger (system, at, id);

CREATE TABLE calendar_links (
    id    TEXT    PRIMARY KEY,
    token BLOB    NOT NULL UNIQUE, -- SHA-256 of it
    made  INTEGER NOT NULL,
    body  TEXT    NOT NULL
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER ledger_stands BEFORE UPDATE ON ledger
BEGIN SELECT RAISE(ABORT, 'an entry of the ledger is never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER ledger_stays BEFORE DELETE ON ledger
BEGIN SELECT RAISE(ABORT, 'an entry of the ledger is never deleted'); END;
-- +goose StatementEnd

-- +goose Down
DROP TABLE calendar_links;
DROP TABLE ledger;
