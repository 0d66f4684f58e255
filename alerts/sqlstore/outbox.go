package sqlstore

import (
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"dewline"
)

const noticeColumns = `n.id, n.alert, n.change, n.kind, n.severity, n.plan, n.step, n.contact, n.person, n.news, n.made, n.due, n.state, n.reason, n.why, n.message, n.settled`

// noticeFields returns where the columns of a notice go, and further ones after them.
func noticeFields(n *dewline.Notice, more ...any) []any {
	return append([]any{&n.ID, &n.Alert, &n.Change, &n.Kind, &n.Severity, &n.Plan, &n.Step, &n.Contact, &n.Person, &n.News,
		&n.Made, &n.Due, &n.State, &n.Reason, &n.Why, &n.Message, &n.Settled}, more...)
}

// Unplanned implements dewline.Outbox.
func (s *Store) Unplanned(ctx context.Context, limit int) ([]dewline.News, error) {
	var list []dewline.News
	err := s.read(ctx, "read news of alerts", func(tx *sql.Tx) error {
		err := each(ctx, tx, func(rows *sql.Rows) error {
			n, err := scanNews(rows)
			list = append(list, n)
			return err
		}, `
			SELECT c.n, c.at, c.who, c.why, c.body, coalesce(b.body, '')
			FROM news w
			JOIN alert_changes c ON c.alert = w.alert AND c.n = w.n
			LEFT JOIN alert_changes b ON b.alert = w.alert AND b.n = w.n - 1
			ORDER BY w.seq LIMIT $1`, limit)
		if err != nil {
			return err
		}
		known := names{}
		for i := range list {
			if list[i].By, err = known.of(ctx, tx, list[i].By); err != nil {
				return err
			}
			if list[i].Notices, err = noticesOf(ctx, tx, list[i].Alert.ID); err != nil {
				return err
			}
		}
		return nil
	})
	return list, err
}

func scanNews(rows *sql.Rows) (n dewline.News, err error) {
	var now, before []byte
	if err := rows.Scan(&n.Change, &n.At, &n.By, &n.Why, &now, &before); err != nil {
		return n, err
	}
	if n.Alert, err = alertOf(now); err != nil || len(before) == 0 {
		return n, err
	}
	b, err := alertOf(before)
	n.Before = &b
	return n, err
}

func noticesOf(ctx context.Context, tx *sql.Tx, alert string) ([]dewline.Notice, error) {
	var list []dewline.Notice
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var n dewline.Notice
		err := rows.Scan(noticeFields(&n)...)
		list = append(list, n)
		return err
	}, `SELECT `+noticeColumns+` FROM notices n WHERE n.alert = $1 ORDER BY n.made, n.id`, alert)
	return list, err
}

// DueContacts implements dewline.Outbox.
func (s *Store) DueContacts(ctx context.Context, now dewline.Millis) ([]string, error) {
	var list []string
	err := s.read(ctx, "read whom notices are due for", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var contact string
			err := rows.Scan(&contact)
			list = append(list, contact)
			return err
		}, `SELECT DISTINCT contact FROM notices WHERE state = 'waiting' AND due <= $1 ORDER BY contact`, now)
	})
	return list, err
}

// WaitingFor implements dewline.Outbox.
func (s *Store) WaitingFor(ctx context.Context, contact string, now dewline.Millis) (list []dewline.Waiting, r dewline.Recipient, err error) {
	err = s.read(ctx, "read what waits for "+contact, func(tx *sql.Tx) error {
		var pending int
		err := tx.QueryRowContext(ctx, `
			SELECT coalesce(max(made), 0), coalesce(max(CASE WHEN state = 'pending' THEN 1 ELSE 0 END), 0)
			FROM messages WHERE contact = $1`, contact).Scan(&r.Last, &pending)
		if err != nil {
			return err
		}
		r.Pending = pending != 0
		return each(ctx, tx, func(rows *sql.Rows) error {
			var w dewline.Waiting
			var body sql.RawBytes
			if err := rows.Scan(noticeFields(&w.Notice, &body)...); err != nil {
				return err
			}
			var err error
			w.Alert, err = alertOf(body)
			list = append(list, w)
			return err
		}, `
			SELECT `+noticeColumns+`, a.body FROM notices n JOIN alerts a ON a.id = n.alert
			WHERE n.contact = $1 AND n.state = 'waiting' AND (n.due <= $2 OR n.reason = 'gathering')
			ORDER BY n.made, n.id`, contact, now)
	})
	return list, r, err
}

// SaveNotices implements dewline.Outbox.
func (s *Store) SaveNotices(ctx context.Context, work dewline.NoticeWork) error {
	if len(work.Planned)+len(work.Add)+len(work.Change)+len(work.Messages) == 0 {
		return nil
	}
	return s.write(ctx, "store notices", func(tx *sql.Tx) error {
		if err := addNotices(ctx, tx, work.Add); err != nil {
			return err
		}
		if err := changeNotices(ctx, tx, work.Change); err != nil {
			return err
		}
		for _, m := range work.Messages {
			if err := putBody(ctx, tx, m, `INSERT INTO messages (id, contact, state, made, next, body) VALUES ($1, $2, $3, $4, $5, $6)`,
				m.ID, m.Contact, m.State, m.Made, m.Next); err != nil {
				return err
			}
		}
		for _, n := range work.Planned {
			if _, err := tx.ExecContext(ctx, `DELETE FROM news WHERE alert = $1 AND n = $2`, n.Alert.ID, n.Change); err != nil {
				return err
			}
		}
		return nil
	})
}

// addNotices prepares its statement, for a storm makes tens of thousands of them.
func addNotices(ctx context.Context, tx *sql.Tx, list []dewline.Notice) error {
	if len(list) == 0 {
		return nil
	}
	insert, err := tx.PrepareContext(ctx, `
		INSERT INTO notices (id, alert, change, kind, severity, plan, step, contact, person, news, made, due, state, reason, why, message, settled)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17) ON CONFLICT DO NOTHING`)
	if err != nil {
		return err
	}
	defer func() { _ = insert.Close() }()
	for _, n := range list {
		if _, err := insert.ExecContext(ctx, n.ID, n.Alert, n.Change, n.Kind, n.Severity, n.Plan, n.Step, n.Contact, n.Person, kept(n.News, maxNote),
			n.Made, n.Due, n.State, n.Reason, kept(n.Why, maxNote), n.Message, n.Settled); err != nil {
			return err
		}
	}
	return nil
}

func changeNotices(ctx context.Context, tx *sql.Tx, list []dewline.Notice) error {
	if len(list) == 0 {
		return nil
	}
	update, err := tx.PrepareContext(ctx, `UPDATE notices SET due = $2, state = $3, reason = $4, why = $5, message = $6, settled = $7 WHERE id = $1`)
	if err != nil {
		return err
	}
	defer func() { _ = update.Close() }()
	for _, n := range list {
		if _, err := update.ExecContext(ctx, n.ID, n.Due, n.State, n.Reason, kept(n.Why, maxNote), n.Message, n.Settled); err != nil {
			return err
		}
	}
	return nil
}

// DueMessages implements dewline.Outbox.
func (s *Store) DueMessages(ctx context.Context, now dewline.Millis, limit int) ([]dewline.Message, error) {
	var list []dewline.Message
	err := s.read(ctx, "read messages to send", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			m, err := scanBody[dewline.Message](rows)
			list = append(list, m)
			return err
		}, `SELECT body FROM messages WHERE state = 'pending' AND next <= $1 ORDER BY next, id LIMIT $2`, now, limit)
	})
	return list, err
}

// MessageByID implements dewline.Outbox.
func (s *Store) MessageByID(ctx context.Context, id string) (m dewline.Message, err error) {
	err = s.read(ctx, fmt.Sprintf("read message %q", id), func(tx *sql.Tx) error {
		m, err = messageByID(ctx, tx, id)
		return err
	})
	return m, err
}

func messageByID(ctx context.Context, tx *sql.Tx, id string) (m dewline.Message, err error) {
	var body []byte
	if err := tx.QueryRowContext(ctx, `SELECT body FROM messages WHERE id = $1`, id).Scan(&body); err != nil {
		return m, err
	}
	return m, json.Unmarshal(body, &m)
}

// Untaken implements dewline.Outbox.
func (s *Store) Untaken(ctx context.Context) ([]dewline.Message, error) {
	var list []dewline.Message
	err := s.read(ctx, "read messages that nobody took", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			m, err := scanBody[dewline.Message](rows)
			list = append(list, m)
			return err
		}, `SELECT m.body FROM contacts c
			JOIN messages m ON m.id = (SELECT l.id FROM messages l WHERE l.contact = c.id ORDER BY l.made DESC, l.id DESC LIMIT 1)
			WHERE m.state <> 'sent' ORDER BY c.id`)
	})
	return list, err
}

// Settle implements dewline.Outbox. What was settled before stays as it is.
func (s *Store) Settle(ctx context.Context, o dewline.SendOutcome) error {
	return s.write(ctx, "store what became of message "+o.Message, func(tx *sql.Tx) error {
		m, err := messageByID(ctx, tx, o.Message)
		if err != nil || m.State != dewline.MessagePending {
			return err
		}
		m.State, m.Attempts, m.Next, m.Failure = o.State, o.Attempts, dewline.Stamp(o.Next), kept(o.Failure, maxNote)
		if o.State != dewline.MessagePending {
			m.Next, m.Done = 0, dewline.Stamp(o.At)
		}
		if err := putBody(ctx, tx, m, `UPDATE messages SET state = $2, next = $3, body = $4 WHERE id = $1`, m.ID, m.State, m.Next); err != nil {
			return err
		}
		return settleNotices(ctx, tx, m, o)
	})
}

func settleNotices(ctx context.Context, tx *sql.Tx, m dewline.Message, o dewline.SendOutcome) error {
	state := dewline.NoticeSent
	switch o.State {
	case dewline.MessagePending:
		_, err := tx.ExecContext(ctx, `UPDATE notices SET why = $2 WHERE message = $1`, m.ID, kept(o.Failure, maxNote))
		return err
	case dewline.MessageGivenUp:
		state = dewline.NoticeNotSent
	}
	if _, err := tx.ExecContext(ctx, `UPDATE notices SET state = $2, reason = $3, why = $4, settled = $5 WHERE message = $1`,
		m.ID, state, o.Reason, kept(o.Failure, maxNote), o.At); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `UPDATE notices SET due = $2 WHERE contact = $1 AND state = 'waiting' AND reason = 'behind'`, m.Contact, o.At)
	return err
}

// NoticesIn implements dewline.Outbox.
func (s *Store) NoticesIn(ctx context.Context, filter dewline.NoticeFilter) (dewline.NoticePage, error) {
	limit := filter.Limit
	if limit <= 0 || limit > dewline.MaxAlertsPage {
		limit = dewline.MaxAlertsPage
	}
	where, args, err := noticeConditions(filter)
	if err != nil {
		return dewline.NoticePage{}, err
	}
	query := `SELECT ` + noticeColumns + ` FROM notices n WHERE ` + where + fmt.Sprintf(` ORDER BY n.made DESC, n.id DESC LIMIT $%d`, len(args)+1)
	var page dewline.NoticePage
	err = s.read(ctx, "read notices", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var n dewline.Notice
			err := rows.Scan(noticeFields(&n)...)
			page.Notices = append(page.Notices, n)
			return err
		}, query, append(args, limit+1)...)
	})
	if len(page.Notices) > limit {
		page.Notices = page.Notices[:limit]
		last := page.Notices[limit-1]
		page.Next = base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil, "%d\n%s", last.Made, last.ID))
	}
	return page, err
}

// noticeConditions turns a filter into SQL. Only numbers of placeholders come from the filter.
func noticeConditions(filter dewline.NoticeFilter) (string, []any, error) {
	conditions, args := []string{"1 = 1"}, []any{}
	add := func(format string, values ...any) {
		conditions = append(conditions, fmt.Sprintf(format, placeholders(len(args), len(values))))
		args = append(args, values...)
	}
	for column, value := range map[string]string{"alert": filter.Alert, "contact": filter.Contact, "message": filter.Message} {
		if value != "" {
			add("n."+column+" = %s", value)
		}
	}
	if len(filter.States) > 0 {
		add("n.state IN (%s)", anys(filter.States)...)
	}
	if len(filter.Sites) > 0 {
		add("n.alert IN (SELECT id FROM alerts WHERE site IN (%s))", anys(filter.Sites)...)
	}
	if filter.After != "" {
		text, err := base64.RawURLEncoding.DecodeString(filter.After)
		made, id, cut := strings.Cut(string(text), "\n")
		at, errNumber := strconv.ParseInt(made, 10, 64)
		if err != nil || !cut || errNumber != nil {
			return "", nil, invalid("read notices", "%q is no place in the list: give back the one that came with the page before", filter.After)
		}
		add("(n.made, n.id) < (%s)", at, id)
	}
	return strings.Join(conditions, " AND "), args, nil
}

// pruneNotices is how many notices or messages one transaction deletes, so that others get their turn.
const pruneNotices = 2000

// PruneNotices deletes the notices that were settled before a time, of alerts that are over, and then the
// messages made before it that nothing speaks of any more. What waits or is on its way stays, however old,
// and so do the notices of an alert that lasts: they say who is to hear of its end.
func (s *Store) PruneNotices(ctx context.Context, before dewline.Millis) error {
	err := s.prune(ctx, "drop old notices", `
		DELETE FROM notices WHERE id IN (
			SELECT n.id FROM notices n JOIN alerts a ON a.id = n.alert
			WHERE n.made < $1 AND n.settled > 0 AND n.settled < $1 AND n.state IN ('sent', 'not_sent')
				AND a.state IN ('resolved', 'dismissed') AND NOT EXISTS (SELECT 1 FROM news w WHERE w.alert = n.alert)
			ORDER BY n.made, n.id LIMIT $2)`, int64(before), pruneNotices)
	if err != nil {
		return err
	}
	return s.prune(ctx, "drop old messages", `
		DELETE FROM messages WHERE id IN (
			SELECT m.id FROM messages m
			WHERE m.made < $1 AND m.state <> 'pending' AND NOT EXISTS (SELECT 1 FROM notices n WHERE n.message = m.id AND n.message <> '')
			ORDER BY m.made, m.id LIMIT $2)`, int64(before), pruneNotices)
}
