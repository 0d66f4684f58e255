package dewline

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// NotKnown stands where a number would, and is explained beside it.
const NotKnown = "not known"

var standingWords = map[Standing]Phrase{
	NeedsToday: "needs a visit today", NeedsSoon: "needs a visit this week", StandSilent: "silent", DataDoubt: "data doubtful",
	UnderRepair: "under repair", BeingProved: "being proved", Drifting: "drifting", StandProved: "proved", Learning: "learning", StandWell: "well",
}

// Words returns what people read.
func (s Standing) Words(t Tongue) string {
	if text, known := standingWords[s]; known {
		return text.Said(t)
	}
	return strings.ReplaceAll(string(s), "_", " ")
}

// severalStand is what people read of more than one machine, where that is another word.
var severalStand = map[Standing]Phrase{NeedsToday: "need a visit today", NeedsSoon: "need a visit this week"}

// Standings returns every standing, the one that matters most first.
func Standings() []Standing {
	return []Standing{NeedsToday, NeedsSoon, StandSilent, DataDoubt, UnderRepair, BeingProved, Drifting, StandProved, Learning, StandWell}
}

// energyWords writes kWh with no more digits than an estimate has.
func energyWords(kWh float64) string {
	if kWh < 10 {
		return strconv.FormatFloat(math.Round(kWh*10)/10, 'f', -1, 64)
	}
	return strconv.FormatFloat(kWh, 'f', 0, 64)
}

// Words returns the energy, or that it is not known.
func (e OwnerEnergy) Words(t Tongue) string {
	if e.KWh == nil {
		return t.Say(NotKnown)
	}
	return energyWords(*e.KWh)
}

// Words returns what faults cost as an interval of kWh, that it is not known, or "" where no fault was.
func (x OwnerExcess) Words(t Tongue) string {
	switch {
	case x.LowKWh != nil && x.HighKWh != nil && *x.HighKWh == 0:
		return "0"
	case x.LowKWh != nil && x.HighKWh != nil:
		return t.Say("{1} to {2}", energyWords(*x.LowKWh), energyWords(*x.HighKWh))
	case x.Missing != "":
		return t.Say(NotKnown)
	}
	return ""
}

// Words returns the run hours and the starts.
func (u OwnerUse) Words(t Tongue) (run, starts string) {
	if u.RunHours == nil || u.Starts == nil {
		return t.Say(NotKnown), t.Say(NotKnown)
	}
	return strconv.FormatFloat(*u.RunHours, 'f', 0, 64), strconv.Itoa(*u.Starts)
}

// reasons say of each figure that needs it how it is known or why it is not, without saying the same
// twice.
func (m OwnerMachine) reasons(t Tongue) (list []string) {
	said := map[string]bool{}
	say := func(what Phrase, text string) {
		if text != "" && !said[text] {
			said[text] = true
			list = append(list, what.Said(t)+": "+text)
		}
	}
	say(Phrase("Run hours"), t.Say(m.Use.Missing))
	if gap := m.Use.SpanHours - m.Use.HeardHours; m.Use.Missing == "" && gap >= 1 {
		say(Phrase("Run hours"), t.Say("of {1} h nothing was heard", fmt.Sprintf("%.0f", gap)))
	}
	say(Phrase("Energy"), t.Say(m.Energy.Missing))
	if m.Energy.Missing == "" && m.Energy.By != "measured" {
		say(Phrase("Energy"), t.Say(m.Energy.By))
	}
	switch {
	case m.Excess.Missing != "":
		say(Phrase("Faults"), t.Say(m.Excess.Missing))
	case m.Excess.Hours > 0:
		var faults []string
		for _, f := range m.Excess.Faults {
			if f != NoFault {
				faults = append(faults, t.Say(f.ForOwner()))
			}
		}
		say(Phrase("Faults"), t.Say("{1}, {2} h of running", strings.Join(faults, " "+t.Say("or")+" "), fmt.Sprintf("%.0f", m.Excess.Hours)))
	}
	return list
}

// sharedBy is from how many machines on a reason is said once for all of them.
const sharedBy = 3

// Why says of each figure that needs it how it is known or why it is not: of a machine, or once for all
// that share it.
func (m OwnerMonth) Why(t Tongue) (of map[SystemID]string, shared []string) {
	count, said := map[string]int{}, map[string]bool{}
	each := func(f func(id SystemID, reason string)) {
		for _, s := range m.Sites {
			for _, x := range s.Machines {
				for _, r := range x.reasons(t) {
					f(x.System, r)
				}
			}
		}
	}
	each(func(_ SystemID, r string) { count[r]++ })
	of = map[SystemID]string{}
	each(func(id SystemID, r string) {
		switch {
		case count[r] < sharedBy:
			of[id] = strings.TrimPrefix(of[id]+" "+r+".", " ")
		case !said[r]:
			said[r] = true
			shared = append(shared, t.Say("{1}, at {2} machines.", r, count[r]))
		}
	})
	return of, shared
}

// Summary says in sentences what the month comes to.
func (m OwnerMonth) Summary(t Tongue) []string {
	count := map[Standing]int{}
	for _, s := range m.Sites {
		for _, x := range s.Machines {
			count[x.Standing]++
		}
	}
	var stand []string
	for _, s := range Standings() {
		if count[s] > 0 {
			words := s.Words(t)
			if several, ok := severalStand[s]; ok && count[s] > 1 {
				words = several.Said(t)
			}
			stand = append(stand, fmt.Sprintf("%d %s", count[s], words))
		}
	}
	n := m.Total.Machines
	list := []string{t.SayN(n, "1 machine: {2}.", "{1} machines: {2}.", n, strings.Join(stand, ", "))}
	if n == 0 {
		list[0] = t.Say("No machine is enrolled.")
	}
	list = append(list, m.worked(t), m.Total.took(t))
	if text := m.Total.lost(t); text != "" {
		list = append(list, text)
	}
	return list
}

func (m OwnerMonth) worked(t Tongue) string {
	n := len(m.Works)
	if n == 0 {
		return t.Say("No visit was finished.")
	}
	proved, failed := 0, 0
	for _, w := range m.Works {
		switch w.Verdict {
		case Verified:
			proved++
		case NotVerified:
			failed++
		}
	}
	switch {
	case proved+failed == 0:
		return t.SayN(n, "1 visit was finished; readings have not proved or refuted any yet.", "{1} visits were finished; readings have not proved or refuted any yet.", n)
	case failed > 0:
		return t.SayN(n, "1 visit was finished, of which readings prove {2} and do not bear out {3}.", "{1} visits were finished, of which readings prove {2} and do not bear out {3}.", n, proved, failed)
	}
	return t.SayN(n, "1 visit was finished, of which readings prove {2}.", "{1} visits were finished, of which readings prove {2}.", n, proved)
}

func (o OwnerTotal) took(t Tongue) string {
	if o.Measured == 0 {
		return t.Say("What energy they took is not known: no power is measured or stated that it could be reckoned from.")
	}
	text := t.Say("Compressors took {1} kWh", energyWords(o.KWh))
	if o.Cost != nil {
		text = t.Say("{1}, {2} at {3} {4} per kWh", text, o.money(*o.Cost), fmt.Sprintf("%g", o.PerKWh), o.Currency)
	}
	if o.Measured < o.Machines {
		text += t.Say(". That is of {1} of {2} machines; of the others it is not known", o.Measured, o.Machines)
	}
	return text + "."
}

func (o OwnerTotal) lost(t Tongue) string {
	if o.Faulty == 0 {
		return ""
	}
	if o.Faulty == o.Unknown {
		return t.Say("What faults cost of it is not known; why stands beside each machine.")
	}
	text := t.Say("Of that, faults cost {1} to {2} kWh", energyWords(o.LowKWh), energyWords(o.HighKWh))
	if o.ExcessLow != nil && o.ExcessTop != nil {
		text += ", " + t.Say("{1} to {2}", strconv.FormatFloat(*o.ExcessLow, 'f', 2, 64), o.money(*o.ExcessTop))
	}
	if o.Unknown > 0 {
		text += t.SayN(o.Unknown, "; of 1 machine with a fault it is not known", "; of {1} machines with a fault it is not known", o.Unknown)
	}
	return text + "."
}

func (o OwnerTotal) money(v float64) string {
	return strings.TrimSpace(strconv.FormatFloat(v, 'f', 2, 64) + " " + o.Currency)
}

// Words says what readings make of a visit.
func (w OwnerWork) Words(t Tongue) string {
	switch w.Verdict {
	case Verified:
		return t.Say("Proved by readings: {1}.", strings.Join(w.Why, "; "))
	case NotVerified:
		return t.Say("Readings do not bear it out, and the work goes on: {1}.", strings.Join(w.Why, "; "))
	case CannotTell:
		return t.Say("Whether it holds is not told yet: the readings of the days after decide.")
	}
	return t.Say("Nothing was to be proved.")
}

// Words says the leak rate with its method, or why there is none.
func (r OwnerRecord) Words(t Tongue) string {
	if r.Rate == nil {
		return t.Say("no addition is recorded, so there is no leak rate")
	}
	f := r.Rate.Figure(r.Method)
	method := t.Say("{1} method", t.Say(strings.ReplaceAll(string(r.Method), "_", " ")))
	if f.Percent == nil {
		return t.Say("cannot be computed by the {1}: {2}", method, f.Missing)
	}
	text := t.Say("{1} % a year by the {2}, as of {3}", fmt.Sprintf("%.1f", *f.Percent), method, r.Rate.Day)
	if len(r.Rate.Over) > 0 {
		text += t.Say("; above the trigger of {1}", strings.Join(r.Rate.Over, ", "))
	}
	return text
}

// Days returns how long all machines together ran on each day, oldest first.
func (m OwnerMonth) Days() []OwnerDay {
	var all []OwnerDay
	for _, s := range m.Sites {
		for _, x := range s.Machines {
			for _, d := range x.Use.Days {
				i, known := slices.BinarySearchFunc(all, d, func(a, b OwnerDay) int { return cmp.Compare(a.Day, b.Day) })
				if !known {
					all = slices.Insert(all, i, OwnerDay{Day: d.Day})
				}
				all[i].RunHours += d.RunHours
			}
		}
	}
	return all
}

// Sources says once where the published figures of all machines stand.
func (m OwnerMonth) Sources() []string {
	var all []string
	for _, s := range m.Sites {
		for _, x := range s.Machines {
			for _, text := range x.Excess.Sources {
				if !slices.Contains(all, text) {
					all = append(all, text)
				}
			}
		}
	}
	return all
}
