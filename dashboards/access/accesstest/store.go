// Package accesstest keeps accounts in memory, for tests of pages. It stands in for the relational
// store, whose own suite says what a store has to do; it keeps nothing on a disk and is not for use.
package accesstest

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"
	"sync"

	"dewline"
)

// Store is a dewline.AccessStore and, as far as people go, a dewline.ContactBook.
type Store struct {
	mu       sync.Mutex
	people   map[string]dewline.Person
	signIns  map[string]dewline.SignIn
	sessions map[string]dewline.Session
	tokens   map[dewline.TokenDigest]*dewline.Token
	links    map[dewline.TokenDigest]dewline.SignInLink
	audit    []dewline.AuditEntry

	Err  error             // when set, nothing can be read or kept
	told dewline.Directory // contacts, rosters and plans
}

// New returns a store with these accounts.
func New(accounts ...dewline.Account) *Store {
	s := &Store{
		people: map[string]dewline.Person{}, signIns: map[string]dewline.SignIn{}, sessions: map[string]dewline.Session{},
		tokens: map[dewline.TokenDigest]*dewline.Token{}, links: map[dewline.TokenDigest]dewline.SignInLink{},
	}
	for _, a := range accounts {
		s.people[a.Person.ID], s.signIns[a.Person.ID] = a.Person, a.SignIn
	}
	return s
}

// Sessions returns how many sessions are kept.
func (s *Store) Sessions() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.sessions)
}

func none(op string) error {
	return &dewline.Error{Code: dewline.NotFound, Op: op, Err: errors.New("there is none of that name")}
}

// do runs f alone.
func (s *Store) do(f func() error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.Err != nil {
		return &dewline.Error{Code: dewline.Unavailable, Op: "test", Err: s.Err}
	}
	return f()
}

func (s *Store) account(person string) (dewline.Account, error) {
	i, ok := s.signIns[person]
	if !ok {
		return dewline.Account{}, none("account")
	}
	return dewline.Account{Person: s.people[person], SignIn: i}, nil
}

// Accounts implements dewline.AccessStore.
func (s *Store) Accounts(context.Context) (list []dewline.Account, err error) {
	err = s.do(func() error {
		for id := range s.signIns {
			a, _ := s.account(id)
			list = append(list, a)
		}
		slices.SortFunc(list, func(a, b dewline.Account) int { return cmp.Compare(a.SignIn.Login, b.SignIn.Login) })
		return nil
	})
	return list, err
}

// AccountOf implements dewline.AccessStore.
func (s *Store) AccountOf(_ context.Context, person string) (a dewline.Account, err error) {
	err = s.do(func() (err error) { a, err = s.account(person); return err })
	return a, err
}

// AccountByLogin implements dewline.AccessStore.
func (s *Store) AccountByLogin(_ context.Context, login string) (a dewline.Account, err error) {
	err = s.do(func() (err error) {
		for id, i := range s.signIns {
			if i.Login == login {
				a, err = s.account(id)
				return err
			}
		}
		return none("account")
	})
	return a, err
}

func (s *Store) put(i dewline.SignIn) error {
	if err := i.Validate(); err != nil {
		return err
	}
	if p, ok := s.people[i.Person]; !ok || p.Anonymised != 0 {
		return none("person")
	}
	for _, other := range s.signIns {
		if other.Login == i.Login && other.Person != i.Person {
			return &dewline.Error{Code: dewline.Clash, Op: "sign-in", Err: errors.New("somebody else signs in so")}
		}
	}
	i.Epoch = s.signIns[i.Person].Epoch
	s.signIns[i.Person] = i
	maps.DeleteFunc(s.links, func(_ dewline.TokenDigest, l dewline.SignInLink) bool { return l.Person == i.Person })
	s.end(i.Person)
	return nil
}

func (s *Store) end(person string) {
	i := s.signIns[person]
	i.Epoch++
	s.signIns[person] = i
	maps.DeleteFunc(s.sessions, func(_ string, session dewline.Session) bool { return session.Person == person })
}

func (s *Store) change(e dewline.AuditEntry, f func() error) error {
	return s.do(func() error {
		if err := f(); err != nil {
			return err
		}
		e.N = int64(len(s.audit)) + 1
		s.audit = append(s.audit, e)
		return nil
	})
}

// PutSignIn implements dewline.AccessStore.
func (s *Store) PutSignIn(_ context.Context, i dewline.SignIn, e dewline.AuditEntry) error {
	return s.change(e, func() error { return s.put(i) })
}

// Rehash implements dewline.AccessStore.
func (s *Store) Rehash(_ context.Context, person, before, after string) error {
	return s.do(func() error {
		if i := s.signIns[person]; i.Hash == before {
			i.Hash = after
			s.signIns[person] = i
		}
		return nil
	})
}

// Session implements dewline.AccessStore.
func (s *Store) Session(_ context.Context, key string, now dewline.Millis) (session dewline.Session, a dewline.Account, err error) {
	err = s.do(func() (err error) {
		found, ok := s.sessions[key]
		if i := s.signIns[found.Person]; !ok || found.Ends <= now || i.Epoch != found.Epoch || i.Disabled != 0 {
			return none("session")
		}
		session = found
		a, err = s.account(found.Person)
		return err
	})
	return session, a, err
}

// PutSession implements dewline.AccessStore.
func (s *Store) PutSession(_ context.Context, session dewline.Session) error {
	return s.do(func() error {
		if i, ok := s.signIns[session.Person]; !ok || i.Epoch != session.Epoch || i.Disabled != 0 {
			return none("session")
		}
		s.sessions[session.Key] = session
		return nil
	})
}

// EndSession implements dewline.AccessStore.
func (s *Store) EndSession(_ context.Context, key string) error {
	return s.do(func() error { delete(s.sessions, key); return nil })
}

// EndSessions implements dewline.AccessStore.
func (s *Store) EndSessions(_ context.Context, person string, e dewline.AuditEntry) error {
	return s.change(e, func() error { s.end(person); return nil })
}

// AddToken implements dewline.AccessStore.
func (s *Store) AddToken(_ context.Context, t dewline.Token, digest dewline.TokenDigest, e dewline.AuditEntry) error {
	return s.change(e, func() error {
		if _, err := s.account(t.Person); err != nil {
			return err
		}
		s.tokens[digest] = &t
		return nil
	})
}

// TokenOf implements dewline.AccessStore.
func (s *Store) TokenOf(_ context.Context, digest dewline.TokenDigest) (t dewline.Token, a dewline.Account, err error) {
	err = s.do(func() (err error) {
		found, ok := s.tokens[digest]
		if !ok || found.Revoked != 0 || s.signIns[found.Person].Disabled != 0 {
			return none("token")
		}
		t = *found
		a, err = s.account(found.Person)
		return err
	})
	return t, a, err
}

func (s *Store) token(id string) *dewline.Token {
	for _, t := range s.tokens {
		if t.ID == id {
			return t
		}
	}
	return &dewline.Token{}
}

// TokenUsed implements dewline.AccessStore.
func (s *Store) TokenUsed(_ context.Context, id string, at dewline.Millis) error {
	return s.do(func() error { s.token(id).Used = dewline.Stamp(at); return nil })
}

// Tokens implements dewline.AccessStore.
func (s *Store) Tokens(_ context.Context, person string) (list []dewline.Token, err error) {
	err = s.do(func() error {
		for _, t := range s.tokens {
			if t.Person == person {
				list = append(list, *t)
			}
		}
		slices.SortFunc(list, func(a, b dewline.Token) int {
			return cmp.Or(cmp.Compare(a.Made, b.Made), cmp.Compare(a.ID, b.ID))
		})
		return nil
	})
	return list, err
}

// RevokeToken implements dewline.AccessStore.
func (s *Store) RevokeToken(_ context.Context, person, id string, at dewline.Millis, e dewline.AuditEntry) error {
	return s.change(e, func() error {
		t := s.token(id)
		if t.ID == "" || t.Person != person || t.Revoked != 0 {
			return none("token")
		}
		t.Revoked = dewline.Stamp(at)
		return nil
	})
}

// AddLink implements dewline.AccessStore.
func (s *Store) AddLink(_ context.Context, l dewline.SignInLink, digest dewline.TokenDigest, e dewline.AuditEntry) error {
	return s.change(e, func() error {
		maps.DeleteFunc(s.links, func(_ dewline.TokenDigest, old dewline.SignInLink) bool { return old.Person == l.Person })
		s.links[digest] = l
		return nil
	})
}

func (s *Store) link(digest dewline.TokenDigest, now dewline.Millis) (dewline.SignInLink, error) {
	l, ok := s.links[digest]
	if !ok || l.Ends <= now {
		return dewline.SignInLink{}, none("link")
	}
	return l, nil
}

// Link implements dewline.AccessStore.
func (s *Store) Link(_ context.Context, digest dewline.TokenDigest, now dewline.Millis) (l dewline.SignInLink, err error) {
	err = s.do(func() (err error) { l, err = s.link(digest, now); return err })
	return l, err
}

// UseLink implements dewline.AccessStore.
func (s *Store) UseLink(_ context.Context, digest dewline.TokenDigest, now dewline.Millis, a dewline.Account, e dewline.AuditEntry) error {
	return s.change(e, func() error {
		l, err := s.link(digest, now)
		if err != nil {
			return err
		}
		if _, there := s.people[a.Person.ID]; l.Person == "" && !there {
			s.people[a.Person.ID] = a.Person
		} else if l.Person != a.Person.ID {
			return none("link")
		}
		delete(s.links, digest)
		return s.put(a.SignIn)
	})
}

// Record implements dewline.AccessStore.
func (s *Store) Record(_ context.Context, e dewline.AuditEntry) error {
	return s.change(e, func() error { return nil })
}

// Audit implements dewline.AccessStore.
func (s *Store) Audit(_ context.Context, before int64, limit int) (list []dewline.AuditEntry, err error) {
	err = s.do(func() error {
		for _, e := range slices.Backward(s.audit) {
			if (before == 0 || e.N < before) && len(list) < limit {
				list = append(list, e)
			}
		}
		return nil
	})
	return list, err
}

// PruneAccess implements dewline.AccessStore.
func (s *Store) PruneAccess(context.Context, dewline.Millis, dewline.Millis) error { return s.Err }

// Directory implements dewline.ContactBook.
func (s *Store) Directory(context.Context) (d dewline.Directory, err error) {
	err = s.do(func() error {
		for _, id := range slices.Sorted(maps.Keys(s.people)) {
			d.People = append(d.People, s.people[id])
		}
		d.Contacts, d.Rosters, d.Plans = slices.Clone(s.told.Contacts), slices.Clone(s.told.Rosters), slices.Clone(s.told.Plans)
		return nil
	})
	return d, err
}

// PutPerson implements dewline.ContactBook.
func (s *Store) PutPerson(_ context.Context, p dewline.Person) error {
	return s.do(func() error { s.people[p.ID] = p; return p.Validate() })
}

// AnonymisePerson implements dewline.ContactBook.
func (s *Store) AnonymisePerson(_ context.Context, id string, at dewline.Millis) error {
	return s.do(func() error {
		p, ok := s.people[id]
		if !ok {
			return none("person")
		}
		p.Name, p.Anonymised = "", dewline.Stamp(at)
		s.people[id] = p
		delete(s.signIns, id)
		return nil
	})
}

// PutContact implements dewline.ContactBook.
func (s *Store) PutContact(_ context.Context, c dewline.Contact) error {
	return s.do(func() error { s.told.Contacts = append(s.told.Contacts, c); return c.Validate() })
}

// PutRoster implements dewline.ContactBook.
func (s *Store) PutRoster(_ context.Context, o dewline.Roster) error {
	return s.do(func() error { s.told.Rosters = append(s.told.Rosters, o); return o.Validate() })
}

// PutPlan implements dewline.ContactBook.
func (s *Store) PutPlan(_ context.Context, p dewline.ContactPlan) error {
	return s.do(func() error { s.told.Plans = append(s.told.Plans, p); return p.Validate() })
}

// RemoveContact implements dewline.ContactBook.
func (s *Store) RemoveContact(context.Context, string) error { return s.Err }

// RemoveRoster implements dewline.ContactBook.
func (s *Store) RemoveRoster(context.Context, string) error { return s.Err }

// RemovePlan implements dewline.ContactBook.
func (s *Store) RemovePlan(context.Context, string) error { return s.Err }
