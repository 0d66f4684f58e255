package analytics

import (
	"time"

	"dewline"
	"dewline/analytics/cycle"
)

// rolled are the features of which rolling statistics over steady running are kept.
var rolled = [...]cycle.Feature{cycle.Superheat, cycle.Subcooling}

// rolling keeps sums over slots of event time: minutes for the last ten, half hours for a day.
type rolling struct {
	Minutes [10]slot
	Halves  [48]slot
}

// slot sums up steady readings of one stretch of event time.
type slot struct {
	Number int64 // of the stretch since 1970, so that an old one is told from a new one
	Part   [len(rolled)]sum
}

type sum struct {
	N             int32
	Sum, Min, Max float32
}

func (s *sum) add(v float64) {
	f := float32(v)
	if s.N == 0 {
		s.Min, s.Max = f, f
	}
	s.N++
	s.Sum += f
	s.Min, s.Max = min(s.Min, f), max(s.Max, f)
}

func (r *rolling) add(at dewline.Millis, f *cycle.Features) {
	addTo(r.Minutes[:], int64(at)/60_000, f)
	addTo(r.Halves[:], int64(at)/1_800_000, f)
}

func addTo(slots []slot, number int64, f *cycle.Features) {
	s := &slots[number%int64(len(slots))]
	if s.Number != number {
		*s = slot{Number: number}
	}
	for i, k := range rolled {
		if f.OK(k) {
			s.Part[i].add(f.Value[k])
		}
	}
}

// over sums up the span that ends at at; spans up to ten minutes have the resolution of a minute.
func (r *rolling) over(at dewline.Millis, span time.Duration) map[dewline.Derived]dewline.Summary {
	slots, unit := r.Halves[:], int64(1_800_000)
	if span <= 10*time.Minute {
		slots, unit = r.Minutes[:], 60_000
	}
	last := int64(at) / unit
	first := last - span.Milliseconds()/unit + 1
	names := dewline.DerivedValues()
	out := map[dewline.Derived]dewline.Summary{}
	for i, k := range rolled {
		var total float64
		var s dewline.Summary
		for j := range slots {
			p := &slots[j].Part[i]
			if n := slots[j].Number; n < first || n > last || p.N == 0 {
				continue
			}
			if s.Count == 0 {
				s.Min, s.Max = float64(p.Min), float64(p.Max)
			}
			s.Count += int(p.N)
			total += float64(p.Sum)
			s.Min, s.Max = min(s.Min, float64(p.Min)), max(s.Max, float64(p.Max))
		}
		if s.Count > 0 {
			s.Mean = total / float64(s.Count)
			out[names[k]] = s
		}
	}
	return out
}
