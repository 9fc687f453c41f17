package store

import (
	"slices"
	"testing"

	"sapward/internal/app"
)

// Every type of thing has a table, and every table that follows from events is
// rebuilt from them: one that is forgotten would survive a rebuild unseen.
func TestProjected_IsComplete(t *testing.T) {
	for _, typ := range app.Types {
		table, ok := tables[typ]
		if !ok || !slices.Contains(projected, table) {
			t.Errorf("%s: table %q, in projected %v", typ, table, slices.Contains(projected, table))
		}
	}
	if len(tables) != len(app.Types) {
		t.Errorf("%d tables, %d types", len(tables), len(app.Types))
	}
}
