package senml

import (
	"encoding/json"
	"errors"
	"fmt"

	"dewline"
)

// Status is what a gateway says of its connection, or its last will of it.
type Status struct {
	Online bool
	At     dewline.Millis // when the message was composed; of a will that is when it connected
}

// maxStatusBytes is far more than a status takes.
const maxStatusBytes = 4 << 10

// ParseStatus reads the payload of a status topic: {"online":true|false,"time":<Unix seconds>}.
// Other fields are ignored.
func ParseStatus(payload []byte) (Status, error) {
	if len(payload) > maxStatusBytes {
		return Status{}, fmt.Errorf("status of %d bytes: send at most %d", len(payload), maxStatusBytes)
	}
	var message struct {
		Online *bool           `json:"online"`
		Time   json.RawMessage `json:"time"`
	}
	if err := json.Unmarshal(payload, &message); err != nil {
		return Status{}, fmt.Errorf("status: %w", err)
	}
	if message.Online == nil {
		return Status{}, errors.New(`status: "online" must be true or false`)
	}
	n, size := parseDecimal(message.Time)
	at := n.instant()
	if size == 0 || size != len(message.Time) || at.relative() || at.millis() > lastTime {
		return Status{}, errors.New(`status: "time" must be Unix seconds`)
	}
	return Status{Online: *message.Online, At: at.millis()}, nil
}
