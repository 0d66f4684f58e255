package storetest

import (
	"crypto/sha256"
	"fmt"
	"sync"
	"testing"

	"dewline"
)

func digestOf(token string) dewline.TokenDigest { return sha256.Sum256([]byte(token)) }

// entry is what the suite records; who reads it back adds the number.
func entry(did dewline.AuditDid, of string) dewline.AuditEntry {
	return dewline.AuditEntry{At: dewline.Stamp(now), By: "a", Did: did, Of: of, Detail: hostile[0], From: "192.0.2.7"}
}

// signedIn stores the people a and b with a sign-in each.
func signedIn(t *testing.T, s Store) (a, b dewline.Account) {
	t.Helper()
	directoryOf(t, s)
	for _, account := range []*dewline.Account{&a, &b} {
		id := map[*dewline.Account]string{&a: "a", &b: "b"}[account]
		account.Person = person(id)
		account.SignIn = dewline.SignIn{Person: id, Login: id + "@example.org", Hash: "$hash-of-" + id, Changed: dewline.Stamp(now)}
		must(t, s.PutSignIn(t.Context(), account.SignIn, entry(dewline.AuditAccount, id)))
		*account = must1(s.AccountOf(t.Context(), id))(t)
	}
	return a, b
}

func signIns(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	want(t, "a new store's accounts", must1(s.Accounts(ctx))(t), nil)
	a, b := signedIn(t, s)
	want(t, "login", a.SignIn.Login, "a@example.org")
	want(t, "person", a.Person, person("a"))
	want(t, "accounts", must1(s.Accounts(ctx))(t), []dewline.Account{a, b})
	want(t, "by login", must1(opened(t, open).AccountByLogin(ctx, "b@example.org"))(t), b)
	for _, login := range append(hostile, "A@example.org", "a@example.org ") {
		_, err := s.AccountByLogin(ctx, login)
		wantCode(t, "login "+login, err, dewline.NotFound)
	}
	_, err := s.AccountOf(ctx, "nobody")
	wantCode(t, "nobody's account", err, dewline.NotFound)

	taken := a.SignIn
	taken.Login = b.SignIn.Login
	wantCode(t, "another's login", s.PutSignIn(ctx, taken, entry(dewline.AuditAccount, "a")), dewline.Clash)
	wantCode(t, "a login of two words", s.PutSignIn(ctx, dewline.SignIn{Person: "a", Login: "a b"}, entry(dewline.AuditAccount, "a")), dewline.Invalid)
	wantCode(t, "nobody's sign-in", s.PutSignIn(ctx, dewline.SignIn{Person: "nobody", Login: "nobody"}, entry(dewline.AuditAccount, "nobody")), dewline.NotFound)
	want(t, "nothing is recorded of what failed", len(must1(s.Audit(ctx, 0, 10))(t)), 2)

	must(t, s.Rehash(ctx, "a", a.SignIn.Hash, "$better"))
	must(t, s.Rehash(ctx, "a", a.SignIn.Hash, "$too-late"))
	want(t, "hash", must1(s.AccountOf(ctx, "a"))(t).SignIn.Hash, "$better")
	want(t, "epoch", must1(s.AccountOf(ctx, "a"))(t).SignIn.Epoch, a.SignIn.Epoch)
}

// sessions end with what they rest on, and a request that was under way brings none back.
func sessions(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a, b := signedIn(t, s)
	of := func(account dewline.Account, key string) dewline.Session {
		return dewline.Session{Key: key, Person: account.Person.ID, Epoch: account.SignIn.Epoch, Data: []byte("\x00" + key), Ends: now + 100}
	}
	first, second := of(a, "first"), of(b, "second")
	must(t, s.PutSession(ctx, first))
	must(t, s.PutSession(ctx, second))
	got, account, err := s.Session(ctx, "first", now)
	must(t, err)
	want(t, "session", got, first)
	want(t, "whose", account, a)
	first.Data = []byte("more")
	must(t, s.PutSession(ctx, first))
	got, _, err = opened(t, open).Session(ctx, "first", now)
	must(t, err)
	want(t, "changed", got, first)

	over := func(what, key string, at dewline.Millis) {
		t.Helper()
		_, _, err := s.Session(ctx, key, at)
		wantCode(t, what, err, dewline.NotFound)
	}
	over("a key that was guessed", "guess", now)
	over("at its end", "first", now+100)
	must(t, s.EndSession(ctx, "first"))
	over("ended", "first", now)

	for what, end := range map[string]func(){
		"all ended": func() { must(t, s.EndSessions(ctx, "a", entry(dewline.AuditEnded, "a"))) },
		"another password": func() {
			i := a.SignIn
			i.Hash = "$other"
			must(t, s.PutSignIn(ctx, i, entry(dewline.AuditPassword, "a")))
		},
		"disabled": func() {
			i := a.SignIn
			i.Disabled = dewline.Stamp(now)
			must(t, s.PutSignIn(ctx, i, entry(dewline.AuditAccount, "a")))
			wantCode(t, "a session of an account that is closed", s.PutSession(ctx, of(must1(s.AccountOf(ctx, "a"))(t), "new")), dewline.NotFound)
			must(t, s.PutSignIn(ctx, a.SignIn, entry(dewline.AuditAccount, "a")))
		},
	} {
		session := of(must1(s.AccountOf(ctx, "a"))(t), what)
		must(t, s.PutSession(ctx, session))
		end()
		over(what, what, now)
		wantCode(t, what+", and written again by a request that was under way", s.PutSession(ctx, session), dewline.NotFound)
		over(what+", written again", what, now)
	}
	_, _, err = s.Session(ctx, "second", now)
	must(t, err) // another's session went on
	must(t, s.PruneAccess(ctx, now+100, 0))
	over("pruned", "second", now)
}

func tokens(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a, _ := signedIn(t, s)
	one := dewline.Token{ID: "one", Person: "a", Name: hostile[9], Made: dewline.Stamp(now)}
	two := dewline.Token{ID: "two", Person: "a", Name: "two", Made: dewline.Stamp(now + 1)}
	must(t, s.AddToken(ctx, one, digestOf("1"), entry(dewline.AuditToken, "a")))
	must(t, s.AddToken(ctx, two, digestOf("2"), entry(dewline.AuditToken, "a")))
	if err := s.AddToken(ctx, dewline.Token{ID: "three", Person: "b", Made: 1}, digestOf("1"), entry(dewline.AuditToken, "b")); err == nil {
		t.Fatal("two tokens are one")
	}
	wantCode(t, "nobody's token", s.AddToken(ctx, dewline.Token{ID: "x", Person: "nobody"}, digestOf("x"), entry(dewline.AuditToken, "")), dewline.NotFound)
	must(t, s.TokenUsed(ctx, "one", now+7))
	must(t, s.TokenUsed(ctx, "one", now+5))
	one.Used = dewline.Stamp(now + 7)
	got, account, err := opened(t, open).TokenOf(ctx, digestOf("1"))
	must(t, err)
	want(t, "token", got, one)
	want(t, "whose", account, a)
	closed := func(what, token string) {
		t.Helper()
		_, _, err := s.TokenOf(ctx, digestOf(token))
		wantCode(t, what, err, dewline.NotFound)
	}
	closed("a token that was guessed", "guess")
	wantCode(t, "revoked by another", s.RevokeToken(ctx, "b", "one", now+9, entry(dewline.AuditRevoked, "b")), dewline.NotFound)
	must(t, s.RevokeToken(ctx, "a", "one", now+9, entry(dewline.AuditRevoked, "a")))
	wantCode(t, "revoked twice", s.RevokeToken(ctx, "a", "one", now+11, entry(dewline.AuditRevoked, "a")), dewline.NotFound)
	closed("revoked", "1")
	one.Revoked = dewline.Stamp(now + 9)
	want(t, "tokens", must1(s.Tokens(ctx, "a"))(t), []dewline.Token{one, two})
	i := a.SignIn
	i.Disabled = dewline.Stamp(now)
	must(t, s.PutSignIn(ctx, i, entry(dewline.AuditAccount, "a")))
	closed("of an account that is closed", "2")
}

func signInLinks(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a, b := signedIn(t, s)
	link := dewline.SignInLink{Person: "a", Ends: now + 100}
	must(t, s.AddLink(ctx, link, digestOf("old"), entry(dewline.AuditLink, "a")))
	must(t, s.AddLink(ctx, link, digestOf("new"), entry(dewline.AuditLink, "a")))
	wantCode(t, "nobody's link", s.AddLink(ctx, dewline.SignInLink{Person: "nobody"}, digestOf("x"), entry(dewline.AuditLink, "")), dewline.NotFound)
	want(t, "link", must1(s.Link(ctx, digestOf("new"), now))(t), link)
	for what, at := range map[string]dewline.Millis{"old": now, "new": now + 100, "guess": now} {
		_, err := s.Link(ctx, digestOf(what), at)
		wantCode(t, what, err, dewline.NotFound)
		wantCode(t, what+", used", s.UseLink(ctx, digestOf(what), at, a, entry(dewline.AuditPassword, "a")), dewline.NotFound)
	}
	wantCode(t, "for another", s.UseLink(ctx, digestOf("new"), now, b, entry(dewline.AuditPassword, "b")), dewline.NotFound)
	a.SignIn.Hash = "$by-link"
	must(t, s.UseLink(ctx, digestOf("new"), now, a, entry(dewline.AuditPassword, "a")))
	want(t, "hash", must1(s.AccountOf(ctx, "a"))(t).SignIn.Hash, "$by-link")
	wantCode(t, "a second time", s.UseLink(ctx, digestOf("new"), now, a, entry(dewline.AuditPassword, "a")), dewline.NotFound)

	must(t, s.AddLink(ctx, dewline.SignInLink{Ends: now + 100}, digestOf("first"), entry(dewline.AuditLink, "")))
	first := dewline.Account{Person: dewline.Person{ID: "a", Name: "First", Role: dewline.RoleAdministrator}, SignIn: dewline.SignIn{Person: "a", Login: "first"}}
	wantCode(t, "somebody else's id", s.UseLink(ctx, digestOf("first"), now, first, entry(dewline.AuditPassword, "a")), dewline.Clash)
	first.Person.ID, first.SignIn.Person = "first", "first"
	var done sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		done.Go(func() {
			one := first
			one.Person.ID, one.SignIn.Person, one.SignIn.Login = fmt.Sprint("first-", i), fmt.Sprint("first-", i), fmt.Sprint("first-", i)
			errs[i] = s.UseLink(ctx, digestOf("first"), now, one, entry(dewline.AuditPassword, one.Person.ID))
		})
	}
	done.Wait()
	made := 0
	for _, err := range errs {
		if err == nil {
			made++
		}
	}
	want(t, "first administrators", made, 1)
	must(t, s.AddLink(ctx, dewline.SignInLink{Ends: now + 100}, digestOf("again"), entry(dewline.AuditLink, "")))
	wantCode(t, "a second first administrator", s.UseLink(ctx, digestOf("again"), now, first, entry(dewline.AuditPassword, "first")), dewline.Clash)
	must(t, s.PruneAccess(ctx, now+100, 0))
	_, err := s.Link(ctx, digestOf("again"), now)
	wantCode(t, "pruned", err, dewline.NotFound)
}

func audit(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	var all []dewline.AuditEntry
	for i, text := range hostile {
		e := dewline.AuditEntry{At: dewline.Stamp(now + dewline.Millis(i)), By: text, Did: dewline.AuditFailed, Of: text, Detail: text, From: "192.0.2.1"}
		if len(text) > 100 {
			e.By, e.Of, e.Detail = "b", "o", text
		}
		must(t, s.Record(ctx, e))
		all = append([]dewline.AuditEntry{e}, all...)
	}
	var got []dewline.AuditEntry
	before := int64(0)
	for {
		page := must1(opened(t, open).Audit(ctx, before, 4))(t)
		if len(page) == 0 {
			break
		}
		if before != 0 && page[0].N >= before {
			t.Fatalf("page before %d begins with %d", before, page[0].N)
		}
		before = page[len(page)-1].N
		got = append(got, page...)
	}
	for i := range got {
		got[i].N = 0
	}
	want(t, "entries", got, all)
	must(t, s.PruneAccess(ctx, now, now+3))
	want(t, "kept", len(must1(s.Audit(ctx, 0, 100))(t)), len(all)-3)
}

// accessForgotten: nothing lets a person in whose name was taken away, and nobody can give them a new
// sign-in.
func accessForgotten(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a, _ := signedIn(t, s)
	must(t, s.PutSession(ctx, dewline.Session{Key: "key", Person: "a", Epoch: a.SignIn.Epoch, Data: []byte{1}, Ends: now + 100}))
	must(t, s.AddToken(ctx, dewline.Token{ID: "one", Person: "a", Made: 1}, digestOf("1"), entry(dewline.AuditToken, "a")))
	must(t, s.AddLink(ctx, dewline.SignInLink{Person: "a", Ends: now + 100}, digestOf("l"), entry(dewline.AuditLink, "a")))
	must(t, s.AnonymisePerson(ctx, "a", now))
	_, err := s.AccountOf(ctx, "a")
	wantCode(t, "account", err, dewline.NotFound)
	_, _, err = s.Session(ctx, "key", now)
	wantCode(t, "session", err, dewline.NotFound)
	_, _, err = s.TokenOf(ctx, digestOf("1"))
	wantCode(t, "token", err, dewline.NotFound)
	_, err = s.Link(ctx, digestOf("l"), now)
	wantCode(t, "link", err, dewline.NotFound)
	wantCode(t, "a new sign-in", s.PutSignIn(ctx, dewline.SignIn{Person: "a", Login: "again"}, entry(dewline.AuditAccount, "a")), dewline.NotFound)
	for _, e := range must1(s.Audit(ctx, 0, 100))(t) {
		if e.From != "" && (e.By == "a" || e.Of == "a") {
			t.Errorf("where they came from is still there: %+v", e)
		}
	}
	if len(must1(s.Accounts(ctx))(t)) != 1 {
		t.Error("another's account went too")
	}
}
