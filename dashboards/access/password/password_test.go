package password

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/crypto/argon2"
)

// small keeps the tests quick: what is tested does not depend on the cost.
var small = parameters{memoryKiB: 64, passes: 1, lanes: 1}

func quick(atOnce int) *Hasher {
	h := New(atOnce)
	h.usual = small
	return h
}

func TestHash(t *testing.T) {
	h := quick(1)
	const right = "four words in a row"
	hash, err := h.Hash(t.Context(), right)
	if err != nil || strings.Contains(hash, right) {
		t.Fatalf("%q, %v", hash, err)
	}
	if other, _ := h.Hash(t.Context(), right); other == hash {
		t.Error("two hashes of one password are the same")
	}
	for password, want := range map[string]bool{right: true, right + " ": false, "": false, strings.ToUpper(right): false, strings.Repeat("x", MaxBytes+1): false} {
		got, again, err := h.Verify(t.Context(), hash, password)
		if got != want || again || err != nil {
			t.Errorf("%q: %v, again %v, %v", password, got, again, err)
		}
	}
	if got, _, err := h.Verify(t.Context(), "", right); got || err != nil {
		t.Errorf("without a hash: %v, %v", got, err)
	}
	// One letter in two ways: as a keyboard composes it and as another does.
	hash, _ = h.Hash(t.Context(), "caf\u00e9 caf\u00e9 caf\u00e9")
	if got, _, _ := h.Verify(t.Context(), hash, "cafe\u0301 cafe\u0301 cafe\u0301"); !got {
		t.Error("another keyboard's letters are another password")
	}
}

// TestAgain: what was made with other parameters is right, and to be made anew.
func TestAgain(t *testing.T) {
	hash, err := quick(1).Hash(t.Context(), "four words in a row")
	if err != nil {
		t.Fatal(err)
	}
	h := quick(1)
	h.usual.passes = 2
	right, again, err := h.Verify(t.Context(), hash, "four words in a row")
	if !right || !again || err != nil {
		t.Errorf("right %v, again %v, %v", right, again, err)
	}
	if _, again, _ := h.Verify(t.Context(), hash, "another one"); again {
		t.Error("a wrong password is to be hashed")
	}
}

// TestFormat holds a hash to the PHC string format, and to what the library computes for it.
func TestFormat(t *testing.T) {
	salt := []byte("0123456789abcdef")
	text := small.write(salt, argon2.IDKey([]byte("password one"), salt, 1, 64, 1, 32))
	if !strings.HasPrefix(text, "$argon2id$v=19$m=64,t=1,p=1$MDEyMzQ1Njc4OWFiY2RlZg$") {
		t.Errorf("%s", text)
	}
	if right, _, err := New(1).Verify(t.Context(), text, "password one"); !right || err != nil {
		t.Errorf("%v, %v", right, err)
	}
}

func TestDamaged(t *testing.T) {
	good, _ := quick(1).Hash(t.Context(), "four words in a row")
	for _, hash := range []string{
		"x", "$", "$argon2id$$$$", strings.Replace(good, "argon2id", "argon2i", 1), strings.Replace(good, "v=19", "v=18", 1),
		strings.Replace(good, "m=64", "m=99999999", 1), strings.Replace(good, "t=1", "t=0", 1), strings.Replace(good, "p=1", "p=0", 1),
		good[:len(good)-40], good + "$", strings.Replace(good, "m=64", "m=-1", 1), strings.Replace(good, "t=1", "t=101", 1),
	} {
		if right, _, err := quick(1).Verify(t.Context(), hash, "four words in a row"); right || err == nil {
			t.Errorf("%q: %v, %v", hash, right, err)
		}
	}
}

func TestCheck(t *testing.T) {
	for password, ok := range map[string]bool{
		"":                                      false,
		"eleven char":                           false,
		"twelve chars":                          true,
		"ααααββββγγγγδε":                        true,
		"aaaaaaaaaaaaaaaa":                      false,
		"abababababababab":                      false,
		"it is ana@example.org":                 false,
		"It is ANA@Example.org!":                false,
		"\xff\xfe bytes no text":                false,
		strings.Repeat("abcdefgh", MaxBytes/8):  true,
		strings.Repeat("abcdefgh", MaxBytes/4):  false,
		"words, and more words \u202e reversed": true,
	} {
		if err := Check(password, "ana@example.org"); (err == nil) != ok {
			t.Errorf("%.40q: %v", password, err)
		}
	}
}

// TestBusy: as many as there are places compute, some wait, and the rest are sent away, so that memory
// is bounded whoever asks.
func TestBusy(t *testing.T) {
	h := quick(1)
	if err := h.enter(t.Context()); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 8)
	for range 8 {
		go func() {
			_, err := h.Hash(t.Context(), "four words in a row")
			done <- err
		}()
	}
	for len(h.waiting) < cap(h.waiting) {
		runtime.Gosched()
	}
	if _, err := h.Hash(t.Context(), "one too many"); !errors.Is(err, ErrBusy) {
		t.Errorf("one too many: %v", err)
	}
	h.leave()
	for range 8 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	if err := h.enter(ctx); err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := h.Hash(ctx, "who gave up"); !errors.Is(err, context.Canceled) {
		t.Errorf("who gave up: %v", err)
	}
	h.leave()
	if len(h.waiting) != 0 || len(h.places) != 0 {
		t.Error("a place is taken by nobody")
	}
}

func FuzzRead(f *testing.F) {
	good, _ := quick(1).Hash(context.Background(), "four words in a row")
	f.Add(good)
	f.Add("$argon2id$v=19$m=1,t=1,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAA")
	f.Fuzz(func(t *testing.T, hash string) {
		p, salt, key, err := read(hash)
		if err != nil {
			return
		}
		if again, _, _, err := read(p.write(salt, key)); err != nil || again != p {
			t.Errorf("%q does not read back: %v", hash, err)
		}
	})
}
