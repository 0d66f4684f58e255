package sqlstore

import (
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dewline"
)

// storedAlert is an Alert without its methods, so that it is stored with all of its digits rather
// than as the contract writes it.
type storedAlert dewline.Alert

func bodyOf(a dewline.Alert) (string, error) {
	body, err := json.Marshal(storedAlert(a))
	return string(body), err
}

func alertOf(body []byte) (dewline.Alert, error) {
	var a storedAlert
	if err := json.Unmarshal(body, &a); err != nil {
		return dewline.Alert{}, fmt.Errorf("a stored alert cannot be read: %w", err)
	}
	return dewline.Alert(a), nil
}

// PutAlerts implements dewline.Alerts.
func (s *Store) PutAlerts(ctx context.Context, changes []dewline.AlertChange) error {
	if len(changes) == 0 {
		return nil
	}
	return s.write(ctx, "store alerts", func(tx *sql.Tx) error { return putAlerts(ctx, tx, changes, asGiven) })
}

// putKind says how a change joins what is stored.
type putKind int

const (
	asGiven  putKind = iota
	evidence         // what readings say: people's state stays, see dewline.Alert.WithEvidence
	act              // what a person did, which is history whatever it changed
)

func putAlerts(ctx context.Context, tx *sql.Tx, changes []dewline.AlertChange, kind putKind) error {
	for _, change := range changes {
		if err := change.Alert.Validate(); err != nil {
			return err
		}
		if err := putAlert(ctx, tx, change, kind); err != nil {
			return err
		}
	}
	return nil
}

func putAlert(ctx context.Context, tx *sql.Tx, change dewline.AlertChange, kind putKind) error {
	before, err := alertByID(ctx, tx, change.Alert.ID)
	isNew := errors.Is(err, sql.ErrNoRows)
	if err != nil && !isNew {
		return err
	}
	if kind == evidence && !isNew {
		change.Alert = before.WithEvidence(change.Alert)
	}
	a := change.Alert
	body, err := bodyOf(a)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `
		INSERT INTO alerts (id, site, system, state, onset, detected, cleared, body) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
		ON CONFLICT (id) DO UPDATE SET site = excluded.site, system = excluded.system, state = excluded.state,
			onset = excluded.onset, detected = excluded.detected, cleared = excluded.cleared, body = excluded.body`,
		a.ID, a.Site, a.System, a.State, a.Onset, a.Detected, a.Cleared, body); err != nil {
		return err
	}
	if isNew || !slices.Equal(before.Systems, a.Systems) {
		if err := putAlertSystems(ctx, tx, a); err != nil {
			return err
		}
	}
	if !isNew && kind != act && !changed(before, a) {
		return nil
	}
	who, err := nameRef(ctx, tx, kept(change.By, maxNote))
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `
		INSERT INTO alert_changes (alert, n, at, who, why, body)
		SELECT $1, coalesce(max(n), 0) + 1, $2, $3, $4, $5 FROM alert_changes WHERE alert = $1`,
		a.ID, change.At, who, kept(change.Why, maxNote), body)
	return err
}

// changed says whether a person would say that the alert changed.
func changed(before, after dewline.Alert) bool {
	return before.State != after.State || before.Severity != after.Severity ||
		before.Condition != after.Condition || !slices.Equal(before.Conditions, after.Conditions) ||
		before.System != after.System || !slices.Equal(before.Systems, after.Systems) ||
		before.Onset != after.Onset || before.Detected != after.Detected ||
		before.Cleared != after.Cleared || before.Follows != after.Follows ||
		likeliest(before) != likeliest(after)
}

// likeliest returns the first cause without its probability.
func likeliest(a dewline.Alert) dewline.Cause {
	if len(a.Causes) == 0 {
		return dewline.Cause{}
	}
	return dewline.Cause{Fault: a.Causes[0].Fault, Detail: a.Causes[0].Detail}
}

func putAlertSystems(ctx context.Context, tx *sql.Tx, a dewline.Alert) error {
	if _, err := tx.ExecContext(ctx, `DELETE FROM alert_systems WHERE alert = $1`, a.ID); err != nil {
		return err
	}
	for _, system := range a.Systems {
		if _, err := tx.ExecContext(ctx, `
			INSERT INTO alert_systems (system, alert) VALUES ($1, $2) ON CONFLICT DO NOTHING`, system, a.ID); err != nil {
			return err
		}
	}
	return nil
}

func alertByID(ctx context.Context, tx *sql.Tx, id string) (dewline.Alert, error) {
	var body []byte
	if err := tx.QueryRowContext(ctx, `SELECT body FROM alerts WHERE id = $1`, id).Scan(&body); err != nil {
		return dewline.Alert{}, err
	}
	return alertOf(body)
}

// AlertByID implements dewline.Alerts.
func (s *Store) AlertByID(ctx context.Context, id string) (a dewline.Alert, err error) {
	err = s.read(ctx, fmt.Sprintf("read alert %q", id), func(tx *sql.Tx) error {
		a, err = alertByID(ctx, tx, id)
		return err
	})
	return a, err
}

// AlertsIn implements dewline.Alerts.
func (s *Store) AlertsIn(ctx context.Context, filter dewline.AlertFilter) (dewline.AlertPage, error) {
	limit := filter.Limit
	if limit <= 0 || limit > dewline.MaxAlertsPage {
		limit = dewline.MaxAlertsPage
	}
	where, args, err := alertConditions(filter)
	if err != nil {
		return dewline.AlertPage{}, err
	}
	// One more than asked for tells whether there is another page.
	query := `SELECT body FROM alerts WHERE ` + where + fmt.Sprintf(` ORDER BY detected, system, id LIMIT $%d`, len(args)+1)
	var page dewline.AlertPage
	err = s.read(ctx, "read alerts", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var body sql.RawBytes
			if err := rows.Scan(&body); err != nil {
				return err
			}
			a, err := alertOf(body)
			page.Alerts = append(page.Alerts, a)
			return err
		}, query, append(args, limit+1)...)
	})
	if len(page.Alerts) > limit {
		page.Alerts = page.Alerts[:limit]
		page.Next = cursorAfter(page.Alerts[limit-1])
	}
	return page, err
}

// alertConditions turns a filter into SQL. Only numbers of placeholders come from the filter.
func alertConditions(filter dewline.AlertFilter) (string, []any, error) {
	conditions, args := []string{"1 = 1"}, []any{}
	add := func(format string, values ...any) {
		conditions = append(conditions, fmt.Sprintf(format, placeholders(len(args), len(values))))
		args = append(args, values...)
	}
	if len(filter.States) > 0 {
		add("state IN (%s)", anys(filter.States)...)
	}
	if len(filter.Sites) > 0 {
		add("site IN (%s)", anys(filter.Sites)...)
	}
	if filter.System != "" {
		add("id IN (SELECT alert FROM alert_systems WHERE system = %s)", filter.System)
	}
	if filter.From > 0 {
		add("(cleared = 0 OR cleared >= %s)", filter.From)
	}
	if filter.To != 0 {
		add("onset < %s", filter.To)
	}
	if filter.After != "" {
		detected, system, id, err := readCursor(filter.After)
		if err != nil {
			return "", nil, err
		}
		add("(detected, system, id) > (%s)", detected, system, id)
	}
	return strings.Join(conditions, " AND "), args, nil
}

func anys[T any](values []T) []any {
	list := make([]any, len(values))
	for i, v := range values {
		list[i] = v
	}
	return list
}

// A cursor is the place of the last alert of a page in the order of the list, so that alerts that
// come and go between two pages neither repeat nor hide others.
func cursorAfter(a dewline.Alert) string {
	return base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil, "%d\n%s\n%s", a.Detected, a.System, a.ID))
}

func readCursor(cursor string) (detected int64, system, id string, err error) {
	text, err := base64.RawURLEncoding.DecodeString(cursor)
	parts := strings.SplitN(string(text), "\n", 3)
	if err == nil && len(parts) == 3 {
		if detected, err = strconv.ParseInt(parts[0], 10, 64); err == nil {
			return detected, parts[1], parts[2], nil
		}
	}
	return 0, "", "", invalid("read alerts", "%q is no place in the list: give back the one that came with the page before", cursor)
}

// AlertHistory implements dewline.Alerts.
func (s *Store) AlertHistory(ctx context.Context, id string) ([]dewline.AlertChange, error) {
	op := fmt.Sprintf("read the history of alert %q", id)
	var history []dewline.AlertChange
	err := s.read(ctx, op, func(tx *sql.Tx) (err error) {
		history, err = alertHistory(ctx, tx, id)
		return err
	})
	return history, err
}

func alertHistory(ctx context.Context, tx *sql.Tx, id string) ([]dewline.AlertChange, error) {
	var history []dewline.AlertChange
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var change dewline.AlertChange
		var body sql.RawBytes
		if err := rows.Scan(&change.At, &change.By, &change.Why, &body); err != nil {
			return err
		}
		var err error
		change.Alert, err = alertOf(body)
		history = append(history, change)
		return err
	}, `SELECT at, who, why, body FROM alert_changes WHERE alert = $1 ORDER BY n`, id)
	if err == nil && len(history) == 0 {
		return nil, sql.ErrNoRows
	}
	names := names{}
	for i := range history {
		if err == nil {
			history[i].By, err = names.of(ctx, tx, history[i].By)
		}
	}
	return history, err
}
