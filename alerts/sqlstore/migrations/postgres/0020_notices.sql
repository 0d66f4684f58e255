-- +goose Up

-- body is the whole entry as JSON. The other columns repeat what is searched and ordered by.
CREATE TABLE people (
    id   TEXT COLLATE "C" PRIMARY KEY,
    body TEXT             NOT NULL
);

CREATE TABLE contacts (
    id     TEXT COLLATE "C" PRIMARY KEY,
    person TEXT COLLATE "C" NOT NULL REFERENCES people (id),
    body   TEXT             NOT NULL -- with the secrets of webhooks, which a signature needs in the clear
);
CREATE INDEX contacts_by_person ON contacts (person);

CREATE TABLE rosters (
    id   TEXT COLLATE "C" PRIMARY KEY,
    body TEXT             NOT NULL
);

CREATE TABLE plans (
    id   TEXT COLLATE "C" PRIMARY KEY,
    body TEXT             NOT NULL
);

-- What happened to alerts and is not planned for yet. The trigger makes it part of the transaction
-- that stores the change.
CREATE TABLE news (
    seq   BIGINT PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    alert TEXT COLLATE "C" NOT NULL,
    n     BIGINT           NOT NULL -- alert_changes.n
);
CREATE INDEX news_by_change ON news (alert, n);

-- +goose StatementBegin
CREATE FUNCTION alert_change_is_news() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN INSERT INTO news (alert, n) VALUES (NEW.alert, NEW.n); RETURN NULL; END $$;
-- +goose StatementEnd
CREATE TRIGGER alert_changes_are_news AFTER INSERT ON alert_changes
    FOR EACH ROW EXECUTE FUNCTION alert_change_is_news();

CREATE TABLE notices (
    id       TEXT COLLATE "C" PRIMARY KEY,
    alert    TEXT COLLATE "C" NOT NULL REFERENCES alerts (id),
    change   BIGINT           NOT NULL, -- alert_changes.n
    kind     TEXT COLLATE "C" NOT NULL,
    severity TEXT COLLATE "C" NOT NULL,
    plan     TEXT COLLATE "C" NOT NULL,
    step     BIGINT           NOT NULL,
    contact  TEXT COLLATE "C" NOT NULL, -- empty where nobody is to be told
    person   TEXT COLLATE "C" NOT NULL,
    news     TEXT             NOT NULL, -- what the change said
    made     BIGINT           NOT NULL,
    due      BIGINT           NOT NULL,
    state    TEXT COLLATE "C" NOT NULL,
    reason   TEXT COLLATE "C" NOT NULL,
    why      TEXT             NOT NULL,
    message  TEXT COLLATE "C" NOT NULL, -- empty before it is part of one
    settled  BIGINT           NOT NULL -- 0 before
);
CREATE INDEX notices_by_alert ON notices (alert);
CREATE INDEX notices_by_message ON notices (message) WHERE message <> '';
CREATE INDEX notices_waiting ON notices (contact, due) WHERE state = 'waiting';
CREATE INDEX notices_due ON notices (due, contact) WHERE state = 'waiting';
CREATE INDEX notices_in_order ON notices (made, id);
CREATE INDEX notices_by_contact ON notices (contact, made, id);

CREATE TABLE messages (
    id      TEXT COLLATE "C" PRIMARY KEY,
    contact TEXT COLLATE "C" NOT NULL,
    state   TEXT COLLATE "C" NOT NULL,
    made    BIGINT           NOT NULL,
    next    BIGINT           NOT NULL, -- the next attempt, while it is pending
    body    TEXT             NOT NULL
);
-- One pending message of a contact at most: that keeps its messages in order.
CREATE UNIQUE INDEX messages_pending ON messages (contact) WHERE state = 'pending';
CREATE INDEX messages_due ON messages (next) WHERE state = 'pending';
CREATE INDEX messages_by_contact ON messages (contact, made);

-- +goose Down
DROP TABLE messages;
DROP TABLE notices;
DROP TRIGGER alert_changes_are_news ON alert_changes;
DROP FUNCTION alert_change_is_news;
DROP TABLE news;
DROP TABLE plans;
DROP TABLE rosters;
DROP TABLE contacts;
DROP TABLE people;
