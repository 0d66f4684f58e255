package senml

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"strconv"

	"dewline"
)

// AppendJSON appends a pack of readings and events of one system to dst, in JSON. Base is the base
// name: "" under a topic, which names the system already, "<site>/<system>/" in a recording. Both
// lists are in the order of time, and so is the pack.
//
// The times must be Unix times that SenML can write as such, from July 1978 on. A sample that is not
// finite or whose point is no measurement is left out. Keeping to MaxRecords and MaxPackBytes is
// for the caller.
func AppendJSON(dst []byte, base string, samples []dewline.Sample, events []dewline.Event) []byte {
	e := jsonEncoder{dst: append(dst, '['), base: base}
	eachRecord(samples, events, e.sample, e.event)
	return append(e.dst, ']')
}

// AppendCBOR is AppendJSON for CBOR, which takes about half the bytes.
func AppendCBOR(dst []byte, base string, samples []dewline.Sample, events []dewline.Event) []byte {
	n := 0
	eachRecord(samples, events, func(dewline.Sample) { n++ }, func(dewline.Event) { n++ })
	e := cborEncoder{dst: appendHead(dst, majorArray, uint64(n)), base: base}
	eachRecord(samples, events, e.sample, e.event)
	return e.dst
}

// eachRecord calls sample and event in the order of time, with what can be written.
func eachRecord(samples []dewline.Sample, events []dewline.Event, sample func(dewline.Sample), event func(dewline.Event)) {
	for _, s := range samples {
		for len(events) > 0 && events[0].At < s.At {
			event(events[0])
			events = events[1:]
		}
		if s.Point.Known() && s.Point.Dimension() != dewline.EventText && finite(s.Value) {
			sample(s)
		}
	}
	for _, e := range events {
		event(e)
	}
}

// running is what an encoder remembers of the base fields it wrote.
type running struct {
	started bool
	time    dewline.Millis
	unit    string
}

// needsUnit says whether a record of p must set bu.
func (b *running) needsUnit(p dewline.Point) bool {
	if p.Unit() == "" || p.Unit() == b.unit {
		return false
	}
	b.unit = p.Unit()
	return true
}

type jsonEncoder struct {
	dst  []byte
	base string
	running
}

// open begins a record of p at t. A record always has a field, since n is one.
func (e *jsonEncoder) open(p dewline.Point, t dewline.Millis) {
	if e.started {
		e.dst = append(e.dst, `,{`...)
	} else {
		e.dst = append(e.dst, '{')
		if e.base != "" {
			e.dst = append(appendText(append(e.dst, `"bn":`...), e.base), ',')
		}
		e.dst = append(appendSeconds(append(e.dst, `"bt":`...), t), ',')
		e.started, e.time = true, t
	}
	if e.needsUnit(p) {
		e.dst = append(append(append(e.dst, `"bu":"`...), e.unit...), `",`...)
	}
	e.dst = append(append(append(e.dst, `"n":"`...), p.String()...), '"')
	if t != e.time {
		e.dst = appendSeconds(append(e.dst, `,"t":`...), t-e.time)
	}
}

func (e *jsonEncoder) sample(s dewline.Sample) {
	e.open(s.Point, s.At)
	switch s.Point.Dimension() {
	case dewline.Boolean:
		e.dst = strconv.AppendBool(append(e.dst, `,"vb":`...), s.Value != 0)
	case dewline.ModeValue:
		e.dst = append(append(append(e.dst, `,"vs":"`...), dewline.Mode(s.Value).String()...), '"')
	default:
		e.dst = appendFloat(append(e.dst, `,"v":`...), s.Value)
	}
	e.dst = append(e.dst, '}')
}

func (e *jsonEncoder) event(v dewline.Event) {
	e.open(v.Kind, v.At)
	e.dst = append(appendText(append(e.dst, `,"vs":`...), v.Note), '}')
}

// appendSeconds appends m as seconds with at most three decimals.
func appendSeconds(dst []byte, m dewline.Millis) []byte {
	if m < 0 {
		dst, m = append(dst, '-'), -m
	}
	dst = strconv.AppendInt(dst, int64(m/1000), 10)
	ms := m % 1000
	if ms == 0 {
		return dst
	}
	dst = append(dst, '.', byte('0'+ms/100), byte('0'+ms/10%10), byte('0'+ms%10))
	for dst[len(dst)-1] == '0' {
		dst = dst[:len(dst)-1]
	}
	return dst
}

// appendFloat appends the shortest decimal that reads back as v.
func appendFloat(dst []byte, v float64) []byte {
	format := byte('f')
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e21) {
		format = 'e'
	}
	return strconv.AppendFloat(dst, v, format, -1, 64)
}

// appendText appends text as a JSON text.
func appendText(dst []byte, text string) []byte {
	quoted, _ := json.Marshal(text) // a string always has a JSON form
	return append(dst, quoted...)
}

type cborEncoder struct {
	dst  []byte
	base string
	running
}

// open begins a record of p at t with its value still to come under label.
func (e *cborEncoder) open(p dewline.Point, t dewline.Millis, label field) {
	first := !e.started
	bn, bu := first && e.base != "", e.needsUnit(p)
	if first {
		e.started, e.time = true, t
	}
	count := uint64(2)
	for _, there := range [...]bool{bn, first, bu, t != e.time} {
		if there {
			count++
		}
	}
	e.dst = appendHead(e.dst, majorMap, count)
	if bn {
		e.dst = appendCBORText(appendLabel(e.dst, fieldBN), e.base)
	}
	if first {
		e.dst = appendCBORSeconds(appendLabel(e.dst, fieldBT), t)
	}
	if bu {
		e.dst = appendCBORText(appendLabel(e.dst, fieldBU), e.unit)
	}
	e.dst = appendCBORText(appendLabel(e.dst, fieldN), p.String())
	if t != e.time {
		e.dst = appendCBORSeconds(appendLabel(e.dst, fieldT), t-e.time)
	}
	e.dst = appendLabel(e.dst, label)
}

func (e *cborEncoder) sample(s dewline.Sample) {
	switch s.Point.Dimension() {
	case dewline.Boolean:
		e.open(s.Point, s.At, fieldVB)
		simple := uint64(simpleFalse)
		if s.Value != 0 {
			simple = simpleTrue
		}
		e.dst = appendHead(e.dst, majorSimple, simple)
	case dewline.ModeValue:
		e.open(s.Point, s.At, fieldVS)
		e.dst = appendCBORText(e.dst, dewline.Mode(s.Value).String())
	default:
		e.open(s.Point, s.At, fieldV)
		e.dst = appendCBORFloat(e.dst, s.Value)
	}
}

func (e *cborEncoder) event(v dewline.Event) {
	e.open(v.Kind, v.At, fieldVS)
	e.dst = appendCBORText(e.dst, v.Note)
}

// appendHead appends the head of an item in its shortest form.
func appendHead(dst []byte, major byte, arg uint64) []byte {
	major <<= 5
	switch {
	case arg < 24:
		return append(dst, major|byte(arg))
	case arg <= math.MaxUint8:
		return append(dst, major|24, byte(arg))
	case arg <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(dst, major|25), uint16(arg))
	case arg <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(dst, major|26), uint32(arg))
	default:
		return binary.BigEndian.AppendUint64(append(dst, major|27), arg)
	}
}

func appendInt(dst []byte, v int64) []byte {
	if v < 0 {
		return appendHead(dst, majorNegative, uint64(-1-v))
	}
	return appendHead(dst, majorUnsigned, uint64(v))
}

func appendLabel(dst []byte, f field) []byte { return appendInt(dst, int64(f)-labelOffset) }

func appendCBORText(dst []byte, text string) []byte {
	return append(appendHead(dst, majorText, uint64(len(text))), text...)
}

// appendDecimal appends mant·10^exp as a decimal fraction.
func appendDecimal(dst []byte, mant, exp int64) []byte {
	dst = appendHead(dst, majorTag, tagDecimal)
	return appendInt(appendInt(appendHead(dst, majorArray, 2), exp), mant)
}

func appendCBORSeconds(dst []byte, m dewline.Millis) []byte {
	if m%1000 == 0 {
		return appendInt(dst, int64(m/1000))
	}
	return appendDecimal(dst, int64(m), -3)
}

// appendCBORFloat appends v in a short form that reads back as v: an integer, a decimal fraction of
// a few decimals, as sensors give them, or a float.
func appendCBORFloat(dst []byte, v float64) []byte {
	if math.Abs(v) < 1<<53 {
		if v == math.Trunc(v) {
			return appendInt(dst, int64(v))
		}
		for decimals := 1; decimals <= 3; decimals++ {
			scaled := math.Round(v * exact10[decimals])
			if math.Abs(scaled) < 1<<31 && scaled/exact10[decimals] == v {
				return appendDecimal(dst, int64(scaled), int64(-decimals))
			}
		}
	}
	if single := float32(v); float64(single) == v {
		return binary.BigEndian.AppendUint32(append(dst, majorSimple<<5|26), math.Float32bits(single))
	}
	return binary.BigEndian.AppendUint64(append(dst, majorSimple<<5|27), math.Float64bits(v))
}
