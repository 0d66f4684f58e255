package dewline

import (
	"context"
	"crypto/sha256"
)

// Paper is a document that is made of what is recorded.
type Paper struct {
	Name string `json:"name"` // of the file
	Type string `json:"type"` // media type
	Body []byte `json:"body,omitempty"`
}

// Papers makes documents. It is safe for concurrent use.
type Papers interface {
	// ClosingPack is for the owner after a service call: what was found, done and proved, as PDF.
	ClosingPack(ctx context.Context, call string, u Units) (Paper, error)
	// Commissioning is for the installer: what was fitted and how the machine runs in [from, to), as PDF.
	// Without a time it is the last two weeks.
	Commissioning(ctx context.Context, id SystemID, from, to Millis, u Units) (Paper, error)
	// OwnerReport is for an owner: what a month was for their machines, as PDF. It tells what
	// [OwnerMonths] tells the visitor of ctx.
	OwnerReport(ctx context.Context, owner string, month Month, u Units) (Paper, error)
	// CallsCSV returns service calls as CSV (RFC 4180), the newest first.
	CallsCSV(ctx context.Context, f CallFilter) (Paper, error)
	// CallsJSON returns service calls with their visits and histories as JSON, the newest first.
	CallsJSON(ctx context.Context, f CallFilter) (Paper, error)
}

// CalendarLink lets a calendar program read service calls without signing in. Whoever has the token
// can read, so the token is shown once, when the link is made, and is kept only as a digest.
type CalendarLink struct {
	ID         string `json:"id"`
	Technician string `json:"technician,omitempty" doc:"Only the calls of this technician; absent: of everybody."`
	Site       string `json:"site,omitempty" doc:"Only the calls at this site."`
	By         string `json:"by" doc:"Who made it."`
	Made       Stamp  `json:"made"`
	Revoked    Stamp  `json:"revoked,omitzero" doc:"Since when it opens nothing."`
	RevokedBy  string `json:"revoked_by,omitempty"`
}

// TokenDigest is the SHA-256 of a token. A token is 256 random bits, so a digest that is cheap to
// compute is as good as a dear one: there is nothing to guess.
type TokenDigest [sha256.Size]byte

// CalendarLinkStore keeps calendar links. It is safe for concurrent use.
type CalendarLinkStore interface {
	AddCalendarLink(ctx context.Context, l CalendarLink, token TokenDigest) error
	// CalendarLinkOf returns the link that a token opens, revoked or not.
	CalendarLinkOf(ctx context.Context, token TokenDigest) (CalendarLink, error)
	// CalendarLinks returns every link, the oldest first.
	CalendarLinks(ctx context.Context) ([]CalendarLink, error)
	// RevokeCalendarLink ends a link for good. One that was revoked before stays as it was.
	RevokeCalendarLink(ctx context.Context, id, by string, at Millis) (CalendarLink, error)
}

// Calendar gives out service calls as an iCalendar feed (RFC 5545). It is safe for concurrent use.
type Calendar interface {
	// NewLink makes a link for a technician and a site, either of which may be "", and returns its token.
	NewLink(ctx context.Context, l CalendarLink) (made CalendarLink, token string, err error)
	Links(ctx context.Context) ([]CalendarLink, error)
	RevokeLink(ctx context.Context, id, by string) (CalendarLink, error)
	// Feed returns the calendar that a token opens. A token that opens nothing, or does not any more,
	// is NotFound.
	Feed(ctx context.Context, token string) (Paper, error)
}
