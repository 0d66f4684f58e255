package broker

import (
	"bufio"
	"errors"
	"io"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

var (
	errLength  = errors.New("the length of an MQTT packet is malformed")
	errTooLong = errors.New("an MQTT packet is longer than the broker takes")
	errConnect = errors.New("the first MQTT packet is not a CONNECT")
)

// frame describes the MQTT packet that stands next in a reader (MQTT 3.1.1, section 2.2).
type frame struct {
	kind byte // packets.Publish and so on
	head int  // bytes of the fixed header
	size int  // bytes of the whole packet
}

// nextFrame waits for the next packet's fixed header. It consumes nothing.
func nextFrame(r *bufio.Reader, limit int) (frame, error) {
	body := 0
	for n := 2; n <= 5; n++ {
		b, err := r.Peek(n)
		if err != nil {
			return frame{}, err
		}
		body |= int(b[n-1]&0x7f) << (7 * (n - 2))
		if b[n-1] < 0x80 {
			f := frame{kind: b[0] >> 4, head: n, size: n + body}
			if f.size > limit {
				return f, errTooLong
			}
			return f, nil
		}
	}
	return frame{}, errLength
}

// maxTopic is the longest topic the front takes: a short root and three ids of 63 bytes.
const maxTopic = 4 * 64

// topic returns the topic of a PUBLISH that stands next in r, valid until the next read.
func (f frame) topic(r *bufio.Reader) ([]byte, error) {
	b, err := r.Peek(f.head + 2)
	if err != nil {
		return nil, err
	}
	n := int(b[f.head])<<8 | int(b[f.head+1])
	if n > maxTopic || f.head+2+n > f.size {
		return nil, errTooLong
	}
	b, err = r.Peek(f.head + 2 + n)
	if err != nil {
		return nil, err
	}
	return b[f.head+2:], nil
}

// unretain clears the retain flag of a PUBLISH that stands next in r.
func unretain(r *bufio.Reader) error {
	b, err := r.Peek(1) // the reader's own memory, so what is read later is changed
	if err == nil {
		b[0] &^= 1
	}
	return err
}

// copy moves the packet from r to w in pieces of what has arrived.
func (f frame) copy(w io.Writer, r *bufio.Reader) error {
	for left := f.size; left > 0; {
		b, err := r.Peek(max(1, min(left, r.Buffered())))
		if err != nil {
			return err
		}
		if _, err := w.Write(b); err != nil {
			return err
		}
		r.Discard(len(b)) //nolint:errcheck // the bytes are there
		left -= len(b)
	}
	return nil
}

// maxConnect bounds a CONNECT: ids, a password and a will of a few bytes.
const maxConnect = 8 << 10

// readConnect reads the packet that opens a connection.
func readConnect(r *bufio.Reader) (*packets.ConnectPacket, error) {
	f, err := nextFrame(r, maxConnect)
	if err != nil {
		return nil, err
	}
	if f.kind != packets.Connect {
		return nil, errConnect
	}
	packet, err := packets.ReadPacket(io.LimitReader(r, int64(f.size)))
	if err != nil {
		return nil, err
	}
	return packet.(*packets.ConnectPacket), nil
}

// refuse answers a CONNECT with a return code other than accepted.
func refuse(w io.Writer, code byte) error {
	ack := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
	ack.ReturnCode = code
	return ack.Write(w)
}
