package refrigerant

import (
	"context"
	"math"
	"time"

	"dewline"
	"dewline/alerts/export"
	"dewline/thermo/si"
)

// LedgerCSV implements dewline.Ledger.
func (l *Ledger) LedgerCSV(ctx context.Context, id dewline.SystemID) ([]byte, error) {
	a, err := l.Account(ctx, id)
	if err != nil {
		return nil, err
	}
	return CSV(a), nil
}

// CSV returns every entry of an account as a row, and each leak rate as one, oldest first within both.
// Amounts are in kg; times are RFC 3339 in UTC; a day is the site's.
func CSV(a dewline.RefrigerantAccount) []byte {
	t := export.New("record", "appliance", "system", "id", "kind", "at", "day", "visit", "refrigerant", "charged_kg", "recovered_kg", "full_charge_kg",
		"full_charge_by", "technician", "certification", "entered_by", "entered", "passed", "of", "reason", "until", "note",
		"added_kg", "annualizing_percent", "annualizing_days", "rolling_average_percent", "rolling_average_since", "cannot_be_computed", "over_trigger_of")
	for _, e := range a.Entries {
		t.Row(export.Text("entry"), export.Text(a.Appliance), export.Text(e.System), export.Text(e.ID), export.Text(e.Kind), stamp(e.At), export.Cell{},
			export.Text(e.Visit), export.Text(e.Refrigerant), mass(e.Charged), mass(e.Recovered), mass(e.FullCharge), export.Text(e.Method),
			export.Text(e.Technician), export.Text(e.Certification), export.Text(e.By), stamp(e.Entered), passed(e), export.Text(e.Of),
			export.Text(string(e.Reason)+string(e.Category)+string(e.Due)), export.Text(e.Until), export.Text(e.Note))
	}
	for _, r := range a.Rates {
		blank := make([]export.Cell, 10)
		row := append([]export.Cell{export.Text("leak_rate"), export.Text(a.Appliance), export.Text(a.Systems[0]), {}, {}, stamp(r.At), export.Text(r.Day),
			export.Text(r.Visit), export.Text(a.Refrigerant), {}, {}, mass(r.FullCharge)}, blank...)
		missing := r.Annualizing.Missing
		if missing == "" {
			missing = r.Rolling.Missing
		}
		over := ""
		for _, rule := range r.Over {
			over = rule
		}
		row = append(row, mass(r.Added), percent(r.Annualizing), days(r.Annualizing), percent(r.Rolling), export.Text(r.Rolling.Since),
			export.Text(missing), export.Text(over))
		t.Row(row...)
	}
	t.Row(export.Text("notice"), export.Text(a.Appliance), export.Cell{}, export.Cell{}, export.Text(a.Notice))
	return t.Bytes()
}

func stamp(s dewline.Stamp) export.Cell {
	if s == 0 {
		return export.Cell{}
	}
	return export.Text(s.Time().Format(time.RFC3339))
}

func mass(m si.Kilogram) export.Cell {
	if m == 0 {
		return export.Cell{}
	}
	return export.Number(math.Round(float64(m)*1e4)/1e4, -1) // a tenth of a gram, finer than a scale
}

func percent(f dewline.LeakFigure) export.Cell {
	if f.Percent == nil {
		return export.Cell{}
	}
	return export.Number(*f.Percent, 1)
}

func days(f dewline.LeakFigure) export.Cell {
	if f.Days == 0 {
		return export.Cell{}
	}
	return export.Number(float64(f.Days), 0)
}

func passed(e dewline.LedgerEntry) export.Cell {
	switch {
	case e.Kind != dewline.LedgerInitial && e.Kind != dewline.LedgerFollowUp:
		return export.Cell{}
	case e.Passed:
		return export.Text("passed")
	}
	return export.Text("failed")
}
