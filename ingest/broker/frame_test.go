package broker

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"testing"
	"testing/iotest"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Remaining lengths from table 2.4 of MQTT 3.1.1.
func TestNextFrameReadsTheLengthsOfTheStandard(t *testing.T) {
	for _, c := range []struct {
		bytes []byte
		body  int
	}{
		{[]byte{0x30, 0x00}, 0},
		{[]byte{0x30, 0x7f}, 127},
		{[]byte{0x30, 0x80, 0x01}, 128},
		{[]byte{0x30, 0xff, 0x7f}, 16_383},
		{[]byte{0x30, 0x80, 0x80, 0x01}, 16_384},
		{[]byte{0x30, 0xff, 0xff, 0x7f}, 2_097_151},
		{[]byte{0x30, 0x80, 0x80, 0x80, 0x01}, 2_097_152},
		{[]byte{0x30, 0xff, 0xff, 0xff, 0x7f}, 268_435_455},
	} {
		f, err := nextFrame(bufio.NewReader(bytes.NewReader(c.bytes)), 1<<30)
		if err != nil || f.size-f.head != c.body || f.head != len(c.bytes) || f.kind != packets.Publish {
			t.Errorf("% x: %+v, %v, want a body of %d", c.bytes, f, err, c.body)
		}
	}
	if _, err := nextFrame(bufio.NewReader(bytes.NewReader([]byte{0x30, 0x80, 0x80, 0x80, 0x80, 0x01})), 1<<30); !errors.Is(err, errLength) {
		t.Errorf("five bytes of length: %v", err)
	}
	if _, err := nextFrame(bufio.NewReader(bytes.NewReader([]byte{0x30, 0xff, 0x7f})), 1000); !errors.Is(err, errTooLong) {
		t.Errorf("beyond the limit: %v", err)
	}
}

// FuzzFrames passes any bytes through and compares with a reader that does not look into them.
func FuzzFrames(f *testing.F) {
	pub := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	pub.TopicName, pub.Payload, pub.Qos, pub.MessageID = "dewline/quay/hall-ac/readings", bytes.Repeat([]byte("x"), 5000), 1, 7
	var b bytes.Buffer
	pub.Write(&b)
	f.Add(b.Bytes())
	f.Add([]byte{0xc0, 0, 0xe0, 0})
	f.Add([]byte{0x30, 4, 0, 9, 'a', 'b'})
	f.Fuzz(func(t *testing.T, data []byte) {
		in := bufio.NewReaderSize(iotest.HalfReader(bytes.NewReader(data)), bufferSize)
		var out bytes.Buffer
		for {
			next, err := nextFrame(in, 1<<20)
			if err != nil {
				break
			}
			if next.kind == packets.Publish {
				if topic, err := next.topic(in); err != nil {
					break
				} else if len(topic) > next.size {
					t.Fatalf("a topic of %d bytes in a packet of %d", len(topic), next.size)
				}
			}
			if err := next.copy(&out, in); err != nil {
				if !errors.Is(err, io.EOF) {
					t.Fatal(err)
				}
				break
			}
		}
		if !bytes.HasPrefix(data, out.Bytes()) {
			t.Error("the bytes were changed on the way")
		}
	})
}
