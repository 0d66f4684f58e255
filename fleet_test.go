package dewline_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"dewline"
	"dewline/thermo/si"
)

// facts knows a few refrigerants as ASHRAE Standard 34 designates them.
type facts struct{}

func (facts) Designation(name string) (string, error) {
	for _, known := range []string{"R-22", "R-290", "R-404A", "R-410A", "R-454B", "R-744"} {
		if strings.EqualFold(strings.ReplaceAll(known, "-", ""), strings.ReplaceAll(name, "-", "")) {
			return known, nil
		}
	}
	if name == "propane" {
		return "R-290", nil
	}
	return "", fmt.Errorf("unknown refrigerant %q, did you mean R-410A?", name)
}

func harbour(t testing.TB) *dewline.Fleet {
	t.Helper()
	data, err := os.ReadFile("testdata/fleet/harbour.yaml")
	if err != nil {
		t.Fatal(err)
	}
	f, err := dewline.ReadFleet("harbour.yaml", data, facts{})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func system(t testing.TB, f *dewline.Fleet, id dewline.SystemID) *dewline.System {
	t.Helper()
	s, ok := f.System(id)
	if !ok {
		t.Fatalf("no system %s", id)
	}
	return s
}

func TestReadFleet(t *testing.T) {
	f := harbour(t)

	var order []string
	for _, s := range f.Systems() {
		order = append(order, string(s.ID))
	}
	want := []string{"quay-library/hall-ac", "quay-library/archive-ac", "quay-library/roof-north", "quay-library/roof-north-b",
		"cold-store/landing-cooler", "cold-store/blast-freezer", "cold-store/shop-case", "hill-clinic/ward-heat-pump"}
	if !slices.Equal(order, want) {
		t.Errorf("systems in the order %v, want that of the file: %v", order, want)
	}

	// Conversion factors are exact: NIST SP 811 (2008), appendix B.8: lb 0.45359237 kg,
	// ft 0.3048 m, Btu(IT) 1055.05585262 J, psi 6894.757 Pa (rounded).
	hall := system(t, f, "quay-library/hall-ac")
	archive := system(t, f, "quay-library/archive-ac")
	roof := system(t, f, "quay-library/roof-north")
	cooler := system(t, f, "cold-store/landing-cooler")
	freezer := system(t, f, "cold-store/blast-freezer")
	shop := system(t, f, "cold-store/shop-case")
	clinic, _ := f.Site("hill-clinic")
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"hall capacity, W", float64(hall.Capacity), 10_500},
		{"hall orifice, m", float64(hall.Orifice), 0.00165},
		{"archive capacity, W", float64(archive.Capacity), 24_000 * 1055.05585262 / 3600},
		{"archive charge, kg", float64(archive.Charge), 4.2 * 0.45359237},
		{"roof capacity, W", float64(roof.Capacity), 60_000 * 1055.05585262 / 3600},
		{"roof target superheat, K: a difference, without offset", float64(roof.TargetSuperheat), 12 * 5.0 / 9},
		{"roof discharge clamp, K", roof.Fitting(dewline.DischargeTemp).StatedAccuracy, 2 * 5.0 / 9},
		{"roof suction pressure, Pa", roof.Fitting(dewline.SuctionPressure).StatedAccuracy, 1.2 * 6894.757293168},
		{"cooler space limit, K: a temperature, with offset", float64(cooler.SpaceLimit), 278.15},
		{"freezer space limit, K", float64(freezer.SpaceLimit), 245.15},
		{"shop charge, kg", float64(shop.Charge), 0.148},
		{"clinic altitude, m", float64(clinic.Altitude), 381},
		{"cooler current, A", cooler.Fitting(dewline.CompressorCurrent).StatedAccuracy, 0.2},
	} {
		if math.Abs(c.got-c.want) > 1e-9*math.Abs(c.want) {
			t.Errorf("%s = %v, want %v", c.what, c.got, c.want)
		}
	}

	if shop.Refrigerant != "R-290" {
		t.Errorf("propane is %s, want its designation R-290", shop.Refrigerant)
	}
	if clinic.Timezone.String() != "Europe/Lisbon" {
		t.Errorf("timezone %v", clinic.Timezone)
	}
	if want := time.Date(2019, 5, 2, 0, 0, 0, 0, time.UTC); hall.Installed != want {
		t.Errorf("installed %v, want %v", hall.Installed, want)
	}
	if !cooler.Receiver || !cooler.SuctionAccumulator || !cooler.HeadControl || !cooler.PumpDown || hall.Receiver {
		t.Error("booleans are not as the file says")
	}
	if cooler.TargetSuperheatAt != dewline.AtCoil || roof.TargetSuperheatAt != dewline.AtCompressor || hall.TargetSuperheatAt != "" {
		t.Error("target_superheat_at is not as stated, the coil where it is not, and nothing without a target")
	}
	if hall.Importance != dewline.Ordinary || cooler.Importance != dewline.Critical {
		t.Error("importance is not as stated, or ordinary")
	}
	mean := dewline.Sampling{Kind: dewline.SampledMean, Interval: 15 * time.Minute, Stamp: dewline.StampEnd}
	if got := cooler.Fitting(dewline.SuctionTemp).Sampling; got != mean {
		t.Errorf("900 s gives %v, want %v", got, mean)
	}
	if cooler.HighSide() != dewline.DischargePressure || hall.HighSide() != dewline.LiquidPressure {
		t.Error("the high side is not liquid pressure where it is fitted, and discharge pressure where not")
	}
	if !archive.Fitted(dewline.OutdoorAirTemp) {
		t.Error("an alias does not bring the points of its anchor")
	}
}

func TestPressureReferences(t *testing.T) {
	f := harbour(t)
	for _, c := range []struct {
		id    dewline.SystemID
		point dewline.Point
		want  dewline.PressureReference
	}{
		{"quay-library/hall-ac", dewline.SuctionPressure, dewline.Gauge},            // gauge: true
		{"quay-library/roof-north", dewline.SuctionPressure, dewline.Gauge},         // reference: gauge
		{"cold-store/landing-cooler", dewline.SuctionPressure, dewline.SealedGauge}, //
		{"cold-store/landing-cooler", dewline.DischargePressure, dewline.Absolute},
		{"cold-store/blast-freezer", dewline.SuctionPressure, dewline.Absolute}, // gauge: false
		{"cold-store/shop-case", dewline.SuctionPressure, dewline.Gauge},        // not stated
		{"cold-store/shop-case", dewline.DischargePressure, dewline.Gauge},      // not even fitted
		{"cold-store/shop-case", dewline.SuctionTemp, ""},
	} {
		if got := system(t, f, c.id).Fitting(c.point).Reference; got != c.want {
			t.Errorf("%s %s: reference %q, want %q", c.id, c.point, got, c.want)
		}
	}
}

func TestAccuracy(t *testing.T) {
	f := harbour(t)
	hall := system(t, f, "quay-library/hall-ac")
	second := system(t, f, "quay-library/roof-north-b")
	for _, c := range []struct {
		s      *dewline.System
		point  dewline.Point
		want   float64
		stated bool
	}{
		{hall, dewline.SuctionPressure, 8_000, true},
		{hall, dewline.LiquidPressure, 20_000, true},
		{hall, dewline.SuctionTemp, 0.5, true},
		{hall, dewline.ReturnAirTemp, 0.5, false}, // fitted, nothing stated
		// The contract's defaults, section 2, for points that are not even fitted.
		{hall, dewline.DischargePressure, 55_000, false},
		{second, dewline.LiquidPressure, 55_000, false},
		{second, dewline.SuctionPressure, 20_000, false},
		{second, dewline.SuctionTemp, 1, false},
		{second, dewline.LiquidTemp, 1, false},
		{second, dewline.DischargeTemp, 1, false},
		{second, dewline.OutdoorAirTemp, 0.5, false},
		{second, dewline.SupplyAirTemp, 0.5, false},
		{second, dewline.SpaceTemp, 0.5, false},
		{second, dewline.SupplyAirRH, 3, false},
		{second, dewline.CompressorPower, 0, false}, // the contract knows none
		{second, dewline.DoorOpen, 0, false},
	} {
		if got, stated := c.s.Fitting(c.point).Accuracy(); got != c.want || stated != c.stated {
			t.Errorf("%s %s: accuracy %v, stated %v; want %v, %v", c.s.ID, c.point, got, stated, c.want, c.stated)
		}
	}
}

func TestFleetLookups(t *testing.T) {
	f := harbour(t)
	roof := system(t, f, "quay-library/roof-north")
	if c := f.Circuits(roof); len(c) != 2 || c[0] != roof || c[1].ID != "quay-library/roof-north-b" {
		t.Errorf("circuits of the roof unit: %v", c)
	}
	cooler := system(t, f, "cold-store/landing-cooler")
	if c := f.Circuits(cooler); len(c) != 1 || c[0] != cooler {
		t.Errorf("a system that names no machine has the circuits %v", c)
	}
	if g, ok := f.Gateway(roof); !ok || g != "roof-gw" {
		t.Errorf("gateway of the roof unit: %q, %v", g, ok)
	}
	if g, ok := f.Gateway(cooler); ok {
		t.Errorf("the cold store names no gateway, got %q", g)
	}
	one := read(t, small("gateway: gw-1", ""), facts{})
	if g, ok := one.Gateway(system(t, one, "s/b")); !ok || g != "gw-1" {
		t.Errorf("a system without gateway has %q, want the only one of its site", g)
	}
	if _, ok := f.System("quay-library/none"); ok {
		t.Error("found a system that is not there")
	}
	if o, ok := f.Owner("quay-foods"); !ok || o.Name != "Quay Foods Cooperative" {
		t.Errorf("owner: %v, %v", o, ok)
	}
}

// small is a file with two systems, a and b, and more keys for each.
func small(a, b string) string {
	text := "owners: [{id: o}]\nsites:\n- id: s\n  owner: o\n  altitude: 0 m\n  systems:\n"
	for i, more := range []string{a, b} {
		text += fmt.Sprintf("  - id: %c\n    kind: split_ac\n    refrigerant: R-410A\n    metering: txv\n", 'a'+i)
		if more != "" {
			text += "    " + more + "\n"
		}
		text += "    points: {suction_pressure: {}, liquid_pressure: {}, suction_temp: {}, liquid_temp: {}}\n"
	}
	return text
}

func read(t testing.TB, text string, facts dewline.RefrigerantFacts) *dewline.Fleet {
	t.Helper()
	f, err := dewline.ReadFleet("fleet.yaml", []byte(text), facts)
	if err != nil {
		t.Fatalf("%v\nin:\n%s", err, text)
	}
	return f
}

func TestOwnersOfNames(t *testing.T) {
	text := strings.Replace(small("", ""), "owners: [{id: o}]\n", "", 1)
	f := read(t, strings.Replace(text, "owner: o", "owner: Harbour & Sons, Cold Rooms", 1), facts{})
	site, _ := f.Site("s")
	if o, ok := f.Owner(site.Owner); !ok || o.Name != "Harbour & Sons, Cold Rooms" || o.ID != "harbour-sons-cold-rooms" {
		t.Errorf("owner made of its name: %+v, %v", o, ok)
	}
}

func TestMarshalRoundTrip(t *testing.T) {
	for name, f := range map[string]*dewline.Fleet{
		"harbour":  harbour(t),
		"small":    read(t, small("tags: ['yes', \"2019-05-02\", '12', 'a: b', '#x']", "machine: '0x1F'"), facts{}),
		"empty":    read(t, "sites: []", facts{}),
		"no owner": read(t, strings.Replace(small("", ""), "owners: [{id: o}]\n", "", 1), facts{}),
	} {
		text, err := f.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		again, err := dewline.ReadFleet(name, text, facts{})
		if err != nil {
			t.Fatalf("%s: what was written is refused: %v\n%s", name, err, text)
		}
		if !reflect.DeepEqual(f, again) {
			t.Errorf("%s: what was read back differs:\n%s", name, text)
		}
	}
}

func TestMarshalReadsWell(t *testing.T) {
	text, err := harbour(t).Marshal()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"altitude: 12 m", "altitude: 381 m", "capacity: 10.5 kW", "orifice: 1.65 mm", "space_limit: 5 degC", "space_limit: -28 degC",
		"suction_pressure: {reference: gauge, accuracy: 8 kPa}", "charge: 0.148 kg", "installed: 2019-05-02",
		"sampling: {kind: mean, interval: 900 s, stamp: end}", "return_air_temp: {}", "coil_drop: 35 kPa", "rated_return_gas: 20 degC",
		"receiver: true", "tags: [old, phase-out]",
	} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the export lacks %q", want)
		}
	}
	if t.Failed() {
		t.Logf("%s", text)
	}
}

func TestMapPolynomial(t *testing.T) {
	// Each coefficient alone against its term of AHRI Standard 540 at S = 2 °C, D = 3 °C.
	terms := [10]float64{1, 2, 3, 4, 6, 9, 8, 3 * 4, 2 * 9, 27}
	for i, want := range terms {
		var c dewline.MapPolynomial
		c[i] = 1
		if got := c.At(si.FromCelsius(2), si.FromCelsius(3)); math.Abs(got-want) > 1e-9 {
			t.Errorf("C%d: term %v, want %v", i+1, got, want)
		}
	}
}

func TestErrorCodes(t *testing.T) {
	_, err := dewline.ReadFleet("x", nil, facts{})
	wrapped := fmt.Errorf("serve: %w", err)
	unavailable := fmt.Errorf("append: %w", &dewline.Error{Code: dewline.Unavailable, Op: "write", Retry: true, Err: errors.New("disk full")})
	for _, c := range []struct {
		err   error
		code  dewline.Code
		retry bool
	}{
		{nil, "", false}, {wrapped, dewline.Invalid, false}, {unavailable, dewline.Unavailable, true}, {errors.New("x"), dewline.Internal, false},
	} {
		if got := dewline.CodeOf(c.err); got != c.code {
			t.Errorf("CodeOf(%v) = %q, want %q", c.err, got, c.code)
		}
		if got := dewline.CanRetry(c.err); got != c.retry {
			t.Errorf("CanRetry(%v) = %v", c.err, got)
		}
	}
	if one, ok := errors.AsType[dewline.FleetError](wrapped); !ok || one.Line != 1 {
		t.Errorf("a single problem is not found in %v", wrapped)
	}
}
