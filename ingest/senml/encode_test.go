package senml

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"dewline"

	"github.com/fxamacker/cbor/v2"
)

func TestEncoded(t *testing.T) {
	samples := []dewline.Sample{
		{Point: dewline.SuctionPressure, At: received, Value: 812000},
		{Point: dewline.LiquidPressure, At: received, Value: 2410000.5},
		{Point: dewline.SuctionTemp, At: received, Value: 7.2},
		{Point: dewline.SuctionTemp, At: received + 30_050, Value: math.NaN()},
		{Point: dewline.CompressorOn, At: received + 30_050, Value: 1},
		{Point: dewline.OperatingMode, At: received + 60_000, Value: 3},
		{Point: 0, At: received + 60_000, Value: 3},
	}
	events := []dewline.Event{{Kind: dewline.Serviced, At: received + 30_000, Note: `a "belt"`}}
	const want = `[{"bn":"quay-library/hall-ac/","bt":1940000000,"bu":"Pa","n":"suction_pressure","v":812000},{"n":"liquid_pressure","v":2410000.5},` +
		`{"bu":"Cel","n":"suction_temp","v":7.2},{"n":"serviced","t":30,"vs":"a \"belt\""},{"n":"compressor_on","t":30.05,"vb":true},{"n":"mode","t":60,"vs":"defrost"}]`
	if got := string(AppendJSON(nil, "quay-library/hall-ac/", samples, events)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got := string(AppendJSON([]byte("x"), "", nil, nil)); got != "x[]" {
		t.Errorf("nothing: %s", got)
	}
	if got := AppendCBOR(nil, "", nil, nil); !slices.Equal(got, []byte{0x80}) {
		t.Errorf("nothing: %x", got)
	}
}

// randomSamples returns samples of one system in the order of time, of all points, with values as
// sensors give them and values that need every digit.
func randomSamples(r *rand.Rand, n int) (samples []dewline.Sample, events []dewline.Event) {
	at := received
	points := dewline.Points()
	for range n {
		at += dewline.Millis(r.IntN(3) * r.IntN(2000))
		s := dewline.Sample{System: hallAC, Point: points[r.IntN(len(points))], At: at}
		switch s.Point.Dimension() {
		case dewline.EventText:
			note := "suction_temp"
			if s.Point == dewline.Serviced {
				note = string([]rune{rune(r.IntN(0x200)), '"', rune(0x1f600 + r.IntN(9))})
			}
			events = append(events, dewline.Event{System: hallAC, Kind: s.Point, At: at, Note: note})
			continue
		case dewline.Boolean:
			s.Value = float64(r.IntN(2))
		case dewline.ModeValue:
			s.Value = float64(r.IntN(4))
		default:
			s.Value = []float64{float64(r.IntN(1000)), float64(r.IntN(100000)) / 1000, r.NormFloat64(), float64(r.Float32()),
				r.NormFloat64() * 1e30, -r.Float64() * 1e-300, 0x1p53, -0x1p60, math.MaxFloat64}[r.IntN(9)]
		}
		samples = append(samples, s)
	}
	return samples, events
}

func TestRoundTrip(t *testing.T) {
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 0))
		samples, events := randomSamples(r, 1+r.IntN(60))
		for _, base := range []string{"", "quay-library/hall-ac/"} {
			in := Context{Received: received, System: hallAC}
			if base != "" {
				in = Context{}
			}
			asJSON, asCBOR := AppendJSON(nil, base, samples, events), AppendCBOR(nil, base, samples, events)
			if !json.Valid(asJSON) {
				t.Fatalf("seed %d: not JSON: %s", seed, asJSON)
			}
			if err := cbor.Wellformed(asCBOR); err != nil {
				t.Fatalf("seed %d: %v: %x", seed, err, asCBOR)
			}
			for _, p := range [][]byte{asJSON, asCBOR} {
				out := decode(p, in)
				if !slices.Equal(out.Samples, samples) || !slices.Equal(out.Events, events) || len(out.Refused) != 0 {
					t.Fatalf("seed %d: %q\n got %v %v %v\nwant %v %v", seed, p, out.Samples, out.Events, out.Refused, samples, events)
				}
			}
		}
	}
}
