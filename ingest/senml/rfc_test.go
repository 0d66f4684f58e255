package senml

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"dewline"
)

func payload(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "payloads", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// resolved is a record with its base fields applied, before Dewline's own rules.
type resolved struct {
	name  string
	unit  string
	at    dewline.Millis
	value any
}

func resolveAll(t *testing.T, pack []byte) []resolved {
	t.Helper()
	d := Decoder{in: Context{System: hallAC}}
	next, err := d.reader(pack)
	if err != nil {
		t.Fatal(err)
	}
	var all []resolved
	for {
		d.rec = record{}
		if err := next(&d); err == errEndOfPack {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		r := resolved{name: string(d.base.name) + string(d.rec.n), at: d.base.time.plus(d.rec.t).millis()}
		switch {
		case d.rec.has.has(fieldV):
			r.unit, r.value = string(d.code()), d.base.value+d.rec.v
		case d.rec.has.has(fieldVB):
			r.value = d.rec.vb
		case d.rec.has.has(fieldVS):
			r.value = string(d.rec.vs)
		}
		all = append(all, r)
	}
}

func check(t *testing.T, name string, want []resolved) {
	t.Helper()
	if got := resolveAll(t, payload(t, name)); !slices.Equal(got, want) {
		t.Errorf("%s:\n got %v\nwant %v", name, got, want)
	}
}

// TestPublishedExamples checks against the examples of RFC 8428, resolved as section 4.6 says.
func TestPublishedExamples(t *testing.T) {
	const device = "urn:dev:ow:10e2073a01080063"
	check(t, "rfc8428-5.1.1.json", []resolved{{device, "Cel", 0, 23.1}})
	check(t, "rfc8428-5.1.2.json", []resolved{{device + ":voltage", "V", 0, 120.1}, {device + ":current", "A", 0, 1.2}})
	check(t, "rfc8428-5.1.5.json", []resolved{
		{device + ":temp", "Cel", 0, 23.1}, {device + ":label", "", 0, "Machine Room"},
		{device + ":open", "", 0, false}, {device + ":nfc-reader", "", 0, nil}})

	// 5.1.2: "at Tue Jun 8 18:01:16.001 UTC 2010 and at each second for the previous 5 seconds";
	// section 6 has the same in CBOR.
	const at dewline.Millis = 1276020076001
	var currents []resolved
	for i, v := range []float64{1.2, 1.3, 1.4, 1.5, 1.6, 1.7} {
		currents = append(currents, resolved{"urn:dev:ow:10e2073a0108006:current", "A", at - 5000 + dewline.Millis(i)*1000, v})
	}
	want := slices.Concat([]resolved{{"urn:dev:ow:10e2073a0108006:voltage", "V", at, 120.1}}, currents)
	check(t, "rfc8428-5.1.2-times.json", want)
	check(t, "rfc8428-6.cbor", want)

	// 5.1.4 is 5.1.3 resolved.
	check(t, "rfc8428-5.1.4.json", resolveAll(t, payload(t, "rfc8428-5.1.3.json")))
	if got := resolveAll(t, payload(t, "rfc8428-5.1.3.json")); len(got) != 13 || got[12] != (resolved{device, "lat", 1320067644000, 60.07967}) {
		t.Errorf("5.1.3: %v", got)
	}
}

// TestTradeUnits checks the units of the trade against NIST SP 811 (2008), appendix B: 1 psi is
// 6.894757e3 Pa, 1 inHg (conventional) 3.386389e3 Pa, t/°C = (t/°F - 32)/1.8.
func TestTradeUnits(t *testing.T) {
	out := decode(payload(t, "trade-units.json"), Context{})
	want := []dewline.Sample{
		{Point: dewline.SuctionPressure, At: 1940000000001, Value: 117.8 * 6.894757e3},
		{Point: dewline.LiquidPressure, At: 1940000000000, Value: 2.41e6},
		{Point: dewline.SuctionTemp, At: 1940000000000, Value: (53.8 - 32) / 1.8},
		{Point: dewline.LiquidTemp, At: 1940000000000, Value: 35.2},
		{Point: dewline.DischargePressure, At: 1940000000000, Value: 712 * 3.386389e3},
		{Point: dewline.CompressorPower, At: 1940000000000, Value: 2871},
		{Point: dewline.ReturnAirRH, At: 1940000000000, Value: 51.25},
		{Point: dewline.CompressorCurrent, At: 1940000000000, Value: 8.7},
	}
	if len(out.Samples) != len(want) || len(out.Refused) != 0 {
		t.Fatalf("%s", show(out))
	}
	for i, w := range want {
		got := out.Samples[i]
		if got.System != hallAC || got.Point != w.Point || got.At != w.At || math.Abs(got.Value/w.Value-1) > 2e-7 {
			t.Errorf("got %v, want %v", got, w)
		}
	}
}

// TestSharedPayloads keeps the fixtures what their README says.
func TestSharedPayloads(t *testing.T) {
	f := func(name string, want string) {
		t.Helper()
		if got := show(decode(payload(t, name), live)); got != want {
			t.Errorf("%s:\n got %s\nwant %s", name, got, want)
		}
	}
	f("refused.json", "door_open 1 @1940000000000; 2:no_unit; 3:wrong_unit; 4:unknown_unit; 5:no_value; 6:not_finite; 7:unknown_point; 8:future; 9:too_old; 10:malformed; 12:malformed")
	f("relative.json", "suction_temp 7 @1939999940000; suction_temp 7.25 @1939999970500; suction_temp 7.5 @1940000000000")
	f("rfc8428-5.1.5.json", "1:unknown_point; 2:unknown_point; 3:unknown_point; 4:no_value")
}
