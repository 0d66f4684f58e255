package papers

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline"
)

// refrigerant is the part about the records of appliances whose refrigerant was moved.
func (d *document) refrigerant(f ClosingFacts) {
	if len(f.Accounts) == 0 {
		return
	}
	d.heading("Refrigerant records")
	notice := ""
	for _, id := range slices.Sorted(maps.Keys(f.Accounts)) {
		a := f.Accounts[id]
		d.label(a.Appliance)
		d.account(a)
		notice = a.Notice
	}
	d.note(notice)
}

// account is what the owner has to keep of one appliance.
func (d *document) account(a dewline.RefrigerantAccount) {
	charge := "not known"
	if a.FullCharge > 0 {
		charge = fmt.Sprintf("%s, by %s", d.Mass(a.FullCharge, 2), words(a.ChargeBy))
		if a.ChargeNote != "" {
			charge += " (" + a.ChargeNote + ")"
		}
	}
	facts := [][2]string{{"Refrigerant", a.Refrigerant}, {"Category", words(a.Category)}, {"Full charge", charge}}
	for _, r := range a.Rules {
		if r.Applies {
			facts = append(facts, [2]string{"Leak repair rule", fmt.Sprintf("%s applies: %s; trigger %.0f %% a year", r.Rule, r.Why, *r.Trigger)})
		}
	}
	if !slices.ContainsFunc(a.Rules, func(r dewline.RuleStanding) bool { return r.Applies }) && len(a.Rules) > 0 {
		facts = append(facts, [2]string{"Leak repair rule", fmt.Sprintf("%s does not apply: %s", a.Rules[0].Rule, a.Rules[0].Why)})
	}
	d.facts(facts...)
	var rows [][]string
	for _, r := range a.Rates {
		over := strings.Join(r.Over, ", ")
		if over == "" {
			over = "no"
		}
		rows = append(rows, []string{string(r.Day), d.mass(r.Added), figure(r.Annualizing, a.Method == dewline.Annualizing), figure(r.Rolling, a.Method == dewline.Rolling), over})
	}
	if len(rows) > 0 {
		d.table([]column{{"added on", 2, "L"}, {"net", 1.6, "R"}, {"leak rate, annualizing", 4, "L"}, {"leak rate, rolling average", 4, "L"}, {"above trigger", 2.4, "L"}}, rows)
	} else {
		d.text("No addition counts for a leak rate.")
	}
	d.dues(a.Dues)
	d.list(a.Remarks)
}

func figure(f dewline.LeakFigure, facilitys bool) string {
	text := "cannot be computed: " + f.Missing
	if f.Percent != nil {
		text = fmt.Sprintf("%.1f %% a year", *f.Percent)
	}
	if facilitys {
		text += " (the facility's method)"
	}
	return text
}

func (d *document) dues(list []dewline.Due) {
	var rows [][]string
	for _, due := range list {
		state := words(due.State)
		if due.Done != "" {
			state += " " + string(due.Done)
		}
		rows = append(rows, []string{words(due.Kind), string(due.By), state, due.Because})
	}
	if len(rows) > 0 {
		d.table([]column{{"due", 3, "L"}, {"by", 2, "L"}, {"state", 2.4, "L"}, {"because", 5, "L"}}, rows)
	}
}
