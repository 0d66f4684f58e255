package dewline

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// alertJSON is an Alert as the contract writes it.
type alertJSON struct {
	ID         string        `json:"id"`
	Site       string        `json:"site"`
	System     *SystemID     `json:"system"`
	Systems    []SystemID    `json:"systems"`
	Condition  Condition     `json:"condition"`
	Conditions []Condition   `json:"conditions"`
	Severity   Severity      `json:"severity"`
	State      AlertState    `json:"state"`
	Onset      Stamp         `json:"onset"`
	Detected   Stamp         `json:"detected"`
	Cleared    *Stamp        `json:"cleared"`
	Follows    *string       `json:"follows"`
	Causes     []causeJSON   `json:"causes"`
	Forecast   *forecastJSON `json:"forecast"`
}

type causeJSON struct {
	Fault       Fault    `json:"fault"`
	Detail      string   `json:"detail,omitempty"`
	Probability decimal2 `json:"probability"`
}

type forecastJSON struct {
	Limit    string   `json:"limit"`
	Quantity string   `json:"quantity"`
	Value    float64  `json:"value"`
	Unit     string   `json:"unit"`
	At       Stamp    `json:"at"`
	DaysP10  decimal1 `json:"days_p10"`
	DaysP50  decimal1 `json:"days_p50"`
	DaysP90  decimal1 `json:"days_p90"`
}

// MarshalJSON writes the alert as the contract does: times in RFC 3339 and UTC, probabilities with
// two decimals that still sum to 1, days with one.
func (a Alert) MarshalJSON() ([]byte, error) {
	j := alertJSON{
		ID: a.ID, Site: a.Site, System: orNull(a.System), Systems: a.Systems,
		Condition: a.Condition, Conditions: a.Conditions, Severity: a.Severity, State: a.State,
		Onset: Stamp(a.Onset), Detected: Stamp(a.Detected), Cleared: orNull(Stamp(a.Cleared)), Follows: orNull(a.Follows),
		Causes: make([]causeJSON, len(a.Causes)),
	}
	if j.Systems == nil {
		j.Systems = []SystemID{}
	}
	if j.Conditions == nil {
		j.Conditions = []Condition{}
	}
	for i, hundredths := range roundedCauses(a.Causes) {
		j.Causes[i] = causeJSON{a.Causes[i].Fault, a.Causes[i].Detail, decimal2(float64(hundredths) / 100)}
	}
	if f := a.Forecast; f != nil {
		j.Forecast = &forecastJSON{f.Limit, f.Quantity, f.Value, f.Unit, Stamp(f.At),
			decimal1(f.DaysP10), decimal1(f.DaysP50), decimal1(f.DaysP90)}
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (a *Alert) UnmarshalJSON(text []byte) error {
	var j alertJSON
	if err := json.Unmarshal(text, &j); err != nil {
		return err
	}
	*a = Alert{
		ID: j.ID, Site: j.Site, System: orZero(j.System), Systems: j.Systems,
		Condition: j.Condition, Conditions: j.Conditions, Severity: j.Severity, State: j.State,
		Onset: Millis(j.Onset), Detected: Millis(j.Detected), Cleared: Millis(orZero(j.Cleared)), Follows: orZero(j.Follows),
	}
	for _, c := range j.Causes {
		a.Causes = append(a.Causes, Cause{c.Fault, c.Detail, float64(c.Probability)})
	}
	if f := j.Forecast; f != nil {
		a.Forecast = &Forecast{f.Limit, f.Quantity, f.Value, f.Unit, Millis(f.At),
			float64(f.DaysP10), float64(f.DaysP50), float64(f.DaysP90)}
	}
	return nil
}

// roundedCauses returns the probabilities in hundredths. Where they sum to 1 the rounded ones do
// too: each is rounded down, and the hundredths that are missing go to those that lost most
// (the method of largest remainders; of equal ones the first).
func roundedCauses(causes []Cause) []int {
	hundredths := make([]int, len(causes))
	lost := make([]float64, len(causes))
	order := make([]int, len(causes))
	sum, total := 0.0, 0
	for i, c := range causes {
		// A probability that has two decimals must keep them: 0.29*100 is 28.999999999999996.
		exact := math.Round(c.Probability*1e8) / 1e6
		hundredths[i] = int(exact)
		lost[i] = exact - float64(hundredths[i])
		order[i] = i
		sum += exact
		total += hundredths[i]
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(lost[j], lost[i]) })
	for _, i := range order[:min(len(order), max(0, int(math.Round(sum))-total))] {
		hundredths[i]++
	}
	return hundredths
}

// decimal1 and decimal2 are numbers that are written with one and two decimals.
type (
	decimal1 float64
	decimal2 float64
)

func (d decimal1) MarshalJSON() ([]byte, error) { return fixed(float64(d), 1) }
func (d decimal2) MarshalJSON() ([]byte, error) { return fixed(float64(d), 2) }

func fixed(v float64, decimals int) ([]byte, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil, fmt.Errorf("%v cannot be written as JSON", v)
	}
	if v == 0 {
		v = 0 // not -0
	}
	return strconv.AppendFloat(nil, v, 'f', decimals, 64), nil
}

// orNull returns nil, JSON's null, for a zero value.
func orNull[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

func orZero[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}
