package sqlstore

import (
	"path/filepath"
	"testing"

	"dewline/alerts/sqlstore/storetest"
)

// newPlace returns a name for a new store's file. The folder's name means something in a URI.
func newPlace(t testing.TB) string { return filepath.Join(t.TempDir(), "dewline.db") }

// openAt opens a store that is closed when the test ends.
func openAt(t testing.TB, path string, options Options) *Store {
	t.Helper()
	s, err := Open(t.Context(), path, options)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

// TestConformance runs one suite on both dialects.
func TestConformance(t *testing.T) {
	t.Parallel()
	for name, newPlace := range map[string]func(testing.TB) string{"sqlite": newPlace, "postgres": newPostgres} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			storetest.Run(t, func(t *testing.T) storetest.Opener {
				place := newPlace(t)
				return func(t *testing.T) storetest.Store {
					s, err := Open(t.Context(), place, Options{RejectsKept: storetest.RejectsKept})
					if err != nil {
						t.Fatal(err)
					}
					return s
				}
			})
		})
	}
}
