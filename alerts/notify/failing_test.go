package notify

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
)

// TestFailingContacts: who is not told is said after an hour of failures, when a message is given up, and
// when the address is gone, until a message goes through or the contact is somebody's business again.
func TestFailingContacts(t *testing.T) {
	s := &radio{answer: func(int, dewline.Contact, dewline.Message) error { return errors.New("the server does not answer") }}
	inBubble(t, people(), s, func(t *testing.T, m *memory, c *Courier) {
		says := func(part string) {
			t.Helper()
			time.Sleep(2 * time.Minute)
			got := slices.Concat(c.Failing())
			if part == "" && len(got) != 0 || part != "" && !slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, part) }) {
				t.Fatalf("%q, want %q", got, part)
			}
		}
		answer := func(f func(int, dewline.Contact, dewline.Message) error) {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.answer = f
		}
		m.put(opened(alertOf("quay-library/hall-ac", dewline.Urgent)))
		time.Sleep(30 * time.Minute)
		says("")
		time.Sleep(30 * time.Minute)
		says("ana-mail (email) has taken nothing since")
		says("the server does not answer")
		time.Sleep(4 * 24 * time.Hour)
		says("ana-mail (email) did not take its last message, which was given up on")
		time.Sleep(8 * 24 * time.Hour)
		says("")

		answer(nil)
		m.put(opened(alertOf("quay-library/server-ac", dewline.Urgent)))
		time.Sleep(2 * time.Hour)
		says("")

		answer(func(int, dewline.Contact, dewline.Message) error {
			return &Failure{Err: errors.New("no such mailbox"), Gone: true}
		})
		m.put(opened(alertOf("fish-market/cold-room", dewline.Urgent)))
		time.Sleep(2 * time.Hour)
		says("ana-mail (email) was switched off on")
		time.Sleep(30 * 24 * time.Hour)
		says("no such mailbox")
		m.mu.Lock()
		m.d.Contacts = slices.Clone(m.d.Contacts) // the courier may be reading what it was given
		for i := range m.d.Contacts {
			m.d.Contacts[i].Off = "on leave" // said by a person, who knows
		}
		m.mu.Unlock()
		says("")
	})
}
