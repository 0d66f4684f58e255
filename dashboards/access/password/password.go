// Package password makes and checks hashes of passwords by Argon2id (RFC 9106), written in the PHC
// string format with their parameters.
//
// A hash takes tens of megabytes of memory on purpose, so a [Hasher] makes only a few at once and lets
// only some wait. It knows no accounts and keeps nothing.
package password

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// How long a password may be. The least is that of a password that has to stand by itself; the most
// keeps a form from costing anything.
const (
	MinCharacters = 12
	MaxBytes      = 1000
)

// Check returns an error, for who typed it, unless a password may be chosen.
func Check(password, login string) error {
	text := norm.NFKC.String(password)
	switch {
	case len(password) > MaxBytes:
		return fmt.Errorf("a password has at most %d bytes", MaxBytes)
	case !utf8.ValidString(password):
		return errors.New("the password is not readable as text: type it again")
	case utf8.RuneCountInString(text) < MinCharacters:
		return fmt.Errorf("a password has at least %d characters: a few words are easy to remember", MinCharacters)
	case login != "" && strings.Contains(strings.ToLower(text), login), distinct(text) < 5:
		return errors.New("that would be guessed at once: choose something that does not contain the login and is not the same few characters again and again")
	}
	return nil
}

func distinct(text string) int {
	seen := map[rune]bool{}
	for _, r := range text {
		seen[r] = true
	}
	return len(seen)
}

// parameters are those of Argon2id.
type parameters struct {
	memoryKiB uint32
	passes    uint32
	lanes     uint8
}

// usual are the second recommended ones of RFC 9106, section 4, for machines that have no gigabytes to
// spare.
var usual = parameters{memoryKiB: 64 << 10, passes: 3, lanes: 4}

const (
	saltBytes = 16
	hashBytes = 32
)

// most bounds what a stored hash may ask for: the database may be somebody else's.
var most = parameters{memoryKiB: 1 << 20, passes: 100, lanes: 64}

// Hasher makes and checks hashes. It is safe for concurrent use.
type Hasher struct {
	usual   parameters
	places  chan struct{} // that compute
	waiting chan struct{} // that compute or wait
}

// New returns a hasher that works on so many passwords at once, and lets eight times as many wait.
func New(atOnce int) *Hasher {
	return &Hasher{usual, make(chan struct{}, atOnce), make(chan struct{}, 9*atOnce)}
}

// ErrBusy says that too many passwords are being checked.
var ErrBusy = errors.New("too many people are signing in at this moment: try again in a few seconds")

func (h *Hasher) enter(ctx context.Context) error {
	select {
	case h.waiting <- struct{}{}:
	default:
		return ErrBusy
	}
	select {
	case h.places <- struct{}{}:
		return nil
	case <-ctx.Done():
		<-h.waiting
		return ctx.Err()
	}
}

func (h *Hasher) leave() { <-h.places; <-h.waiting }

// Hash returns the hash of a password.
func (h *Hasher) Hash(ctx context.Context, password string) (string, error) {
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // never fails
	if err := h.enter(ctx); err != nil {
		return "", err
	}
	defer h.leave()
	return h.usual.write(salt, h.usual.key(password, salt, hashBytes)), nil
}

// Verify says whether a password is the one of a hash, and whether the hash should be made anew
// because its parameters are not those of today. With the hash "" it takes as long and says no, so that
// nobody can tell by the time which logins there are.
func (h *Hasher) Verify(ctx context.Context, hash, password string) (right, again bool, err error) {
	p, salt, want := h.usual, make([]byte, saltBytes), make([]byte, hashBytes)
	if hash != "" {
		if p, salt, want, err = read(hash); err != nil {
			return false, false, err
		}
	}
	if len(password) > MaxBytes {
		return false, false, nil
	}
	if err := h.enter(ctx); err != nil {
		return false, false, err
	}
	defer h.leave()
	right = subtle.ConstantTimeCompare(want, p.key(password, salt, uint32(len(want)))) == 1 && hash != ""
	return right, right && (p != h.usual || len(want) != hashBytes), nil
}

func (p parameters) key(password string, salt []byte, n uint32) []byte {
	return argon2.IDKey([]byte(norm.NFKC.String(password)), salt, p.passes, p.memoryKiB, p.lanes, n)
}

func (p parameters) write(salt, key []byte) string {
	text := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, p.memoryKiB, p.passes, p.lanes, text(salt), text(key))
}

var errFormat = errors.New("a stored password hash is damaged: set a new password")

func read(hash string) (p parameters, salt, key []byte, err error) {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return p, nil, nil, errFormat
	}
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &p.memoryKiB, &p.passes, &p.lanes); err != nil || n != 3 {
		return p, nil, nil, errFormat
	}
	salt, errSalt := base64.RawStdEncoding.DecodeString(parts[4])
	key, errKey := base64.RawStdEncoding.DecodeString(parts[5])
	switch {
	case errSalt != nil || errKey != nil || len(salt) < 8 || len(salt) > 64 || len(key) < 16 || len(key) > 64:
		return p, nil, nil, errFormat
	case p.passes < 1 || p.lanes < 1 || p.passes > most.passes || p.memoryKiB > most.memoryKiB || p.lanes > most.lanes:
		return p, nil, nil, errFormat
	}
	return p, salt, key, nil
}
