package simfleet

import (
	"dewline"
	"dewline/thermo/plant"
)

// Truth is one thing that is wrong with a system, in the contract's words.
type Truth struct {
	System     dewline.SystemID `json:"system"`
	Fault      string           `json:"fault"`
	Detail     string           `json:"detail,omitempty"`
	Severity   float64          `json:"severity"`
	Onset      dewline.Millis   `json:"onset_ms"`
	Detectable dewline.Millis   `json:"detectable_ms,omitempty"` // from then on it moves the readings by more than good sensors' doubt
	Harmful    dewline.Millis   `json:"harmful_ms,omitempty"`    // from then on it wears the machine, or a tenth of its capacity is gone
	Repaired   dewline.Millis   `json:"repaired_ms,omitempty"`
	Note       string           `json:"note,omitempty"`
}

// judge finds when a course is first detectable and when harmful, by solving the machine at its
// rating day by day against the healthy machine.
func judge(m *plant.Machine, c plant.Course, others []plant.Course, end float64) (detectable, harmful float64) {
	at := func(t float64) (plant.Steady, error) {
		cond := m.Rating()
		if t > 0 {
			c.Add(&cond.Faults, t)
			for _, o := range others {
				o.Add(&cond.Faults, t)
			}
		}
		return m.Solve(cond)
	}
	if c.Fault == plant.BulbLoose { // it hunts from the start, and steady states do not show that
		detectable = c.From
	}
	healthy, err := at(0)
	if err != nil {
		return 0, 0
	}
	stop := end
	if c.Until > 0 {
		stop = min(stop, c.Until)
	}
	for t := max(c.From, 0) + 60; t < stop; t += 86400 {
		s, err := at(t)
		if err != nil {
			if detectable == 0 {
				detectable = t
			}
			return detectable, t
		}
		moved := max(abs(s.SuperheatK-healthy.SuperheatK), abs(s.SubcoolingK-healthy.SubcoolingK), abs(s.CondensingK-healthy.CondensingK))
		if detectable == 0 && moved > 2 {
			detectable = t
		}
		if s.SuctionQuality < 0.999 || s.EvaporatorW < 0.9*healthy.EvaporatorW || s.CondensingK > healthy.CondensingK+8 || s.DischargeK > 388 {
			if detectable == 0 {
				detectable = t
			}
			return detectable, t
		}
	}
	return detectable, 0
}

func abs(v float64) float64 { return max(v, -v) }
