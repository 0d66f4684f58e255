package senml

import (
	"errors"
	"fmt"
	"time"

	"dewline"
)

// The limits of the contract.
const (
	MaxPackBytes  = 256 << 10           // of one pack
	MaxRecords    = 5000                // in one pack
	MaxAhead      = 10 * time.Minute    // of a time before its receipt
	DefaultMaxAge = 31 * 24 * time.Hour // of a time after which it is too old
)

// Context is what a pack does not say itself.
type Context struct {
	// System is who the readings are of. On MQTT the topic alone decides it. Empty means a
	// recording, where each name begins with <site>/<system>/.
	System dewline.SystemID
	// Received is the time of the first receipt, to which small times are relative and by which
	// future and old ones are told. Zero means a recording, which has none and takes every time.
	Received dewline.Millis
	// Duplicate is the DUP flag of MQTT: the message may have been received before, so a time
	// relative to this receipt would store it a second time.
	Duplicate bool
	// MaxAge is how old a reading the store takes; zero means DefaultMaxAge.
	MaxAge time.Duration
}

// Pack is what became of the records of one or more packs. The zero Pack is ready for use.
type Pack struct {
	Samples []dewline.Sample
	Events  []dewline.Event
	Refused []dewline.Refusal
}

// Reset empties p and keeps its memory.
func (p *Pack) Reset() {
	clear(p.Events) // they hold texts
	clear(p.Refused)
	p.Samples, p.Events, p.Refused = p.Samples[:0], p.Events[:0], p.Refused[:0]
}

// Decoder decodes one pack after the other with the same scratch memory. The zero Decoder is ready
// for use. It is not safe for concurrent use.
type Decoder struct {
	in  Context
	out *Pack

	json  jsonReader
	cbor  cborReader
	texts []byte // texts of the current record that do not stand in the payload as such
	item  item
	base  base
	rec   record
	index int // of the current record, the first is 1

	name    []byte // scratch for a name made of bn and n
	systems map[string]dewline.SystemID
}

// packRefusal refuses the whole pack, whatever was decoded of it.
type packRefusal struct {
	reason dewline.Reason
	detail string
}

func (e *packRefusal) Error() string { return string(e.reason) + ": " + e.detail }

// Decode appends to out what is in payload: the readings, the events, and a refusal for everything
// else. It keeps no reference to payload.
func (d *Decoder) Decode(out *Pack, payload []byte, in Context) {
	d.in, d.out, d.index = in, out, 0
	if d.in.MaxAge == 0 {
		d.in.MaxAge = DefaultMaxAge
	}
	samples, events, refused := len(out.Samples), len(out.Events), len(out.Refused)

	switch err := d.decode(payload).(type) {
	case nil:
	case *packRefusal:
		out.Samples, out.Events, out.Refused = out.Samples[:samples], out.Events[:events], out.Refused[:refused]
		d.index = 0
		d.refuse(err.reason, "", err.detail)
	default:
		d.refuse(dewline.ReasonMalformed, "", err.Error()+"; this record and what follows it are lost")
	}
	d.forget()
}

func (d *Decoder) decode(payload []byte) error {
	if len(payload) > MaxPackBytes {
		return &packRefusal{dewline.ReasonTooLarge,
			fmt.Sprintf("%d bytes: send packs of at most %d", len(payload), MaxPackBytes)}
	}
	next, err := d.reader(payload)
	if err != nil {
		return err
	}
	d.base.reset()
	for {
		d.rec, d.texts = record{}, d.texts[:0]
		d.index++
		if err := next(d); err == errEndOfPack {
			return nil
		} else if err != nil {
			return err
		}
		if d.index > MaxRecords {
			d.refuse(dewline.ReasonTooManyRecords, "", fmt.Sprintf("this record and what follows it are lost: send at most %d a pack", MaxRecords))
			return nil
		}
		if err := d.resolve(); err != nil {
			return err
		}
	}
}

// errEndOfPack is what a reader returns when the pack ended as it should.
var errEndOfPack = errors.New("end of pack")

var errNoPack = errors.New("not a SenML pack: JSON begins with [, CBOR with an array")

// reader prepares for payload and returns the method that reads its next record into d.rec and
// d.base. The first byte tells the encodings apart.
func (d *Decoder) reader(payload []byte) (func(*Decoder) error, error) {
	switch {
	case len(payload) == 0:
		return nil, errNoPack
	case payload[0] == '[':
		d.json = jsonReader{b: payload, i: 1}
		return (*Decoder).nextJSON, nil
	case payload[0] >= 0x80 && payload[0] <= 0x9f:
		d.cbor = cborReader{b: payload}
		return (*Decoder).nextCBOR, d.beginCBOR()
	default:
		return nil, errNoPack
	}
}

// forget drops the references to the payload and to what the caller owns.
func (d *Decoder) forget() {
	d.in, d.out = Context{}, nil
	d.json, d.cbor = jsonReader{}, cborReader{}
	d.item, d.rec = item{}, record{}
}

func (d *Decoder) refuse(reason dewline.Reason, name, detail string) {
	d.out.Refused = append(d.out.Refused, dewline.Refusal{
		Reason: reason, System: d.in.System, Record: d.index, Name: name, Detail: detail,
	})
}
