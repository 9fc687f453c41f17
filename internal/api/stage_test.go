package api

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/store"
	"sapward/measure/civil"
	"sapward/measure/tree"
	"sapward/plan/crew"
)

// files reads cards and tables for the app as the command line does.
type reads_ struct{}

func (reads_) ReadCard(text []byte, name string) (app.ReadCard, error) {
	l, err := cardfile.Parse(text, name)
	if err != nil {
		return app.ReadCard{}, err
	}
	out := app.ReadCard{Card: l.Card, Hash: l.Hash, Canonical: l.Canonical, Place: l.Place}
	for _, e := range l.Understood {
		out.Understood = append(out.Understood, app.Echo(e))
	}
	return out, nil
}
func (reads_) Trees(r io.Reader, name string, match app.Columns, visit func([]tree.Tree) error) (app.Table, error) {
	sum, err := exchange.EachInventory(r, name, match, visit)
	return app.Table{Headers: sum.Headers, Rows: sum.Rows, Notes: sum.Notes, Columns: []app.ColumnUse{}}, err
}
func (reads_) Wounds(r io.Reader, name string) ([]tree.Wound, error) {
	x, _, err := exchange.ReadWounds(r, name)
	return x, err
}
func (reads_) Limbs(r io.Reader, name string) ([]tree.Limb, error) {
	x, _, err := exchange.ReadLimbs(r, name)
	return x, err
}
func (reads_) Obstacles(r io.Reader, name string) ([]tree.Obstacle, error) {
	x, _, err := exchange.ReadObstacles(r, name)
	return x, err
}
func (reads_) History(r io.Reader, name string) ([]tree.Treatment, error) {
	x, _, err := exchange.ReadHistory(r, name)
	return x, err
}
func (reads_) Names() []string { return exchange.TreeColumns() }
func (reads_) Follow(kind, name string, data []byte, zero civil.Date) (app.FollowRows, error) {
	x, err := exchange.ReadFollow(kind, name, data, zero)
	return app.FollowRows(x), err
}

// sheets_ writes the tables of an export.
type sheets_ struct{}

func (sheets_) Trees(w io.Writer, ts []app.TreeFacts) error {
	_, err := fmt.Fprintf(w, "tree\n%d trees\n", len(ts))
	return err
}
func (sheets_) Wounds(io.Writer, []app.TreeWound) error                 { return nil }
func (sheets_) Limbs(io.Writer, []app.TreeFacts) error                  { return nil }
func (sheets_) Obstacles(io.Writer, []app.TreeFacts) error              { return nil }
func (sheets_) History(io.Writer, string, []app.ApplicationFacts) error { return nil }

// clock is a clock that a test sets.
type clock struct {
	mu sync.Mutex
	at time.Duration
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Now().Add(c.at)
}

func (c *clock) on(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at += d
}

// stage is the invented estate behind the interface, with a person and a token of
// each role.
type stage struct {
	t       *testing.T
	dir     string
	store   *store.Store
	app     *app.App
	clock   *clock
	handler *Handler
	url     string

	estate, block, tree, card, draft, plan, day string
	tokens                                      map[app.Role]string
	people                                      map[app.Role]app.Actor
	stranger                                    string // token of an owner of another estate
	watch                                       func(*http.Request, []byte, *http.Response, []byte)
	n                                           int
}

var me = app.Local()

// open opens the app on a folder.
func (s *stage) open(o Options) {
	t := s.t
	t.Helper()
	m, err := store.Open(context.Background(), store.Options{Dir: s.dir, Now: s.clock.now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	s.store = m
	s.app = app.New(app.Config{Store: m, Sessions: m, Keeper: m, CardReader: reads_{}, Tables: reads_{}, Follow: reads_{}, Engine: "test", Now: s.clock.now, NewID: func() string { return uuid.Must(uuid.NewV7()).String() }, Random: rand.Reader})
	o.App, o.Tables, o.Version = s.app, sheets_{}, "test"
	if o.Askings == 0 {
		o.Askings = 1_000_000
	}
	if s.handler, err = New(o); err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(s.handler)
	t.Cleanup(server.Close)
	s.url = server.URL
}

// empty is a stage without an estate.
func empty(t *testing.T, o Options) *stage {
	s := &stage{t: t, dir: t.TempDir(), clock: &clock{}, tokens: map[app.Role]string{}, people: map[app.Role]app.Actor{}}
	s.open(o)
	return s
}

// small is a stage with an estate of one block and one tree.
func small(t *testing.T, o Options) *stage {
	s := empty(t, o)
	ctx := t.Context()
	e, err := s.app.AddEstate(ctx, me, app.EstateFacts{Name: "Invented", Zone: "UTC"})
	s.must(err)
	b, err := s.app.AddBlock(ctx, me, e.ID, app.BlockFacts{Name: "Avenue", Site: "elm"})
	s.must(err)
	tr, err := s.app.AddTree(ctx, me, b.ID, app.TreeFacts{Tag: "T1"})
	s.must(err)
	s.estate, s.block, s.tree = e.ID, b.ID, tr.ID
	s.staff()
	return s
}

func (s *stage) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

// staff makes a person and a token of each role.
func (s *stage) staff() {
	ctx := s.t.Context()
	person := func(name string, role app.Role, estate string) app.Actor {
		p, err := s.app.AddPerson(ctx, me, app.PersonFacts{Name: name}, "")
		s.must(err)
		_, err = s.app.Grant(ctx, me, estate, p.ID, role)
		s.must(err)
		return app.Actor{Person: p.ID}
	}
	for _, r := range app.Roles {
		estate := s.estate
		if r == app.Owner {
			estate = "" // of everything
		}
		s.people[r] = person("invented "+string(r), r, estate)
		_, text, err := s.app.AddToken(ctx, s.people[r], app.TokenOrder{Name: "test", Role: r})
		s.must(err)
		s.tokens[r] = text
	}
	other, err := s.app.AddEstate(ctx, me, app.EstateFacts{Name: "Another invented estate", Zone: "UTC"})
	s.must(err)
	_, s.stranger, err = s.app.AddToken(ctx, person("invented neighbour", app.Owner, other.ID), app.TokenOrder{Name: "test", Role: app.Owner})
	s.must(err)
}

// filled is the demo estate with an open day.
func filled(t *testing.T, o Options) *stage {
	s := empty(t, o)
	ctx := t.Context()
	s.must(s.app.FillDemo(ctx, me, demo.Files()))
	es, err := s.app.Estates(ctx, me)
	s.must(err)
	s.estate = es[0].ID
	e, err := s.app.Estate(ctx, me, s.estate)
	s.must(err)
	for _, b := range e.Blocks {
		if b.Facts.Name != "Avenue" {
			continue
		}
		s.block = b.ID
		plans, err := s.app.Plans(ctx, me, b.ID)
		s.must(err)
		for _, p := range plans {
			if p.Type == app.TypeDraft {
				s.draft = p.ID
			}
		}
	}
	page, err := s.app.Trees(ctx, me, app.TreeQuery{Block: s.block, Text: "E003"})
	s.must(err)
	s.tree = page.Trees[0].ID
	d, _, err := s.app.Draft(ctx, me, s.draft)
	s.must(err)
	s.card = d.Facts.Card
	s.plan = s.approved()
	s.day = s.openDay()
	s.staff()
	return s
}

// ready makes a draft that nothing is waited for.
func (s *stage) ready() app.Draft {
	ctx := context.Background()
	d, _, err := s.app.Draft(ctx, me, s.draft)
	s.must(err)
	d, err = s.app.AddDraft(ctx, me, d.Parent, d.Facts)
	s.must(err)
	d, err = s.app.AnswerFact(ctx, me, d.ID, d.Version, "certificate-needed", "2040-01-01")
	s.must(err)
	return d
}

func (s *stage) approved() string {
	d := s.ready()
	p, err := s.app.ApprovePlan(context.Background(), me, d.ID, d.Version)
	s.must(err)
	return p.ID
}

// gate answers everything that a morning asks with yes.
func (s *stage) gate(plan string) brief.Gate {
	ctx := context.Background()
	v, err := s.app.Plan(ctx, me, plan)
	s.must(err)
	warm, deficit := 20.0, 1.0
	g := brief.Gate{On: v.Facts.On, Containers: []string{v.Doc.Card.Registration}, Temperature: &warm, Deficit: &deficit, Bloom: "no", CertificateTo: "2040-01-01", Answers: map[string]bool{}}
	doc, err := s.app.Gate(ctx, me, plan, g)
	s.must(err)
	for _, it := range doc.Items {
		if it.Answer == crew.Unanswered || it.Answer == "" {
			g.Answers[it.ID] = true
		}
	}
	return g
}

func (s *stage) openDay() string {
	ctx := context.Background()
	_, err := s.app.KeepGate(ctx, me, s.plan, s.gate(s.plan))
	s.must(err)
	d, err := s.app.OpenDay(ctx, me, s.plan, app.DayOrder{People: []string{"crew one", "crew two"}})
	s.must(err)
	return d.ID
}

// ask is a request.
type ask struct {
	method, path, token, media, body, match, key string
	header                                       map[string]string
}

// reply_ is an answer that was read.
type reply_ struct {
	*http.Response
	body []byte
}

func (r reply_) problem(t *testing.T) (p Problem) {
	t.Helper()
	if got := r.Header.Get("Content-Type"); got != "application/problem+json" {
		t.Fatalf("%d %s: %s", r.StatusCode, got, r.body)
	}
	if err := json.Unmarshal(r.body, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

// do sends a request and reads its answer.
func (s *stage) do(a ask) reply_ {
	s.t.Helper()
	req, err := http.NewRequest(a.method, s.url+Root+a.path, strings.NewReader(a.body))
	s.must(err)
	if a.token != "" {
		req.Header.Set("Authorization", "Bearer "+a.token)
	}
	if a.body != "" || a.media != "" {
		if a.media == "" {
			a.media = "application/json"
		}
		req.Header.Set("Content-Type", a.media)
	}
	if a.match != "" {
		req.Header.Set("If-Match", a.match)
	}
	if a.key == "new" {
		s.n++
		a.key = fmt.Sprintf("key %d", s.n)
	}
	if a.key != "" {
		req.Header.Set("Idempotency-Key", a.key)
	}
	for k, v := range a.header {
		req.Header.Set(k, v)
	}
	res, err := http.DefaultClient.Do(req)
	s.must(err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	s.must(err)
	if s.watch != nil {
		s.watch(req, []byte(a.body), res, body)
	}
	res.Body = io.NopCloser(bytes.NewReader(body))
	return reply_{res, body}
}

func (s *stage) read(v any, r reply_) {
	s.t.Helper()
	if err := json.Unmarshal(r.body, v); err != nil {
		s.t.Fatalf("%v: %s", err, r.body)
	}
}
