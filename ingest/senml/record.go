package senml

import (
	"bytes"
	"errors"
	"fmt"

	"dewline"
)

// field is a field of a SenML record, the same in both encodings. Its number is the CBOR label of
// RFC 8428 table 4 plus labelOffset.
type field uint8

const labelOffset = 6

const (
	fieldBS field = iota
	fieldBV
	fieldBU
	fieldBT
	fieldBN
	fieldBVer
	fieldN
	fieldU
	fieldV
	fieldVS
	fieldVB
	fieldS
	fieldT
	fieldUT
	fieldVD
	fieldUnknown
)

var fieldNames = [...]string{"bs", "bv", "bu", "bt", "bn", "bver", "n", "u", "v", "vs", "vb", "s", "t", "ut", "vd"}

func (f field) isBase() bool { return f <= fieldBVer }

// fieldNamed returns the field with that JSON label.
func fieldNamed(label []byte) field {
	switch string(label) {
	case "n":
		return fieldN
	case "v":
		return fieldV
	case "u":
		return fieldU
	case "t":
		return fieldT
	case "vb":
		return fieldVB
	case "vs":
		return fieldVS
	case "bu":
		return fieldBU
	case "bt":
		return fieldBT
	case "bn":
		return fieldBN
	case "bv":
		return fieldBV
	case "bver":
		return fieldBVer
	case "bs":
		return fieldBS
	case "s":
		return fieldS
	case "ut":
		return fieldUT
	case "vd":
		return fieldVD
	}
	return fieldUnknown
}

// mustUnderstand says whether a field that is not known refuses the pack (RFC 8428 section 4.4).
func mustUnderstand(label []byte) bool { return len(label) > 0 && label[len(label)-1] == '_' }

// kind is what an item of the encoding is to SenML.
type kind uint8

const (
	kindOther kind = iota // an array, an object, bytes, ...
	kindNull
	kindText
	kindNumber
	kindBool
)

// item is one value in the payload.
type item struct {
	kind   kind
	truth  bool
	text   []byte // of a text, in the payload or in Decoder.texts
	number number
}

// wanted is the kind of value that each field takes; those that Dewline does not use take any.
var wanted = [fieldUnknown]kind{
	fieldBV: kindNumber, fieldBU: kindText, fieldBT: kindNumber, fieldBN: kindText, fieldBVer: kindNumber,
	fieldN: kindText, fieldU: kindText, fieldV: kindNumber, fieldVS: kindText, fieldVB: kindBool, fieldT: kindNumber,
}

var kindNames = [...]string{kindText: "a text", kindNumber: "a number", kindBool: "true or false"}

// fields is a set of fields.
type fields uint32

func (s fields) has(f field) bool        { return s&(1<<f) != 0 }
func (s fields) hasAny(some fields) bool { return s&some != 0 }
func (s *fields) add(f field)            { *s |= 1 << f }
func (s *fields) drop(f field)           { *s &^= 1 << f }

const (
	baseFields  fields = 1<<fieldBS | 1<<fieldBV | 1<<fieldBU | 1<<fieldBT | 1<<fieldBN | 1<<fieldBVer
	valueFields fields = 1<<fieldV | 1<<fieldVS | 1<<fieldVB
)

// record is what one record says itself.
type record struct {
	has     fields // there, of the right kind
	wrong   fields // there, of the wrong kind
	foreign bool   // not a record at all
	n, vs   []byte
	u       unit
	code    []byte // of u
	v       float64
	vb      bool
	t       instant
}

// base is what holds until replaced: the base fields up to the current record.
type base struct {
	name   []byte
	tail   int              // where the part after the last separator of name begins
	system dewline.SystemID // that name begins with, in a recording
	unit   unit
	code   []byte // of unit
	value  float64
	time   instant
}

func (b *base) reset() {
	*b = base{name: b.name[:0], code: b.code[:0]}
}

var errBaseKind = errors.New("a base field of the wrong kind")

// set takes one field of the current record. A label that stands twice counts as it stands last.
// A null is as good as no field at all: some encoders write it for what they do not know.
func (d *Decoder) set(f field) error {
	it, r := &d.item, &d.rec
	if f == fieldUnknown || it.kind == kindNull {
		return nil
	}
	if w := wanted[f]; w != kindOther && w != it.kind {
		if f.isBase() { // the records that stand on it could be wrong in any way
			return fmt.Errorf("%w: %s must be %s", errBaseKind, fieldNames[f], kindNames[w])
		}
		r.has.drop(f)
		r.wrong.add(f)
		return nil
	}
	r.has.add(f)
	r.wrong.drop(f)
	switch f {
	case fieldN:
		r.n = it.text
	case fieldV:
		r.v = it.number.float()
	case fieldU:
		r.u, r.code = unitOf(it.text), it.text
	case fieldT:
		r.t = it.number.instant()
	case fieldVB:
		r.vb = it.truth
	case fieldVS:
		r.vs = it.text
	default:
		return d.setBase(f)
	}
	return nil
}

func (d *Decoder) setBase(f field) error {
	it, b := &d.item, &d.base
	switch f {
	case fieldBN:
		b.name = append(b.name[:0], it.text...)
		b.tail = lastSeparator(b.name) + 1
		if d.in.System == "" {
			b.system = d.intern(systemPrefix(b.name))
		}
	case fieldBT:
		b.time = it.number.instant()
	case fieldBU:
		b.code = append(b.code[:0], it.text...)
		b.unit = unitOf(b.code)
	case fieldBV:
		b.value = it.number.float()
	case fieldBVer:
		if v := it.number.float(); v != 26 && (v < 0 || v > 10 || v != float64(int(v))) {
			return &packRefusal{dewline.ReasonUnsupportedVersion,
				fmt.Sprintf("bver %v: versions up to 10, and 26, are understood", v)}
		}
	}
	return nil
}

// lastSeparator returns the place of the last / or : in name, -1 if there is none.
func lastSeparator(name []byte) int {
	for i := len(name) - 1; i >= 0; i-- {
		if name[i] == '/' || name[i] == ':' {
			return i
		}
	}
	return -1
}

// systemPrefix returns the "<site>/<system>" that name begins with when a further / follows it.
func systemPrefix(name []byte) []byte {
	i := bytes.IndexByte(name, '/')
	if i < 0 {
		return nil
	}
	j := bytes.IndexByte(name[i+1:], '/')
	if j < 0 || !dewline.ValidID(name[:i]) || !dewline.ValidID(name[i+1:i+1+j]) {
		return nil
	}
	return name[:i+1+j]
}

// maxInterned bounds the memory that a recording of made-up names can take.
const maxInterned = 1 << 17

// intern returns the id that prefix spells, "" for none, without a copy if it was seen before.
func (d *Decoder) intern(prefix []byte) dewline.SystemID {
	if len(prefix) == 0 {
		return ""
	}
	id, ok := d.systems[string(prefix)]
	if !ok {
		if d.systems == nil || len(d.systems) >= maxInterned {
			d.systems = make(map[string]dewline.SystemID)
		}
		id = dewline.SystemID(prefix)
		d.systems[string(id)] = id
	}
	return id
}
