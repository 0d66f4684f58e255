package service

import (
	"cmp"
	"context"
	"errors"
	"slices"

	"dewline"
	"dewline/alerts"
)

// errCut is what a store says that dies in the middle of a transaction.
var errCut = errors.New("the power is cut")

// memory is a DeskStore in memory that can die at any write: then nothing of the transaction is there.
type memory struct {
	alerts      map[string]dewline.Alert
	history     map[string][]dewline.AlertChange
	holds       map[string]dewline.Hold
	calls       map[string]dewline.ServiceCall
	callHistory map[string][]dewline.CallChange
	visits      map[string]dewline.Visit
	stock       map[string][]dewline.StockItem
	events      []dewline.Event

	cutAt int // the write that fails, counted from 1; 0 for none
	undo  []func()
	write bool
}

func newMemory() *memory {
	return &memory{alerts: map[string]dewline.Alert{}, history: map[string][]dewline.AlertChange{}, holds: map[string]dewline.Hold{},
		calls: map[string]dewline.ServiceCall{}, callHistory: map[string][]dewline.CallChange{}, visits: map[string]dewline.Visit{}, stock: map[string][]dewline.StockItem{}}
}

func (m *memory) Desk(_ context.Context, _ string, f func(dewline.DeskTx) error) error {
	m.undo, m.write = m.undo[:0], true
	err := f(m)
	m.write, m.cutAt = false, 0
	if err != nil {
		for _, undo := range slices.Backward(m.undo) {
			undo()
		}
	}
	return err
}

func (m *memory) LookAtDesk(_ context.Context, _ string, f func(dewline.DeskTx) error) error {
	return f(m)
}
func (m *memory) Anonymise(context.Context, string) error { return nil }

// tell stores what readings say, as the analyst does.
func (m *memory) tell(changes []dewline.AlertChange) error {
	return m.Desk(context.Background(), "tell", func(dewline.DeskTx) error {
		for _, c := range changes {
			before, ok := m.alerts[c.Alert.ID]
			if ok {
				c.Alert = before.WithEvidence(c.Alert)
			}
			if err := m.PutAlert(c); err != nil {
				return err
			}
		}
		return nil
	})
}

// put keeps a value so that it can be undone.
func put[K comparable, V any](m *memory, in map[K]V, k K, v V) error {
	if !m.write {
		return errors.New("looking cannot write")
	}
	if m.cutAt > 0 {
		if m.cutAt--; m.cutAt == 0 {
			return errCut
		}
	}
	before, ok := in[k]
	m.undo = append(m.undo, func() {
		if delete(in, k); ok {
			in[k] = before
		}
	})
	in[k] = v
	return nil
}

func get[V any](in map[string]V, id string) (V, error) {
	v, ok := in[id]
	if !ok {
		return v, &dewline.Error{Code: dewline.NotFound, Op: "read " + id}
	}
	return v, nil
}

// PutAlert and the others implement dewline.DeskTx.
func (m *memory) PutAlert(c dewline.AlertChange) error {
	if err := c.Alert.Validate(); err != nil {
		return err
	}
	if err := put(m, m.alerts, c.Alert.ID, c.Alert); err != nil {
		return err
	}
	h := m.history[c.Alert.ID]
	return put(m, m.history, c.Alert.ID, append(h[:len(h):len(h)], c))
}

func (m *memory) PutCall(c dewline.CallChange) error {
	if before, ok := m.calls[c.Call.ID]; ok && before.Version != c.Call.Version {
		return &dewline.Error{Code: dewline.Clash, Op: "version"}
	}
	c.Call.Version++
	if err := put(m, m.calls, c.Call.ID, c.Call); err != nil {
		return err
	}
	h := m.callHistory[c.Call.ID]
	return put(m, m.callHistory, c.Call.ID, append(h[:len(h):len(h)], c))
}

func (m *memory) PutHold(h dewline.Hold) error   { return put(m, m.holds, h.ID, h) }
func (m *memory) PutVisit(v dewline.Visit) error { return put(m, m.visits, v.ID, v) }
func (m *memory) PutStock(van string, items []dewline.StockItem) error {
	return put(m, m.stock, van, items)
}

func (m *memory) RecordEvents(events []dewline.Event) error {
	before := m.events
	m.undo = append(m.undo, func() { m.events = before })
	m.events = append(m.events[:len(m.events):len(m.events)], events...)
	return nil
}

func (m *memory) Alert(id string) (dewline.Alert, error)                { return get(m.alerts, id) }
func (m *memory) AlertHistory(id string) ([]dewline.AlertChange, error) { return get(m.history, id) }
func (m *memory) Hold(id string) (dewline.Hold, error)                  { return get(m.holds, id) }
func (m *memory) Call(id string) (dewline.ServiceCall, error)           { return get(m.calls, id) }
func (m *memory) CallHistory(id string) ([]dewline.CallChange, error)   { return get(m.callHistory, id) }
func (m *memory) Visit(id string) (dewline.Visit, error)                { return get(m.visits, id) }
func (m *memory) Stock(van string) ([]dewline.StockItem, error)         { return m.stock[van], nil }

func (m *memory) OpenAlerts(site string) (list []dewline.Alert, _ error) {
	for _, a := range m.alerts {
		if a.Site == site && !a.State.Ended() {
			list = append(list, a)
		}
	}
	return list, nil
}

func (m *memory) Holds(site string, at dewline.Millis) (list []dewline.Hold, _ error) {
	for _, h := range m.holds {
		if (site == "" || h.Site == site) && dewline.Millis(h.Until) > at {
			list = append(list, h)
		}
	}
	slices.SortFunc(list, func(a, b dewline.Hold) int { return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.ID, b.ID)) })
	return list, nil
}

func (m *memory) CallsOfAlert(alert string) (list []string, _ error) {
	calls, _ := m.Calls(dewline.CallFilter{})
	for _, c := range slices.Backward(calls) {
		if slices.Contains(c.Alerts, alert) {
			list = append(list, c.ID)
		}
	}
	return list, nil
}

func (m *memory) Calls(f dewline.CallFilter) (list []dewline.ServiceCall, _ error) {
	for _, c := range m.calls {
		if (len(f.States) == 0 || slices.Contains(f.States, c.State)) && dewline.Millis(c.Made) >= f.From && (f.To == 0 || dewline.Millis(c.Made) < f.To) {
			list = append(list, c)
		}
	}
	slices.SortFunc(list, func(a, b dewline.ServiceCall) int {
		return cmp.Or(cmp.Compare(b.Made, a.Made), cmp.Compare(b.ID, a.ID))
	})
	if i := slices.IndexFunc(list, func(c dewline.ServiceCall) bool { return c.ID == f.After }); f.After != "" && i >= 0 {
		list = list[i+1:]
	}
	return list, nil
}

func (m *memory) VisitsOf(call string) (list []dewline.Visit, _ error) {
	for _, v := range m.visits {
		if v.Call == call {
			list = append(list, v)
		}
	}
	slices.SortFunc(list, func(a, b dewline.Visit) int {
		return cmp.Or(cmp.Compare(a.Started, b.Started), cmp.Compare(a.ID, b.ID))
	})
	return list, nil
}

func (m *memory) ClosedVisits(system dewline.SystemID, from, to dewline.Millis) (list []dewline.Visit, _ error) {
	for _, v := range m.visits {
		if at := dewline.Millis(v.Finished); v.Closed != 0 && at >= from && (to == 0 || at < to) && (system == "" || v.System == system) {
			list = append(list, v)
		}
	}
	slices.SortFunc(list, func(a, b dewline.Visit) int { return cmp.Compare(a.Finished, b.Finished) })
	return list, nil
}

// The part of dewline.Alerts that a Book loads from.
func (m *memory) AlertsIn(context.Context, dewline.AlertFilter) (page dewline.AlertPage, _ error) {
	for _, a := range m.alerts {
		page.Alerts = append(page.Alerts, a)
	}
	alerts.Sort(page.Alerts)
	return page, nil
}

func (m *memory) PutAlerts(context.Context, []dewline.AlertChange) error {
	return errors.ErrUnsupported
}
func (m *memory) AlertByID(_ context.Context, id string) (dewline.Alert, error) {
	return m.Alert(id)
}

// alertsOf shows a memory as a dewline.Alerts.
type alertsOf struct{ *memory }

// AlertHistory implements dewline.Alerts.
func (a alertsOf) AlertHistory(_ context.Context, id string) ([]dewline.AlertChange, error) {
	return a.memory.AlertHistory(id)
}
