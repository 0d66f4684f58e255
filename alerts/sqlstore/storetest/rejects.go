package storetest

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"dewline"
)

func reject(reason dewline.Reason, at dewline.Millis, detail string) dewline.Reject {
	return dewline.Reject{Received: at, Refusal: dewline.Refusal{Reason: reason, System: hall, Record: 3, Name: "suction_temp", Detail: detail}}
}

func rejects(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	must(t, s.KeepRejects(ctx, nil))
	newest := func(n int) (details []string) {
		t.Helper()
		list, err := s.ReadRejects(ctx, dewline.RejectFilter{}, n)
		must(t, err)
		for _, r := range list {
			details = append(details, r.Detail)
		}
		return details
	}
	want(t, "none", newest(10), nil)

	one := reject(dewline.ReasonNoUnit, now, "one")
	must(t, s.KeepRejects(ctx, []dewline.Reject{one, reject(dewline.ReasonFuture, now+1, "two")}))
	list, err := s.ReadRejects(ctx, dewline.RejectFilter{}, 10)
	must(t, err)
	want(t, "two", list, []dewline.Reject{reject(dewline.ReasonFuture, now+1, "two"), one})
	want(t, "the newest", newest(1), []string{"two"})
	want(t, "none asked for", newest(0), nil)

	var many []dewline.Reject
	for i := range 3*RejectsKept + 1 {
		many = append(many, reject(dewline.ReasonNoUnit, now+10, fmt.Sprint("many ", i)))
	}
	must(t, s.KeepRejects(ctx, many[:RejectsKept+3]))
	must(t, s.KeepRejects(ctx, many[RejectsKept+3:RejectsKept+4]))
	must(t, s.KeepRejects(ctx, many[RejectsKept+4:]))
	s = opened(t, open)
	var expected []string
	for i := range RejectsKept {
		expected = append(expected, fmt.Sprint("many ", 3*RejectsKept-i))
	}
	want(t, "the ring, newest first, and the other reason's", newest(100), append(expected, "two"))
	counts, err := s.CountRejects(ctx)
	must(t, err)
	want(t, "the counts", counts, map[dewline.Reason]int64{dewline.ReasonNoUnit: 3*RejectsKept + 2, dewline.ReasonFuture: 1})
}

func rejectsFilter(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	at := func(system dewline.SystemID, reason dewline.Reason) dewline.Reject {
		return dewline.Reject{Received: now, Refusal: dewline.Refusal{System: system, Reason: reason, Detail: string(system)}}
	}
	must(t, s.KeepRejects(ctx, []dewline.Reject{at(hall, dewline.ReasonFuture), at(attic, dewline.ReasonFuture), at(cold, dewline.ReasonFuture),
		at(cold, dewline.ReasonTooOld), at("quay-library-annex/x", dewline.ReasonTooOld), at("", dewline.ReasonMalformed)}))
	for _, c := range []struct {
		filter dewline.RejectFilter
		n      int
	}{
		{dewline.RejectFilter{}, 6}, {dewline.RejectFilter{Reason: dewline.ReasonFuture}, 3}, {dewline.RejectFilter{System: cold}, 2},
		{dewline.RejectFilter{Site: "quay-library"}, 2}, {dewline.RejectFilter{Site: "fish-market", Reason: dewline.ReasonTooOld}, 1},
		{dewline.RejectFilter{Site: "quay-librar_"}, 0}, {dewline.RejectFilter{Site: "%"}, 0}, {dewline.RejectFilter{Reason: "' OR 1=1 --"}, 0},
	} {
		list, err := s.ReadRejects(ctx, c.filter, 100)
		must(t, err)
		if len(list) != c.n {
			t.Errorf("%+v: got %d, want %d: %+v", c.filter, len(list), c.n, list)
		}
	}

	for i, text := range hostile {
		r := dewline.Reject{Received: now, Refusal: dewline.Refusal{Reason: dewline.ReasonNoValue, Name: text, Detail: text, System: dewline.SystemID(text)}}
		must(t, s.KeepRejects(ctx, []dewline.Reject{r}))
		list, err := s.ReadRejects(ctx, dewline.RejectFilter{Reason: dewline.ReasonNoValue}, 1)
		must(t, err)
		want(t, fmt.Sprint("hostile ", i), list, []dewline.Reject{r})
	}
	for _, raw := range []string{"\x00", "a\x00b", "\xff\xfe", strings.Repeat("é", 1<<20), strings.Repeat("\x00", 1000)} {
		r := dewline.Reject{Refusal: dewline.Refusal{Reason: dewline.ReasonNoValue, Name: raw, Detail: raw, System: dewline.SystemID(raw)}}
		must(t, s.KeepRejects(ctx, []dewline.Reject{r}))
		list, err := s.ReadRejects(ctx, dewline.RejectFilter{Reason: dewline.ReasonNoValue}, 1)
		must(t, err)
		for _, got := range []string{list[0].Name, list[0].Detail, string(list[0].System)} {
			if got == "" || len(got) > 1000 || !utf8.ValidString(got) || strings.Contains(got, "\x00") {
				t.Errorf("%.20q came back as %.20q of %d bytes", raw, got, len(got))
			}
		}
	}
}

// rejectsPruned: old ones go, all stay counted, and the ring goes on.
func rejectsPruned(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	kept := reject(dewline.ReasonNoUnit, now, "kept")
	must(t, s.KeepRejects(ctx, []dewline.Reject{reject(dewline.ReasonNoUnit, now-2, "old"), reject(dewline.ReasonFuture, now-1, "old"), kept}))
	must(t, s.PruneRejects(ctx, now))
	list := must1(s.ReadRejects(ctx, dewline.RejectFilter{}, 10))(t)
	want(t, "left", list, []dewline.Reject{kept})
	want(t, "the counts", must1(s.CountRejects(ctx))(t), map[dewline.Reason]int64{dewline.ReasonNoUnit: 2, dewline.ReasonFuture: 1})
	var many []dewline.Reject
	for i := range RejectsKept + 1 {
		many = append(many, reject(dewline.ReasonNoUnit, now+1, fmt.Sprint(i)))
	}
	must(t, s.KeepRejects(ctx, many))
	want(t, "the ring", len(must1(s.ReadRejects(ctx, dewline.RejectFilter{}, 100))(t)), RejectsKept)
}
