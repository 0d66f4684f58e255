package senml

import (
	"encoding/json"
	"math"
	"testing"

	"dewline"

	"github.com/fxamacker/cbor/v2"
)

const (
	hallAC   dewline.SystemID = "quay-library/hall-ac"
	received dewline.Millis   = 1_940_000_000_000 // 2031-06-23
)

// aPack returns the readings of one system at n times, a minute apart, oldest first.
func aPack(n int) []dewline.Sample {
	var samples []dewline.Sample
	for i := range n {
		at := received - dewline.Millis(n-1-i)*60_000 + 250
		wave := math.Sin(float64(i))
		add := func(p dewline.Point, v float64) {
			samples = append(samples, dewline.Sample{System: hallAC, Point: p, At: at, Value: v})
		}
		add(dewline.SuctionPressure, math.Round(812_000+4_000*wave))
		add(dewline.LiquidPressure, math.Round(2_410_000+9_000*wave))
		add(dewline.SuctionTemp, math.Round(120+8*wave)/10)
		add(dewline.LiquidTemp, math.Round(352+7*wave)/10)
		add(dewline.OutdoorAirTemp, math.Round(311+2*wave)/10)
		add(dewline.ReturnAirTemp, 23.9)
		add(dewline.ReturnAirRH, 51.25)
		add(dewline.CompressorPower, 2871)
		add(dewline.CompressorOn, 1)
		add(dewline.OperatingMode, float64(dewline.ModeCooling))
	}
	return samples
}

// plainRecord is what a general decoder would fill, for comparison.
type plainRecord struct {
	BN   *string  `json:"bn" cbor:"-2,keyasint"`
	BT   *float64 `json:"bt" cbor:"-3,keyasint"`
	BU   *string  `json:"bu" cbor:"-4,keyasint"`
	N    string   `json:"n" cbor:"0,keyasint"`
	U    *string  `json:"u" cbor:"1,keyasint"`
	V    *float64 `json:"v" cbor:"2,keyasint"`
	VS   *string  `json:"vs" cbor:"3,keyasint"`
	VB   *bool    `json:"vb" cbor:"4,keyasint"`
	T    float64  `json:"t" cbor:"6,keyasint"`
	BVer int      `json:"bver" cbor:"-1,keyasint"`
}

func benchmark(b *testing.B, readings int, payload []byte, decode func()) {
	b.SetBytes(int64(len(payload)))
	b.ReportAllocs()
	for b.Loop() {
		decode()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(readings), "ns/reading")
	b.ReportMetric(float64(len(payload))/float64(readings), "B/reading")
}

func benchmarkDecode(b *testing.B, payload []byte, readings int) {
	var d Decoder
	var out Pack
	in := Context{System: hallAC, Received: received}
	benchmark(b, readings, payload, func() {
		out.Reset()
		d.Decode(&out, payload, in)
	})
	if len(out.Samples) != readings || len(out.Refused) != 0 {
		b.Fatalf("%d samples, refused %v", len(out.Samples), out.Refused)
	}
}

func BenchmarkDecodeJSON(b *testing.B) {
	for _, times := range []int{1, 100} {
		s := aPack(times)
		payload := AppendJSON(nil, "", s, nil)
		b.Run(map[int]string{1: "live", 100: "backlog"}[times], func(b *testing.B) { benchmarkDecode(b, payload, len(s)) })
	}
}

func BenchmarkDecodeCBOR(b *testing.B) {
	for _, times := range []int{1, 100} {
		s := aPack(times)
		payload := AppendCBOR(nil, "", s, nil)
		b.Run(map[int]string{1: "live", 100: "backlog"}[times], func(b *testing.B) { benchmarkDecode(b, payload, len(s)) })
	}
}

// BenchmarkPlain is the yardstick: general decoders that only fill structs.
func BenchmarkPlain(b *testing.B) {
	s := aPack(1)
	asJSON, asCBOR := AppendJSON(nil, "", s, nil), AppendCBOR(nil, "", s, nil)
	b.Run("json", func(b *testing.B) {
		benchmark(b, len(s), asJSON, func() {
			var records []plainRecord
			if err := json.Unmarshal(asJSON, &records); err != nil {
				b.Fatal(err)
			}
		})
	})
	b.Run("cbor", func(b *testing.B) {
		s := aPack(1)
		for i := range s {
			s[i].At -= 250 // it does not read decimal fractions into a float64
			s[i].Value = math.Round(s[i].Value)
		}
		asCBOR = AppendCBOR(nil, "", s, nil)
		benchmark(b, len(s), asCBOR, func() {
			var records []plainRecord
			if err := cbor.Unmarshal(asCBOR, &records); err != nil {
				b.Fatal(err)
			}
		})
	})
}

func BenchmarkEncode(b *testing.B) {
	s := aPack(1)
	var dst []byte
	b.Run("json", func(b *testing.B) {
		benchmark(b, len(s), AppendJSON(nil, "", s, nil), func() { dst = AppendJSON(dst[:0], "", s, nil) })
	})
	b.Run("cbor", func(b *testing.B) {
		benchmark(b, len(s), AppendCBOR(nil, "", s, nil), func() { dst = AppendCBOR(dst[:0], "", s, nil) })
	})
}
