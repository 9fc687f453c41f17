package app_test

import (
	"context"
	"io"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/internal/app"
)

// Files beside a person are for the person and for owners of everything; those
// beside a card are part of it; what belongs to an estate asks for the role
// there.
func TestAttachments_BesidePeopleAndCards(t *testing.T) {
	ctx := context.Background()
	w := newWorld(t)
	all, err := w.AddPerson(ctx, app.Local(), app.PersonFacts{Name: "invented head"}, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Grant(ctx, app.Local(), "", all.ID, app.Owner); err != nil {
		t.Fatal(err)
	}
	head, crew := app.Actor{Person: all.ID}, w.people[app.Crew]
	actors := map[string]app.Actor{"head": head, "crew": crew, "stranger": w.stranger, "nobody": w.people[app.Nobody], "local": app.Local(), "signed out": {}}
	for _, r := range []app.Role{app.Owner, app.Adviser, app.CrewLead, app.Viewer} {
		actors[string(r)] = w.people[r]
	}
	attach := func(by app.Actor, of app.Type, id string) (app.Attachment, error) {
		return w.Attach(ctx, by, of, id, "certificate.txt", "text/plain", "", strings.NewReader("invented"))
	}
	for _, c := range []struct {
		of      app.Type
		id      string
		keep    string // who may keep a file there
		look    string // who may look at it
		retires string // who may take it out of the lists
	}{
		{app.TypePerson, crew.Person, "head local crew", "head local crew", "head local"}, // to retire asks for a crew lead besides
		{app.TypeCard, w.card, "head local owner adviser stranger", "head local owner adviser stranger crew-lead crew viewer", "head local owner adviser stranger"},
		{app.TypeTree, w.tree, "head local owner adviser crew-lead crew", "head local owner adviser crew-lead crew viewer", "head local owner adviser crew-lead"},
	} {
		for name, actor := range actors {
			in := func(names string) bool { return strings.Contains(" "+names+" ", " "+name+" ") }
			if _, err := attach(actor, c.of, c.id); (err == nil) != in(c.keep) {
				t.Errorf("%s keeps a file beside a %s: %v", name, c.of, err)
			}
			if _, err := w.Attachments(ctx, actor, c.of, c.id); (err == nil) != in(c.look) {
				t.Errorf("%s lists the files beside a %s: %v", name, c.of, err)
			}
			at, err := attach(head, c.of, c.id)
			if err != nil {
				t.Fatal(err)
			}
			_, f, err := w.OpenAttachment(ctx, actor, at.ID)
			if (err == nil) != in(c.look) {
				t.Errorf("%s opens a file beside a %s: %v", name, c.of, err)
			}
			if err == nil {
				_, _ = io.Copy(io.Discard, f)
				f.Close()
			}
			if _, err := w.RetireAttachment(ctx, actor, at.ID, at.Version, ""); (err == nil) != in(c.retires) {
				t.Errorf("%s retires a file beside a %s: %v", name, c.of, err)
			}
		}
	}
	if _, err := attach(head, app.TypePerson, "nobody-such"); !missing(err) {
		t.Errorf("beside a person who is not there: %v", err)
	}
	settings, err := w.Settings(ctx, app.Local())
	if err == nil && settings.ID != "" {
		if _, err := attach(head, app.TypeSettings, settings.ID); err == nil {
			t.Error("a file was kept beside the settings")
		}
	}
}

func missing(err error) bool {
	for _, f := range finding.AsFaults(err) {
		if f.Class == finding.Missing {
			return true
		}
	}
	return false
}
