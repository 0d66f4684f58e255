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

var standingWords = map[Standing]string{
	NeedsToday: "needs a visit today", NeedsSoon: "needs a visit this week", StandSilent: "silent", DataDoubt: "data doubtful",
	UnderRepair: "under repair", BeingProved: "being proved", Drifting: "drifting", StandProved: "proved", Learning: "learning", StandWell: "well",
}

// Words returns what people read.
func (s Standing) Words() string {
	if text, known := standingWords[s]; known {
		return text
	}
	return strings.ReplaceAll(string(s), "_", " ")
}

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
func (e OwnerEnergy) Words() string {
	if e.KWh == nil {
		return NotKnown
	}
	return energyWords(*e.KWh)
}

// Words returns what faults cost as an interval of kWh, that it is not known, or "" where no fault was.
func (x OwnerExcess) Words() string {
	switch {
	case x.LowKWh != nil && x.HighKWh != nil && *x.HighKWh == 0:
		return "0"
	case x.LowKWh != nil && x.HighKWh != nil:
		return energyWords(*x.LowKWh) + " to " + energyWords(*x.HighKWh)
	case x.Missing != "":
		return NotKnown
	}
	return ""
}

// Words returns the run hours and the starts.
func (u OwnerUse) Words() (run, starts string) {
	if u.RunHours == nil || u.Starts == nil {
		return NotKnown, NotKnown
	}
	return strconv.FormatFloat(*u.RunHours, 'f', 0, 64), strconv.Itoa(*u.Starts)
}

// reasons say of each figure that needs it how it is known or why it is not, without saying the same
// twice.
func (m OwnerMachine) reasons() (list []string) {
	said := map[string]bool{}
	say := func(what, text string) {
		if text != "" && !said[text] {
			said[text] = true
			list = append(list, what+": "+text)
		}
	}
	say("Run hours", m.Use.Missing)
	if gap := m.Use.SpanHours - m.Use.HeardHours; m.Use.Missing == "" && gap >= 1 {
		say("Run hours", fmt.Sprintf("of %.0f h nothing was heard", gap))
	}
	say("Energy", m.Energy.Missing)
	if m.Energy.Missing == "" && m.Energy.By != "measured" {
		say("Energy", m.Energy.By)
	}
	switch {
	case m.Excess.Missing != "":
		say("Faults", m.Excess.Missing)
	case m.Excess.Hours > 0:
		var faults []string
		for _, f := range m.Excess.Faults {
			if f != NoFault {
				faults = append(faults, f.ForOwner())
			}
		}
		say("Faults", fmt.Sprintf("%s, %.0f h of running", strings.Join(faults, " or "), m.Excess.Hours))
	}
	return list
}

// sharedBy is from how many machines on a reason is said once for all of them.
const sharedBy = 3

// Why says of each figure that needs it how it is known or why it is not: of a machine, or once for all
// that share it.
func (m OwnerMonth) Why() (of map[SystemID]string, shared []string) {
	count, said := map[string]int{}, map[string]bool{}
	each := func(f func(id SystemID, reason string)) {
		for _, s := range m.Sites {
			for _, x := range s.Machines {
				for _, r := range x.reasons() {
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
			shared = append(shared, fmt.Sprintf("%s, at %d machines.", r, count[r]))
		}
	})
	return of, shared
}

// Summary says in sentences what the month comes to.
func (m OwnerMonth) Summary() []string {
	count := map[Standing]int{}
	for _, s := range m.Sites {
		for _, x := range s.Machines {
			count[x.Standing]++
		}
	}
	var stand []string
	for _, s := range Standings() {
		if count[s] > 0 {
			words := s.Words()
			if count[s] > 1 {
				words = strings.Replace(words, "needs", "need", 1)
			}
			stand = append(stand, fmt.Sprintf("%d %s", count[s], words))
		}
	}
	t := m.Total
	list := []string{fmt.Sprintf("%s: %s.", counted(t.Machines, "machine", "machines"), strings.Join(stand, ", "))}
	if t.Machines == 0 {
		list[0] = "No machine is enrolled."
	}
	list = append(list, m.worked(), t.took())
	if text := t.lost(); text != "" {
		list = append(list, text)
	}
	return list
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func (m OwnerMonth) worked() string {
	if len(m.Works) == 0 {
		return "No visit was finished."
	}
	proved, failed := 0, 0
	text := counted(len(m.Works), "visit was finished", "visits were finished")
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
		return text + "; readings have not proved or refuted any yet."
	case failed > 0:
		return text + fmt.Sprintf(", of which readings prove %d and do not bear out %d.", proved, failed)
	}
	return text + fmt.Sprintf(", of which readings prove %d.", proved)
}

func (t OwnerTotal) took() string {
	if t.Measured == 0 {
		return "What energy they took is not known: no power is measured or stated that it could be reckoned from."
	}
	text := fmt.Sprintf("Compressors took %s kWh", energyWords(t.KWh))
	if t.Cost != nil {
		text += ", " + t.money(*t.Cost) + fmt.Sprintf(" at %g %s per kWh", t.PerKWh, t.Currency)
	}
	if t.Measured < t.Machines {
		text += fmt.Sprintf(". That is of %d of %d machines; of the others it is not known", t.Measured, t.Machines)
	}
	return text + "."
}

func (t OwnerTotal) lost() string {
	if t.Faulty == 0 {
		return ""
	}
	if t.Faulty == t.Unknown {
		return "What faults cost of it is not known; why stands beside each machine."
	}
	text := fmt.Sprintf("Of that, faults cost %s to %s kWh", energyWords(t.LowKWh), energyWords(t.HighKWh))
	if t.ExcessLow != nil && t.ExcessTop != nil {
		text += ", " + strconv.FormatFloat(*t.ExcessLow, 'f', 2, 64) + " to " + t.money(*t.ExcessTop)
	}
	if t.Unknown > 0 {
		text += fmt.Sprintf("; of %s with a fault it is not known", counted(t.Unknown, "machine", "machines"))
	}
	return text + "."
}

func (t OwnerTotal) money(v float64) string {
	return strings.TrimSpace(strconv.FormatFloat(v, 'f', 2, 64) + " " + t.Currency)
}

// Words says what readings make of a visit.
func (w OwnerWork) Words() string {
	switch w.Verdict {
	case Verified:
		return "Proved by readings: " + strings.Join(w.Why, "; ") + "."
	case NotVerified:
		return "Readings do not bear it out, and the work goes on: " + strings.Join(w.Why, "; ") + "."
	case CannotTell:
		return "Whether it holds is not told yet: the readings of the days after decide."
	}
	return "Nothing was to be proved."
}

// Words says the leak rate with its method, or why there is none.
func (r OwnerRecord) Words() string {
	if r.Rate == nil {
		return "no addition is recorded, so there is no leak rate"
	}
	f := r.Rate.Figure(r.Method)
	method := strings.ReplaceAll(string(r.Method), "_", " ") + " method"
	if f.Percent == nil {
		return "cannot be computed by the " + method + ": " + f.Missing
	}
	text := fmt.Sprintf("%.1f %% a year by the %s, as of %s", *f.Percent, method, r.Rate.Day)
	if len(r.Rate.Over) > 0 {
		text += "; above the trigger of " + strings.Join(r.Rate.Over, ", ")
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
