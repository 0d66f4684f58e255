package senml

import (
	"fmt"
	"math"
	"strings"
	"time"

	"dewline"
)

// relativeBelow separates relative from absolute times, in seconds (RFC 8428 section 4.5.3).
const relativeBelow = 1 << 28

// lastTime is the end of the year 9999.
var lastTime = dewline.MillisOf(time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)) - 1

// resolve applies the base fields to the current record and makes of it a sample, an event or a
// refusal. Its error refuses the whole pack.
func (d *Decoder) resolve() error {
	r := &d.rec
	if r.foreign {
		d.refuse(dewline.ReasonMalformed, "", "a record must be an object (JSON) or a map (CBOR)")
		return nil
	}
	if !(r.has | r.wrong).hasAny(^baseFields) {
		return nil // base fields only: neither a reading nor an error
	}
	at := d.base.time.plus(r.t)
	if at.relative() && d.in.Duplicate {
		return &packRefusal{dewline.ReasonRelativeTimeRepeated,
			"a repeated message with relative times cannot be told from a new one: send Unix times"}
	}
	for _, f := range [...]field{fieldN, fieldU, fieldT} {
		if r.wrong.has(f) {
			d.refuseRecord(dewline.ReasonMalformed, fmt.Sprintf("%s must be %s", fieldNames[f], kindNames[wanted[f]]))
			return nil
		}
	}
	d.keep(at)
	return nil
}

// keep appends the current record, or says why not.
func (d *Decoder) keep(at instant) {
	if !d.rec.has.hasAny(valueFields) {
		d.refuseRecord(dewline.ReasonNoValue, "a reading needs v, vb or vs")
		return
	}
	system := d.system()
	if system == "" {
		d.refuseRecord(dewline.ReasonNoSystem, "in a recording bn+n begins with <site>/<system>/")
		return
	}
	point, ok := d.point()
	if !ok {
		d.refuseRecord(dewline.ReasonUnknownPoint, "not a point of the contract")
		return
	}
	millis, reason := d.time(at)
	if reason != "" {
		d.refuseRecord(reason, d.describe(reason, point, millis))
		return
	}
	if point.Dimension() == dewline.EventText {
		d.keepEvent(dewline.Event{System: system, Kind: point, At: millis})
		return
	}
	value, reason := d.value(point)
	if reason != "" {
		d.refuseRecord(reason, d.describe(reason, point, millis))
		return
	}
	d.out.Samples = append(d.out.Samples, dewline.Sample{System: system, Point: point, At: millis, Value: value})
}

func (d *Decoder) keepEvent(e dewline.Event) {
	if !d.rec.has.has(fieldVS) {
		d.refuseRecord(dewline.ReasonNoValue, d.describe(dewline.ReasonNoValue, e.Kind, e.At))
		return
	}
	if e.Kind == dewline.SensorReplaced {
		if p, ok := dewline.PointOf(d.rec.vs); !ok || p.Dimension() == dewline.EventText {
			d.refuseRecord(dewline.ReasonUnknownPoint, "vs must be the point of the sensor that was replaced")
			return
		}
	}
	e.Note = strings.ToValidUTF8(string(d.rec.vs), "\uFFFD")
	d.out.Events = append(d.out.Events, e)
}

// system returns whom the current record is of, "" if a recording does not say.
func (d *Decoder) system() dewline.SystemID {
	switch {
	case d.in.System != "":
		return d.in.System
	case d.base.system != "":
		return d.base.system
	default: // bn alone may be too short
		d.name = append(append(d.name[:0], d.base.name...), d.rec.n...)
		return d.intern(systemPrefix(d.name))
	}
}

// point returns what the part of bn+n after its last separator names.
func (d *Decoder) point() (dewline.Point, bool) {
	n := d.rec.n
	tail := d.base.name[d.base.tail:]
	if len(tail) == 0 {
		if p, ok := dewline.PointOf(n); ok {
			return p, true
		}
	}
	if i := lastSeparator(n); i >= 0 {
		return dewline.PointOf(n[i+1:])
	}
	d.name = append(append(d.name[:0], tail...), n...)
	return dewline.PointOf(d.name)
}

// time returns when the current record was measured, with a reason if that cannot be taken.
func (d *Decoder) time(at instant) (dewline.Millis, dewline.Reason) {
	m := at.millis()
	received := d.in.Received
	switch {
	case at.nan:
		return m, dewline.ReasonNotFinite
	case at.relative() && received == 0:
		return m, dewline.ReasonRelativeTime
	case at.relative():
		m += received
	}
	switch {
	case received == 0 && m > lastTime:
		return m, dewline.ReasonTimeOutOfRange
	case received != 0 && m > received.Add(MaxAhead):
		return m, dewline.ReasonFuture
	case received != 0 && m < received.Add(-d.in.MaxAge):
		return m, dewline.ReasonTooOld
	}
	return m, ""
}

// value returns the current record's value as p stores it, with a reason if there is none.
func (d *Decoder) value(p dewline.Point) (float64, dewline.Reason) {
	r := &d.rec
	switch p.Dimension() {
	case dewline.Boolean:
		return d.boolean()
	case dewline.ModeValue:
		if mode, ok := dewline.ModeOf(r.vs); ok && r.has.has(fieldVS) {
			return float64(mode), ""
		}
		return 0, dewline.ReasonNoValue
	}
	if !r.has.has(fieldV) {
		return 0, dewline.ReasonNoValue
	}
	v := d.base.value + r.v
	if !finite(v) {
		return 0, dewline.ReasonNotFinite
	}
	u := d.base.unit
	if r.has.has(fieldU) {
		u = r.u
	}
	v, reason := u.convert(v, p.Dimension())
	if reason == "" && !finite(v) {
		reason = dewline.ReasonNotFinite
	}
	return v, reason
}

// boolean returns 0 or 1: from vb, or from a number that is one of them.
func (d *Decoder) boolean() (float64, dewline.Reason) {
	r := &d.rec
	switch {
	case r.has.has(fieldVB) && r.vb:
		return 1, ""
	case r.has.has(fieldVB):
		return 0, ""
	case !r.has.has(fieldV):
		return 0, dewline.ReasonNoValue
	}
	switch v := d.base.value + r.v; {
	case !finite(v):
		return 0, dewline.ReasonNotFinite
	case v == 0 || v == 1:
		return v, ""
	}
	return 0, dewline.ReasonNoValue
}

func finite(v float64) bool { return !math.IsInf(v, 0) && !math.IsNaN(v) }

// maxNameShown bounds what a refusal quotes.
const maxNameShown = 128

func (d *Decoder) refuseRecord(reason dewline.Reason, detail string) {
	name := append(append(d.name[:0], d.base.name...), d.rec.n...)
	d.name = name
	if len(name) > maxNameShown {
		name = name[:maxNameShown]
	}
	d.refuse(reason, strings.ToValidUTF8(string(name), "\uFFFD"), detail)
}

// describe says for people what was wrong with a record of p and what would be right.
func (d *Decoder) describe(reason dewline.Reason, p dewline.Point, at dewline.Millis) string {
	switch reason {
	case dewline.ReasonNoValue:
		return p.String() + " takes " + takes(p)
	case dewline.ReasonNoUnit:
		return fmt.Sprintf("give u or bu: %s is in %s", p, p.Unit())
	case dewline.ReasonWrongUnit, dewline.ReasonUnknownUnit:
		return fmt.Sprintf("u %.32q: %s is in %s", d.code(), p, p.Unit())
	case dewline.ReasonFuture:
		return fmt.Sprintf("%v ahead of its receipt: set the gateway's clock", at.Sub(d.in.Received))
	case dewline.ReasonTooOld:
		return fmt.Sprintf("%v before its receipt; at most %v are taken", d.in.Received.Sub(at), d.in.MaxAge)
	case dewline.ReasonRelativeTime:
		return "a recording has no receipt: give Unix times"
	case dewline.ReasonTimeOutOfRange:
		return "times end with the year 9999"
	default:
		return "a number that is not finite"
	}
}

// code returns the unit of the current record as it was written.
func (d *Decoder) code() []byte {
	if d.rec.has.has(fieldU) {
		return d.rec.code
	}
	return d.base.code
}

// takes says which value a point takes.
func takes(p dewline.Point) string {
	switch p.Dimension() {
	case dewline.Boolean:
		return "vb, or v 0 or 1"
	case dewline.ModeValue:
		return "vs off, cooling, heating or defrost"
	case dewline.EventText:
		return "vs"
	default:
		return "v"
	}
}
