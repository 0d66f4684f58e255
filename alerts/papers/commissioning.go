package papers

import (
	"fmt"

	"dewline"
)

// CommissioningFacts are what a commissioning report is made of.
type CommissioningFacts struct {
	System  *dewline.System
	Site    dewline.Site
	Owner   string
	Gateway string
	Proof   dewline.Proof   // what the readings of the period say
	Series  *dewline.Series // of superheat and subcooling in it, nil for none
	Visit   *dewline.Visit  // the closed visit at which it was set to work, nil where none is recorded
	Account dewline.RefrigerantAccount
}

// PDF returns the report as of a time.
func (f CommissioningFacts) PDF(u dewline.Units, at dewline.Millis) ([]byte, error) {
	s := f.System
	d := &document{newSheet("Commissioning report", s.Name+" ("+string(s.ID)+")", at, f.Site.Timezone, u), readerOf(u)}
	d.facts([2]string{"System", s.Name + " (" + string(s.ID) + ")"}, [2]string{"Site", f.Site.Name}, [2]string{"Owner", f.Owner},
		[2]string{"Installer", s.Installer}, [2]string{"Installed", day(s)}, [2]string{"Period", d.time(f.Proof.From) + " to " + d.time(f.Proof.To)})
	d.heading("In short")
	d.list(f.summary(d))
	d.heading("Equipment as enrolled")
	d.equipment(s)
	d.sensors(f)
	d.setToWork(f)
	d.running(f)
	d.heading("Refrigerant records")
	d.account(f.Account)
	d.note(f.Account.Notice)
	d.heading("Signatures")
	technician, certificate := "", ""
	if f.Visit != nil {
		technician, certificate = f.Visit.Technician, f.Visit.Certification
	}
	if certificate != "" {
		certificate = "Certification " + certificate
	}
	d.signature("Installer", technician, certificate)
	d.signature("For the owner", "", "Date")
	d.caution("Figures are as measured in the period shown; targets are those that the equipment states.")
	return d.bytes()
}

func day(s *dewline.System) string {
	if s.Installed.IsZero() {
		return ""
	}
	return s.Installed.Format("2006-01-02")
}

// summary says how it stands with what was commissioned.
func (f CommissioningFacts) summary(d *document) (list []string) {
	if f.Proof.Missing != "" {
		list = append(list, "The readings do not tell yet how it runs: "+f.Proof.Missing+".")
	}
	for _, m := range f.Proof.Measures {
		switch {
		case !m.Known():
			list = append(list, sentence(fmt.Sprintf("%s: %s; what is expected is not known%s", words(m.Quantity), d.value(m.Mean, m.Unit), because(m.Why))))
		case m.Within >= 0.9:
			list = append(list, sentence(fmt.Sprintf("%s is where it should be: %s, expected %s", words(m.Quantity), d.value(m.Mean, m.Unit), d.band(m))))
		default:
			list = append(list, sentence(fmt.Sprintf("%s is not where it should be: %s, expected %s, within it for %.0f %% of the time",
				words(m.Quantity), d.value(m.Mean, m.Unit), d.band(m), m.Within*100)))
		}
	}
	if f.Account.FullCharge == 0 {
		list = append(list, "The full charge is not recorded: without it there is no leak rate.")
	}
	if f.Visit == nil {
		list = append(list, "No closed visit is recorded: what follows has no readings of the installer's instruments, no weights and no evacuation.")
	}
	return list
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return ", " + why
}

func (d *document) equipment(s *dewline.System) {
	target := ""
	if s.TargetSuperheat > 0 {
		target = d.Difference(s.TargetSuperheat, 1) + " at the " + string(s.TargetSuperheatAt)
	}
	optional := func(there bool, text string) string {
		if !there {
			return ""
		}
		return text
	}
	d.facts([2]string{"Kind", named(s.Kind)}, [2]string{"Refrigerant", s.Refrigerant}, [2]string{"Metering", named(s.Metering)},
		[2]string{"Capacity", optional(s.Capacity > 0, d.Capacity(s.Capacity, 1))}, [2]string{"Charge on the data plate", d.mass(s.Charge)},
		[2]string{"Bore called for", d.bore(s.Orifice)}, [2]string{"Bore installed", d.bore(s.OrificeInstalled)},
		[2]string{"Target subcooling", optional(s.TargetSubcooling > 0, d.Difference(s.TargetSubcooling, 1))}, [2]string{"Target superheat", target},
		[2]string{"Line length", optional(s.LineLength > 0, d.Length(s.LineLength, 1))}, [2]string{"Receiver", optional(s.Receiver, "yes")},
		[2]string{"Suction accumulator", optional(s.SuctionAccumulator, "yes")}, [2]string{"Head pressure control", optional(s.HeadControl, "yes")},
		[2]string{"Pump-down", optional(s.PumpDown, "yes")}, [2]string{"Warranty until", optional(!s.WarrantyUntil.IsZero(), s.WarrantyUntil.Format("2006-01-02"))})
}

func (d *document) sensors(f CommissioningFacts) {
	var rows [][]string
	for _, p := range f.System.Points {
		accuracy := "the usual of its kind"
		if p.StatedAccuracy > 0 {
			accuracy = d.accuracy(p)
		}
		rows = append(rows, []string{words(p.Point.String()), words(p.Reference), accuracy})
	}
	d.label("Sensors")
	if f.Gateway != "" {
		d.text("Read by gateway " + f.Gateway + ".")
	}
	d.table([]column{{"point", 4, "L"}, {"counts from", 3, "L"}, {"limit of error", 3, "L"}}, rows)
}

func (d *document) accuracy(p dewline.PointFitting) string {
	if unit := p.Point.Unit(); unit != "Cel" {
		return d.value(p.StatedAccuracy, unit)
	}
	return d.value(p.StatedAccuracy, "K") // an error is a difference
}

func (d *document) setToWork(f CommissioningFacts) {
	if f.Visit == nil {
		return
	}
	v := *f.Visit
	d.heading("Set to work")
	d.facts([2]string{"Technician", v.Technician}, [2]string{"Certification", v.Certification}, [2]string{"Started", d.time(v.Started)}, [2]string{"Finished", d.time(v.Finished)})
	d.done(v)
}

// running is what the readings say of how it runs.
func (d *document) running(f CommissioningFacts) {
	d.heading("How it runs")
	p := f.Proof
	if p.Missing != "" {
		d.text("No numbers yet: " + p.Missing + ".")
	} else {
		d.text(fmt.Sprintf("%.1f h of steady running in %d half hours on %d days.", p.SteadyHours, p.Windows, p.Days))
	}
	var rows [][]string
	for _, m := range p.Measures {
		within := ""
		if m.Known() {
			within = fmt.Sprintf("%.0f %%", m.Within*100)
		}
		rows = append(rows, []string{words(m.Quantity), d.band(m), d.measured(m), within})
	}
	for _, m := range p.Conditions {
		rows = append(rows, []string{words(m.Quantity), "\u2013", d.measured(m), ""})
	}
	if len(rows) > 0 {
		d.table([]column{{"quantity", 3, "L"}, {"expected", 4, "L"}, {"mean (lowest to highest)", 4, "R"}, {"time within", 1.6, "R"}}, rows)
	}
	if f.Series != nil {
		var marks []mark
		if f.Visit != nil {
			marks = []mark{{float64(f.Visit.Finished) / 1000, "set to work"}}
		}
		d.waterline(f.Series, &p, marks)
	}
}
