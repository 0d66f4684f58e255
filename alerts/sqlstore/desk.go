package sqlstore

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"dewline"
)

// Desk implements dewline.DeskStore. One transaction writes at a time, so f has the database to itself.
func (s *Store) Desk(ctx context.Context, op string, f func(dewline.DeskTx) error) error {
	return s.write(ctx, op, func(tx *sql.Tx) error { return f(&deskTx{ctx, tx, names{}}) })
}

// LookAtDesk implements dewline.DeskStore.
func (s *Store) LookAtDesk(ctx context.Context, op string, f func(dewline.DeskTx) error) error {
	return s.read(ctx, op, func(tx *sql.Tx) error { return f(&deskTx{ctx, tx, names{}}) })
}

// deskTx is one transaction. It lives as long as the call that made it, and so may keep its context.
type deskTx struct {
	ctx   context.Context
	tx    *sql.Tx
	names names
}

func (d *deskTx) ref(name string) (string, error) {
	return nameRef(d.ctx, d.tx, kept(name, maxNote))
}
func (d *deskTx) name(ref string) (string, error) { return d.names.of(d.ctx, d.tx, ref) }

func (d *deskTx) exec(query string, args ...any) error {
	_, err := d.tx.ExecContext(d.ctx, query, args...)
	return err
}

// record is something that is kept as a whole: T's fields with names are those that nameFields returns.
type record interface {
	dewline.Hold | dewline.ServiceCall | dewline.Visit | dewline.LedgerEntry | dewline.CalendarLink
}

func nameFields[T record](v *T) []*string {
	switch v := any(v).(type) {
	case *dewline.Hold:
		return []*string{&v.By, &v.EndedBy}
	case *dewline.ServiceCall:
		return []*string{&v.Technician}
	case *dewline.Visit:
		return []*string{&v.Technician, &v.Certification, &v.SignedBy}
	case *dewline.LedgerEntry:
		return []*string{&v.By, &v.Technician, &v.Certification}
	case *dewline.CalendarLink:
		return []*string{&v.Technician, &v.By, &v.RevokedBy}
	}
	return nil
}

// write returns the body of a record.
func writeRecord[T record](d *deskTx, v T) (string, error) {
	if err := replaceNames(d.ref, nameFields(&v)...); err != nil {
		return "", err
	}
	body, err := json.Marshal(v)
	return kept(string(body), len(body)), err
}

func readRecord[T record](d *deskTx, body []byte) (v T, err error) {
	if err := json.Unmarshal(body, &v); err != nil {
		return v, fmt.Errorf("a stored %T cannot be read: %w", v, err)
	}
	return v, replaceNames(d.name, nameFields(&v)...)
}

func oneRecord[T record](d *deskTx, what, query string, args ...any) (v T, err error) {
	var body []byte
	if err := d.tx.QueryRowContext(d.ctx, query, args...).Scan(&body); err != nil {
		return v, fail(what, err)
	}
	v, err = readRecord[T](d, body)
	return v, fail(what, err)
}

func allRecords[T record](d *deskTx, what, query string, args ...any) ([]T, error) {
	var bodies [][]byte // first all of them: a transaction reads one thing at a time
	err := each(d.ctx, d.tx, func(rows *sql.Rows) error {
		var body []byte
		err := rows.Scan(&body)
		bodies = append(bodies, body)
		return err
	}, query, args...)
	list := make([]T, 0, len(bodies))
	for _, body := range bodies {
		v, failed := readRecord[T](d, body)
		err = errors.Join(err, failed)
		list = append(list, v)
	}
	return list, fail(what, err)
}

// Alert implements dewline.DeskTx.
func (d *deskTx) Alert(id string) (dewline.Alert, error) {
	a, err := alertByID(d.ctx, d.tx, id)
	return a, fail(fmt.Sprintf("read alert %q", id), err)
}

// AlertHistory implements dewline.DeskTx.
func (d *deskTx) AlertHistory(id string) ([]dewline.AlertChange, error) {
	list, err := alertHistory(d.ctx, d.tx, id)
	return list, fail(fmt.Sprintf("read the history of alert %q", id), err)
}

// OpenAlerts implements dewline.DeskTx.
func (d *deskTx) OpenAlerts(site string) ([]dewline.Alert, error) {
	var list []dewline.Alert
	err := each(d.ctx, d.tx, func(rows *sql.Rows) error {
		var body sql.RawBytes
		if err := rows.Scan(&body); err != nil {
			return err
		}
		a, err := alertOf(body)
		list = append(list, a)
		return err
	}, `SELECT body FROM alerts WHERE site = $1 AND state NOT IN ($2, $3) ORDER BY detected, system, id`, site, dewline.AlertResolved, dewline.AlertDismissed)
	return list, fail("read the open alerts of "+site, err)
}

// PutAlert implements dewline.DeskTx.
func (d *deskTx) PutAlert(c dewline.AlertChange) error {
	return fail("store alert "+c.Alert.ID, putAlerts(d.ctx, d.tx, []dewline.AlertChange{c}, act))
}

// Hold implements dewline.DeskTx.
func (d *deskTx) Hold(id string) (dewline.Hold, error) {
	return oneRecord[dewline.Hold](d, fmt.Sprintf("read hold %q", id), `SELECT body FROM holds WHERE id = $1`, id)
}

// PutHold implements dewline.DeskTx.
func (d *deskTx) PutHold(h dewline.Hold) error {
	body, err := writeRecord(d, h)
	if err == nil {
		err = d.exec(`INSERT INTO holds (id, site, since, until, body) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (id) DO UPDATE SET site = excluded.site, since = excluded.since, until = excluded.until, body = excluded.body`,
			h.ID, h.Site, h.From, h.Until, body)
	}
	return fail("store hold "+h.ID, err)
}

// Holds implements dewline.DeskTx.
func (d *deskTx) Holds(site string, at dewline.Millis) ([]dewline.Hold, error) {
	return allRecords[dewline.Hold](d, "read holds", `SELECT body FROM holds WHERE until > $1 AND ($2 = '' OR site = $2) ORDER BY since, id`, at, site)
}

// Call implements dewline.DeskTx.
func (d *deskTx) Call(id string) (dewline.ServiceCall, error) {
	return oneRecord[dewline.ServiceCall](d, fmt.Sprintf("read service call %q", id), `SELECT body FROM service_calls WHERE id = $1`, id)
}

// PutCall implements dewline.DeskTx.
func (d *deskTx) PutCall(c dewline.CallChange) error {
	return fail("store service call "+c.Call.ID, d.putCall(c))
}

func (d *deskTx) putCall(c dewline.CallChange) error {
	var before int
	err := d.tx.QueryRowContext(d.ctx, `SELECT version FROM service_calls WHERE id = $1`, c.Call.ID).Scan(&before)
	isNew := errors.Is(err, sql.ErrNoRows)
	if err != nil && !isNew {
		return err
	}
	if c.Call.Version != before {
		return &dewline.Error{Code: dewline.Clash, Op: "store service call " + c.Call.ID, Err: fmt.Errorf("it has changed meanwhile, to version %d: look at it again", before)}
	}
	call := c.Call
	call.Version++
	for i := range call.Bring {
		call.Bring[i].InVan = nil
	}
	body, err := writeRecord(d, call)
	if err != nil {
		return err
	}
	who, err := d.ref(c.By)
	if err != nil {
		return err
	}
	if err := d.exec(`INSERT INTO service_calls (id, site, state, made, version, body) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (id) DO UPDATE SET site = excluded.site, state = excluded.state, made = excluded.made, version = excluded.version, body = excluded.body`,
		call.ID, call.Site, call.State, call.Made, call.Version, body); err != nil {
		return err
	}
	for _, alert := range call.Alerts {
		if err := d.exec(`INSERT INTO service_call_alerts (alert, call) VALUES ($1, $2) ON CONFLICT DO NOTHING`, alert, call.ID); err != nil {
			return err
		}
	}
	for _, system := range call.Systems {
		if err := d.exec(`INSERT INTO service_call_systems (system, call) VALUES ($1, $2) ON CONFLICT DO NOTHING`, system, call.ID); err != nil {
			return err
		}
	}
	return d.exec(`INSERT INTO service_call_changes (call, n, at, who, why, body) VALUES ($1, $2, $3, $4, $5, $6)`,
		call.ID, call.Version, c.At, who, kept(c.Why, maxNote), body)
}

// CallHistory implements dewline.DeskTx.
func (d *deskTx) CallHistory(id string) ([]dewline.CallChange, error) {
	type row struct {
		change dewline.CallChange
		body   []byte
	}
	var found []row
	err := each(d.ctx, d.tx, func(rows *sql.Rows) error {
		var r row
		err := rows.Scan(&r.change.At, &r.change.By, &r.change.Why, &r.body)
		found = append(found, r)
		return err
	}, `SELECT at, who, why, body FROM service_call_changes WHERE call = $1 ORDER BY n`, id)
	var list []dewline.CallChange
	for _, r := range found {
		if err == nil {
			r.change.By, err = d.name(r.change.By)
		}
		if err == nil {
			r.change.Call, err = readRecord[dewline.ServiceCall](d, r.body)
		}
		list = append(list, r.change)
	}
	return list, fail(fmt.Sprintf("read the history of service call %q", id), err)
}

// CallsOfAlert implements dewline.DeskTx.
func (d *deskTx) CallsOfAlert(alert string) ([]string, error) {
	var list []string
	err := each(d.ctx, d.tx, func(rows *sql.Rows) error {
		var id string
		err := rows.Scan(&id)
		list = append(list, id)
		return err
	}, `SELECT c.id FROM service_call_alerts a JOIN service_calls c ON c.id = a.call WHERE a.alert = $1 ORDER BY c.made, c.id`, alert)
	return list, fail("read the calls of an alert", err)
}

// Calls implements dewline.DeskTx.
func (d *deskTx) Calls(f dewline.CallFilter) ([]dewline.ServiceCall, error) {
	conditions, args := []string{"1 = 1"}, []any{}
	add := func(format string, values ...any) {
		conditions = append(conditions, fmt.Sprintf(format, placeholders(len(args), len(values))))
		args = append(args, values...)
	}
	if len(f.States) > 0 {
		add("state IN (%s)", anys(f.States)...)
	}
	if len(f.Sites) > 0 {
		add("site IN (%s)", anys(f.Sites)...)
	}
	if f.System != "" {
		add("id IN (SELECT call FROM service_call_systems WHERE system = %s)", f.System)
	}
	if f.From != 0 {
		add("made >= %s", f.From)
	}
	if f.To != 0 {
		add("made < %s", f.To)
	}
	if f.After != "" {
		after, err := d.Call(f.After)
		if dewline.CodeOf(err) == dewline.NotFound {
			return nil, invalid("list service calls", "%q is no place in the list: give back the last id of the page before", f.After)
		}
		if err != nil {
			return nil, err
		}
		add("(made, id) < (%s)", after.Made, after.ID)
	}
	limit := f.Limit
	if limit <= 0 || limit > dewline.MaxAlertsPage {
		limit = dewline.MaxAlertsPage
	}
	query := `SELECT body FROM service_calls WHERE ` + strings.Join(conditions, " AND ") + fmt.Sprintf(` ORDER BY made DESC, id DESC LIMIT $%d`, len(args)+1)
	return allRecords[dewline.ServiceCall](d, "list service calls", query, append(args, limit)...)
}

// Visit implements dewline.DeskTx.
func (d *deskTx) Visit(id string) (dewline.Visit, error) {
	return oneRecord[dewline.Visit](d, fmt.Sprintf("read visit %q", id), `SELECT body FROM visits WHERE id = $1`, id)
}

// PutVisit implements dewline.DeskTx.
func (d *deskTx) PutVisit(v dewline.Visit) error {
	body, err := writeRecord(d, v)
	if err == nil {
		err = d.exec(`INSERT INTO visits (id, call, system, started, finished, closed, body) VALUES ($1, $2, $3, $4, $5, $6, $7)
			ON CONFLICT (id) DO UPDATE SET call = excluded.call, system = excluded.system, started = excluded.started,
				finished = excluded.finished, closed = excluded.closed, body = excluded.body`,
			v.ID, v.Call, v.System, v.Started, v.Finished, v.Closed, body)
	}
	return fail("store visit "+v.ID, err)
}

// VisitsOf implements dewline.DeskTx.
func (d *deskTx) VisitsOf(call string) ([]dewline.Visit, error) {
	return allRecords[dewline.Visit](d, "read the visits of a call", `SELECT body FROM visits WHERE call = $1 ORDER BY started, id`, call)
}

// ClosedVisits implements dewline.DeskTx.
func (d *deskTx) ClosedVisits(system dewline.SystemID, from, to dewline.Millis) ([]dewline.Visit, error) {
	return allRecords[dewline.Visit](d, "read closed visits", `SELECT body FROM visits
		WHERE closed <> 0 AND finished >= $1 AND (finished < $2 OR $2 = 0) AND ($3 = '' OR system = $3) ORDER BY finished, id`, from, to, system)
}

// PutStock implements dewline.DeskTx.
func (d *deskTx) PutStock(van string, items []dewline.StockItem) error {
	ref, err := d.ref(van)
	if err == nil {
		err = d.exec(`DELETE FROM van_stock WHERE van = $1`, ref)
	}
	for _, item := range items {
		if err == nil {
			err = d.exec(`INSERT INTO van_stock (van, item, what, amount, unit) VALUES ($1, $2, $3, $4, $5)
				ON CONFLICT (van, item) DO UPDATE SET what = excluded.what, amount = excluded.amount, unit = excluded.unit`,
				ref, kept(item.Key, maxNote), kept(item.What, maxNote), item.Amount, kept(item.Unit, maxNote))
		}
	}
	return fail("keep a van's stock", err)
}

// Stock implements dewline.DeskTx. A van whose stock was never kept has none.
func (d *deskTx) Stock(van string) ([]dewline.StockItem, error) {
	var id int64
	err := d.tx.QueryRowContext(d.ctx, `SELECT id FROM names WHERE name = $1`, van).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	var list []dewline.StockItem
	if err == nil {
		err = each(d.ctx, d.tx, func(rows *sql.Rows) error {
			var item dewline.StockItem
			err := rows.Scan(&item.Key, &item.What, &item.Amount, &item.Unit)
			list = append(list, item)
			return err
		}, `SELECT item, what, amount, unit FROM van_stock WHERE van = $1 ORDER BY item`, fmt.Sprint(nameMark, id))
	}
	return list, fail("read a van's stock", err)
}

// RecordEvents implements dewline.DeskTx.
func (d *deskTx) RecordEvents(events []dewline.Event) error {
	return fail("record events", recordEvents(d.ctx, d.tx, events))
}
