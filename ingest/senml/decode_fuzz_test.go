package senml

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"dewline"
	"dewline/thermo/si"

	"github.com/fxamacker/cbor/v2"
)

// The second opinion: packs read by general decoders into lists of labels and values, and the rules
// of the contract written down once more, with rational numbers for times.

type opinionField struct {
	label string
	value any // nil, bool, string, opinionNumber, or other
}

type opinionNumber struct {
	exact *big.Rat // nil when it is not finite
	value float64
}

type other struct{}

// opinionRecord is nil for an element that is not a record.
type opinionRecord []opinionField

// opine says what should come of records. Only what a general decoder can tell is compared: samples,
// events, and for each refused record its reason.
func opine(records []opinionRecord, in Context) *Pack {
	out := &Pack{}
	var bn string
	var bu *string
	var bv float64
	bt := &opinionNumber{exact: new(big.Rat)}
	refuse := func(i int, r dewline.Reason) {
		out.Refused = append(out.Refused, dewline.Refusal{Reason: r, Record: i})
	}
	for i, rec := range records {
		i++
		if rec == nil {
			refuse(i, dewline.ReasonMalformed)
			continue
		}
		got := map[string]any{}
		real := false
		for _, f := range rec {
			kind, known := map[string]string{"bn": "s", "bt": "n", "bu": "s", "bv": "n", "bver": "n", "bs": "*",
				"n": "s", "u": "s", "v": "n", "vs": "s", "vb": "b", "vd": "*", "s": "*", "t": "n", "ut": "*"}[f.label]
			if !known && strings.HasSuffix(f.label, "_") {
				return &Pack{Refused: []dewline.Refusal{{Reason: dewline.ReasonUnsupportedField}}}
			}
			if !known || f.value == nil {
				continue
			}
			ok := kind == "*"
			switch v := f.value.(type) {
			case string:
				ok = ok || kind == "s"
			case bool:
				ok = ok || kind == "b"
			case opinionNumber:
				ok = ok || kind == "n"
				if ok && f.label == "bver" && v.value != 26 && (v.value < 0 || v.value > 10 || v.value != math.Trunc(v.value) || math.IsNaN(v.value)) {
					return &Pack{Refused: []dewline.Refusal{{Reason: dewline.ReasonUnsupportedVersion}}}
				}
			}
			if !ok && f.label[0] == 'b' {
				refuse(i, dewline.ReasonMalformed)
				return out
			}
			if !ok {
				got[f.label] = other{}
			} else {
				got[f.label] = f.value
			}
			real = real || f.label[0] != 'b'
			switch v := f.value.(type) {
			case string:
				switch f.label {
				case "bn":
					bn = v
				case "bu":
					bu = &v
				}
			case opinionNumber:
				switch f.label {
				case "bt":
					bt = &v
				case "bv":
					bv = v.value
				}
			}
		}
		if !real {
			continue
		}
		t := opinionNumber{exact: new(big.Rat)}
		if v, ok := got["t"].(opinionNumber); ok {
			t = v
		}
		var at dewline.Millis
		var when dewline.Reason
		if !ordinary(t) || !ordinary(*bt) {
			return nil // such times saturate; no opinion
		}
		sum := new(big.Rat).Add(t.exact, bt.exact)
		if sum.Cmp(big.NewRat(1<<28, 1)) < 0 {
			if in.Duplicate {
				return &Pack{Refused: []dewline.Refusal{{Reason: dewline.ReasonRelativeTimeRepeated}}}
			}
			sum.Add(sum, big.NewRat(int64(in.Received), 1000))
		}
		ms := sum.Mul(sum, big.NewRat(1000, 1))
		ms.Add(ms, big.NewRat(1, 2))
		floor := new(big.Int).Div(ms.Num(), ms.Denom())
		switch {
		case floor.Cmp(big.NewInt(int64(in.Received)+600_000)) > 0:
			when = dewline.ReasonFuture
		case floor.Cmp(big.NewInt(int64(in.Received)-31*86400_000)) < 0:
			when = dewline.ReasonTooOld
		default:
			at = dewline.Millis(floor.Int64())
		}
		bad := func(label string) bool { _, is := got[label].(other); return is }
		has := func(label string) bool { return got[label] != nil && !bad(label) }
		if bad("n") || bad("u") || bad("t") {
			refuse(i, dewline.ReasonMalformed)
			continue
		}
		if !has("v") && !has("vs") && !has("vb") {
			refuse(i, dewline.ReasonNoValue)
			continue
		}
		n, _ := got["n"].(string)
		name := bn + n
		point, ok := dewline.PointNamed(name[strings.LastIndexAny(name, "/:")+1:])
		if !ok {
			refuse(i, dewline.ReasonUnknownPoint)
			continue
		}
		if when != "" {
			refuse(i, when)
			continue
		}
		vs, _ := got["vs"].(string)
		if point.Dimension() == dewline.EventText {
			replaced, isPoint := dewline.PointNamed(vs)
			switch {
			case !has("vs"):
				refuse(i, dewline.ReasonNoValue)
			case point == dewline.SensorReplaced && (!isPoint || replaced == dewline.Serviced || replaced == dewline.SensorReplaced):
				refuse(i, dewline.ReasonUnknownPoint)
			default:
				out.Events = append(out.Events, dewline.Event{System: in.System, Kind: point, At: at, Note: vs})
			}
			continue
		}
		value, reason := opineValue(point, got, bv, bu)
		if reason != "" {
			refuse(i, reason)
			continue
		}
		out.Samples = append(out.Samples, dewline.Sample{System: in.System, Point: point, At: at, Value: value})
	}
	return out
}

func ordinary(t opinionNumber) bool {
	return t.exact != nil && t.exact.Cmp(big.NewRat(maxSeconds, 1)) < 0 && t.exact.Cmp(big.NewRat(-maxSeconds, 1)) > 0
}

func opineValue(p dewline.Point, got map[string]any, bv float64, bu *string) (float64, dewline.Reason) {
	number, isNumber := got["v"].(opinionNumber)
	v := bv + number.value
	notFinite := math.IsNaN(v) || math.IsInf(v, 0)
	switch p.Dimension() {
	case dewline.ModeValue:
		vs, ok := got["vs"].(string)
		if i := slices.Index([]string{"off", "cooling", "heating", "defrost"}, vs); ok && i >= 0 {
			return float64(i), ""
		}
		return 0, dewline.ReasonNoValue
	case dewline.Boolean:
		if vb, ok := got["vb"].(bool); ok {
			return map[bool]float64{true: 1}[vb], ""
		}
		if isNumber && notFinite {
			return 0, dewline.ReasonNotFinite
		}
		if isNumber && (v == 0 || v == 1) {
			return v, ""
		}
		return 0, dewline.ReasonNoValue
	}
	if !isNumber {
		return 0, dewline.ReasonNoValue
	}
	if notFinite {
		return 0, dewline.ReasonNotFinite
	}
	code := ""
	if u, ok := got["u"].(string); ok {
		code = u
	} else if bu != nil {
		code = *bu
	}
	if code == "" {
		return 0, dewline.ReasonNoUnit
	}
	if code == p.Unit() || code == "count" && p == dewline.CompressorStage {
		return v, ""
	}
	accepted := map[dewline.Dimension]string{
		dewline.Pressure: "hPa kPa MPa bar [psi] [in_i'Hg]", dewline.Temperature: "K [degF]", dewline.Humidity: "/ % /100 /1000 ppm",
		dewline.Current: "mA", dewline.Power: "kW", dewline.Percent: "/ /100 /1000 ppm",
	}[p.Dimension()]
	from, known := si.UnitByCode(code)
	if !known {
		return 0, dewline.ReasonUnknownUnit
	}
	if !slices.Contains(strings.Fields(accepted), code) {
		return 0, dewline.ReasonWrongUnit
	}
	to, _ := si.UnitByCode(p.Unit())
	v, _ = si.Convert(v, from, to)
	if math.IsInf(v, 0) {
		return 0, dewline.ReasonNotFinite
	}
	return v, ""
}

// sameOutcome compares without the words for people.
func sameOutcome(a, b *Pack) bool {
	return slices.Equal(a.Samples, b.Samples) && slices.Equal(a.Events, b.Events) &&
		slices.EqualFunc(a.Refused, b.Refused, func(x, y dewline.Refusal) bool { return x.Reason == y.Reason && x.Record == y.Record })
}

func decimalOf(text string) (opinionNumber, bool) {
	value, _ := strconv.ParseFloat(text, 64)
	if len(text) > 40 { // beyond the digits and exponents that times are exact for
		return opinionNumber{value: value}, false
	}
	if _, exp, ok := strings.Cut(strings.ToLower(text), "e"); ok && len(exp) > 3 {
		return opinionNumber{value: value}, false
	}
	digits := strings.Count(text, "") // a bound; the exponent's digits count too
	exact, ok := new(big.Rat).SetString(text)
	return opinionNumber{exact: exact, value: value}, ok && digits <= maxDigits+1
}

// readJSON reads a valid JSON pack label by label. It reports false for one with numbers that are
// not compared.
func readJSON(payload []byte) (records []opinionRecord, comparable bool) {
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.UseNumber()
	comparable = true
	value := func() any {
		var v any
		if err := dec.Decode(&v); err != nil {
			panic(err)
		}
		switch v := v.(type) {
		case nil, bool, string:
			return v
		case json.Number:
			n, ok := decimalOf(string(v))
			comparable = comparable && ok
			return n
		}
		return other{}
	}
	token := func() json.Token {
		t, err := dec.Token()
		if err != nil && err != io.EOF {
			panic(err)
		}
		return t
	}
	token() // [
	for dec.More() {
		var raw json.RawMessage
		if err := dec.Decode(&raw); err != nil {
			panic(err)
		}
		if raw[0] != '{' {
			records = append(records, nil)
			continue
		}
		outer := dec
		dec = json.NewDecoder(bytes.NewReader(raw))
		dec.UseNumber()
		record := opinionRecord{}
		for token(); dec.More(); {
			label := token().(string)
			record = append(record, opinionField{label, value()})
		}
		records = append(records, record)
		dec = outer
	}
	return records, comparable
}

func seeds(f *testing.F, extension string) {
	files, err := filepath.Glob("../../testdata/payloads/*" + extension)
	if err != nil || len(files) == 0 {
		f.Fatal("no payloads in testdata", err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, false)
		f.Add(b, true)
	}
}

// brokeOff returns the refusal of a pack that breaks off, if there is one.
func brokeOff(out *Pack) bool {
	n := len(out.Refused)
	return n > 0 && strings.HasSuffix(out.Refused[n-1].Detail, "are lost")
}

func FuzzDecodeJSON(f *testing.F) {
	seeds(f, ".json")
	f.Add([]byte(`[{"bn":"a:","bt":1940000000.0005,"bu":"Cel","bv":1,"n":"space_temp","v":2},{"n":"door_open","vb":true,"x":{"y":[1,"\ud83d\ude00"]}},{"bver":27},{"x_":1}]`), false)
	f.Fuzz(func(t *testing.T, payload []byte, duplicate bool) {
		in := live
		in.Duplicate = duplicate
		out := decode(payload, in)
		bounded(t, payload, out)
		if len(payload) == 0 || payload[0] != '[' {
			return
		}
		if !json.Valid(payload) {
			if len(out.Refused) == 0 {
				t.Errorf("not JSON, and not refused: %s", show(out))
			}
			return
		}
		records, comparable := readJSON(payload)
		deep := bytes.Count(payload, []byte("["))+bytes.Count(payload, []byte("{")) > maxDepth+len(records)
		if !comparable || deep || !utf8.Valid(payload) || len(records) > MaxRecords {
			return
		}
		if want := opine(records, in); want != nil && !sameOutcome(out, want) {
			t.Errorf("%s\n got %s\nwant %s", payload, show(out), show(want))
		}
		reencode(t, out)
	})
}

// bounded holds what must be true of any payload.
func bounded(t *testing.T, payload []byte, out *Pack) {
	t.Helper()
	if n := len(out.Samples) + len(out.Events) + len(out.Refused); n > MaxRecords+1 || n > len(payload)+1 {
		t.Errorf("%d outcomes of %d bytes", n, len(payload))
	}
	for _, s := range out.Samples {
		if !s.Point.Known() || !finite(s.Value) || s.System != hallAC || s.At > received+600_000 || s.At < received-31*86400_000 {
			t.Errorf("sample %+v", s)
		}
	}
	for _, r := range out.Refused {
		if len(r.Name) > 3*maxNameShown || len(r.Detail) > 500 || !utf8.ValidString(r.Name) || !slices.Contains(dewline.Reasons(), r.Reason) {
			t.Errorf("refusal %+v", r)
		}
	}
}

// reencode checks that what was decoded survives both encodings.
func reencode(t *testing.T, out *Pack) {
	t.Helper()
	samples := slices.Clone(out.Samples)
	slices.SortStableFunc(samples, func(a, b dewline.Sample) int { return int(a.At - b.At) })
	if len(samples) == 0 || len(samples) > 1000 {
		return
	}
	for _, p := range [][]byte{AppendJSON(nil, "", samples, nil), AppendCBOR(nil, "", samples, nil)} {
		if again := decode(p, live); !slices.Equal(again.Samples, samples) || len(again.Refused) != 0 {
			t.Errorf("encoded as %q\n got %s\nwant %s", p, show(again), show(&Pack{Samples: samples}))
		}
	}
}

func FuzzDecodeCBOR(f *testing.F) {
	for _, name := range []string{"live.json", "relative.json", "trade-units.json"} {
		out := decode(payload(f, name), live)
		f.Add(AppendCBOR(nil, "", out.Samples, out.Events), false)
	}
	seeds(f, ".cbor")
	f.Add([]byte("\x82\xbf\x22\x1a\x73\xa2\x0d\x00\x00\x6cspace_temp\x00\x00\x01\x63Cel\x02\xf9\x49\x80\xff\xa1\x62x_\x80"), false)
	f.Add([]byte("\x9f\xa5\x22\x1a\x73\xa2\x0d\x00\x00\x6asp\x61ce_temp\x01\x63Cel\x02\xc4\x82\x20\x18\xe7\x06\xfb\x3f\x50\x62\x4d\xd2\xf1\xa9\xfc\xff"), false)
	f.Fuzz(func(t *testing.T, payload []byte, duplicate bool) {
		in := live
		in.Duplicate = duplicate
		out := decode(payload, in)
		bounded(t, payload, out)
		if len(payload) == 0 || payload[0]>>5 != majorArray || len(payload) > 10_000 {
			return
		}
		wellFormed := lenient.Wellformed(payload) == nil
		switch {
		case !wellFormed && len(out.Refused) == 0:
			t.Errorf("%x is not well-formed, and not refused: %s", payload, show(out))
		case wellFormed && brokeOff(out) && !strings.Contains(out.Refused[len(out.Refused)-1].Detail, errDepth.Error()) &&
			!strings.Contains(out.Refused[len(out.Refused)-1].Detail, errBaseKind.Error()):
			t.Errorf("%x is well-formed: %+v", payload, out.Refused)
		}
		records, ok := readCBOR(payload)
		if !ok || strings.Contains(fmt.Sprint(out.Refused), errDepth.Error()) {
			return
		}
		if want := opine(records, in); want != nil && !sameOutcome(out, want) {
			t.Errorf("%x\n got %s\nwant %s", payload, show(out), show(want))
		}
		reencode(t, out)
	})
}

var lenient, strict = func() (cbor.DecMode, cbor.DecMode) {
	// Tags are kept as they are, and a label that stands twice is not compared: the order is lost.
	options := cbor.DecOptions{MaxNestedLevels: 256, MaxArrayElements: 1 << 20, MaxMapPairs: 1 << 20,
		DupMapKey: cbor.DupMapKeyEnforcedAPF, BignumTag: cbor.BignumTagForbidden}
	s, err := options.DecMode()
	if err != nil {
		panic(err)
	}
	l, err := cbor.DecOptions{MaxNestedLevels: 256, MaxArrayElements: 1 << 20, MaxMapPairs: 1 << 20}.DecMode()
	if err != nil {
		panic(err)
	}
	return l, s
}()

// readCBOR reads a pack, and reports false for what is not compared.
func readCBOR(payload []byte) (records []opinionRecord, ok bool) {
	var raw []any
	if err := strict.Unmarshal(payload, &raw); err != nil || len(raw) > MaxRecords {
		return nil, false
	}
	labels := map[int64]string{}
	for i, name := range fieldNames {
		labels[int64(i)-labelOffset] = name
	}
	for _, r := range raw {
		m, isMap := r.(map[any]any)
		if !isMap {
			records = append(records, nil)
			continue
		}
		got := map[string]any{}
		for k, v := range m {
			label := ""
			switch k := k.(type) {
			case uint64:
				if k < 100 {
					label = labels[int64(k)]
				}
			case int64:
				label = labels[k]
			case string:
				label = k
			}
			if label == "" {
				continue
			}
			if _, twice := got[label]; twice {
				return nil, false
			}
			value, ok := opinionOf(v)
			if !ok {
				return nil, false
			}
			got[label] = value
		}
		record := opinionRecord{}
		// The order is lost too; it matters only if more than one field refuses.
		for _, label := range slices.Sorted(maps.Keys(got)) {
			record = append(record, opinionField{label, got[label]})
		}
		if refusing(record) > 1 {
			return nil, false
		}
		records = append(records, record)
	}
	return records, true
}

// refusing counts the fields that may refuse the pack or break it off.
func refusing(record opinionRecord) (n int) {
	for _, f := range record {
		if strings.HasSuffix(f.label, "_") || f.label[:min(1, len(f.label))] == "b" {
			_, isNumber := f.value.(opinionNumber)
			_, isText := f.value.(string)
			fine := (isText && (f.label == "bn" || f.label == "bu")) || (isNumber && (f.label == "bt" || f.label == "bv"))
			if !fine {
				n++
			}
		}
	}
	return n
}

func opinionOf(v any) (any, bool) {
	switch v := v.(type) {
	case nil, bool, string:
		return v, true
	case uint64:
		return opinionNumber{new(big.Rat).SetUint64(v), float64(v)}, true
	case int64:
		return opinionNumber{new(big.Rat).SetInt64(v), float64(v)}, true
	case float64:
		if v != math.Trunc(v) && float64(float32(v)) == v || math.Abs(v) >= maxSeconds || math.IsNaN(v) {
			return nil, false // it may have been a shorter float, which stands for other decimals
		}
		exact, ok := new(big.Rat).SetString(strconv.FormatFloat(v, 'e', -1, 64))
		return opinionNumber{exact, v}, ok
	case big.Int: // an integer beyond int64, which SenML has no use for
		return nil, false
	case cbor.Tag:
		parts, isArray := v.Content.([]any)
		if v.Number != tagDecimal || !isArray || len(parts) != 2 {
			return other{}, v.Number != tagDecimal
		}
		exp, ok := opinionOf(parts[0])
		mant, alsoOK := opinionOf(parts[1])
		e, isNumber := exp.(opinionNumber)
		m, alsoNumber := mant.(opinionNumber)
		if !ok || !alsoOK || !isNumber || !alsoNumber || !e.exact.IsInt() || !m.exact.IsInt() || math.Abs(e.value) > 30 {
			return nil, false
		}
		if _, isFloat := parts[0].(float64); isFloat {
			return nil, false
		}
		if _, isFloat := parts[1].(float64); isFloat {
			return nil, false
		}
		n, ok := decimalOf(m.exact.Num().String() + "e" + e.exact.Num().String())
		return n, ok
	}
	return other{}, true
}
