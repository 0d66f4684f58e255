package sensor

import (
	"time"

	"dewline"
)

const (
	minute dewline.Millis = 60_000
	hour                  = 60 * minute

	// goodFor is how long data must have been good for a doubt to go away (the contract's 24 h).
	goodFor = 24 * hour
	// goodSpells: and in how many spells that could be judged.
	goodSpells = 3
)

// suspicion is what has been gathered for one kind of doubt about one point.
type suspicion struct {
	Kind      Kind
	Spells    uint8  // with evidence, less those without until it is believed
	Turns     uint8  // starts and stops, or runs, in them
	Good      uint8  // spells without, in a row, after it was believed
	Ran       uint16 // minutes of running in the spells with evidence
	Since     dewline.Millis
	Sure      dewline.Millis
	GoodSince dewline.Millis
	Size      float32
	SizeU     float32
	A, B      float32 // numbers for the words, by kind
}

// add takes a spell of evidence. Of two kinds that are suspected the newer is followed, until one
// is believed.
func (s *suspicion) add(k Kind, since dewline.Millis, turns uint8, ran time.Duration) {
	if s.Kind != k {
		if s.Sure != 0 {
			return
		}
		*s = suspicion{Kind: k, Since: since}
	}
	s.Spells = sat8(s.Spells, 1)
	s.Turns = sat8(s.Turns, turns)
	s.Ran = uint16(min(int(s.Ran)+int(ran.Minutes()), 1<<16-1))
	s.Good = 0
}

// note keeps the size and the numbers of the evidence, each as a mean over the last spells.
func (s *suspicion) note(k Kind, size, sizeU, a, b float64) {
	if s.Kind != k {
		return
	}
	weight := 1 / float32(min(max(s.Spells, 1), 6))
	s.Size += weight * (float32(size) - s.Size)
	s.SizeU += weight * (float32(sizeU) - s.SizeU)
	s.A += weight * (float32(a) - s.A)
	s.B += weight * (float32(b) - s.B)
}

// good takes a spell, begun at from and over at to, in which this kind could be judged and was not seen.
func (s *suspicion) good(k Kind, from, to dewline.Millis) {
	if s.Kind != k {
		return
	}
	if s.Sure == 0 {
		if s.Spells--; s.Spells == 0 {
			*s = suspicion{}
		}
		return
	}
	if s.Good == 0 {
		s.GoodSince = from
	}
	s.Good = sat8(s.Good, 1)
	if s.Good >= goodSpells && to-s.GoodSince >= goodFor {
		*s = suspicion{}
	}
}

// believe makes a suspicion of this kind sure if there is enough for it.
func (s *suspicion) believe(k Kind, at dewline.Millis, enough bool) {
	if s.Kind == k && s.Sure == 0 && enough {
		s.Sure = at
	}
}

// runs says whether the evidence comes from three runs and two hours of running, or from a run so long
// that there were none to count.
func (s *suspicion) runs() bool {
	return s.Spells >= 3 && s.Turns >= 3 && s.Ran >= 120 || s.Spells >= 3 && s.Ran >= 360
}

func sat8(v, more uint8) uint8 {
	if int(v)+int(more) > 255 {
		return 255
	}
	return v + more
}
