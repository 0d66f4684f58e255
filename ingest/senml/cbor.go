package senml

import (
	"errors"
	"fmt"
	"math"
)

// cborReader is a place in a CBOR item (RFC 8949). It reads forward once.
type cborReader struct {
	b    []byte
	i    int
	left uint64 // records still to come
	open bool   // the array of records has no length and ends with a break
}

// The major types of CBOR (RFC 8949 section 3.1).
const (
	majorUnsigned = iota
	majorNegative
	majorBytes
	majorText
	majorArray
	majorMap
	majorTag
	majorSimple
)

const (
	cborBreak       = 0xff
	infoIndefinite  = 31
	tagDecimal      = 4 // RFC 8949 section 3.4.4
	simpleFalse     = 20
	simpleTrue      = 21
	simpleNull      = 22
	simpleUndefined = 23
)

var (
	errReserved = errors.New("a reserved CBOR head")
	errBreak    = errors.New("a CBOR break where there is nothing to end")
	errChunk    = errors.New("a text or bytes in pieces that are none")
	errSimple   = errors.New("a CBOR simple value that is not well-formed")
)

// head is the initial byte of an item and its argument.
type head struct {
	major      byte
	info       byte
	arg        uint64
	indefinite bool
}

// head reads the head of the next item.
func (r *cborReader) head() (head, error) {
	if r.i >= len(r.b) {
		return head{}, errEnd
	}
	c := r.b[r.i]
	r.i++
	h := head{major: c >> 5, info: c & 31}
	switch {
	case h.info < 24:
		h.arg = uint64(h.info)
		return h, nil
	case h.info < 28:
		size := 1 << (h.info - 24)
		if len(r.b)-r.i < size {
			return h, errEnd
		}
		for _, c := range r.b[r.i : r.i+size] {
			h.arg = h.arg<<8 | uint64(c)
		}
		r.i += size
		return h, nil
	case h.info < infoIndefinite:
		return h, r.at(errReserved)
	}
	h.indefinite = true
	switch h.major {
	case majorUnsigned, majorNegative, majorTag:
		return h, r.at(errReserved)
	case majorSimple:
		return h, r.at(errBreak)
	}
	return h, nil
}

// at says where err was found, just before the current byte.
func (r *cborReader) at(err error) error { return fmt.Errorf("byte %d: %w", r.i-1, err) }

// atBreak takes a break if there is one.
func (r *cborReader) atBreak() bool {
	if r.i < len(r.b) && r.b[r.i] == cborBreak {
		r.i++
		return true
	}
	return false
}

// more says whether a container of n items has another one, and takes the break that ends one
// without a length.
func (r *cborReader) more(n *uint64, indefinite bool) bool {
	if indefinite {
		return !r.atBreak()
	}
	if *n == 0 {
		return false
	}
	*n--
	return true
}

// beginCBOR reads the head of the pack.
func (d *Decoder) beginCBOR() error {
	h, err := d.cbor.head()
	d.cbor.left, d.cbor.open = h.arg, h.indefinite
	return err
}

// nextCBOR reads the next record of the array.
func (d *Decoder) nextCBOR() error {
	r := &d.cbor
	if !r.more(&r.left, r.open) {
		if r.i < len(r.b) {
			return errTrail
		}
		return errEndOfPack
	}
	if r.i < len(r.b) && r.b[r.i]>>5 != majorMap {
		d.rec.foreign = true
		return d.cborValue(&d.item, 0)
	}
	h, err := r.head()
	if err != nil {
		return err
	}
	for r.more(&h.arg, h.indefinite) {
		if err := d.cborField(); err != nil {
			return err
		}
	}
	return nil
}

// cborField reads one label and its value into the current record. Labels are the integers of
// RFC 8428 table 4; the texts of the JSON form are understood too, since an encoder that does not
// know the table writes those, and extensions have no integers.
func (d *Decoder) cborField() error {
	if err := d.cborValue(&d.item, 0); err != nil {
		return err
	}
	f := fieldUnknown
	switch label := &d.item; label.kind {
	case kindNumber:
		f = fieldLabelled(&label.number)
	case kindText:
		f = fieldNamed(label.text)
		if f == fieldUnknown && mustUnderstand(label.text) {
			return unsupported(label.text)
		}
	}
	if err := d.cborValue(&d.item, 0); err != nil {
		return err
	}
	return d.set(f)
}

// fieldLabelled returns the field with that integer label.
func fieldLabelled(n *number) field {
	switch {
	case n.binary || n.exp != 0 || n.mant > uint64(fieldVD):
		return fieldUnknown
	case !n.neg && n.mant+labelOffset <= uint64(fieldVD):
		return field(n.mant + labelOffset)
	case n.neg && n.mant <= labelOffset:
		return field(labelOffset - n.mant)
	}
	return fieldUnknown
}

// cborValue reads any item into it; of what SenML has no use for it keeps only that it was there.
func (d *Decoder) cborValue(it *item, depth int) error {
	r := &d.cbor
	h, err := r.head()
	if err != nil {
		return err
	}
	it.kind = kindOther
	switch h.major {
	case majorUnsigned:
		it.kind, it.number = kindNumber, number{mant: h.arg}
		return nil
	case majorNegative:
		it.kind, it.number = kindNumber, negative(h.arg)
		return nil
	case majorBytes:
		_, err := d.cborString(h)
		return err
	case majorText:
		text, err := d.cborString(h)
		it.kind, it.text = kindText, text
		return err
	case majorTag:
		if h.arg == tagDecimal {
			if n, ok := r.decimal(); ok {
				it.kind, it.number = kindNumber, n
				return nil
			}
		}
		return d.skipCBOR(1, depth+1)
	case majorArray, majorMap:
		return d.skipContainer(h, depth+1)
	default:
		return r.simple(h, it)
	}
}

// negative returns -1-arg.
func negative(arg uint64) number {
	if arg == math.MaxUint64 {
		return number{binary: true, f: -0x1p64}
	}
	return number{mant: arg + 1, neg: true}
}

// simple reads what follows the head of a simple value or a float.
func (r *cborReader) simple(h head, it *item) error {
	switch h.info {
	case simpleFalse, simpleTrue:
		it.kind, it.truth = kindBool, h.info == simpleTrue
	case simpleNull, simpleUndefined:
		it.kind = kindNull
	case 24:
		if h.arg < 32 {
			return r.at(errSimple)
		}
	case 25:
		it.kind, it.number = kindNumber, number{binary: true, single: true, f: halfFloat(uint16(h.arg))}
	case 26:
		it.kind, it.number = kindNumber, number{binary: true, single: true, f: float64(math.Float32frombits(uint32(h.arg)))}
	case 27:
		it.kind, it.number = kindNumber, number{binary: true, f: math.Float64frombits(h.arg)}
	}
	return nil
}

// halfFloat returns the value of a 16-bit float (IEEE 754 binary16).
func halfFloat(h uint16) float64 {
	exp, mant := int(h>>10&31), float64(h&1023)
	var f float64
	switch exp {
	case 0:
		f = math.Ldexp(mant, -24)
	case 31:
		if f = math.Inf(1); mant != 0 {
			f = math.NaN()
		}
	default:
		f = math.Ldexp(mant+1024, exp-25)
	}
	if h>>15 == 1 {
		f = -f
	}
	return f
}

// decimal reads the content of tag 4, [exponent, mantissa]. If it is not two integers of 64 bits,
// nothing is read.
func (r *cborReader) decimal() (n number, ok bool) {
	start := r.i
	defer func() {
		if !ok {
			r.i = start
		}
	}()
	h, err := r.head()
	if err != nil || h.major != majorArray || (!h.indefinite && h.arg != 2) {
		return n, false
	}
	e, err := r.head()
	if err != nil || e.major > majorNegative {
		return n, false
	}
	m, err := r.head()
	if err != nil || m.major > majorNegative || (h.indefinite && !r.atBreak()) {
		return n, false
	}
	n = number{mant: m.arg}
	if m.major == majorNegative {
		n = negative(m.arg)
	}
	n.exp = int32(min(e.arg, maxExp10))
	if e.major == majorNegative {
		n.exp = -1 - n.exp
	}
	return n, !n.binary // -2^64 fits no mantissa
}

// cborString reads the bytes of a byte or text string; one in pieces is put together in d.texts.
func (d *Decoder) cborString(h head) ([]byte, error) {
	r := &d.cbor
	if !h.indefinite {
		return r.take(h.arg)
	}
	from := len(d.texts)
	for !r.atBreak() {
		chunk, err := r.head()
		if err != nil {
			return nil, err
		}
		if chunk.major != h.major || chunk.indefinite {
			return nil, r.at(errChunk)
		}
		piece, err := r.take(chunk.arg)
		if err != nil {
			return nil, err
		}
		d.texts = append(d.texts, piece...)
	}
	return d.texts[from:len(d.texts):len(d.texts)], nil
}

// take returns the next n bytes.
func (r *cborReader) take(n uint64) ([]byte, error) {
	if n > uint64(len(r.b)-r.i) {
		r.i = len(r.b)
		return nil, errEnd
	}
	b := r.b[r.i : r.i+int(n)]
	r.i += int(n)
	return b, nil
}

// skipCBOR skips n items.
func (d *Decoder) skipCBOR(n uint64, depth int) error {
	if depth > maxDepth {
		return d.cbor.at(errDepth)
	}
	var skipped item
	for range n {
		if err := d.cborValue(&skipped, depth); err != nil {
			return err
		}
	}
	return nil
}

// skipContainer skips the items of an array or a map.
func (d *Decoder) skipContainer(h head, depth int) error {
	each := uint64(1)
	if h.major == majorMap {
		each = 2
	}
	for d.cbor.more(&h.arg, h.indefinite) {
		if err := d.skipCBOR(each, depth); err != nil {
			return err
		}
	}
	return nil
}
