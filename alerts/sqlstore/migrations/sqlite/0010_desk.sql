-- +goose Up

-- People's names are kept here alone. Records hold '#' and the number, so that a name can be taken out
-- of all of them, also of histories that are never changed.
CREATE TABLE names (
    id   INTEGER PRIMARY KEY AUTOINCREMENT, -- a number is never given to another person
    name TEXT UNIQUE                        -- NULL once it was taken out
) STRICT;

-- body is the whole hold, call or visit as JSON, with numbers for names. The other columns repeat what
-- is searched and ordered by.
CREATE TABLE holds (
    id     TEXT    PRIMARY KEY,
    site   TEXT    NOT NULL,
    since  INTEGER NOT NULL,
    until  INTEGER NOT NULL,
    body   TEXT    NOT NULL
) STRICT;
CREATE INDEX holds_by_end ON holds (until);

CREATE TABLE service_calls (
    id      TEXT    PRIMARY KEY,
    site    TEXT    NOT NULL,
    state   TEXT    NOT NULL,
    made    INTEGER NOT NULL,
    version INTEGER NOT NULL,
    body    TEXT    NOT NULL
) STRICT;
CREATE INDEX service_calls_in_order ON service_calls (made, id);
CREATE INDEX service_calls_by_state ON service_calls (state, made, id);

CREATE TABLE service_call_alerts (
    alert TEXT NOT NULL REFERENCES alerts (id),
    call  TEXT NOT NULL REFERENCES service_calls (id),
    PRIMARY KEY (alert, call)
) STRICT, WITHOUT ROWID;

CREATE TABLE service_call_systems (
    system TEXT NOT NULL,
    call   TEXT NOT NULL REFERENCES service_calls (id),
    PRIMARY KEY (system, call)
) STRICT, WITHOUT ROWID;

CREATE TABLE service_call_changes (
    call TEXT    NOT NULL REFERENCES service_calls (id),
    n    INTEGER NOT NULL, -- the call's version
    at   INTEGER NOT NULL,
    who  TEXT    NOT NULL,
    why  TEXT    NOT NULL,
    body TEXT    NOT NULL, -- the call as it stood after the change
    PRIMARY KEY (call, n)
) STRICT;

CREATE TABLE visits (
    id       TEXT    PRIMARY KEY,
    call     TEXT    NOT NULL REFERENCES service_calls (id),
    system   TEXT    NOT NULL,
    started  INTEGER NOT NULL,
    finished INTEGER NOT NULL, -- 0 while it lasts
    closed   INTEGER NOT NULL, -- 0 until then
    body     TEXT    NOT NULL
) STRICT;
CREATE INDEX visits_of_call ON visits (call, started, id);
CREATE INDEX visits_by_end ON visits (finished, id);

CREATE TABLE van_stock (
    van    TEXT NOT NULL,
    item   TEXT NOT NULL,
    what   TEXT NOT NULL,
    amount REAL NOT NULL,
    unit   TEXT NOT NULL,
    PRIMARY KEY (van, item)
) STRICT, WITHOUT ROWID;

-- +goose StatementBegin
CREATE TRIGGER service_call_changes_stand BEFORE UPDATE ON service_call_changes
BEGIN SELECT RAISE(ABORT, 'the history of a service call is never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER service_call_changes_stay BEFORE DELETE ON service_call_changes
BEGIN SELECT RAISE(ABORT, 'the history of a service call is never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER closed_visits_stand BEFORE UPDATE ON visits WHEN old.closed <> 0
BEGIN SELECT RAISE(ABORT, 'a closed visit is never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER visits_stay BEFORE DELETE ON visits
BEGIN SELECT RAISE(ABORT, 'a visit is never deleted'); END;
-- +goose StatementEnd

-- +goose Down
DROP TABLE van_stock;
DROP TABLE visits;
DROP TABLE service_call_changes;
DROP TABLE service_call_systems;
DROP TABLE service_call_alerts;
DROP TABLE service_calls;
DROP TABLE holds;
DROP TABLE names;
