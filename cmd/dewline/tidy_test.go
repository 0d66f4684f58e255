package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline"
)

// TestTidyUp: the service drops what is older than it is kept, and photos that no visit names.
func TestTidyUp(t *testing.T) {
	tale := newStory(t, time.Now())
	s := startTestService(t, serviceOptions{Fleet: tale.fleet})
	now := time.Now()
	reject := func(age time.Duration, detail string) dewline.Reject {
		return dewline.Reject{Received: dewline.MillisOf(now.Add(-age)), Refusal: dewline.Refusal{Reason: dewline.ReasonNoUnit, Detail: detail}}
	}
	if err := s.relational.KeepRejects(t.Context(), []dewline.Reject{reject(logKept+time.Hour, "old"), reject(logKept-time.Hour, "kept")}); err != nil {
		t.Fatal(err)
	}
	for _, age := range []time.Duration{logKept + time.Hour, logKept - time.Hour} {
		if err := s.relational.Record(t.Context(), dewline.AuditEntry{At: dewline.StampOf(now.Add(-age)), By: "a", Did: dewline.AuditLink}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.tidyUp(now); err != nil {
		t.Fatal(err)
	}
	if list, err := s.relational.ReadRejects(t.Context(), dewline.RejectFilter{}, 10); err != nil || len(list) != 1 || list[0].Detail != "kept" {
		t.Errorf("rejects %+v, %v", list, err)
	}
	entries, err := s.relational.Audit(t.Context(), 0, 100)
	for _, e := range entries {
		if e.At.Time().Before(now.Add(-logKept)) {
			t.Errorf("still in the audit log: %+v", e)
		}
	}
	if err != nil || len(entries) == 0 {
		t.Errorf("the audit log: %+v, %v", entries, err)
	}

	var digests []string
	for _, visit := range []string{"visit-0001", "visit-0002"} {
		photo, err := s.desks.photos.KeepPhoto(t.Context(), visit, smallPicture(t))
		if err != nil {
			t.Fatal(err)
		}
		digests = append(digests, photo.Digest)
	}
	err = s.relational.Desk(t.Context(), "make a visit", func(tx dewline.DeskTx) error {
		at := dewline.StampOf(now)
		call := dewline.ServiceCall{ID: "c1", Site: "quay", Systems: []dewline.SystemID{"quay/hall"}, Priority: dewline.P3, State: dewline.CallOnSite, Made: at}
		if err := tx.PutCall(dewline.CallChange{Change: dewline.Change{By: "J.", At: dewline.MillisOf(now), Why: "made"}, Call: call}); err != nil {
			return err
		}
		return tx.PutVisit(dewline.Visit{ID: "visit-0001", Call: "c1", System: "quay/hall", Revision: 1, Started: at, Photos: []dewline.Photo{{Digest: digests[0]}}})
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, visit := range []string{"visit-0001", "visit-0002"} { // from now on the service may drop them by itself
		files, _ := filepath.Glob(filepath.Join(photosPath(s.o.Data), visit, "*"))
		for _, f := range files {
			if err := os.Chtimes(f, now, now.Add(-unnamedKept-time.Hour)); err != nil && !os.IsNotExist(err) {
				t.Fatal(err)
			}
		}
	}
	if err := s.desks.photos.DropUnnamed(t.Context(), now.Add(-unnamedKept), s.photosNamed); err != nil {
		t.Fatal(err)
	}
	if _, err := s.desks.photos.PhotoOf(t.Context(), "visit-0001", digests[0], false); err != nil {
		t.Errorf("a photo that an open visit names: %v", err)
	}
	if _, err := s.desks.photos.PhotoOf(t.Context(), "visit-0002", digests[1], false); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("a photo that no visit names: %v", err)
	}
}
