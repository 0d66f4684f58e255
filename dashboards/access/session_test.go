package access

import (
	"testing"
	"time"
)

func FuzzSession(f *testing.F) {
	good, err := sessionCodec{}.Encode(time.Unix(1_900_000_000, 0), map[string]any{keyPerson: "ana", keyEpoch: int64(3), keySeen: int64(4)})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(`{"deadline":"2031-07-02T15:02:00Z","person":7}`))
	f.Add([]byte(`null`))
	f.Fuzz(func(t *testing.T, data []byte) {
		deadline, values, err := sessionCodec{}.Decode(data)
		if err != nil {
			return
		}
		again, err := sessionCodec{}.Encode(deadline, values)
		if err != nil {
			t.Skip() // a year that JSON does not write
		}
		_, twice, err := sessionCodec{}.Decode(again)
		if err != nil || twice[keyPerson] != values[keyPerson] || twice[keyEpoch] != values[keyEpoch] || twice[keySeen] != values[keySeen] {
			t.Errorf("%s becomes %s: %v", data, again, err)
		}
	})
}

func FuzzOwnPath(f *testing.F) {
	for _, text := range []string{"/fleet?q=a", "//elsewhere.example", "https://elsewhere.example", "/\\\\elsewhere", "", "/a\r\nb", "/%2f/x", "javascript:alert(1)"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		path := OwnPath(text)
		if path == "" || path[0] != '/' || len(path) > 1 && (path[1] == '/' || path[1] == '\\') {
			t.Errorf("%q leads to %q", text, path)
		}
	})
}
