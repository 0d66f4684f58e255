package dewline

import (
	"context"
	"strings"
	"unicode"
)

// SignIn is how a person signs in. Who has none cannot.
type SignIn struct {
	Person   string
	Login    string // what they type: a name, or the e-mail address that a provider of identities knows them by
	Hash     string // of the password, in the PHC string format; "" where none has been set
	Disabled Stamp  // since when it opens nothing, 0 while it does
	Changed  Stamp  // when login, password or Disabled were set
	Epoch    int64  // counts what ended all sessions; the store's own
}

// Validate returns an error that says what of the sign-in makes no sense.
func (s SignIn) Validate() error {
	op := "sign-in of " + quoted(s.Person)
	switch {
	case !ValidID(s.Person):
		return invalid(op, "it needs the id of its person")
	case s.Login == "" || len(s.Login) > personName || s.Login != CleanLogin(s.Login) || strings.ContainsFunc(s.Login, unicode.IsSpace) || !isOneLine(s.Login):
		return invalid(op, "a login is a word or an e-mail address of at most %d bytes, in lower case", personName)
	}
	return nil
}

// CleanLogin returns what somebody typed as a login in the one way that it is kept.
func CleanLogin(typed string) string { return strings.ToLower(strings.TrimSpace(typed)) }

// Account is a person with their sign-in.
type Account struct {
	Person Person
	SignIn SignIn
}

// Open says whether the account lets anybody in.
func (a Account) Open() bool { return a.SignIn.Disabled == 0 && a.Person.Anonymised == 0 }

// Visitor returns the person as a visitor.
func (a Account) Visitor() Visitor {
	return Visitor{Person: a.Person.ID, Name: a.Person.Shown(), Role: a.Person.Role, Owner: a.Person.Owner, Units: a.Person.Units, Language: a.Person.Language}
}

// Session is somebody who is signed in with a browser. Its key is a digest of what the browser has.
type Session struct {
	Key    string
	Person string
	Epoch  int64 // of the sign-in, when it began: it is over when that has moved on
	Data   []byte
	Ends   Millis // whatever happens
}

// Token lets a program, or a person's own programs, in without signing in: it may what its person
// may. It is shown once, when it is made, and kept as a digest.
type Token struct {
	ID      string
	Person  string
	Name    string // what it is for
	Made    Stamp
	Used    Stamp // about when it was used last, 0 for never
	Revoked Stamp // since when it opens nothing, 0 while it does
}

// SignInLink lets somebody set a password once. Without a person it is for whoever keeps this service,
// to become its first administrator.
type SignInLink struct {
	Person string
	Ends   Millis
}

// AuditDid is what somebody did, or tried, with the doors of this service.
type AuditDid string

// What is recorded.
const (
	AuditSignedIn  AuditDid = "signed in"
	AuditFailed    AuditDid = "failed to sign in"
	AuditSignedOut AuditDid = "signed out"
	AuditPassword  AuditDid = "set a password"
	AuditAccount   AuditDid = "changed an account"
	AuditEnded     AuditDid = "ended sessions"
	AuditToken     AuditDid = "made a token"
	AuditRevoked   AuditDid = "revoked a token"
	AuditLink      AuditDid = "made a link to set a password"
	AuditSetUp     AuditDid = "changed the set-up"
)

// AuditEntry is a line of the audit log. It holds no secret and, of people, only ids.
type AuditEntry struct {
	N      int64
	At     Stamp
	By     string // the id of a person, ByDewline, or "" for a stranger
	Did    AuditDid
	Of     string // whom or what it is about, "" where that is By
	Detail string
	From   string // network address, or where else it came from
}

// AccessStore keeps who may come in. What concerns a person's sign-in and what is recorded of it are
// kept together or not at all. It is safe for concurrent use.
type AccessStore interface {
	// Accounts returns everybody who has a sign-in, by login.
	Accounts(ctx context.Context) ([]Account, error)
	// AccountOf returns the account of a person, or an error with code NotFound.
	AccountOf(ctx context.Context, person string) (Account, error)
	// AccountByLogin returns the account that a login is of, or an error with code NotFound.
	AccountByLogin(ctx context.Context, login string) (Account, error)
	// PutSignIn makes or replaces a person's sign-in, and ends all sessions and links of theirs. A login
	// that another has is a Clash.
	PutSignIn(ctx context.Context, s SignIn, e AuditEntry) error
	// Rehash replaces a hash by one of the same password. Nothing happens where it is not there any more.
	Rehash(ctx context.Context, person, before, after string) error

	// Session returns a session that is not over, with the account whose it is.
	Session(ctx context.Context, key string, now Millis) (Session, Account, error)
	// PutSession keeps a session. One of an account that has been closed, or whose sessions have been
	// ended meanwhile, is NotFound.
	PutSession(ctx context.Context, s Session) error
	EndSession(ctx context.Context, key string) error
	// EndSessions ends all sessions of a person.
	EndSessions(ctx context.Context, person string, e AuditEntry) error

	AddToken(ctx context.Context, t Token, digest TokenDigest, e AuditEntry) error
	// TokenOf returns a token that opens something, and the account whose it is.
	TokenOf(ctx context.Context, digest TokenDigest) (Token, Account, error)
	TokenUsed(ctx context.Context, id string, at Millis) error
	// Tokens returns the tokens of a person, the oldest first.
	Tokens(ctx context.Context, person string) ([]Token, error)
	// RevokeToken ends a token of a person for good.
	RevokeToken(ctx context.Context, person, id string, at Millis, e AuditEntry) error

	// AddLink keeps a link, in place of those that its person had.
	AddLink(ctx context.Context, l SignInLink, digest TokenDigest, e AuditEntry) error
	// Link returns a link that can still be used.
	Link(ctx context.Context, digest TokenDigest, now Millis) (SignInLink, error)
	// UseLink keeps the sign-in that a link is for and ends the link. With the link of a first
	// administrator it keeps the person too, who must be new.
	UseLink(ctx context.Context, digest TokenDigest, now Millis, a Account, e AuditEntry) error

	// Record adds to the audit log.
	Record(ctx context.Context, e AuditEntry) error
	// Audit returns at most limit entries from before an entry (0 for all), the newest first.
	Audit(ctx context.Context, before int64, limit int) ([]AuditEntry, error)
	// PruneAccess forgets sessions and links that are over, and of the audit log what is older than since.
	PruneAccess(ctx context.Context, now, since Millis) error
}
