package dewline

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"
)

func millis(t *testing.T, text string) Millis {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		t.Fatal(err)
	}
	return MillisOf(at)
}

// contractAlert is the example in section 3 of the contract.
func contractAlert(t *testing.T) Alert {
	return Alert{
		ID: "...", Site: "quay-library", System: "quay-library/hall-ac", Systems: []SystemID{"quay-library/hall-ac"},
		Condition: Flooding, Conditions: []Condition{Flooding, HighHead}, Severity: Urgent, State: AlertOpen,
		Onset: millis(t, "2031-07-02T14:10:00Z"), Detected: millis(t, "2031-07-02T15:02:00Z"),
		Causes: []Cause{{Overfeed, "orifice_too_large", 0.72}, {Overcharge, "", 0.21}, {NoFault, "", 0.07}},
		Forecast: &Forecast{Limit: "superheat below 2.8 K", Quantity: "superheat", Value: 2.8, Unit: "K",
			At: millis(t, "2031-07-02T15:02:00Z"), DaysP10: 1, DaysP50: 3.5, DaysP90: 9},
	}
}

const contractAlertJSON = `{"id":"...","site":"quay-library","system":"quay-library/hall-ac","systems":["quay-library/hall-ac"],` +
	`"condition":"flooding","conditions":["flooding","high_head"],"severity":"urgent","state":"open",` +
	`"onset":"2031-07-02T14:10:00Z","detected":"2031-07-02T15:02:00Z","cleared":null,"follows":null,` +
	`"causes":[{"fault":"overfeed","detail":"orifice_too_large","probability":0.72},{"fault":"overcharge","probability":0.21},{"fault":"none","probability":0.07}],` +
	`"forecast":{"limit":"superheat below 2.8 K","quantity":"superheat","value":2.8,"unit":"K","at":"2031-07-02T15:02:00Z","days_p10":1.0,"days_p50":3.5,"days_p90":9.0}}`

func TestAlertIsWrittenAsInTheContract(t *testing.T) {
	got, err := json.Marshal(contractAlert(t))
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != contractAlertJSON {
		t.Errorf("got  %s\nwant %s", got, contractAlertJSON)
	}
}

func TestAlertOfASiteIsWrittenAsInTheContract(t *testing.T) {
	a := Alert{
		ID: "x", Site: "quay-library", Systems: []SystemID{"quay-library/a", "quay-library/b"},
		Condition: Silent, Conditions: []Condition{Silent}, Severity: Soon, State: AlertResolved,
		Onset: 1_000, Detected: 1_801_000, Cleared: 3_601_250, Follows: "y",
		Causes: []Cause{{Fault: Communication, Probability: 1}},
	}
	want := `{"id":"x","site":"quay-library","system":null,"systems":["quay-library/a","quay-library/b"],` +
		`"condition":"silent","conditions":["silent"],"severity":"soon","state":"resolved",` +
		`"onset":"1970-01-01T00:00:01Z","detected":"1970-01-01T00:30:01Z","cleared":"1970-01-01T01:00:01.25Z","follows":"y",` +
		`"causes":[{"fault":"communication","probability":1.00}],"forecast":null}`
	got, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestAlertJSONRoundTrip(t *testing.T) {
	site := contractAlert(t)
	site.System, site.Cleared, site.Follows, site.Forecast = "", site.Detected+1, "z", nil
	for _, a := range []Alert{contractAlert(t), site} {
		text, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		var back Alert
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(a, back) {
			t.Errorf("got %+v, want %+v", back, a)
		}
	}
}

func TestProbabilitiesStillSumToOne(t *testing.T) {
	text := func(probabilities ...float64) string {
		a := Alert{Site: "s"}
		for _, p := range probabilities {
			a.Causes = append(a.Causes, Cause{NoFault, "", p})
		}
		var back struct {
			Causes []struct{ Probability json.Number }
		}
		b, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, c := range back.Causes {
			out = append(out, c.Probability.String())
		}
		return strings.Join(out, " ")
	}
	for _, c := range []struct {
		in   []float64
		want string
	}{
		{[]float64{1. / 3, 1. / 3, 1. / 3}, "0.34 0.33 0.33"},
		{[]float64{0.125, 0.125, 0.75}, "0.13 0.12 0.75"},
		{[]float64{0.29, 0.57, 0.14}, "0.29 0.57 0.14"},
		{[]float64{0.999, 0.001}, "1.00 0.00"},
		{[]float64{1}, "1.00"},
		{nil, ""},
	} {
		if got := text(c.in...); got != c.want {
			t.Errorf("%v is written %s, want %s", c.in, got, c.want)
		}
	}

	rng := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		var p []float64
		sum := 0.0
		for range 1 + rng.IntN(12) {
			v := rng.ExpFloat64()
			p, sum = append(p, v), sum+v
		}
		var causes []Cause
		for i := range p {
			causes = append(causes, Cause{Probability: p[i] / sum})
		}
		total := 0
		for i, h := range roundedCauses(causes) {
			total += h
			if math.Abs(float64(h)/100-causes[i].Probability) >= 0.01 {
				t.Fatalf("%v became %d hundredths", causes[i].Probability, h)
			}
		}
		if total != 100 {
			t.Fatalf("%v sum to %d hundredths", causes, total)
		}
	}
}

func TestAlertIDIsMadeOfItsParts(t *testing.T) {
	// Changing how ids are made would make every stored alert a stranger to its next replay.
	if got, want := AlertID("quay-library/hall-ac", Overfeed, 1940854200000), "5yzhtqpxcr8smm7q"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	seen := map[string]string{}
	for _, system := range []SystemID{"a/b", "a", "a/bc"} {
		for _, cause := range []Fault{Overfeed, Overcharge} {
			for _, onset := range []Millis{0, 1, 12} {
				id, parts := AlertID(system, cause, onset), fmt.Sprint(system, cause, onset)
				if other, ok := seen[id]; ok {
					t.Errorf("%s and %s are both %s", parts, other, id)
				}
				seen[id] = parts
				if strings.Trim(id, "0123456789abcdefghjkmnpqrstvwxyz") != "" {
					t.Errorf("%s does not fit into an address", id)
				}
			}
		}
	}
}

func TestAlertValidate(t *testing.T) {
	if err := contractAlert(t).Validate(); err != nil {
		t.Fatalf("the contract's example: %v", err)
	}
	for name, spoil := range map[string]func(*Alert){
		"no id":               func(a *Alert) { a.ID = "" },
		"bad site":            func(a *Alert) { a.Site = "Quay" },
		"other site":          func(a *Alert) { a.System = "elsewhere/hall-ac" },
		"no systems":          func(a *Alert) { a.Systems = nil },
		"other systems":       func(a *Alert) { a.Systems = []SystemID{"quay-library/other"} },
		"condition not there": func(a *Alert) { a.Condition = Silent },
		"no severity":         func(a *Alert) { a.Severity = "" },
		"no state":            func(a *Alert) { a.State = "" },
		"detected early":      func(a *Alert) { a.Detected = a.Onset - 1 },
		"cleared early":       func(a *Alert) { a.Cleared = a.Onset - 1 },
		"causes":              func(a *Alert) { a.Causes = a.Causes[1:] },
		"forecast":            func(a *Alert) { a.Forecast = &Forecast{DaysP90: math.Inf(1)} },
		"probability":         func(a *Alert) { a.Causes = []Cause{{Overfeed, "", math.NaN()}} },
	} {
		a := contractAlert(t)
		spoil(&a)
		if err := a.Validate(); CodeOf(err) != Invalid {
			t.Errorf("%s: got %v, want an error with code %s", name, err, Invalid)
		}
	}
}

func TestGatewayID(t *testing.T) {
	id := NewGatewayID("quay-library", "hall-gw")
	if id != "quay-library/hall-gw" || id.Site() != "quay-library" || id.Gateway() != "hall-gw" || !id.Valid() {
		t.Errorf("got %q of site %q, gateway %q", id, id.Site(), id.Gateway())
	}
	for _, bad := range []GatewayID{"", "a", "a/", "/b", "a/b/c", "A/b", "a/b ", "a/*"} {
		if bad.Valid() {
			t.Errorf("%q is valid", bad)
		}
	}
}
