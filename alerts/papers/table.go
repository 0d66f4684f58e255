package papers

import (
	"context"
	"encoding/json"
	"strings"
	"time"

	"dewline"
	"dewline/alerts/export"
)

// most is how many calls an export holds: who needs more asks for one span after the other.
const most = 10_000

// calls returns the calls of a filter, page by page.
func (d *Desk) calls(ctx context.Context, f dewline.CallFilter) (all []dewline.ServiceCall, err error) {
	f.Limit = dewline.MaxAlertsPage
	for {
		page, err := d.Calls.CallsIn(ctx, f)
		if err != nil {
			return nil, err
		}
		all = append(all, page...)
		switch {
		case len(page) < f.Limit:
			return all, nil
		case len(all) > most:
			return nil, &dewline.Error{Code: dewline.OutOfRange, Op: "export service calls", Err: errMany}
		}
		f.After = page[len(page)-1].ID
	}
}

type constError string

func (e constError) Error() string { return string(e) }

const errMany = constError("these are more than 10,000 calls: narrow from and to")

// CallsCSV implements dewline.Papers.
func (d *Desk) CallsCSV(ctx context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	calls, err := d.calls(ctx, f)
	if err != nil {
		return dewline.Paper{}, err
	}
	return dewline.Paper{Name: "service-calls.csv", Type: "text/csv; charset=utf-8; header=present", Body: CallsCSV(calls)}, nil
}

// CallsCSV returns a row for each call. Lists are written with semicolons between.
func CallsCSV(calls []dewline.ServiceCall) []byte {
	t := export.New("id", "site", "systems", "alerts", "priority", "reasons", "state", "technician", "from", "to", "made", "follows",
		"conditions", "likeliest_causes", "skills", "bring", "verdict", "verdict_reasons", "note", "version")
	for _, c := range calls {
		var conditions, causes, bring []string
		for _, b := range c.Briefs {
			conditions = append(conditions, string(b.Condition))
			if len(b.Causes) > 0 {
				causes = append(causes, fault(b.Causes[0].Fault, b.Causes[0].Detail))
			}
		}
		for _, item := range c.Bring {
			bring = append(bring, item.Key)
		}
		verdict, why := "", ""
		if c.Verdict != nil {
			verdict, why = string(c.Verdict.Verdict), joined(c.Verdict.Why)
		}
		t.Row(export.Text(c.ID), export.Text(c.Site), export.Text(joined(c.Systems)), export.Text(joined(c.Alerts)), export.Text(c.Priority),
			export.Text(joined(c.Reasons)), export.Text(c.State), export.Text(c.Technician), stamp(c.From), stamp(c.To), stamp(c.Made), export.Text(c.Follows),
			export.Text(joined(conditions)), export.Text(joined(causes)), export.Text(joined(c.Skills)), export.Text(joined(bring)),
			export.Text(verdict), export.Text(why), export.Text(c.Note), export.Number(float64(c.Version), 0))
	}
	return t.Bytes()
}

func stamp(s dewline.Stamp) export.Cell {
	if s == 0 {
		return export.Cell{}
	}
	return export.Text(s.Time().Format(time.RFC3339))
}

func joined[T ~string](list []T) string {
	texts := make([]string, len(list))
	for i, t := range list {
		texts[i] = string(t)
	}
	return strings.Join(texts, "; ")
}

// exported is a call with what is kept of it.
type exported struct {
	dewline.ServiceCall
	Visits  []dewline.Visit `json:"visits"`
	History []step          `json:"history"`
}

type step struct {
	At    dewline.Stamp     `json:"at"`
	By    string            `json:"by"`
	Why   string            `json:"why,omitempty"`
	State dewline.CallState `json:"state"`
}

// CallsJSON implements dewline.Papers.
func (d *Desk) CallsJSON(ctx context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	calls, err := d.calls(ctx, f)
	if err != nil {
		return dewline.Paper{}, err
	}
	all := make([]exported, 0, len(calls))
	for _, call := range calls {
		c, err := d.Calls.CallCase(ctx, call.ID)
		if err != nil {
			return dewline.Paper{}, err
		}
		e := exported{ServiceCall: c.Call, Visits: c.Visits, History: []step{}}
		if e.Visits == nil {
			e.Visits = []dewline.Visit{}
		}
		for _, h := range c.History {
			e.History = append(e.History, step{dewline.Stamp(h.At), h.By, h.Why, h.Call.State})
		}
		all = append(all, e)
	}
	body, err := json.MarshalIndent(map[string]any{"service_calls": all}, "", " ")
	return dewline.Paper{Name: "service-calls.json", Type: "application/json", Body: body}, err
}
