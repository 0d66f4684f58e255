-- +goose Up

-- body is the whole entry as JSON. The other columns repeat what is searched and ordered by.
CREATE TABLE people (
    id   TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT;

CREATE TABLE contacts (
    id     TEXT PRIMARY KEY,
    person TEXT NOT NULL REFERENCES people (id),
    body   TEXT NOT NULL -- with the secrets of webhooks, which a signature needs in the clear
) STRICT;
CREATE INDEX contacts_by_person ON contacts (person);

CREATE TABLE rosters (
    id   TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT;

CREATE TABLE plans (
    id   TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT;

-- What happened to alerts and is not planned for yet. The trigger makes it part of the transaction
-- that stores the change.
CREATE TABLE news (
    seq   INTEGER PRIMARY KEY AUTOINCREMENT,
    alert TEXT    NOT NULL,
    n     INTEGER NOT NULL -- alert_changes.n
) STRICT;
CREATE INDEX news_by_change ON news (alert, n);

-- +goose StatementBegin
CREATE TRIGGER alert_changes_are_news AFTER INSERT ON alert_changes
BEGIN INSERT INTO news (alert, n) VALUES (NEW.alert, NEW.n); END;
-- +goose StatementEnd

CREATE TABLE notices (
    id       TEXT    PRIMARY KEY,
    alert    TEXT    NOT NULL REFERENCES alerts (id),
    change   INTEGER NOT NULL, -- alert_changes.n
    kind     TEXT    NOT NULL,
    severity TEXT    NOT NULL,
    plan     TEXT    NOT NULL,
    step     INTEGER NOT NULL,
    contact  TEXT    NOT NULL, -- empty where nobody is to be told
    person   TEXT    NOT NULL,
    news     TEXT    NOT NULL, -- what the change said
    made     INTEGER NOT NULL,
    due      INTEGER NOT NULL,
    state    TEXT    NOT NULL,
    reason   TEXT    NOT NULL,
    why      TEXT    NOT NULL,
    message  TEXT    NOT NULL, -- empty before it is part of one
    settled  INTEGER NOT NULL  -- 0 before
) STRICT;
CREATE INDEX notices_by_alert ON notices (alert);
CREATE INDEX notices_by_message ON notices (message) WHERE message <> '';
CREATE INDEX notices_waiting ON notices (contact, due) WHERE state = 'waiting';
CREATE INDEX notices_due ON notices (due, contact) WHERE state = 'waiting';
CREATE INDEX notices_in_order ON notices (made, id);
CREATE INDEX notices_by_contact ON notices (contact, made, id);

CREATE TABLE messages (
    id      TEXT    PRIMARY KEY,
    contact TEXT    NOT NULL,
    state   TEXT    NOT NULL,
    made    INTEGER NOT NULL,
    next    INTEGER NOT NULL, -- the next attempt, while it is pending
    body    TEXT    NOT NULL
) STRICT;
-- One pending message of a contact at most: that keeps its messages in order.
CREATE UNIQUE INDEX messages_pending ON messages (contact) WHERE state = 'pending';
CREATE INDEX messages_due ON messages (next) WHERE state = 'pending';
CREATE INDEX messages_by_contact ON messages (contact, made);

-- +goose Down
DROP TABLE messages;
DROP TABLE notices;
DROP TRIGGER alert_changes_are_news;
DROP TABLE news;
DROP TABLE plans;
DROP TABLE rosters;
DROP TABLE contacts;
DROP TABLE people;
