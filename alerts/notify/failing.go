package notify

import (
	"context"
	"fmt"
	"time"

	"dewline"
)

const (
	// failingAfter is how long a message goes through to nobody before it is more than a hiccup.
	failingAfter = time.Hour
	// givenUpSeen is how long a message that was given up is spoken of, where its contact is still on.
	givenUpSeen = 7 * 24 * time.Hour
	// failingEvery is how often contacts are looked at.
	failingEvery = time.Minute
)

// Failing says, a sentence for each, which contacts cannot be told of alerts: messages have failed for an
// hour, one was given up, or the contact was switched off because its address is gone. It is as of the last
// minute. Who was switched off by a person is not among them.
func (c *Courier) Failing() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.failing
}

// lookAtContacts finds out which contacts fail, once in a while.
func (c *Courier) lookAtContacts(ctx context.Context) error {
	now := c.now()
	if now < c.looked.Add(failingEvery) {
		return nil
	}
	directory, err := c.Store.Directory(ctx)
	if err != nil {
		return err
	}
	untaken, err := c.Store.Untaken(ctx)
	if err != nil {
		return err
	}
	var failing []string
	for _, m := range untaken {
		if contact, ok := directory.Contact(m.Contact); ok {
			if text := failure(contact, m, now); text != "" {
				failing = append(failing, text)
			}
		}
	}
	c.looked = now
	c.failingContacts.Set(float64(len(failing)))
	c.mu.Lock()
	defer c.mu.Unlock()
	c.failing = failing
	return nil
}

// failure says what is wrong with a contact that did not take its newest message, "" for nothing yet.
func failure(to dewline.Contact, m dewline.Message, now dewline.Millis) string {
	who := fmt.Sprintf("contact %s (%s)", to.ID, to.Channel)
	day := func(at dewline.Stamp) string { return at.Time().Format("2006-01-02 15:04 UTC") }
	switch {
	case to.Off != "" && to.Off == m.Failure:
		return who + " was switched off on " + day(m.Done) + ", for its address is gone: " + m.Failure
	case to.Off != "":
		return ""
	case m.State == dewline.MessagePending && m.Attempts > 0 && now >= dewline.Millis(m.Made).Add(failingAfter):
		return fmt.Sprintf("%s has taken nothing since %s, in %d attempts: %s", who, day(m.Made), m.Attempts, m.Failure)
	case m.State == dewline.MessageGivenUp && now < dewline.Millis(m.Done).Add(givenUpSeen):
		return fmt.Sprintf("%s did not take its last message, which was given up on %s: %s", who, day(m.Done), m.Failure)
	}
	return ""
}
