package dewline

import (
	"context"
	"encoding/json"
)

// NoticeKind is what a notice tells.
type NoticeKind string

// The kinds of notices.
const (
	NoticeOpened   NoticeKind = "opened"
	NoticeReopened NoticeKind = "reopened" // worked on, and not cured
	NoticeWorsened NoticeKind = "worsened" // its severity rose
	NoticeEnded    NoticeKind = "ended"
)

// NoticeState is what became of a notice.
type NoticeState string

// The states of a notice.
const (
	NoticeWaiting NoticeState = "waiting"  // its time has not come; Reason says why
	NoticeSending NoticeState = "sending"  // it is part of a message that is on its way
	NoticeSent    NoticeState = "sent"     // whoever it was sent to has confirmed it
	NoticeNotSent NoticeState = "not_sent" // it never will be; Reason says why
)

// NoticeReason is why a notice waits or was not sent, as a word for programs.
type NoticeReason string

// The reasons.
const (
	BecauseGathering     NoticeReason = "gathering"         // waits for others, so that one message tells all
	BecauseApart         NoticeReason = "apart"             // a message went a short time ago
	BecauseBehind        NoticeReason = "behind"            // an earlier message has not got through yet
	BecauseStep          NoticeReason = "if_unacknowledged" // goes when nobody has acknowledged by then
	BecauseHours         NoticeReason = "outside_hours"
	BecauseSuppressed    NoticeReason = "suppressed"
	BecauseAcknowledged  NoticeReason = "acknowledged"
	BecauseEnded         NoticeReason = "ended"
	BecauseSuperseded    NoticeReason = "superseded" // later news of the same alert took its place
	BecauseNoPlan        NoticeReason = "no_plan"
	BecauseNobody        NoticeReason = "nobody" // the step reaches nobody
	BecauseOffDuty       NoticeReason = "off_duty"
	BecauseOtherOwner    NoticeReason = "other_owner"
	BecauseContactOff    NoticeReason = "contact_off"
	BecausePlanChanged   NoticeReason = "plan_changed"
	BecauseGaveUp        NoticeReason = "gave_up" // tried for the stated time
	BecauseRefused       NoticeReason = "refused" // by the receiver, for good
	BecauseNothingToTell NoticeReason = "nothing_to_tell"
)

// Notice is one piece of news of one alert for one contact. What is not sent stays, with its reason.
type Notice struct {
	ID       string       `json:"id"` // made from the news and the contact: planning again makes the same
	Alert    string       `json:"alert"`
	Change   int64        `json:"change"` // number in the alert's history of what it tells
	Kind     NoticeKind   `json:"kind"`
	Severity Severity     `json:"severity"`
	Plan     string       `json:"plan,omitempty"`
	Step     int          `json:"step"` // from 0
	Contact  string       `json:"contact,omitempty"`
	Person   string       `json:"person,omitempty"`
	News     string       `json:"news,omitempty"` // what the change said: the evidence
	Made     Stamp        `json:"made"`
	Due      Stamp        `json:"due"` // when it is looked at next, while it waits
	State    NoticeState  `json:"state"`
	Reason   NoticeReason `json:"reason,omitempty"`
	Why      string       `json:"why,omitempty"` // the reason in a sentence
	Message  string       `json:"message,omitempty"`
	Settled  Stamp        `json:"settled,omitzero"` // when it was sent, or known that it never will be
}

// MessageState is how far a message has come.
type MessageState string

// The states of a message.
const (
	MessagePending MessageState = "pending"
	MessageSent    MessageState = "sent"
	MessageGivenUp MessageState = "given_up"
)

// Message is what goes to one contact: one or many notices, in words that were settled when it was
// made, so that each attempt sends the same. A contact has one pending message at most, which is
// what keeps messages in order.
type Message struct {
	ID       string          `json:"id"` // the webhook-id, and the left part of the Message-ID; the same for each attempt
	Contact  string          `json:"contact"`
	Made     Stamp           `json:"made"`
	Notices  int             `json:"notices"`
	Subject  string          `json:"subject"`
	Text     string          `json:"text"`
	HTML     string          `json:"html"`
	Short    string          `json:"short"`   // for chats and telephones
	Payload  json.RawMessage `json:"payload"` // for programs
	Files    []Paper         `json:"files,omitempty" doc:"What goes along by e-mail. The API names it only."`
	State    MessageState    `json:"state"`
	Attempts int             `json:"attempts"`
	Next     Stamp           `json:"next,omitzero"` // the next attempt, while it is pending
	Failure  string          `json:"failure,omitempty"`
	Done     Stamp           `json:"done,omitzero"`
}

// News is a change of an alert that has not been planned for yet.
type News struct {
	AlertChange
	Change  int64    // its number in the alert's history, from 1
	Before  *Alert   // as it stood before, nil for a new alert
	Notices []Notice // of this alert so far
}

// Waiting is a notice whose time has come, and its alert as it stands.
type Waiting struct {
	Notice Notice
	Alert  Alert
}

// Recipient is what has gone to a contact so far.
type Recipient struct {
	Last    Millis // when the last message was made, 0 if none ever was
	Pending bool   // whether that has not got through yet
}

// NoticeWork is what planning came to. It is stored in one transaction.
type NoticeWork struct {
	Planned  []News    // need no planning any more
	Add      []Notice  // those that are there already stay as they are
	Change   []Notice  // those that are not there are left out
	Messages []Message // new; their notices are in Change
}

// SendOutcome is the outcome of one attempt to send a message.
type SendOutcome struct {
	Message  string
	State    MessageState
	Attempts int
	At       Millis
	Next     Millis // while it is pending
	Failure  string
	Reason   NoticeReason // of a message that was given up
}

// NoticeFilter narrows what NoticesIn returns; its zero value is every notice.
type NoticeFilter struct {
	Alert, Contact, Message string
	States                  []NoticeState
	Sites                   []string // of alerts of any of these sites; every site if empty
	Limit                   int      // at most so many; 0 stands for MaxAlertsPage, which is also the most
	After                   string   // continue after a page: its Next
}

// NoticePage is a part of a list of notices.
type NoticePage struct {
	Notices []Notice
	Next    string // for NoticeFilter.After, "" on the last page
}

// Outbox keeps notices and messages. Each change of an alert's history that PutAlerts or
// SaveProgress stores is news in the same transaction, so that a crash can lose neither without the
// other. It is safe for concurrent use; one courier at a time works on it.
type Outbox interface {
	// Unplanned returns news, oldest first.
	Unplanned(ctx context.Context, limit int) ([]News, error)
	// DueContacts returns the contacts that have waiting notices due at now or before.
	DueContacts(ctx context.Context, now Millis) ([]string, error)
	// WaitingFor returns the notices of a contact that are due at now or before, or gathering,
	// oldest first, and what went there before.
	WaitingFor(ctx context.Context, contact string, now Millis) ([]Waiting, Recipient, error)
	// SaveNotices stores what planning came to.
	SaveNotices(ctx context.Context, work NoticeWork) error
	// DueMessages returns pending messages whose next attempt is due, the longest due first.
	DueMessages(ctx context.Context, now Millis, limit int) ([]Message, error)
	// Untaken returns the newest message of each contact whose newest one has not been taken, by contact.
	Untaken(ctx context.Context) ([]Message, error)
	// Settle stores what became of an attempt, of the message and of its notices. When the message
	// is pending no more, notices that were behind it are due at once.
	Settle(ctx context.Context, o SendOutcome) error
	// NoticesIn returns the notices that fit the filter, newest first.
	NoticesIn(ctx context.Context, filter NoticeFilter) (NoticePage, error)
	// MessageByID returns a message, or an error with code NotFound.
	MessageByID(ctx context.Context, id string) (Message, error)
}
