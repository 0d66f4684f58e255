package dewline

// DayNote is one line of a system's diary: what analytics believed of it on one UTC day, and why. It
// depends on the event times of readings alone, so a replay writes the same diary. Names of its JSON
// end in their unit where they are quantities; the symptoms name theirs beside each.
type DayNote struct {
	System SystemID `json:"system"`
	Day    Millis   `json:"day_ms"` // when the UTC day began
	Health Health   `json:"health"`

	Runs        int     `json:"runs"`     // starts of the compressor
	RunHours    float64 `json:"run_h"`    // in which it ran
	SteadyHours float64 `json:"steady_h"` // of these, steadily enough to be judged
	Windows     int     `json:"windows"`  // steady windows, each of them one independent look at the machine

	// Frame says what the symptoms are compared with: "absolute", what is published of machines of
	// this kind, or "learned", the machine's own healthy weeks. It is "" on a day without a window.
	Frame    string        `json:"frame,omitempty"`
	Residual []SymptomNote `json:"residual,omitempty"` // always in the same order

	NoFault     float64   `json:"no_fault"`         // probability that nothing is wrong, 0..1
	Causes      []Cause   `json:"causes,omitempty"` // likeliest first
	RiskMinutes float64   `json:"risk_min"`         // of the day, in which the compressor was at risk
	Forecast    *Forecast `json:"forecast,omitempty"`
	Text        []string  `json:"text,omitempty"` // sentences with numbers and units, for people
}

// The frames of reference of a DayNote.
const (
	FrameAbsolute = "absolute"
	FrameLearned  = "learned"
)

// SymptomNote is one symptom of a day beside what a healthy machine would have shown under the same
// conditions: those of the last window; the difference is that of all windows that were judged together.
// Uncertainty is that of the difference, standard (k = 1); Z is the difference over it.
type SymptomNote struct {
	Name        string  `json:"name"`
	Unit        string  `json:"unit"`
	Value       float64 `json:"value"`
	Expected    float64 `json:"expected"`
	Uncertainty float64 `json:"uncertainty"`
	Z           float64 `json:"z"`
}
