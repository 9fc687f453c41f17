package store

import (
	"context"
	"testing"
	"time"

	"sapward/internal/app"
	"sapward/internal/store/storetest"
)

func openOn(t testing.TB, address string, now func() time.Time) *Store {
	t.Helper()
	s, err := Open(context.Background(), Options{Database: address, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// PostgreSQL passes the contract that SQLite passes, in a database whose own
// order of text is a language's; check finds nothing wrong with what it leaves.
func TestPostgres_Contract(t *testing.T) {
	server := storetest.StartPostgres(t)
	storetest.Run(t, func(t *testing.T, now func() time.Time) app.Store {
		s := openOn(t, server.Database(t), now)
		t.Cleanup(func() {
			if r, err := s.Check(context.Background(), nil); err != nil || len(r.Findings) > 0 {
				t.Errorf("check: %+v %v", r, err)
			}
		})
		return s
	})
	t.Run("beside", func(t *testing.T) {
		storetest.RunBeside(t, func(t *testing.T, now func() time.Time) interface {
			app.Store
			app.Beside
		} {
			return openOn(t, server.Database(t), now)
		})
	})
	t.Run("sessions", func(t *testing.T) {
		storetest.RunSessions(t, func(t *testing.T, now func() time.Time) app.Sessions { return openOn(t, server.Database(t), now) })
	})
}
