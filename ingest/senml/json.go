package senml

import (
	"errors"
	"fmt"
	"unicode/utf16"
	"unicode/utf8"

	"dewline"
)

// jsonReader is a place in a JSON text (RFC 8259). It reads forward once; texts without escapes
// and numbers stay where they are.
type jsonReader struct {
	b      []byte
	i      int
	inside bool // past the first record
}

// maxDepth bounds how deep an unknown field may nest, which is skipped by recursion.
const maxDepth = 32

var (
	errEnd     = errors.New("the pack ends in the middle")
	errRecord  = errors.New("expected , or ] after a record")
	errTrail   = errors.New("something follows the pack")
	errLabel   = errors.New("expected a label in quotes")
	errColon   = errors.New("expected : after a label")
	errField   = errors.New("expected , or } after a field")
	errElement = errors.New("expected , or ] after an element")
	errNumber  = errors.New("not a number")
	errEscape  = errors.New("an unknown escape in a text")
	errControl = errors.New("a control character in a text")
	errValue   = errors.New("not a JSON value")
	errDepth   = errors.New("nested too deep")
)

// nextJSON reads the next record of the array.
func (d *Decoder) nextJSON() error {
	r := &d.json
	switch c := r.peek(); {
	case c == ']':
		r.i++
		if r.peek(); r.i < len(r.b) {
			return errTrail
		}
		return errEndOfPack
	case r.inside && c != ',':
		return r.orEnd(errRecord)
	case r.inside:
		r.i++
	}
	r.inside = true
	if r.peek() != '{' {
		d.rec.foreign = true
		return d.jsonValue(&d.item, 0)
	}
	return d.jsonRecord()
}

// jsonRecord reads an object into the current record.
func (d *Decoder) jsonRecord() error {
	r := &d.json
	r.i++
	if r.peek() == '}' {
		r.i++
		return nil
	}
	for {
		if r.peek() != '"' {
			return r.orEnd(errLabel)
		}
		label, err := d.jsonText()
		if err != nil {
			return err
		}
		if r.peek() != ':' {
			return r.orEnd(errColon)
		}
		r.i++
		f := fieldNamed(label)
		if f == fieldUnknown && mustUnderstand(label) {
			return unsupported(label)
		}
		if err := d.jsonValue(&d.item, 0); err != nil {
			return err
		}
		if err := d.set(f); err != nil {
			return err
		}
		switch r.peek() {
		case ',':
			r.i++
		case '}':
			r.i++
			return nil
		default:
			return r.orEnd(errField)
		}
	}
}

func unsupported(label []byte) error {
	return &packRefusal{dewline.ReasonUnsupportedField,
		fmt.Sprintf("field %.64q must be understood and is not: leave it out", label)}
}

// peek skips white space and returns the next byte, 0 at the end.
func (r *jsonReader) peek() byte {
	for ; r.i < len(r.b); r.i++ {
		switch c := r.b[r.i]; c {
		case ' ', '\t', '\n', '\r':
		default:
			return c
		}
	}
	return 0
}

// orEnd returns err, or that the text ended.
func (r *jsonReader) orEnd(err error) error {
	if r.i >= len(r.b) {
		return errEnd
	}
	return fmt.Errorf("byte %d: %w", r.i, err)
}

// jsonValue reads any value into it; of arrays and objects it keeps only that they are one.
func (d *Decoder) jsonValue(it *item, depth int) error {
	r := &d.json
	switch c := r.peek(); c {
	case '"':
		text, err := d.jsonText()
		it.kind, it.text = kindText, text
		return err
	case 't':
		it.kind, it.truth = kindBool, true
		return r.word("true")
	case 'f':
		it.kind, it.truth = kindBool, false
		return r.word("false")
	case 'n':
		it.kind = kindNull
		return r.word("null")
	case '{':
		err := d.skipObject(depth + 1)
		it.kind = kindOther
		return err
	case '[':
		err := d.skipArray(depth + 1)
		it.kind = kindOther
		return err
	default:
		return r.number(it)
	}
}

func (r *jsonReader) number(it *item) error {
	if r.i >= len(r.b) {
		return errEnd
	}
	if c := r.b[r.i]; c != '-' && c-'0' > 9 {
		return r.orEnd(errValue)
	}
	n, size := parseDecimal(r.b[r.i:])
	if size == 0 {
		return r.orEnd(errNumber)
	}
	n.text = r.b[r.i : r.i+size]
	r.i += size
	it.kind, it.number = kindNumber, n
	return nil
}

func (r *jsonReader) word(w string) error {
	if rest := r.b[r.i:]; len(rest) < len(w) || string(rest[:len(w)]) != w {
		return r.orEnd(errValue)
	}
	r.i += len(w)
	return nil
}

func (d *Decoder) skipObject(depth int) error {
	r := &d.json
	if depth > maxDepth {
		return r.orEnd(errDepth)
	}
	var skipped item
	for first := true; ; first = false {
		r.i++ // { or ,
		c := r.peek()
		if c == '}' && first {
			r.i++
			return nil
		}
		if c != '"' {
			return r.orEnd(errLabel)
		}
		if _, err := d.jsonText(); err != nil {
			return err
		}
		if r.peek() != ':' {
			return r.orEnd(errColon)
		}
		r.i++
		if err := d.jsonValue(&skipped, depth); err != nil {
			return err
		}
		switch r.peek() {
		case ',':
		case '}':
			r.i++
			return nil
		default:
			return r.orEnd(errField)
		}
	}
}

func (d *Decoder) skipArray(depth int) error {
	r := &d.json
	if depth > maxDepth {
		return r.orEnd(errDepth)
	}
	var skipped item
	for first := true; ; first = false {
		r.i++ // [ or ,
		if r.peek() == ']' && first {
			r.i++
			return nil
		}
		if err := d.jsonValue(&skipped, depth); err != nil {
			return err
		}
		switch r.peek() {
		case ',':
		case ']':
			r.i++
			return nil
		default:
			return r.orEnd(errElement)
		}
	}
}

// jsonText reads a text, which begins at the current byte.
func (d *Decoder) jsonText() ([]byte, error) {
	r := &d.json
	start := r.i + 1
	for i := start; i < len(r.b); i++ {
		switch c := r.b[i]; {
		case c == '"':
			r.i = i + 1
			return r.b[start:i], nil
		case c == '\\':
			return d.escapedText(start, i)
		case c < ' ':
			r.i = i
			return nil, r.orEnd(errControl)
		}
	}
	r.i = len(r.b)
	return nil, errEnd
}

// escapedText reads on at i, where the first escape is, into d.texts.
func (d *Decoder) escapedText(start, i int) ([]byte, error) {
	r := &d.json
	from := len(d.texts)
	d.texts = append(d.texts, r.b[start:i]...)
	for r.i = i; r.i < len(r.b); {
		switch c := r.b[r.i]; {
		case c == '"':
			r.i++
			return d.texts[from:len(d.texts):len(d.texts)], nil
		case c == '\\':
			if err := d.escape(); err != nil {
				return nil, err
			}
		case c < ' ':
			return nil, r.orEnd(errControl)
		default:
			d.texts = append(d.texts, c)
			r.i++
		}
	}
	return nil, errEnd
}

// escape appends what the escape at the current byte stands for.
func (d *Decoder) escape() error {
	r := &d.json
	if r.i+1 >= len(r.b) {
		r.i = len(r.b)
		return errEnd
	}
	c := r.b[r.i+1]
	switch c {
	case '"', '\\', '/':
	case 'b':
		c = '\b'
	case 'f':
		c = '\f'
	case 'n':
		c = '\n'
	case 'r':
		c = '\r'
	case 't':
		c = '\t'
	case 'u':
		return d.unicodeEscape()
	default:
		return r.orEnd(errEscape)
	}
	d.texts = append(d.texts, c)
	r.i += 2
	return nil
}

// unicodeEscape appends the character of \uXXXX, or of the two that make a surrogate pair.
func (d *Decoder) unicodeEscape() error {
	r := &d.json
	c, ok := hex4(r.b[r.i+2:])
	if !ok {
		return r.orEnd(errEscape)
	}
	r.i += 6
	if utf16.IsSurrogate(c) {
		low := rune(-1)
		if rest := r.b[r.i:]; len(rest) > 2 && rest[0] == '\\' && rest[1] == 'u' {
			if v, ok := hex4(rest[2:]); ok {
				low = v
			}
		}
		if c = utf16.DecodeRune(c, low); c != utf8.RuneError {
			r.i += 6
		}
	}
	d.texts = utf8.AppendRune(d.texts, c)
	return nil
}

// hex4 reads four hexadecimal digits.
func hex4(b []byte) (rune, bool) {
	if len(b) < 4 {
		return 0, false
	}
	var v rune
	for _, c := range b[:4] {
		switch {
		case '0' <= c && c <= '9':
			c -= '0'
		case 'a' <= c|0x20 && c|0x20 <= 'f':
			c = c | 0x20 - 'a' + 10
		default:
			return 0, false
		}
		v = v<<4 | rune(c)
	}
	return v, true
}
