package refrigerant

import (
	"fmt"
	"slices"
	"strings"

	"dewline"
	"dewline/thermo/si"
)

// Notice stands with every figure of this package.
const Notice = "Computed from the weights that were entered, after the formulas of 40 CFR 82.152 and 84.102 as this program understands them. " +
	"This is not legal advice: the text of the rules decides, and states and local codes can be stricter."

// Settings say how leak rates are judged. The zero value judges by no rule; begin with
// [DefaultSettings].
type Settings struct {
	Method     dewline.LeakMethod            `yaml:"method"`      // of every facility that is not in Sites
	Sites      map[string]dewline.LeakMethod `yaml:"sites"`       // by site: one method for all appliances of a facility
	PerMachine bool                          `yaml:"per_machine"` // circuits of one machine are one appliance, where they hold the same refrigerant
	OzoneRule  Rule                          `yaml:"ozone_rule"`  // for refrigerants that deplete ozone
	HFCRule    Rule                          `yaml:"hfc_rule"`    // for the others
	Ozone      []string                      `yaml:"ozone"`       // refrigerants with a class I or II substance in them
}

// Rule is one set of leak repair rules as numbers.
type Rule struct {
	Name      string                                `yaml:"name"`
	From      dewline.Day                           `yaml:"from"`          // since when
	MinCharge si.Kilogram                           `yaml:"min_charge_kg"` // full charge from which it applies
	AboveGWP  float64                               `yaml:"above_gwp"`     // refrigerants at or below are left out
	Triggers  map[dewline.ApplianceCategory]float64 `yaml:"triggers"`      // percent a year; a category that is not here is left out

	RepairDays   int         `yaml:"repair_days"`              // to repair, and to test the repair for the first time
	FollowUpDays int         `yaml:"follow_up_days"`           // after a first test that passed
	RetrofitDays int         `yaml:"retrofit_days"`            // to retrofit or retire what was not repaired
	Quarterly    si.Kilogram `yaml:"quarterly_inspections_kg"` // refrigeration with so much or more is inspected quarterly after a leak, the rest each year
	Chronic      float64     `yaml:"chronic_percent"`          // of the full charge lost in a calendar year: a report is due
}

// DefaultSettings returns the rules' own numbers. Those of 82.157 (a) to (c) were read in the rule;
// the others are from memory and agree with public summaries. 120 days instead of 30, where an
// industrial process has to be shut down, is an extension that somebody enters.
func DefaultSettings() Settings {
	triggers := func(more map[dewline.ApplianceCategory]float64) map[dewline.ApplianceCategory]float64 {
		t := map[dewline.ApplianceCategory]float64{
			dewline.ComfortCooling: 10, dewline.CommercialRefrigeration: 20, dewline.IndustrialProcess: 30, dewline.OtherAppliance: 10,
		}
		for category, percent := range more {
			t[category] = percent
		}
		return t
	}
	return Settings{
		Method: dewline.Annualizing,
		OzoneRule: Rule{
			Name: "40 CFR 82.157", From: "2019-01-01", MinCharge: si.FromPounds(50),
			Triggers:   triggers(map[dewline.ApplianceCategory]float64{dewline.ResidentialLightCommercial: 10}), // it knows no such exception
			RepairDays: 30, FollowUpDays: 10, RetrofitDays: 365, Quarterly: si.FromPounds(500), Chronic: 125,
		},
		HFCRule: Rule{
			Name: "40 CFR 84.106", From: "2026-01-01", MinCharge: si.FromPounds(15), AboveGWP: 53, Triggers: triggers(nil),
			RepairDays: 30, FollowUpDays: 10, RetrofitDays: 365, Quarterly: si.FromPounds(500), Chronic: 125,
		},
		// Class I and II substances of 40 CFR 82 subpart A, appendices A and B, and the blends with
		// them in ASHRAE 34; from memory.
		Ozone: strings.Fields("R-11 R-12 R-13 R-13B1 R-113 R-114 R-115 R-21 R-22 R-123 R-124 R-141b R-142b R-500 R-501 R-502 R-503 R-504 " +
			"R-505 R-506 R-509A R-401A R-401B R-401C R-402A R-402B R-403A R-403B R-405A R-406A R-408A R-409A R-409B R-411A R-411B R-412A " +
			"R-414A R-414B R-415A R-415B R-416A R-418A R-420A"),
	}
}

// Validate returns an error that says which setting makes no sense.
func (s Settings) Validate() error {
	for site, m := range s.Sites {
		if err := validMethod(m); err != nil {
			return fmt.Errorf("refrigerant: sites: %s: %w", site, err)
		}
	}
	if err := validMethod(s.Method); err != nil {
		return fmt.Errorf("refrigerant: %w", err)
	}
	for key, r := range map[string]Rule{"ozone_rule": s.OzoneRule, "hfc_rule": s.HFCRule} {
		if err := r.validate(); err != nil {
			return fmt.Errorf("refrigerant: %s: %w", key, err)
		}
	}
	return nil
}

func validMethod(m dewline.LeakMethod) error {
	if m != dewline.Annualizing && m != dewline.Rolling {
		return fmt.Errorf("method %q: it is %s or %s", m, dewline.Annualizing, dewline.Rolling)
	}
	return nil
}

func (r Rule) validate() error {
	switch {
	case !r.From.Valid():
		return fmt.Errorf("from %q is no day such as 2026-01-01", r.From)
	case !(r.MinCharge >= 0) || !(r.AboveGWP >= 0) || !(r.Quarterly >= 0) || !(r.Chronic >= 0):
		return fmt.Errorf("no amount may be negative")
	case min(r.RepairDays, r.FollowUpDays, r.RetrofitDays) < 1:
		return fmt.Errorf("repair_days, follow_up_days and retrofit_days count from 1")
	}
	for category, percent := range r.Triggers {
		if !slices.Contains(dewline.ApplianceCategories(), category) || !(percent > 0) {
			return fmt.Errorf("triggers: %s: %g: a category is one of %v and its trigger above 0 %%", category, percent, dewline.ApplianceCategories())
		}
	}
	return nil
}

// method returns the facility's.
func (s Settings) method(site string) dewline.LeakMethod {
	if m, ok := s.Sites[site]; ok {
		return m
	}
	return s.Method
}

// standing says whether r concerns an appliance, and why.
func (r Rule) standing(category dewline.ApplianceCategory, charge si.Kilogram) dewline.RuleStanding {
	s := dewline.RuleStanding{Rule: r.Name}
	trigger, in := r.Triggers[category]
	switch {
	case !in:
		s.Why = "it leaves out " + words(category)
	case charge == 0:
		s.Why = "the full charge is not known: enter it with how it was determined"
	case charge < r.MinCharge-1e-9:
		s.Why = fmt.Sprintf("the full charge of %s is below %s", kg(charge), kg(r.MinCharge))
	default:
		s.Applies, s.Trigger = true, &trigger
		s.Why = fmt.Sprintf("%s with a full charge of %s or more", words(category), kg(r.MinCharge))
	}
	return s
}

func words[T ~string](name T) string { return strings.ReplaceAll(string(name), "_", " ") }

func kg(m si.Kilogram) string {
	return fmt.Sprintf("%s (%s)", si.SI.Mass(m, 2), si.US.Mass(m, 1))
}
