package app_test

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
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
	"sapward/internal/store"
	"sapward/measure/tree"
)

// unread is a reader that reads nothing: who may ask is settled before.
type unread struct{}

var errUnread = errors.New("unread")

func (unread) ReadCard([]byte, string) (app.ReadCard, error) { return app.ReadCard{}, errUnread }
func (unread) Trees(io.Reader, string, app.Columns, func([]tree.Tree) error) (app.Table, error) {
	return app.Table{}, errUnread
}
func (unread) Wounds(io.Reader, string) ([]tree.Wound, error)       { return nil, errUnread }
func (unread) Limbs(io.Reader, string) ([]tree.Limb, error)         { return nil, errUnread }
func (unread) Obstacles(io.Reader, string) ([]tree.Obstacle, error) { return nil, errUnread }
func (unread) History(io.Reader, string) ([]tree.Treatment, error)  { return nil, errUnread }
func (unread) Names() []string                                      { return nil }
func (unread) File(string, func(io.Writer) error) error             { return errUnread }

// asks is what a use case asks for, and a call of it on the estate "e". What is
// changed is named by a version nobody has, so that no call succeeds by chance.
type asks struct {
	least app.Role
	where string
	args  []any
}

const stale = 990

// wanted is the table of permissions written a second time, by hand: a rule
// loosened by mistake differs from it.
func wanted() map[string]asks {
	none := strings.NewReader("")
	there := func(r app.Role, args ...any) asks { return asks{r, "there", args} }
	anywhere := func(r app.Role, args ...any) asks { return asks{r, "anywhere", args} }
	everywhere := func(r app.Role, args ...any) asks { return asks{r, "everywhere", args} }
	return map[string]asks{
		"SignIn": anywhere(app.Nobody), "FirstOwner": anywhere(app.Nobody), "Me": anywhere(app.Nobody), "MayDo": anywhere(app.Nobody),
		"ChangePerson": anywhere(app.Nobody), "SetPassphrase": anywhere(app.Nobody),

		"Estates": anywhere(app.Viewer), "Estate": there(app.Viewer, "e"), "AddEstate": anywhere(app.Owner, app.EstateFacts{}),
		"ChangeEstate": there(app.Owner, "e", stale, app.EstateFacts{Name: "x"}, ""), "RetireEstate": there(app.Owner, "e", stale, ""),

		"Block": there(app.Viewer, "b"), "AddBlock": there(app.Adviser, "e", app.BlockFacts{}), "ChangeBlock": there(app.Adviser, "b", stale, app.BlockFacts{Name: "x"}, ""),
		"RetireBlock": there(app.Adviser, "b", stale, ""), "RestoreBlock": there(app.Adviser, "b", stale),
		"SampleBlock": there(app.Viewer, "b", app.SampleOptions{}), "PickTrees": there(app.Viewer, "b", 3, uint64(1)),

		"Trees": there(app.Viewer, app.TreeQuery{Block: "b"}), "Places": there(app.Viewer, "b"), "Tree": there(app.Viewer, "t"),
		"AddTree": there(app.CrewLead, "b", app.TreeFacts{}), "ChangeTree": there(app.CrewLead, "t", stale, app.TreeFacts{Tag: "1"}, ""),
		"MeasureTree": there(app.Crew, "t", stale, []app.StemFacts(nil), ""), "RateTree": there(app.Crew, "t", stale, "", "", ""),
		"RetireTree": there(app.CrewLead, "t", stale, ""), "RestoreTree": there(app.CrewLead, "t", stale),
		"AddWound": there(app.Crew, "t", app.WoundFacts{AzimuthDeg: -1}), "ChangeWound": there(app.Crew, "w", stale, app.WoundFacts{}, ""), "RetireWound": there(app.CrewLead, "w", stale, ""),

		"Cards": anywhere(app.Viewer), "Card": anywhere(app.Viewer, "c"), "TryCard": anywhere(app.Adviser, "x"), "AddCard": anywhere(app.Adviser, "x"),
		"ChangeCard": anywhere(app.Adviser, "c", stale, "x", ""), "CheckCard": anywhere(app.CrewLead, "c", "no such hash", ""), "CardChanges": anywhere(app.Viewer, "c", "", ""),
		"RetireCard": anywhere(app.Adviser, "c", stale, ""), "RestoreCard": anywhere(app.Adviser, "c", stale),

		"Plans": there(app.Viewer, "b"), "TryPlan": there(app.Viewer, "b", app.DraftFacts{}), "Draft": there(app.Viewer, "d"), "CompareMethods": there(app.Viewer, "d", compare.Request{}),
		"AddDraft": there(app.Adviser, "b", app.DraftFacts{Name: strings.Repeat("x", 100)}), "SaveDraft": there(app.Adviser, "d", stale, app.DraftFacts{}), "KeepWeather": there(app.Adviser, "d", stale, app.WeatherFacts{}, strings.NewReader("")),
		"AnswerFact": there(app.Adviser, "d", stale, "x", "y"), "RetireDraft": there(app.Adviser, "d", stale), "ApprovePlan": there(app.Adviser, "d", stale),
		"Plan": there(app.Viewer, "p"), "PlanDocument": there(app.Viewer, "p"), "WithdrawPlan": there(app.Adviser, "p", stale, "x"),
		"Gate": there(app.Viewer, "p", brief.Gate{}), "KeepGate": there(app.CrewLead, "p", brief.Gate{}),

		"Days": there(app.Viewer, "p"), "Day": there(app.Viewer, "y"), "OpenDay": there(app.CrewLead, "p", app.DayOrder{}), "ChangeDay": there(app.CrewLead, "y", stale, app.DayOrder{}), "CloseDay": there(app.CrewLead, "y", stale),
		"WatchDay": there(app.Viewer, "y"), "AddPhone": there(app.CrewLead, "y", "no such person"), "RevokePhone": there(app.CrewLead, "q", "lost"), "Note": there(app.Crew, "y", fieldlog.Event{}, false), "NoteAll": there(app.Crew, "y", []fieldlog.Event{{}}), "PreviewPhoneFile": there(app.CrewLead, "y", []byte("{}")), "TakePhoneFile": there(app.CrewLead, "y", []byte("{}")),
		"Records": there(app.CrewLead, "e", app.RecordQuery{}), "Record": there(app.CrewLead, "r"), "RecordDay": there(app.CrewLead, "y", []string(nil)), "NewRecord": there(app.CrewLead, "b", record.Content{Work: record.Work{Zone: "nowhere"}}), "AmendRecord": there(app.CrewLead, "r", stale, record.Content{}, ""), "SignRecord": there(app.CrewLead, "r", stale, ""),
		"Joinable": anywhere(app.Nobody, "x"), "Join": anywhere(app.Nobody, "x"), "Phone": anywhere(app.Nobody, "x"), "PhonePack": anywhere(app.Nobody, "x"), "PhoneExchange": anywhere(app.Nobody, "x", app.Exchange{}),
		"PhotoState": anywhere(app.Nobody, "x", "y"), "PutPhoto": anywhere(app.Nobody, "x", "y", "", int64(0), int64(1), none),

		"Applications": there(app.Viewer, "b"), "AddApplication": there(app.CrewLead, "b", app.ApplicationFacts{}),
		"ChangeApplication": there(app.CrewLead, "a", stale, app.ApplicationFacts{}, ""), "RetireApplication": there(app.CrewLead, "a", stale, ""),

		"FollowUp": there(app.Viewer, "b"), "Visits": there(app.Viewer, "b"), "Season": there(app.Viewer, "b"), "SetFollow": there(app.CrewLead, "b", stale, app.FollowFacts{}), "AddVisit": there(app.Crew, "b", app.VisitFacts{}),
		"RetireVisit": there(app.CrewLead, "v", stale, ""), "ImportFollow": there(app.CrewLead, "b", "none", "x.csv", none),

		"Trials": there(app.Viewer, "e", ""), "Trial": there(app.Viewer, "z"), "DesignTrial": there(app.Adviser, "b", app.TrialDesign{}), "ChangeTrial": there(app.Adviser, "z", stale, "x", "", map[string]string(nil)),
		"OpenTrialKey": there(app.Adviser, "z", stale), "RetireTrial": there(app.Adviser, "z", stale, ""), "AssessTrial": there(app.Crew, "z", app.AssessmentFacts{}), "ImportTrial": there(app.Crew, "z", app.AssessmentFacts{}, "x.csv", "", none),
		"RetireAssessment": there(app.CrewLead, "za", stale, ""), "AnalyseTrial": there(app.Viewer, "z", app.TrialQuestion{}), "TrialVariation": there(app.Adviser, "b", ""), "TrialPower": there(app.Adviser, "b", trial.PowerRequest{Sims: 1}, nil),
		"FollowGroups": there(app.CrewLead, "b", app.GroupWords{}), "GroupFollow": there(app.CrewLead, "b", stale, app.GroupOrder{}),

		"Attachments": there(app.Viewer, app.TypeTree, "t"), "Attach": there(app.Crew, app.TypeTree, "t", "x", "no/type", "", none),
		"OpenAttachment": there(app.Viewer, "f"), "RetireAttachment": there(app.CrewLead, "f", stale, ""),

		"People": anywhere(app.Viewer), "AddPerson": anywhere(app.Owner, app.PersonFacts{}, ""), "RetirePerson": everywhere(app.Owner, "other", stale, ""),
		"Tokens": anywhere(app.Viewer), "AddToken": anywhere(app.Viewer, app.TokenOrder{}), "WithdrawToken": anywhere(app.Nobody, "none"), "Bearer": anywhere(app.Nobody, "x"),
		"Began": anywhere(app.Nobody, "", ""), "Answered": anywhere(app.Nobody, app.Mark{}, ""), "Freed": anywhere(app.Nobody, app.Mark{}), "Kept": anywhere(app.Nobody, "none"),

		"Grant": there(app.Owner, "e", "other", app.Role("no such role")), "Revoke": there(app.Owner, "e", "no such person"), "FirstOwnerToken": everywhere(app.Owner),

		"Settings": anywhere(app.Viewer), "ChangeSettings": everywhere(app.Owner, stale, app.SettingsFacts{}),

		"PreviewImport": there(app.CrewLead, "b", app.TableTrees, "x.csv", none, app.Columns(nil)), "Import": there(app.CrewLead, "b", app.TableTrees, "x.csv", none, app.Columns(nil)),
		"Export": there(app.Adviser, "e", unread{}, nil), "Backup": everywhere(app.Owner, ""), "Check": everywhere(app.Owner, nil),

		"Feeds": there(app.Viewer, "e"), "AddFeed": there(app.Adviser, "e", "no such language"), "RevokeFeed": there(app.Adviser, "fd", "lost"), "Calendar": anywhere(app.Nobody, "x"),

		"Due": there(app.Viewer, "e"), "Search": anywhere(app.Viewer, "x", 3), "Audit": anywhere(app.Adviser, app.EventQuery{Estate: "e"}),
		"History": there(app.Viewer, app.TypeTree, "t"), "Undo": anywhere(app.Viewer, "no such act"), "FillDemo": everywhere(app.Owner, nil),
	}
}

// someone is a person with roles: on the estate, on another, on everything.
type someone struct {
	name                   string
	actor                  app.Actor
	here, other, wholesale app.Role
}

// may is what the roles allow, written apart from the program's own way.
func (s someone) may(a asks, method string) bool {
	if s.actor.Local {
		return true
	}
	held := map[string][]app.Role{"there": {s.here, s.wholesale}, "anywhere": {s.here, s.other, s.wholesale}, "everywhere": {s.wholesale}}[a.where]
	if method == "Audit" { // asked about one estate
		held = []app.Role{s.here, s.wholesale}
	}
	order := map[app.Role]int{app.Nobody: 0, app.Viewer: 1, app.Crew: 2, app.CrewLead: 3, app.Adviser: 4, app.Owner: 5}
	for _, r := range held {
		if r != app.Nobody && order[r] >= order[a.least] {
			return true
		}
	}
	return false
}

// staged is an app with one thing of each type and everybody there is.
func staged(t *testing.T) (*app.App, app.Store, []someone) {
	t.Helper()
	ctx := t.Context()
	s, err := store.Open(ctx, store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	a := app.New(app.Config{Store: s, CardReader: unread{}, Tables: unread{}, Engine: "test", Now: time.Now, NewID: func() string { return uuid.Must(uuid.NewV7()).String() }, Random: rand.Reader})
	var all []app.Change
	add := func(of app.Type, id, estate, parent, body string) {
		all = append(all, app.Change{Type: of, Verb: app.Added, ID: id, Estate: estate, Parent: parent, Sort: id, Version: 1, Body: json.RawMessage(body)})
	}
	add(app.TypeEstate, "e", "e", "", `{"name":"Here","zone":"UTC"}`)
	add(app.TypeEstate, "e2", "e2", "", `{"name":"Other","zone":"UTC"}`)
	add(app.TypeBlock, "b", "e", "e", `{"name":"Block"}`)
	add(app.TypeTree, "t", "e", "b", `{"tag":"1"}`)
	add(app.TypeWound, "w", "e", "t", `{}`)
	add(app.TypeCard, "c", "", "", `{}`)
	add(app.TypeDraft, "d", "e", "b", `{}`)
	add(app.TypePlan, "p", "e", "b", `{}`)
	add(app.TypeApplication, "a", "e", "b", `{}`)
	add(app.TypeVisit, "v", "e", "b", `{}`)
	add(app.TypeTrial, "z", "e", "b", `{"name":"Trial"}`)
	add(app.TypeAssessment, "za", "e", "z", `{}`)
	add(app.TypeDay, "y", "e", "p", `{"closed_at":"2026-06-01T12:00:00Z"}`)
	add(app.TypePhone, "q", "e", "y", `{}`)
	add(app.TypeRecord, "r", "e", "b", `{"day":"y"}`)
	add(app.TypeAttachment, "f", "e", "t", `{}`)
	add(app.TypeFeed, "fd", "e", "e", `{}`)
	add(app.TypePerson, "other", "", "", `{"name":"somebody else"}`)
	people := []someone{{name: "local", actor: app.Local()}, {name: "zero actor"}, {name: "unknown person", actor: app.Actor{Person: "unheard of"}}}
	person := func(name string, here, other, wholesale app.Role) {
		add(app.TypePerson, name, "", "", fmt.Sprintf(`{"name":%q}`, name))
		for estate, role := range map[string]app.Role{"e": here, "e2": other, "": wholesale} {
			if role != app.Nobody {
				add(app.TypeMembership, app.MembershipID(name, estate), estate, name, fmt.Sprintf(`{"role":%q}`, role))
			}
		}
		people = append(people, someone{name, app.Actor{Person: name}, here, other, wholesale})
	}
	person("no role", "", "", "")
	for _, r := range app.Roles {
		person(string(r)+" here", r, "", "")
		person(string(r)+" elsewhere", "", r, "")
		person(string(r)+" of everything", "", "", r)
	}
	person("viewer here, owner elsewhere", app.Viewer, app.Owner, "")
	person("retired owner", app.Owner, app.Owner, app.Owner)
	people[len(people)-1] = someone{name: "retired owner", actor: app.Actor{Person: "retired owner"}}
	all = append(all, app.Change{Type: app.TypePerson, Verb: app.Retired, ID: "retired owner", Version: 2, Body: json.RawMessage(`{"name":"retired owner"}`)})
	person("role taken back", app.Owner, "", "")
	people[len(people)-1].here = app.Nobody
	all = append(all, app.Change{Type: app.TypeMembership, Verb: app.Retired, ID: app.MembershipID("role taken back", "e"), Estate: "e", Parent: "role taken back", Version: 2, Body: json.RawMessage(`{"role":"owner"}`)})
	if err := s.InTx(ctx, func(tx app.Tx) error {
		_, err := tx.Append(ctx, app.LocalPerson, all...)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return a, s, people
}

// methods are the exported use cases of an App.
func methods() []string {
	var out []string
	for m := range reflect.TypeFor[*app.App]().Methods() {
		out = append(out, m.Name)
	}
	return out
}

// call runs a use case by name.
func call(ctx context.Context, a *app.App, actor app.Actor, method string, args []any) error {
	m := reflect.ValueOf(a).MethodByName(method)
	in := []reflect.Value{reflect.ValueOf(ctx), reflect.ValueOf(actor)}
	for i, x := range args {
		if x == nil {
			in = append(in, reflect.Zero(m.Type().In(i+2)))
		} else {
			in = append(in, reflect.ValueOf(x))
		}
	}
	out := m.Call(in)
	err, _ := out[len(out)-1].Interface().(error)
	return err
}

func denied(err error) bool {
	var f *finding.Fault
	return errors.As(err, &f) && f.Class == finding.Denied && f.ID == "app-denied"
}

func newest(t *testing.T, s app.Store) int64 {
	t.Helper()
	es, err := s.Events(t.Context(), app.EventQuery{Limit: 1})
	if err != nil || len(es) != 1 {
		t.Fatal(err)
	}
	return es[0].Seq
}

// Every exported method of App takes context and actor, stands in the table of
// permissions and in the table above, and both say the same.
func TestPermissions_NoneForgotten(t *testing.T) {
	table, all := wanted(), methods()
	for _, name := range all {
		m, _ := reflect.TypeFor[*app.App]().MethodByName(name)
		if m.Type.NumIn() < 3 || m.Type.In(1) != reflect.TypeFor[context.Context]() || m.Type.In(2) != reflect.TypeFor[app.Actor]() {
			t.Errorf("%s takes no context and actor first: %v", name, m.Type)
		}
		least, where, ok := app.PermissionOf(name)
		if !ok {
			t.Errorf("%s is missing in the table of permissions", name)
			continue
		}
		want, ok := table[name]
		if !ok {
			t.Errorf("%s is missing in this test", name)
		} else if want.least != least || want.where != where {
			t.Errorf("%s: the program asks for %q %s, this test for %q %s", name, least, where, want.least, want.where)
		}
	}
	for name := range app.Permissions {
		if _, ok := reflect.TypeFor[*app.App]().MethodByName(name); !ok {
			t.Errorf("%s has a rule and no method", name)
		}
	}
	if len(table) != len(all) {
		t.Errorf("%d rules here, %d methods", len(table), len(all))
	}
}

// Everybody tries every use case: who has too small a role is denied and has
// written nothing, who has the role is not denied.
func TestPermissions_EveryRoleOnEveryUseCase(t *testing.T) {
	a, s, people := staged(t)
	tried, refused := 0, 0
	for method, want := range wanted() {
		if want.least == app.Nobody {
			continue
		}
		for _, p := range people {
			before := newest(t, s)
			err := call(t.Context(), a, p.actor, method, want.args)
			tried++
			if got := !denied(err); got != p.may(want, method) {
				t.Errorf("%s by %s: let through %v, want %v (%v)", method, p.name, got, !got, err)
			}
			if denied(err) {
				refused++
				if after := newest(t, s); after != before {
					t.Errorf("%s by %s was denied and wrote %d events", method, p.name, after-before)
				}
			}
		}
	}
	t.Logf("%d calls by %d people, %d denied", tried, len(people), refused)
	if refused == 0 || refused == tried {
		t.Errorf("%d of %d denied: the test does not tell roles apart", refused, tried)
	}
}

// A person's own name and passphrase are theirs and an owner's of everything.
func TestPermissions_OnAnotherPerson(t *testing.T) {
	a, _, people := staged(t)
	for _, p := range people {
		want := p.actor.Local || p.wholesale == app.Owner
		for method, args := range map[string][]any{
			"ChangePerson":  {"other", stale, app.PersonFacts{Name: "x"}},
			"SetPassphrase": {"other", stale, "", "short"},
		} {
			if err := call(t.Context(), a, p.actor, method, args); denied(err) == want {
				t.Errorf("%s of another by %s: %v, want let through %v", method, p.name, err, want)
			}
		}
		for _, method := range []string{"Grant", "Revoke"} { // a role on everything
			args := []any{"", "no such person"}
			if method == "Grant" {
				args = append(args, app.Role("no such role"))
			}
			if err := call(t.Context(), a, p.actor, method, args); denied(err) == want {
				t.Errorf("%s on everything by %s: %v, want let through %v", method, p.name, err, want)
			}
		}
		// The audit of everything takes an adviser of everything.
		wide := p.actor.Local || p.wholesale == app.Owner || p.wholesale == app.Adviser
		if _, err := a.Audit(t.Context(), p.actor, app.EventQuery{}); denied(err) == wide {
			t.Errorf("audit of everything by %s: %v, want let through %v", p.name, err, wide)
		}
	}
}
