package app_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"io"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/apply/fieldlog"
	"sapward/apply/record"
	"sapward/finding"
	"sapward/flow/compare"
	"sapward/follow/trial"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/store"
	"sapward/measure/civil"
	"sapward/measure/tree"
)

type readers struct{}

func (readers) ReadCard(text []byte, name string) (app.ReadCard, error) {
	l, err := cardfile.Parse(text, name)
	return app.ReadCard{Card: l.Card, Hash: l.Hash, Canonical: l.Canonical, Place: l.Place}, err
}
func (readers) Trees(r io.Reader, name string, match app.Columns, visit func([]tree.Tree) error) (app.Table, error) {
	_, err := exchange.EachInventory(r, name, match, visit)
	return app.Table{}, err
}
func (readers) Wounds(r io.Reader, name string) ([]tree.Wound, error) {
	x, _, err := exchange.ReadWounds(r, name)
	return x, err
}
func (readers) Limbs(r io.Reader, name string) ([]tree.Limb, error) {
	x, _, err := exchange.ReadLimbs(r, name)
	return x, err
}
func (readers) Obstacles(r io.Reader, name string) ([]tree.Obstacle, error) {
	x, _, err := exchange.ReadObstacles(r, name)
	return x, err
}
func (readers) History(r io.Reader, name string) ([]tree.Treatment, error) {
	x, _, err := exchange.ReadHistory(r, name)
	return x, err
}
func (readers) Names() []string { return nil }

// Follow reads a table of follow-up.
func (readers) Follow(kind, name string, data []byte, zero civil.Date) (app.FollowRows, error) {
	x, err := exchange.ReadFollow(kind, name, data, zero)
	return app.FollowRows(x), err
}

// TrialResults reads the results of a trial.
func (readers) TrialResults(name string, data []byte, value string) ([]trial.Observation, error) {
	x, _, err := exchange.ReadResultsFrom(bytes.NewReader(data), name, value)
	return x, err
}

type archive struct{}

func (archive) File(string, func(io.Writer) error) error { return nil }

type tables struct{}

func (tables) Trees(io.Writer, []app.TreeFacts) error                  { return nil }
func (tables) Wounds(io.Writer, []app.TreeWound) error                 { return nil }
func (tables) Limbs(io.Writer, []app.TreeFacts) error                  { return nil }
func (tables) Obstacles(io.Writer, []app.TreeFacts) error              { return nil }
func (tables) History(io.Writer, string, []app.ApplicationFacts) error { return nil }

// world is the demo estate, a second estate, and a person of each role.
type world struct {
	*app.App
	estate, block, tree, wound, card, hash, draft, plan, application, person string
	people                                                                   map[app.Role]app.Actor
	stranger                                                                 app.Actor // owner of another estate
	feed                                                                     string
	day, phone, record, visit, trial, assessment                             string
}

func newWorld(t *testing.T) *world {
	t.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	w := &world{App: app.New(app.Config{Store: s, Keeper: s, CardReader: readers{}, Tables: readers{}, Follow: readers{}, Engine: "test", Now: time.Now, Random: rand.Reader,
		NewID: func() string { return uuid.Must(uuid.NewV7()).String() }}), people: map[app.Role]app.Actor{}}
	me := app.Local()
	if err := w.FillDemo(ctx, me, demo.Files()); err != nil {
		t.Fatal(err)
	}
	one := func(typ app.Type) app.State {
		x, err := s.States(ctx, app.Query{Type: typ, Limit: 1})
		if err != nil || len(x) == 0 {
			t.Fatal(typ, err)
		}
		return x[0]
	}
	w.estate, w.block, w.tree, w.wound, w.card = one(app.TypeEstate).ID, one(app.TypeBlock).ID, one(app.TypeTree).ID, one(app.TypeWound).ID, one(app.TypeCard).ID
	w.visit, w.trial = one(app.TypeVisit).ID, one(app.TypeTrial).ID
	one1 := 1.0
	assessed, err := w.AssessTrial(ctx, me, w.trial, app.AssessmentFacts{Variable: "invented", On: "2025-01-01", Rows: []app.AssessedRow{{Tree: "T01", Value: &one1}}})
	if err != nil {
		t.Fatal(err)
	}
	w.assessment = assessed.ID
	w.draft, w.plan, w.application = one(app.TypeDraft).ID, one(app.TypePlan).ID, one(app.TypeApplication).ID
	d := openDay(t, w.App, w.draft)
	ph, _, err := w.AddPhone(ctx, me, d.ID, d.Facts.People[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	w.day, w.phone = d.ID, ph.ID
	feed, _, err := w.AddFeed(ctx, me, w.estate, "en")
	if err != nil {
		t.Fatal(err)
	}
	w.feed = feed.ID
	w.draft = one(app.TypeDraft).ID
	rec, err := w.NewRecord(ctx, me, w.block, record.Content{})
	if err != nil {
		t.Fatal(err)
	}
	w.record = rec.ID
	other, err := w.AddEstate(ctx, me, app.EstateFacts{Name: "Another invented estate"})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range append([]app.Role{app.Nobody}, app.Roles...) {
		name := "invented " + string(r)
		p, err := w.AddPerson(ctx, me, app.PersonFacts{Name: name}, "")
		if err != nil {
			t.Fatal(err)
		}
		w.people[r] = app.Actor{Person: p.ID}
		w.person = p.ID
		if r != app.Nobody {
			if _, err := w.Grant(ctx, me, w.estate, p.ID, r); err != nil {
				t.Fatal(err)
			}
		}
	}
	p, err := w.AddPerson(ctx, me, app.PersonFacts{Name: "invented neighbour"}, "")
	if err != nil {
		t.Fatal(err)
	}
	w.stranger = app.Actor{Person: p.ID}
	if _, err := w.Grant(ctx, me, other.ID, p.ID, app.Owner); err != nil {
		t.Fatal(err)
	}
	return w
}

// examples are the arguments each use case is tried with, after context and
// actor. Versions are ones that no thing has, so that nothing is changed.
func (w *world) examples() map[string][]any {
	const v = 999
	r := func() io.Reader { return strings.NewReader("tree,girth_cm\nX1,100\n") }
	d := app.DraftFacts{Card: w.card, Brief: brief.Brief{Method: "injection"}}
	return map[string][]any{
		"SignIn": {"x", "y"}, "FirstOwner": {"t", "n", "p"}, "Me": {}, "MayDo": {"Block", w.estate},
		"Estates": {}, "Estate": {w.estate}, "AddEstate": {app.EstateFacts{}}, "ChangeEstate": {w.estate, v, app.EstateFacts{Name: "x"}, ""}, "RetireEstate": {w.estate, v, ""},
		"Block": {w.block}, "AddBlock": {w.estate, app.BlockFacts{}}, "ChangeBlock": {w.block, v, app.BlockFacts{Name: "x"}, ""}, "RetireBlock": {w.block, v, ""}, "RestoreBlock": {w.block, v},
		"SampleBlock": {w.block, app.SampleOptions{}}, "PickTrees": {w.block, 3, uint64(1)},
		"Trees": {app.TreeQuery{Block: w.block}}, "Places": {w.block}, "Tree": {w.tree}, "AddTree": {w.block, app.TreeFacts{}}, "ChangeTree": {w.tree, v, app.TreeFacts{Tag: "x"}, ""},
		"MeasureTree": {w.tree, v, []app.StemFacts{}, ""}, "RateTree": {w.tree, v, "healthy", "", ""}, "RetireTree": {w.tree, v, ""}, "RestoreTree": {w.tree, v},
		"AddWound": {w.tree, app.WoundFacts{}}, "ChangeWound": {w.wound, v, app.WoundFacts{}, ""}, "RetireWound": {w.wound, v, ""},
		"Cards": {}, "Card": {w.card}, "TryCard": {""}, "AddCard": {""}, "ChangeCard": {w.card, v, "", ""}, "CheckCard": {w.card, "nohash", ""}, "CardChanges": {w.card, "a", "b"}, "RetireCard": {w.card, v, ""}, "RestoreCard": {w.card, v},
		"Plans": {w.block}, "TryPlan": {w.block, d}, "Draft": {w.draft}, "CompareMethods": {w.draft, compare.Request{}}, "AddDraft": {w.block, app.DraftFacts{Name: strings.Repeat("x", 99)}}, "SaveDraft": {w.draft, v, d}, "KeepWeather": {w.draft, v, app.WeatherFacts{}, strings.NewReader("")}, "AnswerFact": {w.draft, v, "certificate-needed", "2030-01-01"}, "RetireDraft": {w.draft, v},
		"ApprovePlan": {w.draft, v}, "Plan": {w.plan}, "PlanDocument": {w.plan}, "WithdrawPlan": {w.plan, v, "x"}, "Gate": {w.plan, brief.Gate{}}, "KeepGate": {w.plan, brief.Gate{On: "1999-01-01"}},
		"Days": {w.plan}, "Day": {w.day}, "OpenDay": {w.plan, app.DayOrder{}}, "ChangeDay": {w.day, v, app.DayOrder{}}, "CloseDay": {w.day, v}, "WatchDay": {w.day}, "AddPhone": {w.day, "none"}, "RevokePhone": {w.phone, "lost"},
		"Note": {w.day, fieldlog.Event{Kind: "none"}, false}, "NoteAll": {w.day, []fieldlog.Event{{Kind: "none"}}}, "PreviewPhoneFile": {w.day, []byte("{}")}, "TakePhoneFile": {w.day, []byte("{}")}, "Records": {w.estate, app.RecordQuery{}}, "Record": {w.record}, "RecordDay": {w.day, []string(nil)}, "NewRecord": {w.block, record.Content{Work: record.Work{Zone: "nowhere"}}}, "AmendRecord": {w.record, v, record.Content{}, ""}, "SignRecord": {w.record, v, ""},
		"Joinable": {"x"}, "Join": {"x"}, "Phone": {"x"}, "PhonePack": {"x"}, "PhoneExchange": {"x", app.Exchange{}}, "PhotoState": {"x", "y"}, "PutPhoto": {"x", "y", "image/png", int64(0), int64(1), r()},
		"Applications": {w.block}, "AddApplication": {w.block, app.ApplicationFacts{}}, "ChangeApplication": {w.application, v, app.ApplicationFacts{}, ""}, "RetireApplication": {w.application, v, ""},
		"FollowUp": {w.block}, "Visits": {w.block}, "Season": {w.block}, "SetFollow": {w.block, v, app.FollowFacts{}}, "AddVisit": {w.block, app.VisitFacts{}}, "RetireVisit": {w.visit, v, ""}, "ImportFollow": {w.block, "none", "x.csv", r()},
		"Trials": {w.estate, ""}, "Trial": {w.trial}, "DesignTrial": {w.block, app.TrialDesign{}}, "ChangeTrial": {w.trial, v, "x", "", map[string]string{}}, "OpenTrialKey": {w.trial, v}, "RetireTrial": {w.trial, v, ""},
		"AssessTrial": {w.trial, app.AssessmentFacts{}}, "ImportTrial": {w.trial, app.AssessmentFacts{}, "x.csv", "", r()}, "RetireAssessment": {w.assessment, v, ""}, "AnalyseTrial": {w.trial, app.TrialQuestion{}},
		"TrialVariation": {w.block, ""}, "TrialPower": {w.block, trial.PowerRequest{Sims: 1}, (func(int64, int64))(nil)}, "FollowGroups": {w.block, app.GroupWords{}}, "GroupFollow": {w.block, v, app.GroupOrder{}},
		"Attachments": {app.TypeTree, w.tree}, "Attach": {app.TypeTree, w.tree, "", "", "", r()}, "OpenAttachment": {"none"}, "RetireAttachment": {"none", v, ""},
		"People": {}, "AddPerson": {app.PersonFacts{}, ""}, "ChangePerson": {w.person, v, app.PersonFacts{}}, "SetPassphrase": {w.person, v, "", ""}, "RetirePerson": {w.person, v, ""},
		"Grant": {w.estate, w.person, app.Role("none")}, "Revoke": {w.estate, "none"}, "FirstOwnerToken": {}, "Settings": {}, "ChangeSettings": {v, app.SettingsFacts{}},
		"PreviewImport": {w.block, "trees", "x.csv", r(), app.Columns(nil)}, "Import": {w.block, "none", "x.csv", r(), app.Columns(nil)}, "Export": {w.estate, archive{}, tables{}},
		"Feeds": {w.estate}, "AddFeed": {w.estate, "none"}, "RevokeFeed": {w.feed, "lost"}, "Calendar": {"x"},
		"Backup": {"/dev/null/none"}, "Check": {(func(int64, int64))(nil)}, "Due": {w.estate}, "Search": {"x", 5}, "Audit": {app.EventQuery{Estate: w.estate}}, "History": {app.TypeTree, w.tree}, "Undo": {"none"},
		"FillDemo": {map[string][]byte{}},
		"Tokens":   {}, "AddToken": {app.TokenOrder{}}, "WithdrawToken": {"none"}, "Bearer": {"x"}, "Began": {"", ""}, "Answered": {app.Mark{}, ""}, "Freed": {app.Mark{}}, "Kept": {"none"},
	}
}

// call runs a use case and reports whether it was denied.
func (w *world) call(t *testing.T, name string, actor app.Actor, args []any) bool {
	t.Helper()
	m := reflect.ValueOf(w.App).MethodByName(name)
	in := []reflect.Value{reflect.ValueOf(context.Background()), reflect.ValueOf(actor)}
	for _, a := range args {
		in = append(in, reflect.ValueOf(a))
	}
	for _, out := range m.Call(in) {
		if err, ok := out.Interface().(error); ok && err != nil {
			var f *finding.Fault
			return errors.As(err, &f) && f.Class == finding.Denied && f.ID == "app-denied"
		}
	}
	return false
}

// Every use case has a permission and is tried by every role: it is denied to
// roles below the least, and to nobody else. A method that is forgotten fails.
func TestPermissions_EveryUseCaseAndRole(t *testing.T) {
	w := newWorld(t)
	examples := w.examples()
	typ := reflect.TypeOf(w.App)
	seen := 0
	for i := range typ.NumMethod() {
		name := typ.Method(i).Name
		args, ok := examples[name]
		least, where, listed := app.PermissionOf(name)
		if !ok || !listed {
			t.Errorf("%s: no permission or no example; add both", name)
			continue
		}
		seen++
		if least == app.Nobody {
			continue // open to all, or decided inside; tested by itself
		}
		for role, actor := range w.people {
			want := !role.Allows(least) || where == "everywhere"
			if got := w.call(t, name, actor, args); got != want {
				t.Errorf("%s as %q: denied %v, want %v (least %s)", name, role, got, want, least)
			}
		}
		if where == "there" && name != "OpenAttachment" && name != "RetireAttachment" {
			if !w.call(t, name, w.stranger, args) {
				t.Errorf("%s: an owner of another estate was let in", name)
			}
		}
		if w.call(t, name, app.Local(), args) || !w.call(t, name, app.Actor{}, args) {
			t.Errorf("%s: the local owner was denied, or somebody without a name was let in", name)
		}
	}
	if seen != len(app.Permissions) {
		t.Errorf("%d use cases, %d permissions: one names no method", seen, len(app.Permissions))
	}
}

// A person changes only oneself; an owner of one estate nobody else.
func TestPermissions_People(t *testing.T) {
	ctx := context.Background()
	w := newWorld(t)
	for role, actor := range w.people {
		if _, err := w.SetPassphrase(ctx, actor, w.stranger.Person, 1, "", "a long enough passphrase"); err == nil {
			t.Errorf("%s set another's passphrase", role)
		}
	}
	if _, err := w.Grant(ctx, w.people[app.Owner], "", w.person, app.Owner); err == nil {
		t.Error("an owner of one estate made an owner of everything")
	}
}

// The first owner shows the token once; a wrong name and a wrong passphrase are
// answered alike.
func TestSignIn(t *testing.T) {
	ctx := context.Background()
	w := newWorld(t)
	token, err := w.FirstOwnerToken(ctx, app.Local())
	if err != nil || len(token) != 40 {
		t.Fatal(token, err)
	}
	if _, err := w.FirstOwner(ctx, app.Actor{}, "wrong", "first", "a long enough passphrase"); err == nil {
		t.Error("a wrong token was taken")
	}
	a, err := w.FirstOwner(ctx, app.Actor{}, token, "first", "a long enough passphrase")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.FirstOwner(ctx, app.Actor{}, token, "second", "a long enough passphrase"); err == nil {
		t.Error("a token was taken twice")
	}
	if got, err := w.SignIn(ctx, app.Actor{}, "FIRST", "a long enough passphrase"); err != nil || got != a {
		t.Error(got, err)
	}
	_, err1 := w.SignIn(ctx, app.Actor{}, "first", "another passphrase")
	_, err2 := w.SignIn(ctx, app.Actor{}, "nobody", "another passphrase")
	if err1 == nil || err2 == nil || err1.Error() != err2.Error() {
		t.Error(err1, err2)
	}
	if _, err := w.Check(ctx, a, nil); err != nil {
		t.Error(err)
	}
	page, err := w.Audit(ctx, a, app.EventQuery{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range page.Events {
		if strings.Contains(string(e.Body), "argon2id") {
			t.Error("the audit list shows a passphrase's hash")
		}
	}
}
