package access

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

func TestLimits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLimits()
		fails := func(login, address string) (n int) {
			for l.attempt(login, address, time.Now()) {
				n++
			}
			return n
		}
		if n := fails("ana", "192.0.2.1"); n != loginBurst {
			t.Errorf("%d attempts at one login", n)
		}
		if l.attempt("ana", "192.0.2.2", time.Now()) {
			t.Error("another address may go on guessing the same login")
		}
		if n := fails("rui", "192.0.2.1"); n != loginBurst {
			t.Errorf("%d attempts at another login", n)
		}
		n := 0
		for i := range 100 {
			if l.attempt(fmt.Sprint("login-", i), "192.0.2.1", time.Now()) {
				n++
			}
		}
		if n != addressBurst-2*loginBurst {
			t.Errorf("%d more attempts from one address at many logins", n)
		}
		time.Sleep(loginEvery)
		if n := fails("ana", "192.0.2.9"); n != 1 {
			t.Errorf("%d attempts a minute later", n)
		}
		for i := range 4 * addressBurst { // right ones do not count
			if !l.attempt("rui", "192.0.2.77", time.Now()) {
				t.Fatalf("refused the %d. time, though each was right", i)
			}
			l.right("rui", "192.0.2.77", time.Now())
		}
		if n := fails("x", "2001:db8::1"); n != loginBurst {
			t.Errorf("%d", n)
		}
		if network("2001:db8::1") != network("2001:db8::ffff") || network("2001:db8:0:1::1") == network("2001:db8::1") || network("::ffff:192.0.2.1") != "192.0.2.1" {
			t.Error("networks")
		}
	})
}

// TestLimitsBounded: however many logins somebody makes up, memory is bounded and they are counted.
func TestLimitsBounded(t *testing.T) {
	l := newLimits()
	now := time.Now()
	for i := range mostCounted + 100 {
		l.attempt(fmt.Sprint(i), fmt.Sprintf("10.0.%d.%d", i>>8, i&255), now.Add(time.Duration(i)))
	}
	if len(l.logins.of) > mostCounted || len(l.addresses.of) > mostCounted {
		t.Errorf("%d logins, %d addresses", len(l.logins.of), len(l.addresses.of))
	}
}
