// Package notify tells people of alerts: who, when, in which words and by which way.
//
// It has two halves. [Planner] is pure: from news of alerts, the directory, the holds and a time it
// makes notices, one for each piece of news and contact, and in due time gathers the notices of a
// contact into one message. [Courier] does what has effects: it reads news from the outbox, stores
// what the planner came to, and sends messages through a [Sender] for each channel.
//
// # Nothing is lost, nothing is silent
//
// A change of an alert becomes news in the transaction that stores it. News becomes notices, and
// notices a message, each in one transaction. So whatever a crash interrupts is taken up again. A
// notice that waits or is never sent says why. A message is sent until the receiver confirms it,
// or until the time of [Retry] is over, which the notices then say.
//
// # The same message twice
//
// When the process dies after a receiver's answer and before that is stored, the message goes again.
// It has the same id (webhook-id, Message-ID) and the same words, so that the receiver can tell.
//
// # One message, not a storm
//
// A first notice waits for others ([dewline.Contact].Gather), and between two messages to one
// contact lies [dewline.Contact].Apart. Whatever comes meanwhile goes together. A contact has one
// message under way at most, which keeps its messages in order.
//
// # The report of a month
//
// Some hours after the turn of the month each contact that wants it gets the report of its owner's
// machines, through the same outbox. The id of the message is made of contact, owner and month, so that
// it is made once however often the service starts, and goes until it is taken.
//
// # What it does not do
//
// It changes no alert, and what an alert says does not depend on it. It reads no clock: the time is
// passed in. It does not know who may see a page; a link leads to one, which decides that itself. It
// tells an owner what is known and never to do anything at a machine.
package notify
