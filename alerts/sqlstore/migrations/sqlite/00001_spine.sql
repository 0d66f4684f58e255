-- +goose Up

-- Times are Unix milliseconds in UTC. Text is compared by bytes (SQLite's BINARY collation).

-- epoch names this content of the database. A restore changes it, which tells other processes that
-- the numbers they remember (series.id) are no longer those of this database.
CREATE TABLE store_info (
    one              INTEGER PRIMARY KEY CHECK (one = 1),
    epoch            TEXT    NOT NULL,
    gateway_revision INTEGER NOT NULL -- counts changes of gateways
) STRICT;
INSERT INTO store_info (one, epoch, gateway_revision) VALUES (1, lower(hex(randomblob(16))), 0);

CREATE TABLE gateways (
    id      TEXT    PRIMARY KEY, -- <site>/<gateway>
    created INTEGER NOT NULL,
    rotated INTEGER NOT NULL, -- 0 if never
    salt    BLOB    NOT NULL,
    digest  BLOB    NOT NULL  -- HMAC-SHA-256 of the password, keyed by the salt
) STRICT;

CREATE TABLE gateway_status (
    gateway  TEXT    PRIMARY KEY,
    online   INTEGER NOT NULL,
    at       INTEGER NOT NULL,
    received INTEGER NOT NULL
) STRICT;

CREATE TABLE reject_totals (
    reason TEXT    PRIMARY KEY,
    total  INTEGER NOT NULL
) STRICT;

-- A ring for each reason: n is the reject's number among those of its reason, slot is n modulo the
-- size of the ring, so that a new one takes the place of the oldest.
CREATE TABLE rejects (
    reason   TEXT    NOT NULL,
    slot     INTEGER NOT NULL,
    n        INTEGER NOT NULL,
    received INTEGER NOT NULL,
    system   TEXT    NOT NULL, -- empty if unknown
    record   INTEGER NOT NULL,
    name     TEXT    NOT NULL,
    detail   TEXT    NOT NULL,
    PRIMARY KEY (reason, slot)
) STRICT;

CREATE TABLE events (
    system TEXT    NOT NULL,
    at     INTEGER NOT NULL,
    kind   TEXT    NOT NULL, -- the point's name
    note   TEXT    NOT NULL,
    PRIMARY KEY (system, at, kind)
) STRICT, WITHOUT ROWID;

CREATE TABLE series (
    id       INTEGER PRIMARY KEY,
    system   TEXT    NOT NULL,
    quantity TEXT    NOT NULL,
    UNIQUE (system, quantity)
) STRICT;

-- id = number of the 15 minutes since 1970, times 2^32, plus series.id: one integer key keeps rows
-- in order of time, and a new row is appended at the end of the table.
CREATE TABLE rollup_rows (
    id   INTEGER PRIMARY KEY,
    mean REAL    NOT NULL,
    low  REAL    NOT NULL,
    high REAL    NOT NULL,
    n    INTEGER NOT NULL
) STRICT;

-- id = number of the day since 1970, times 2^32, plus series.id.
CREATE TABLE rollup_days (
    id     INTEGER PRIMARY KEY,
    packed BLOB    NOT NULL
) STRICT;

CREATE TABLE engine_progress (
    one       INTEGER PRIMARY KEY CHECK (one = 1),
    version   INTEGER NOT NULL,
    watermark INTEGER NOT NULL
) STRICT;

CREATE TABLE engine_states (
    system TEXT PRIMARY KEY,
    state  BLOB NOT NULL
) STRICT;

-- body is the whole alert as JSON, with its numbers in full. The other columns repeat what is
-- searched and ordered by.
CREATE TABLE alerts (
    id       TEXT    PRIMARY KEY,
    site     TEXT    NOT NULL,
    system   TEXT    NOT NULL, -- empty for a whole site
    state    TEXT    NOT NULL,
    onset    INTEGER NOT NULL,
    detected INTEGER NOT NULL,
    cleared  INTEGER NOT NULL, -- 0 while it lasts
    body     TEXT    NOT NULL
) STRICT;
CREATE INDEX alerts_in_order ON alerts (detected, system, id);
CREATE INDEX alerts_by_state ON alerts (state, detected, system, id);

CREATE TABLE alert_systems (
    system TEXT NOT NULL,
    alert  TEXT NOT NULL REFERENCES alerts (id),
    PRIMARY KEY (system, alert)
) STRICT, WITHOUT ROWID;
CREATE INDEX alert_systems_by_alert ON alert_systems (alert);

CREATE TABLE alert_changes (
    alert  TEXT    NOT NULL REFERENCES alerts (id),
    n      INTEGER NOT NULL, -- 1, 2, 3 for each alert
    at     INTEGER NOT NULL,
    who    TEXT    NOT NULL,
    why    TEXT    NOT NULL,
    body   TEXT    NOT NULL, -- the alert as it stood after the change
    PRIMARY KEY (alert, n)
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER alert_changes_stand BEFORE UPDATE ON alert_changes
BEGIN SELECT RAISE(ABORT, 'the history of an alert is never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER alert_changes_stay BEFORE DELETE ON alert_changes
BEGIN SELECT RAISE(ABORT, 'the history of an alert is never deleted'); END;
-- +goose StatementEnd

-- +goose Down
DROP TABLE alert_changes;
DROP TABLE alert_systems;
DROP TABLE alerts;
DROP TABLE engine_states;
DROP TABLE engine_progress;
DROP TABLE rollup_days;
DROP TABLE rollup_rows;
DROP TABLE series;
DROP TABLE events;
DROP TABLE rejects;
DROP TABLE reject_totals;
DROP TABLE gateway_status;
DROP TABLE gateways;
DROP TABLE store_info;
