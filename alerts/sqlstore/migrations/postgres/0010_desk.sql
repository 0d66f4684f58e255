-- +goose Up

-- People's names are kept here alone. Records hold '#' and the number, so that a name can be taken out
-- of all of them, also of histories that are never changed.
CREATE TABLE names (
    id   BIGINT           PRIMARY KEY GENERATED ALWAYS AS IDENTITY, -- a number is never given to another person
    name TEXT COLLATE "C" UNIQUE -- NULL once it was taken out
);

-- body is the whole hold, call or visit as JSON, with numbers for names. The other columns repeat what
-- is searched and ordered by.
CREATE TABLE holds (
    id    TEXT COLLATE "C" PRIMARY KEY,
    site  TEXT COLLATE "C" NOT NULL,
    since BIGINT           NOT NULL,
    until BIGINT           NOT NULL,
    body  TEXT             NOT NULL
);
CREATE INDEX holds_by_end ON holds (until);

CREATE TABLE service_calls (
    id      TEXT COLLATE "C" PRIMARY KEY,
    site    TEXT COLLATE "C" NOT NULL,
    state   TEXT COLLATE "C" NOT NULL,
    made    BIGINT           NOT NULL,
    version BIGINT           NOT NULL,
    body    TEXT             NOT NULL
);
CREATE INDEX service_calls_in_order ON service_calls (made, id);
CREATE INDEX service_calls_by_state ON service_calls (state, made, id);

CREATE TABLE service_call_alerts (
    alert TEXT COLLATE "C" NOT NULL REFERENCES alerts (id),
    call  TEXT COLLATE "C" NOT NULL REFERENCES service_calls (id),
    PRIMARY KEY (alert, call)
);

CREATE TABLE service_call_systems (
    system TEXT COLLATE "C" NOT NULL,
    call   TEXT COLLATE "C" NOT NULL REFERENCES service_calls (id),
    PRIMARY KEY (system, call)
);

CREATE TABLE service_call_changes (
    call TEXT COLLATE "C" NOT NULL REFERENCES service_calls (id),
    n    BIGINT           NOT NULL, -- the call's version
    at   BIGINT           NOT NULL,
    who  TEXT COLLATE "C" NOT NULL,
    why  TEXT             NOT NULL,
    body TEXT             NOT NULL, -- the call as it stood after the change
    PRIMARY KEY (call, n)
);

CREATE TABLE visits (
    id       TEXT COLLATE "C" PRIMARY KEY,
    call     TEXT COLLATE "C" NOT NULL REFERENCES service_calls (id),
    system   TEXT COLLATE "C" NOT NULL,
    started  BIGINT           NOT NULL,
    finished BIGINT           NOT NULL, -- 0 while it lasts
    closed   BIGINT           NOT NULL, -- 0 until then
    body     TEXT             NOT NULL
);
CREATE INDEX visits_of_call ON visits (call, started, id);
CREATE INDEX visits_by_end ON visits (finished, id);

CREATE TABLE van_stock (
    van    TEXT COLLATE "C" NOT NULL,
    item   TEXT COLLATE "C" NOT NULL,
    what   TEXT             NOT NULL,
    amount DOUBLE PRECISION NOT NULL,
    unit   TEXT             NOT NULL,
    PRIMARY KEY (van, item)
);

CREATE TRIGGER service_call_changes_stand BEFORE UPDATE ON service_call_changes
    EXECUTE FUNCTION refuse('the history of a service call is never changed');
CREATE TRIGGER service_call_changes_stay BEFORE DELETE OR TRUNCATE ON service_call_changes
    EXECUTE FUNCTION refuse('the history of a service call is never deleted');
CREATE TRIGGER closed_visits_stand BEFORE UPDATE ON visits
    FOR EACH ROW WHEN (old.closed <> 0) EXECUTE FUNCTION refuse('a closed visit is never changed');
CREATE TRIGGER visits_stay BEFORE DELETE OR TRUNCATE ON visits
    EXECUTE FUNCTION refuse('a visit is never deleted');

-- +goose Down
DROP TABLE van_stock;
DROP TABLE visits;
DROP TABLE service_call_changes;
DROP TABLE service_call_systems;
DROP TABLE service_call_alerts;
DROP TABLE service_calls;
DROP TABLE holds;
DROP TABLE names;
