package app_test

import (
	"context"
	"testing"

	"sapward/internal/app"
)

// Whoever has lost a role since may no longer take back what it did; whoever
// still has it may.
func TestUndo_NeedsTheRoleStill(t *testing.T) {
	w := newWorld(t)
	ctx := context.Background()
	b, err := w.Block(ctx, app.Local(), w.block)
	if err != nil {
		t.Fatal(err)
	}
	who := w.people[app.Adviser]
	f := b.Facts
	f.Note = "changed by the adviser"
	k, err := w.ChangeBlock(ctx, who, b.ID, b.Version, f, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Grant(ctx, app.Local(), w.estate, who.Person, app.Viewer); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Undo(ctx, who, k.Act); err == nil {
		t.Fatal("a viewer takes back what the adviser did")
	}
	if _, err := w.Grant(ctx, app.Local(), w.estate, who.Person, app.Adviser); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Undo(ctx, who, k.Act); err != nil {
		t.Fatal(err)
	}
	if now, err := w.Block(ctx, app.Local(), w.block); err != nil || now.Facts.Note == f.Note {
		t.Errorf("%q, %v", now.Facts.Note, err)
	}
}
