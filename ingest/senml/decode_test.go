package senml

import (
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"dewline"
)

// live is the receipt of a message on MQTT.
var live = Context{System: hallAC, Received: received}

// show writes what came out of a pack, a line each: samples with their time of day in ms since 1970,
// events, and the reasons of refusals with the record's place.
func show(out *Pack) string {
	var lines []string
	for _, s := range out.Samples {
		line := fmt.Sprintf("%v %v @%d", s.Point, s.Value, s.At)
		if s.System != hallAC {
			line = string(s.System) + " " + line
		}
		lines = append(lines, line)
	}
	for _, e := range out.Events {
		lines = append(lines, fmt.Sprintf("%v %q @%d", e.Kind, e.Note, e.At))
	}
	for _, r := range out.Refused {
		lines = append(lines, fmt.Sprintf("%d:%s", r.Record, r.Reason))
	}
	return strings.Join(lines, "; ")
}

func decode(payload []byte, in Context) *Pack {
	var d Decoder
	var out Pack
	d.Decode(&out, payload, in)
	return &out
}

// each case is a pack, with T for a Unix time that is the receipt, and what must come of it.
func TestDecodeJSON(t *testing.T) {
	f := func(pack, want string) {
		t.Helper()
		in := strings.ReplaceAll(pack, "T", "1940000000")
		want = strings.ReplaceAll(want, "@T", "@1940000000000")
		if got := show(decode([]byte(in), live)); got != want {
			t.Errorf("%s\n got %s\nwant %s", pack, got, want)
		}
	}

	// Names: the part of bn+n after the last / or :.
	f(`[{"n":"suction_temp","u":"Cel","v":7.2,"t":T}]`, `suction_temp 7.2 @T`)
	f(`[{"n":"urn:dev:x:suction_temp","u":"Cel","v":7.2,"t":T}]`, `suction_temp 7.2 @T`)
	f(`[{"bn":"any/where/","n":"suction_temp","u":"Cel","v":7.2,"t":T}]`, `suction_temp 7.2 @T`)
	f(`[{"bn":"a:suction_","n":"temp","u":"Cel","v":7.2,"t":T}]`, `suction_temp 7.2 @T`)
	f(`[{"bn":"a/suction_temp","u":"Cel","v":7.2,"t":T},{"v":7.3,"t":1940000001,"u":"Cel"}]`,
		`suction_temp 7.2 @T; suction_temp 7.3 @1940000001000`)
	f(`[{"bn":"other-site/other/","n":"suction_temp","u":"Cel","v":7.2,"t":T}]`, `suction_temp 7.2 @T`)
	f(`[{"n":"Suction_Temp","u":"Cel","v":7.2,"t":T}]`, `1:unknown_point`)
	f(`[{"n":"suction_temp/","u":"Cel","v":7.2,"t":T}]`, `1:unknown_point`)
	f(`[{"bn":"x","n":"suction_temp","u":"Cel","v":7.2,"t":T}]`, `1:unknown_point`)

	// Base fields hold until replaced and do not care for their place in the record.
	f(`[{"n":"suction_temp","v":1,"bt":T,"bu":"Cel"},{"n":"liquid_temp","v":2},{"n":"liquid_temp","v":300,"bu":"K","t":-1},{"n":"suction_temp","v":3,"bu":"Cel"}]`,
		`suction_temp 1 @T; liquid_temp 2 @T; liquid_temp 26.850000000000023 @1939999999000; suction_temp 3 @T`)
	f(`[{"bt":T,"bu":"Pa","bv":800000,"n":"suction_pressure","v":-1.5},{"n":"suction_pressure","v":12,"bv":0,"t":1}]`,
		`suction_pressure 799998.5 @T; suction_pressure 12 @1940000001000`)
	f(`[{"bt":T,"bu":"Pa","n":"suction_temp","u":"Cel","v":1}]`, `suction_temp 1 @T`)
	f(`[{"bt":T,"bu":"Cel","n":"suction_temp","u":"","v":1}]`, `1:no_unit`)
	f(`[{"bt":T,"bs":3,"n":"suction_temp","u":"Cel","v":1,"s":12,"ut":60}]`, `suction_temp 1 @T`)
	f(`[{"bn":"a/","bt":T,"bu":"Cel"},{"n":"suction_temp","v":1}]`, `suction_temp 1 @T`)
	f(`[{"n":"nonsense","v":1,"bt":T,"bu":"Cel"},{"n":"suction_temp","v":1}]`, `suction_temp 1 @T; 1:unknown_point`)
	f(`[{},{"bver":10},{"bs":1},{"x":1}]`, ``)
	f(`[]`, ``)

	// Units.
	unit := func(point, unit string, v float64, want string) {
		t.Helper()
		f(fmt.Sprintf(`[{"bt":T,"n":%q,"u":"%s","v":%v}]`, point, unit, v), want)
	}
	unit("suction_temp", "K", 280.15, "suction_temp 7 @T")
	unit("suction_temp", "[degF]", 32, "suction_temp 0 @T")
	unit("suction_temp", "[degF]", 212, "suction_temp 100 @T")
	unit("suction_pressure", "hPa", 8120, "suction_pressure 812000 @T")
	unit("suction_pressure", "kPa", 812, "suction_pressure 812000 @T")
	unit("suction_pressure", "MPa", 0.812, "suction_pressure 812000 @T")
	unit("suction_pressure", "bar", 8.12, "suction_pressure 811999.9999999999 @T")
	unit("suction_pressure", "Pa", -20000, "suction_pressure -20000 @T")
	unit("compressor_power", "kW", 2.871, "compressor_power 2871 @T")
	unit("compressor_current", "mA", 8700, "compressor_current 8.7 @T")
	unit("return_air_rh", "%RH", 51.5, "return_air_rh 51.5 @T")
	unit("return_air_rh", "/", 0.515, "return_air_rh 51.5 @T")
	unit("return_air_rh", "%", 51.5, "return_air_rh 51.5 @T")
	unit("compressor_speed", "%", 60, "compressor_speed 60 @T")
	unit("compressor_speed", "/", 0.6, "compressor_speed 60 @T")
	unit("compressor_speed", "/100", 60, "compressor_speed 60 @T")
	unit("compressor_stage", "/", 2, "compressor_stage 2 @T")
	unit("compressor_stage", "count", 2, "compressor_stage 2 @T")
	unit("compressor_stage", "%", 2, "1:wrong_unit")
	unit("compressor_speed", "%RH", 2, "1:wrong_unit")
	unit("compressor_speed", "1/min", 2900, "1:wrong_unit")
	unit("suction_temp", "count", 2, "1:wrong_unit")
	unit("suction_temp", "Pa", 2, "1:wrong_unit")
	unit("suction_temp", "lux", 2, "1:unknown_unit")
	unit("suction_temp", "lx", 2, "1:wrong_unit")
	unit("suction_temp", "kWh", 2, "1:wrong_unit")
	unit("suction_temp", "cel", 2, "1:unknown_unit")
	unit("suction_temp", "psi", 2, "1:unknown_unit")
	unit("suction_temp", "a unit longer than any code", 2, "1:unknown_unit")
	unit("compressor_on", "no such unit", 1, "compressor_on 1 @T")
	f(`[{"bt":T,"n":"suction_temp","v":1}]`, `1:no_unit`)
	f(`[{"bt":T,"n":"compressor_on","u":"V","vb":true},{"n":"mode","u":"?","vs":"heating"}]`, `compressor_on 1 @T; mode 2 @T`)

	// Values.
	f(`[{"bt":T,"bu":"Cel"},{"n":"suction_temp"},{"n":"suction_temp","s":1},{"n":"suction_temp","vd":"aGkgCg"},{"n":"suction_temp","vs":"7"},{"n":"suction_temp","vb":true},{"n":"suction_temp","v":"7"},{"n":"suction_temp","v":null},{"n":"suction_temp","v":[1]},{"n":"suction_temp","v":9}]`,
		`suction_temp 9 @T; 2:no_value; 3:no_value; 4:no_value; 5:no_value; 6:no_value; 7:no_value; 8:no_value; 9:no_value`)
	f(`[{"bt":T,"bu":"Cel"},{"n":"suction_temp","v":1e999},{"n":"suction_temp","v":-1e999},{"n":"suction_temp","bv":1e308,"v":1e308},{"n":"suction_temp","bv":0,"v":1e-999}]`,
		`suction_temp 0 @T; 2:not_finite; 3:not_finite; 4:not_finite`)
	f(`[{"bt":T,"bu":"MPa","n":"suction_pressure","v":1e305}]`, `1:not_finite`)
	f(`[{"bt":T},{"n":"door_open","vb":false},{"n":"door_open","v":1,"t":1},{"n":"door_open","v":0,"t":2},{"n":"door_open","v":2},{"n":"door_open","vs":"true"},{"n":"door_open","v":1e999}]`,
		`door_open 0 @T; door_open 1 @1940000001000; door_open 0 @1940000002000; 5:no_value; 6:no_value; 7:not_finite`)
	f(`[{"bt":T},{"n":"mode","vs":"off"},{"n":"mode","vs":"defrost","t":1},{"n":"mode","vs":"Cooling"},{"n":"mode","v":1},{"n":"mode","vb":true}]`,
		`mode 0 @T; mode 3 @1940000001000; 4:no_value; 5:no_value; 6:no_value`)
	f(`[{"bt":T},{"n":"serviced","vs":"filter \u00e4 \ud83d\ude00 \ud800 \"x\" \/"},{"n":"sensor_replaced","vs":"suction_temp"},{"n":"sensor_replaced","vs":"left one"},{"n":"serviced","v":1},{"n":"serviced","vb":true}]`,
		`serviced "filter ä 😀 � \"x\" /" @T; sensor_replaced "suction_temp" @T; 4:unknown_point; 5:no_value; 6:no_value`)
	f(`[{"bt":T,"n":"suction_temp","u":"Cel","v":-0.0}]`, `suction_temp 0 @T`)
	f(`[{"bt":T,"bu":"Cel","n":"suction_temp","v":0.30000000000000004},{"n":"liquid_temp","v":123456789012345678901234567890e-20}]`,
		`suction_temp 0.30000000000000004 @T; liquid_temp 1.2345678901234567e+09 @T`)

	// Fields.
	f(`[{"bt":T,"n":"suction_temp","u":"Cel","v":1,"new":{"a":[1,{"b":null}],"_":2},"x_y":3}]`, `suction_temp 1 @T`)
	f(`[{"bt":T,"n":"suction_temp","u":"Cel","v":1},{"n":"liquid_temp","u":"Cel","v":1,"new_":0}]`, `0:unsupported_field`)
	f(`[{"bt":T,"n":"suction_temp","u":"Cel","v":1},{"_":0}]`, `0:unsupported_field`)
	f(`[{"bt":T,"n":"x","u":"Cel","v":1},{"n":"liquid_temp","u":"Cel","v":1,"new_":0} broken`, `0:unsupported_field`)
	for _, v := range []string{"0", "1", "5", "10", "26", "10.0", "1e1"} {
		f(`[{"bt":T,"bver":`+v+`,"n":"suction_temp","u":"Cel","v":1}]`, `suction_temp 1 @T`)
	}
	for _, v := range []string{"11", "25", "27", "-1", "5.5", "1e999"} {
		f(`[{"bt":T,"n":"suction_temp","u":"Cel","v":1},{"bver":`+v+`}]`, `0:unsupported_version`)
	}
	f(`[{"bt":T,"\u006e":"suction\u005ftemp","u":"\u0043el","v":1}]`, `suction_temp 1 @T`)
	f(`[{"bt":T,"n":"liquid_temp","n":"suction_temp","u":"Pa","u":"Cel","v":"x","v":1}]`, `suction_temp 1 @T`)
	f(`[{"bt":T,"n":null,"bn":"a/suction_temp","u":null,"bu":"Cel","t":null,"v":1,"vs":null}]`, `suction_temp 1 @T`)
	f(`[{"bt":T,"bu":"Cel"},{"n":5,"v":1},{"n":"suction_temp","v":1,"u":2},{"n":"suction_temp","v":1,"t":"now"},7,[{}],"x",{"n":"suction_temp","v":1}]`,
		`suction_temp 1 @T; 2:malformed; 3:malformed; 4:malformed; 5:malformed; 6:malformed; 7:malformed`)
	f(`[{"bt":T,"bu":"Cel","n":"suction_temp","v":1},{"bt":"later"},{"n":"suction_temp","v":2}]`, `suction_temp 1 @T; 2:malformed`)

	// A pack that breaks off: what is complete counts, the rest is one.
	const good = `[{"bt":T,"n":"suction_temp","u":"Cel","v":1}`
	f(good+` , {"n":"liquid_temp","u":"Cel","v":2 } ] `, `suction_temp 1 @T; liquid_temp 2 @T`)
	for _, rest := range []string{``, `,`, ` `, `]x`, `] ]`, `,]`, `,{`, `,{}`, `{"n":"liquid_temp","u":"Cel","v":2}]`, `,{"n":"liquid_temp","u":"Cel","v":2`,
		`,{"n":"liquid_temp","u":"Cel","v":}]`, `,{"n":"liquid_temp" "u":"Cel"}]`, `,{"n" 1}]`, `,{n:1}]`, `,{"n":"\x"}]`, `,{"n":"\u12"}]`, "," + `{"n":"a` + "\n" + `b"}]`,
		`,{"v":01}]`, `,{"v":1.}]`, `,{"v":.5}]`, `,{"v":+1}]`, `,{"v":1e}]`, `,{"v":-}]`, `,{"v":NaN}]`, `,{"v":tru}]`, `,{"v":nul`, `,{"x":[1 2]}]`, `,{"x":{"a":1,}}]`,
		`,{"x":` + strings.Repeat("[", 40) + strings.Repeat("]", 40) + `}]`, `,{"v":1,}]`, `,{,}]`, `,{"n":"\ud800`, `}`} {
		in := strings.ReplaceAll(good+rest, "T", "1940000000")
		out := decode([]byte(in), live)
		if len(out.Samples) != 1 || len(out.Refused) != 1 || out.Refused[0].Reason != dewline.ReasonMalformed {
			t.Errorf("%s: %s, want the first reading and one malformed", in, show(out))
		}
	}
	f(`[`, `1:malformed`)
	for _, pack := range []string{``, ` [{"n":"suction_temp"}]`, `{"n":"suction_temp"}`, "\xef\xbb\xbf[]", `null`, "\x00"} {
		f(pack, `0:malformed`)
	}
}

func TestTimes(t *testing.T) {
	f := func(fields string, want dewline.Millis) {
		t.Helper()
		pack := `[{` + fields + `,"n":"suction_temp","u":"Cel","v":1}]`
		out := decode([]byte(pack), Context{System: hallAC, Received: received, MaxAge: 100 * 365 * 24 * time.Hour})
		if len(out.Samples) != 1 || out.Samples[0].At != want {
			t.Errorf("%s: %s, want %d", fields, show(out), want)
		}
	}
	// Rounded half up, exactly: as doubles the first is a little less than half a millisecond.
	f(`"t":1751465400.0005`, 1751465400001)
	f(`"t":1751465400.0004999`, 1751465400000)
	f(`"t":1751465400.00049999999999999999999999`, 1751465400000)
	f(`"t":1751465400.000500000000000000000000`, 1751465400001)
	f(`"t":1751465400.9995`, 1751465401000)
	f(`"bt":1751465400.0004,"t":0.0001`, 1751465400001)
	f(`"bt":1751465400.0004,"t":0.00009`, 1751465400000)
	f(`"bt":1751465400.1,"t":0.2`, 1751465400300)
	f(`"bt":1751465400.999,"t":0.001`, 1751465401000)
	f(`"bt":1751465400.25,"t":-60.5`, 1751465339750)
	f(`"bt":1751465400,"t":-0.0005`, 1751465400000)
	f(`"bt":1751465400,"t":-0.00050000000000000000000000001`, 1751465399999)
	f(`"bt":1751465400,"t":-0.0015`, 1751465399999)
	f(`"bt":1.7514654000005e+09`, 1751465400001)
	f(`"bt":17514654000005e-4`, 1751465400001)
	f(`"bt":17514654E2,"t":0.001e0`, 1751465400001)
	f(`"bt":1000000000.000000001,"t":0.000499999`, 1000000000001)
	f(`"bt":1751465400,"t":1e-300`, 1751465400000)
	f(`"bt":1751465400,"t":1e-25`, 1751465400000)
	f(`"bt":1751465400,"t":12345678901234567890e-23`, 1751465400000) // 0.12 ms

	// Below 2^28 s they are relative to the receipt.
	f(`"t":0`, received)
	f(`"ut":1`, received)
	f(`"t":-5`, received-5000)
	f(`"t":-0.0005`, received)
	f(`"t":0.25`, received+250)
	f(`"bt":-60,"t":-0.5`, received-60_500)
	f(`"bt":-60,"t":61`, received+1000)
	f(`"bt":268435456`, 268435456000)
	f(`"bt":268435455,"t":1`, 268435456000)
	f(`"bt":1940000000,"t":-1940000000.5`, received-500)
}

func TestFutureAndOld(t *testing.T) {
	f := func(payload []byte, want string) {
		t.Helper()
		if got := show(decode(payload, live)); got != want {
			t.Errorf("%q: got %s, want %s", payload, got, want)
		}
	}
	at := func(seconds string) []byte {
		return []byte(`[{"t":` + seconds + `,"n":"suction_temp","u":"Cel","v":1}]`)
	}
	f(at("1940000600"), "suction_temp 1 @1940000600000") // 10 min
	f(at("1940000600.0004"), "suction_temp 1 @1940000600000")
	f(at("1940000600.0005"), "1:future")
	f(at("600"), "suction_temp 1 @1940000600000")
	f(at("600.001"), "1:future")
	f(at("1e30"), "1:future")
	f(at("1e999999999999"), "1:future")
	f(at("1937321600"), "suction_temp 1 @1937321600000") // 31 d
	f(at("1937321599.999"), "1:too_old")
	f(at("-2678400"), "suction_temp 1 @1937321600000")
	f(at("-2678400.001"), "1:too_old")
	f(at("268435455"), "1:future")
	f(at("268435456"), "1:too_old")
	f(at("-1e30"), "1:too_old")
	f([]byte(`[{"t":1,"n":"serviced","vs":"x"},{"t":601,"n":"serviced","vs":"x"},{"t":-3e6,"n":"serviced","vs":"x"}]`),
		`serviced "x" @1940000001000; 2:future; 3:too_old`)

	week := live
	week.MaxAge = 7 * 24 * time.Hour
	if got := show(decode(at("1937321600"), week)); got != "1:too_old" {
		t.Errorf("with a store of a week: %s", got)
	}
}

func TestRepeatedRelativeTimes(t *testing.T) {
	dup := live
	dup.Duplicate = true
	f := func(pack, want string) {
		t.Helper()
		if got := show(decode([]byte(pack), dup)); got != want {
			t.Errorf("%s: got %s, want %s", pack, got, want)
		}
	}
	const absolute = `{"bt":1940000000,"n":"suction_temp","u":"Cel","v":1}`
	f(`[`+absolute+`]`, `suction_temp 1 @1940000000000`)
	f(`[`+absolute+`,{"bt":0,"n":"suction_temp","u":"Cel","v":1}]`, `0:relative_time_repeated`)
	f(`[`+absolute+`,{"bt":0,"n":"no such point","v":1}]`, `0:relative_time_repeated`)
	f(`[{"n":"x"},`+absolute+`]`, `0:relative_time_repeated`)
	f(`[`+absolute+`,{"bt":0}]`, `suction_temp 1 @1940000000000`)

	// Earlier packs of the caller stay.
	var d Decoder
	var out Pack
	d.Decode(&out, []byte(`[`+absolute+`,{"n":"x","v":1}]`), dup)
	d.Decode(&out, []byte(`[`+absolute+`,{"n":"x","v":1},{"bt":0,"n":"x","v":1}]`), dup)
	if got, want := show(&out), `suction_temp 1 @1940000000000; 2:unknown_point; 0:relative_time_repeated`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestRecordedNames(t *testing.T) {
	f := func(pack, want string) {
		t.Helper()
		if got := show(decode([]byte(pack), Context{})); got != want {
			t.Errorf("%s: got %s, want %s", pack, got, want)
		}
	}
	f(`[{"bn":"quay-library/hall-ac/","bt":1940000000,"n":"suction_temp","u":"Cel","v":1},{"bn":"mole/cooler/","n":"space_temp","u":"Cel","v":2}]`,
		`suction_temp 1 @1940000000000; mole/cooler space_temp 2 @1940000000000`)
	f(`[{"bn":"mole/","bt":1940000000,"n":"cooler/space_temp","u":"Cel","v":1},{"n":"freezer/rack:space_temp","u":"Cel","v":2}]`,
		`mole/cooler space_temp 1 @1940000000000; mole/freezer space_temp 2 @1940000000000`)
	f(`[{"bn":"mole/coo","bt":1940000000,"n":"ler/space_temp","u":"Cel","v":1},{"bn":"mole/cooler/space_temp","u":"Cel","v":2,"t":1}]`,
		`mole/cooler space_temp 1 @1940000000000; mole/cooler space_temp 2 @1940000001000`)
	f(`[{"bt":1940000000,"bu":"Cel"},{"n":"space_temp","v":1},{"n":"mole/space_temp","v":1},{"n":"mole/cooler:space_temp","v":1},{"n":"Mole/cooler/space_temp","v":1},{"n":"-/cooler/space_temp","v":1},{"n":"mole//space_temp","v":1},{"bn":"x","v":1}]`,
		`2:no_system; 3:no_system; 4:no_system; 5:no_system; 6:no_system; 7:no_system; 8:no_system`)
	// No receipt: every Unix time is taken and no other.
	f(`[{"bn":"a/b/","n":"space_temp","bu":"Cel","v":1,"t":268435456},{"n":"space_temp","v":1,"t":253402300799.9994},{"n":"space_temp","v":1,"t":253402300799.9995},{"n":"space_temp","v":1,"t":1e300},{"n":"space_temp","v":1,"t":5},{"n":"space_temp","v":1}]`,
		`a/b space_temp 1 @268435456000; a/b space_temp 1 @253402300799999; 3:time_out_of_range; 4:time_out_of_range; 5:relative_time; 6:relative_time`)
}

func TestLimits(t *testing.T) {
	records := func(n int) string {
		return `[{"bt":1940000000,"bu":"Cel"}` + strings.Repeat(`,{"n":"suction_temp","v":1}`, n-1) + `]`
	}
	out := decode([]byte(records(MaxRecords)), live)
	if len(out.Samples) != MaxRecords-1 || len(out.Refused) != 0 {
		t.Errorf("%d records: %d samples, refused %v", MaxRecords, len(out.Samples), out.Refused)
	}
	out = decode([]byte(records(MaxRecords+2)), live)
	if len(out.Samples) != MaxRecords-1 || len(out.Refused) != 1 || out.Refused[0].Reason != dewline.ReasonTooManyRecords {
		t.Errorf("%d records: %d samples, refused %v", MaxRecords+2, len(out.Samples), out.Refused)
	}

	pad := func(size int) []byte {
		pack := `[{"bt":1940000000,"n":"suction_temp","u":"Cel","v":1}]`
		return []byte(pack + strings.Repeat(" ", size-len(pack)))
	}
	if got := show(decode(pad(MaxPackBytes), live)); got != `suction_temp 1 @1940000000000` {
		t.Errorf("%d bytes: %s", MaxPackBytes, got)
	}
	if got := show(decode(pad(MaxPackBytes+1), live)); got != `0:too_large` {
		t.Errorf("%d bytes: %s", MaxPackBytes+1, got)
	}
}

func TestDecodeCBOR(t *testing.T) {
	f := func(payload, want string) {
		t.Helper()
		b, err := hex.DecodeString(strings.ReplaceAll(payload, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		want = strings.ReplaceAll(want, "@T", "@1940000000000")
		if got := show(decode(b, live)); got != want {
			t.Errorf("%s\n got %s\nwant %s", payload, got, want)
		}
	}
	const (
		bt    = "22 1a73a20d00"                  // 1940000000
		temp  = "00 6c 73756374696f6e5f74656d70" // n: "suction_temp"
		cel   = "01 63 43656c"                   // u: "Cel"
		one   = "02 01"
		isOne = "suction_temp 1 @T"
	)
	f("81 a4"+bt+temp+cel+one, isOne)
	f("9f a4"+bt+temp+cel+one+"ff", isOne)
	f("81 bf"+bt+temp+cel+one+"ff", isOne)
	f("98 01 b8 04"+bt+temp+cel+one, isOne)
	f("9b 0000000000000001 bb 0000000000000004"+bt+temp+cel+one, isOne)
	f("81 a4 38 02 1a73a20d00 18 00 6c 73756374696f6e5f74656d70 18 01 63 43656c 19 0002 01", isOne) // long heads
	f("81 a4 62 6274 1a73a20d00 61 6e 6c 73756374696f6e5f74656d70 61 75 63 43656c 61 76 01", isOne) // labels of JSON
	f("81 a4"+bt+"00 7f 68 73756374696f6e5f 64 74656d70 ff"+cel+one, isOne)                         // name in pieces
	f("80", "")
	f("9f ff", "")
	f("82 a0 a1 21 60", "")

	// Numbers: integers, floats of each size, decimal fractions.
	v := func(item, want string) {
		t.Helper()
		f("81 a4"+bt+temp+cel+"02"+item, strings.ReplaceAll(want, "=", "suction_temp "))
	}
	v("18 64", "=100 @T")
	v("38 63", "=-100 @T")
	v("1b ffffffffffffffff", "=1.8446744073709552e+19 @T")
	v("3b ffffffffffffffff", "=-1.8446744073709552e+19 @T")
	v("f9 4980", "=11 @T")
	v("f9 0001", "=5.960464477539063e-08 @T")
	v("f9 c000", "=-2 @T")
	v("fa 41b8cccd", "=23.100000381469727 @T")
	v("fb 403719999999999a", "=23.1 @T")
	v("c4 82 20 18 e7", "=23.1 @T")
	v("c4 82 20 38 e6", "=-23.1 @T")
	v("c4 82 01 03", "=30 @T")
	v("c4 9f 20 18 e7 ff", "=23.1 @T")
	v("c4 82 3b ffffffffffffffff 01", "=0 @T")
	v("c4 82 1b ffffffffffffffff 01", "1:not_finite")
	v("c4 82 38 16 1b 7fffffffffffffff", "=9.223372036854775e-05 @T")
	v("f9 7c00", "1:not_finite")
	v("f9 7e00", "1:not_finite")
	v("fa ff800000", "1:not_finite")
	v("fb 7ff8000000000000", "1:not_finite")
	v("f6", "1:no_value")
	v("f7", "1:no_value")
	v("f5", "1:no_value")
	v("61 37", "1:no_value")
	v("41 37", "1:no_value")
	v("c2 41 07", "1:no_value")       // a big number
	v("c5 82 20 03", "1:no_value")    // a big float
	v("c4 83 20 03 04", "1:no_value") // not a decimal fraction
	v("c4 03", "1:no_value")
	v("d9 03e8 07", "1:no_value")
	v("e0", "1:no_value")
	v("f8 20", "1:no_value")

	// Times.
	at := func(item, want string) {
		t.Helper()
		f("81 a4 06"+item+temp+cel+one, want)
	}
	at("c4 82 22 1b 000001c3b102c0fa", "suction_temp 1 @1939999998202")
	at("c4 82 23 1b 000011a4ea1bd7d5", "suction_temp 1 @1940000000201") // 200.5 ms
	at("fb 41dce88340000000", isOne)
	at("fb 41dce88340000831", "suction_temp 1 @1940000000001") // the double nearest to 1940000000.0005
	at("fb 41dce8834000068e", "suction_temp 1 @1940000000000") // and to ....0004
	at("f9 c100", "suction_temp 1 @1939999997500")
	at("00", isOne)
	at("24", "suction_temp 1 @1939999995000")
	at("f9 7e00", "1:not_finite")
	at("f9 7c00", "1:future")
	at("f9 fc00", "1:too_old")

	f("81 a4"+bt+"00 69 646f6f725f6f70656e 04 f5 01 60", "door_open 1 @T")
	f("81 a3"+bt+"00 69 646f6f725f6f70656e 04 f4", "door_open 0 @T")
	f("81 a3"+bt+"00 64 6d6f6465 03 66 64656661756c", "1:no_value")
	f("81 a3"+bt+"00 64 6d6f6465 03 67 686561 74696e67", "mode 2 @T")
	f("81 a3"+bt+"00 68 7365727669636564 03 64 666f ff 6f", `serviced "fo�o" @T`)

	// Fields.
	f("81 a5"+bt+temp+cel+one+"64 6e65775f 00", "0:unsupported_field")
	f("81 a5"+bt+temp+cel+one+"18 64 82 00 bf 00 00 ff", isOne)     // an integer label of none
	f("81 a5"+bt+temp+cel+one+"fb 3ff0000000000000 00", isOne)      // labels that are not even integers
	f("81 a5"+bt+temp+cel+one+"81 00 00", isOne)                    //
	f("81 a5"+bt+temp+cel+one+"63 6e6577 5f 41 00 41 01 ff", isOne) // bytes in pieces
	f("81 a5"+bt+temp+cel+one+"20 1a ffffffff", "0:unsupported_version")
	f("81 a5"+bt+temp+cel+one+"20 0a", isOne)
	f("82 05 a4"+bt+temp+cel+one, isOne+"; 1:malformed")
	f("81 a4"+bt+"00 07"+cel+one, "1:malformed")
	f("82 a4"+bt+temp+cel+one+"a1 22 61 31", isOne+"; 2:malformed")

	// A pack that breaks off.
	for _, rest := range []string{"", "a1", "a1 00", "a1 00 63 61", "bf 00 61 61", "bf 00 ff", "a1 00 ff", "a1 00 1c", "a1 00 f8 10", "ff", "bf", "a1 00 7f 41 61 ff",
		"a1 00 7f 7f ff ff", "a1 3f 00", "a1 00 df", "a1 09" + strings.Repeat("81", 40) + "00", "a1 00 5b ffffffffffffffff", "a0 00", "fe"} {
		b, err := hex.DecodeString(strings.ReplaceAll("82 a4"+bt+temp+cel+one+rest, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		out := decode(b, live)
		if len(out.Samples) != 1 || len(out.Refused) != 1 || out.Refused[0].Reason != dewline.ReasonMalformed {
			t.Errorf("%s: %s, want the first reading and one malformed", rest, show(out))
		}
	}
	f("81", "1:malformed")
	f("9f", "1:malformed")
	for _, pack := range []string{"9c", "9d", "9e", "98", "a0"} {
		f(pack, "0:malformed")
	}

	many := append([]byte{0x9f}, strings.Repeat("\xa0", MaxRecords+1)...)
	if got := show(decode(append(many, 0xff), live)); got != "5001:too_many_records" {
		t.Errorf("too many: %s", got)
	}
}

// What a reading costs is one append: nothing is allocated for it.
func TestNothingAllocatedPerReading(t *testing.T) {
	samples := aPack(20)
	for i := range samples {
		samples[i].Value += 1e-9 // digits for the slow way to a double
		if d := samples[i].Point.Dimension(); d == dewline.Boolean || d == dewline.ModeValue {
			samples[i].Value = math.Round(samples[i].Value)
		}
	}
	recorded := AppendJSON(nil, string(hallAC)+"/", samples, nil)
	escaped := []byte(strings.ReplaceAll(string(recorded), `"suction_`, `"\u0073uction_`))
	noBase := []byte(`[{"n":"any/thing:suction_temp","t":1940000000.125,"u":"[degF]","v":45.1},{"bn":"x/suction_","n":"temp","t":-1,"u":"K","v":280.15}]`)
	for name, c := range map[string]struct {
		payload []byte
		in      Context
	}{
		"json":     {AppendJSON(nil, "", samples, nil), live},
		"cbor":     {AppendCBOR(nil, "", samples, nil), live},
		"recorded": {recorded, Context{}},
		"escaped":  {escaped, Context{}},
		"units":    {noBase, live},
	} {
		var d Decoder
		var out Pack
		if allocs := testing.AllocsPerRun(20, func() {
			out.Reset()
			d.Decode(&out, c.payload, c.in)
		}); allocs != 0 {
			t.Errorf("%s: %v allocations a pack", name, allocs)
		}
		if len(out.Samples) < 2 || len(out.Refused) != 0 {
			t.Errorf("%s: %d samples, refused %v", name, len(out.Samples), out.Refused)
		}
	}
}

// A decoder keeps nothing of a payload, nor of the pack before.
func TestPayloadMayBeReused(t *testing.T) {
	payload := []byte(`[{"bn":"x/suction_","bt":1940000000,"bu":"Cel","n":"temp","v":1},{"n":"nothing","v":1},{"bn":"","n":"serviced","vs":"belt"}]`)
	var d Decoder
	var out Pack
	d.Decode(&out, payload, live)
	want := show(&out)
	name := out.Refused[0].Name
	for i := range payload {
		payload[i] = 'x'
	}
	if got := show(&out); got != want || out.Refused[0].Name != name {
		t.Errorf("after the payload changed: %s, want %s", got, want)
	}
	out.Reset()
	d.Decode(&out, []byte(`[{"n":"temp","v":1,"t":1940000000}]`), live)
	if got := show(&out); got != "1:unknown_point" {
		t.Errorf("base fields of the pack before still hold: %s", got)
	}
}

func TestRefusalsExplain(t *testing.T) {
	out := decode([]byte(`[{"bn":"a/b/","n":"suction_temp","u":"Pa","v":1,"t":1940000000},{"n":"x`+strings.Repeat("y", 300)+`","v":1},{"n":"mode","vs":"fan"}]`), live)
	for i, want := range []dewline.Refusal{
		{Reason: dewline.ReasonWrongUnit, System: hallAC, Record: 1, Name: "a/b/suction_temp", Detail: `u "Pa": suction_temp is in Cel`},
		{Reason: dewline.ReasonUnknownPoint, System: hallAC, Record: 2, Name: "a/b/x" + strings.Repeat("y", 123), Detail: "not a point of the contract"},
		{Reason: dewline.ReasonNoValue, System: hallAC, Record: 3, Name: "a/b/mode", Detail: "mode takes vs off, cooling, heating or defrost"},
	} {
		if got := out.Refused[i]; got != want {
			t.Errorf("got %+v\nwant %+v", got, want)
		}
	}
	known := map[dewline.Reason]bool{}
	for _, r := range dewline.Reasons() {
		if known[r] {
			t.Errorf("reason %s is listed twice", r)
		}
		known[r] = true
	}
}
