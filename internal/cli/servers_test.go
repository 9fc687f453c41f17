package cli

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/demo"
	"sapward/internal/store/storetest"
	"sapward/plan/crew"
)

// owned fills a database with the demo estate and returns its approved plan for
// a day with an answered gate.
func owned(t *testing.T, a *app.App) (plan string) {
	t.Helper()
	ctx, me := t.Context(), app.Local()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(a.FillDemo(ctx, me, demo.Files()))
	drafts, err := a.Store.States(ctx, app.Query{Type: app.TypeDraft, Limit: 50})
	must(err)
	d, _, err := a.Draft(ctx, me, drafts[len(drafts)-1].ID)
	for i := 0; err != nil || !strings.Contains(d.Facts.Name, "Avenue"); i++ {
		if i == len(drafts) {
			t.Fatal("no draft of the avenue")
		}
		d, _, err = a.Draft(ctx, me, drafts[i].ID)
	}
	d, err = a.AnswerFact(ctx, me, d.ID, d.Version, "certificate-needed", "2040-01-01")
	must(err)
	p, err := a.ApprovePlan(ctx, me, d.ID, d.Version)
	must(err)
	v, err := a.Plan(ctx, me, p.ID)
	must(err)
	warm, deficit := 20.0, 1.0
	g := brief.Gate{On: v.Facts.On, Containers: []string{v.Doc.Card.Registration}, Temperature: &warm, Deficit: &deficit, Bloom: "no", CertificateTo: "2040-01-01", Answers: map[string]bool{}}
	doc, err := a.Gate(ctx, me, p.ID, g)
	must(err)
	for _, it := range doc.Items {
		if it.Answer == crew.Unanswered || it.Answer == "" {
			g.Answers[it.ID] = true
		}
	}
	_, err = a.KeepGate(ctx, me, p.ID, g)
	must(err)
	return p.ID
}

// simulated is a phone at the trees: it notes in its own log, sends, and forgets
// only what a server confirmed by hash. Where its server is gone it goes to the
// other.
type simulated struct {
	*caller
	me struct{ Device, Person string }
	*fieldlog.Log
	pack *fieldlog.Pack
	seq  int64
	kept []json.RawMessage
	made []string
	gone *atomic.Int64
}

func (s *site) phone(t *testing.T, lead *caller, day, person string, prefer int, gone *atomic.Int64) *simulated {
	t.Helper()
	_, page := lead.done("/days/"+day+"/phones", url.Values{"person": {person}})
	p := &simulated{caller: s.caller(t, prefer), pack: &fieldlog.Pack{}, gone: gone}
	p.http.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	if status, _, _ := p.post(found(t, page, `href="`+address+`(/join/[^"]+)"`), nil); status != http.StatusSeeOther {
		t.Fatalf("join: %d", status)
	}
	if err := json.Unmarshal([]byte(p.get("/phone/me")), &p.me); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(p.get("/phone/pack")), p.pack); err != nil {
		t.Fatal(err)
	}
	p.Log = fieldlog.NewLog(p.pack)
	return p
}

func (p *simulated) note(e fieldlog.Event) error {
	p.seq++
	e.ID, e.Device, e.Person, e.Seq, e.At = uuid.Must(uuid.NewV7()).String(), p.me.Device, p.me.Person, p.seq, time.Now().Format(time.RFC3339Nano)
	e, err := p.Write(e)
	if err != nil {
		return err
	}
	if _, err := p.Add(e); err != nil {
		return err
	}
	text, err := e.Canonical()
	p.kept, p.made = append(p.kept, text), append(p.made, e.ID)
	return err
}

// send sends until everything is confirmed.
func (p *simulated) send() error {
	for begin := time.Now(); len(p.kept) > 0; {
		if time.Since(begin) > 2*time.Minute {
			return fmt.Errorf("%d notes wait for two minutes", len(p.kept))
		}
		some := p.kept[:min(len(p.kept), 200)]
		body, err := json.Marshal(map[string]any{"cursor": int64(1) << 40, "events": some})
		if err != nil {
			return err
		}
		res, text, err := p.do(http.MethodPost, "/phone/events", "application/json", bytes.NewReader(body))
		if err != nil {
			p.gone.Add(1)
			p.reach.prefer.Add(1)
			time.Sleep(50 * time.Millisecond)
			continue
		}
		if res.StatusCode == http.StatusServiceUnavailable && res.Header.Get("Retry-After") != "" && strings.Contains(text, "web-away") {
			p.gone.Add(1)
			time.Sleep(100 * time.Millisecond)
			continue
		}
		var out struct {
			Confirmed []app.Confirmed
			Refused   []json.RawMessage
		}
		if err := json.Unmarshal([]byte(text), &out); err != nil || res.StatusCode != http.StatusOK || len(out.Refused) > 0 {
			return fmt.Errorf("%d %s %v", res.StatusCode, text, err)
		}
		sure := map[string]bool{}
		for _, x := range out.Confirmed {
			sure[x.SHA256] = true
		}
		var left []json.RawMessage
		for _, raw := range p.kept {
			if sum := sha256.Sum256(raw); !sure[hex.EncodeToString(sum[:])] {
				left = append(left, raw)
			}
		}
		p.kept = left
	}
	return nil
}

func volume(ul int64) *int64 { return &ul }

// treat notes everything about one tree and returns what was loaded.
func (p *simulated) treat(tag string) (loaded, left int64, err error) {
	ports := append([]fieldlog.PortState{}, p.Tree(tag).Ports...)
	notes := []fieldlog.Event{{Kind: fieldlog.Start, Tree: tag}}
	for _, q := range ports {
		notes = append(notes,
			fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: q.N, AlongMM: volume(int64(q.AlongCM * 10)), DepthMM: volume(31)},
			fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: q.N, VolumeUL: volume(q.PlannedUL), Container: "DEMO-0001", Lot: "L7"},
			fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: q.N, LeftUL: volume(500)},
			fieldlog.Event{Kind: fieldlog.Seal, Tree: tag, Port: q.N})
		loaded, left = loaded+q.PlannedUL, left+500
	}
	for _, n := range append(notes, fieldlog.Event{Kind: fieldlog.Done, Tree: tag}) {
		if err := p.note(n); err != nil {
			return 0, 0, err
		}
	}
	return loaded, left, nil
}

// board follows the live board of a day and counts what it is told.
type board struct {
	told   atomic.Int64
	opened atomic.Int64
	stop   context.CancelFunc
}

func (c *caller) follow(day string) *board {
	ctx, stop := context.WithCancel(context.Background())
	b := &board{stop: stop}
	client := &http.Client{Jar: c.http.Jar, Transport: c.reach}
	go func() {
		for ctx.Err() == nil {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, address+"/api/v1/days/"+day+"/events", nil)
			if err != nil {
				return
			}
			if res, err := client.Do(req); err == nil {
				if res.StatusCode == http.StatusOK && res.Header.Get("Content-Type") == "text/event-stream" {
					b.opened.Add(1)
				}
				for lines := bufio.NewScanner(res.Body); lines.Scan(); {
					if lines.Text() == "event: noted" {
						b.told.Add(1)
					}
				}
				res.Body.Close()
			}
			time.Sleep(100 * time.Millisecond)
		}
	}()
	return b
}

func within(t *testing.T, what string, ok func() bool) time.Duration {
	t.Helper()
	begin := time.Now()
	for !ok() {
		if time.Since(begin) > time.Minute {
			t.Fatalf("waited a minute: %s", what)
		}
		time.Sleep(5 * time.Millisecond)
	}
	return time.Since(begin)
}

// Two servers on one PostgreSQL run the demo day, with phones on both. One
// server is killed without warning in the middle and another takes its place.
// Every note is there once, what was drawn is accounted for, the chain is whole
// and the record complete. SAPWARD_SOAK=1 takes all trees, thirty phones and
// eight kills.
func TestServers_DemoDayWithOneKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("two servers and a killed one take most of a minute; run without -short")
	}
	phones, trees, kills := 6, 30, 1
	if os.Getenv("SAPWARD_SOAK") == "1" {
		phones, trees, kills = 30, 0, 8
	}
	server := storetest.StartPostgres(t)
	database := server.Database(t)
	a, s, err := openApp(t.Context(), database, false)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	plan := owned(t, a)

	one, two := startNode(t, "--database", database), startNode(t, "--database", database)
	both := &site{nodes: []*node{one, two}}
	// The first owner has the token of one server and comes to the other.
	lead := both.caller(t, 1)
	token := one.firstOwner()
	if token == "" || token == two.firstOwner() {
		t.Fatalf("tokens %q and %q", token, two.firstOwner())
	}
	lead.done("/first-owner", url.Values{"token": {token}, "name": {"invented lead"}, "passphrase": {"an invented passphrase"}})
	if status, _, _ := both.caller(t, 0).post("/first-owner", url.Values{"token": {two.firstOwner()}, "name": {"somebody else"}, "passphrase": {"an invented passphrase"}}); status != http.StatusForbidden {
		t.Errorf("a second first owner: %d", status)
	}
	lead.reach.prefer.Store(0) // signed in there as well

	at, _ := lead.done("/plans/"+plan+"/days", url.Values{"people": {"crew one\ncrew two"}})
	day := strings.TrimPrefix(at, "/days/")
	facts, err := a.Day(t.Context(), app.Local(), day)
	if err != nil {
		t.Fatal(err)
	}
	var gone atomic.Int64
	all := make([]*simulated, phones)
	for i := range all {
		lead.reach.prefer.Store(int64(i))
		all[i] = both.phone(t, lead, day, facts.Facts.People[i%2].ID, i, &gone)
	}
	watch := both.caller(t, 1) // somebody at a desk, on the server that lives
	watch.http.Jar = lead.http.Jar
	live := watch.follow(day)
	defer live.stop()
	within(t, "the board opens", func() bool { return live.opened.Load() > 0 })

	// A note that comes to one server is told to the board of the other.
	time.Sleep(300 * time.Millisecond)
	told, begin := live.told.Load(), time.Now()
	if err := all[0].note(fieldlog.Event{Kind: fieldlog.Note, Text: "at the trees"}); err != nil {
		t.Fatal(err)
	}
	if err := all[0].send(); err != nil {
		t.Fatal(err)
	}
	within(t, "the other server's board is told", func() bool { return live.told.Load() > told })
	latency := time.Since(begin)

	tags := []string{}
	for _, tag := range facts.Facts.Trees {
		if st := facts.Log.Tree(tag); len(st.Ports) > 0 {
			tags = append(tags, tag)
		}
	}
	if trees > 0 {
		tags = tags[:min(trees, len(tags))]
	}
	work := make(chan string, len(tags))
	for _, tag := range tags {
		work <- tag
	}
	close(work)
	var group sync.WaitGroup
	var treated, loaded, left atomic.Int64
	faults := make(chan error, phones)
	for _, p := range all {
		group.Go(func() {
			for tag := range work {
				// What is loaded was drawn before.
				var need int64
				for _, q := range p.Tree(tag).Ports {
					need += q.PlannedUL
				}
				err := p.note(fieldlog.Event{Kind: fieldlog.Draw, VolumeUL: &need, Container: "DEMO-0001", Lot: "L7"})
				var in, out int64
				if err == nil {
					in, out, err = p.treat(tag)
				}
				if err == nil {
					err = p.send()
				}
				if err != nil {
					faults <- fmt.Errorf("%s: %w", tag, err)
					return
				}
				loaded.Add(in)
				left.Add(out)
				treated.Add(1)
			}
		})
	}
	for k := range kills {
		within(t, "trees are treated", func() bool { return treated.Load() >= int64((k+1)*len(tags)/(kills+2)) || len(faults) > 0 })
		both.at(0).kill()
		<-both.at(0).ended
		time.Sleep(200 * time.Millisecond) // the phones notice
		both.put(0, startNode(t, "--database", database))
	}
	group.Wait()
	close(faults)
	for err := range faults {
		t.Error(err)
	}
	if gone.Load() == 0 {
		t.Error("no phone ever missed its server: the test shows nothing")
	}
	// The new server's notes reach the old one's board.
	told = live.told.Load()
	all[0].reach.prefer.Store(0)
	if err := errors.Join(all[0].note(fieldlog.Event{Kind: fieldlog.Note, Text: "seen everywhere"}), all[0].send()); err != nil {
		t.Fatal(err)
	}
	within(t, "the board is told by the new server", func() bool { return live.told.Load() > told })
	if text := watch.get("/days/" + day + "/board"); !strings.Contains(text, "seen everywhere") || !strings.Contains(text, fmt.Sprintf("%d / %d", treated.Load(), len(facts.Facts.Trees))) {
		t.Error("the board of the server that lived does not show it")
	}

	// The day is closed on one server, its record written on the other.
	lead.reach.prefer.Store(0)
	lead.done("/days/"+day+"/close", url.Values{"version": {found(t, lead.get("/days/"+day), `action="/days/[^"]+/close"[^>]*><input type="hidden" name="version" value="(\d+)"`)}})
	lead.reach.prefer.Store(1)
	at, _ = lead.done("/days/"+day+"/record", url.Values{"regime": {"eu-2023-564"}})
	id := strings.TrimPrefix(at, "/records/")
	lead.reach.prefer.Store(0)
	form := url.Values{"version": {"1"}, "set:people.applicator.name": {"invented: applicator"}, "set:people.applicator.number": {"X-1"}, "path": {"people.applicator.expires"}, "value": {"2040-12-31"}, "set:people.customer.name": {"invented owner"}, "set:people.customer.address": {"1 Invented Road"}, "set:place.parcel": {"INVENTED-1"}, "set:stage": {"65"}, "set:products[0].rate.amount": {"3 mL/cm"}, "set:products[0].rate.basis": {"diameter"}}
	lead.done(at, form)
	lead.reach.prefer.Store(1)
	lead.done(at+"/sign", url.Values{"version": {"2"}, "read": {"yes"}})

	v, err := a.Day(t.Context(), app.Local(), day)
	if err != nil {
		t.Fatal(err)
	}
	made, missing := 0, 0
	for _, p := range all {
		made += len(p.made)
		for _, id := range p.made {
			if _, ok := v.Log.Has(id); !ok {
				missing++
			}
		}
	}
	if missing > 0 || v.State.Events != made || len(v.State.Gaps)+len(v.State.Clashes)+len(v.State.Conflicts) > 0 {
		t.Errorf("%d notes made, %d there, %d missing, gaps %v, clashes %v", made, v.State.Events, missing, v.State.Gaps, v.State.Clashes)
	}
	if b := v.State.Balance; !b.Known || !b.Fits || b.MissingUL != 0 || b.DrawnUL != loaded.Load() || b.LeftUL != left.Load() || b.DeliveredUL != loaded.Load()-left.Load() {
		t.Errorf("%d drawn, %d left by the phones' own count; the day says %+v", loaded.Load(), left.Load(), b)
	}
	r, err := a.Record(t.Context(), app.Local(), id)
	if err != nil || len(r.Tamper) > 0 {
		t.Fatal(err, r.Tamper)
	}
	c := r.Record.Last().Content
	want := fmt.Sprintf("%g mL", float64(loaded.Load()-left.Load())/1000)
	if total, ok := c.Products[0].Total.Known(); !ok || total.String() != want || len(c.Trees) != len(tags) {
		t.Errorf("the record says %v of %d trees, want %s of %d", total, len(c.Trees), want, len(tags))
	}
	if !r.Done.Complete || !r.Facts.Signed {
		t.Errorf("signed %v; the record still asks for %+v", r.Facts.Signed, r.Done.Gaps)
	}
	path, _ := program()
	out, err := exec.Command(path, "check", "--database", database).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "Clean: ") {
		t.Errorf("check: %v %s", err, out)
	}
	t.Logf("%d phones, %d trees, %d notes, %d kills, %d exchanges that found no server; a note was sent, and shown on the other server's board, within %v; %s", phones, len(tags), made, kills, gone.Load(), latency.Round(time.Millisecond), strings.TrimSpace(string(out)))
}

// What people do on one server counts on the other: tries to sign in, a file
// between its preview and its import, what waits for a second step. Each
// server's log says nothing of persons.
func TestServers_KnowOfOneAnother(t *testing.T) {
	server := storetest.StartPostgres(t)
	database := server.Database(t)
	a, s, err := openApp(t.Context(), database, false)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := a.FillDemo(t.Context(), app.Local(), demo.Files()); err != nil {
		t.Fatal(err)
	}
	both := &site{nodes: []*node{startNode(t, "--database", database), startNode(t, "--database", database)}}
	owner := both.caller(t, 0)
	owner.done("/first-owner", url.Values{"token": {both.at(1).firstOwner()}, "name": {"Invented Owner"}, "passphrase": {"an invented passphrase"}})

	blocks, err := a.Store.States(t.Context(), app.Query{Type: app.TypeBlock, Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	kind, body := upload(t, map[string]string{"block": blocks[0].ID, "kind": "trees"}, "more.csv", "tree,species,wood,girth_cm,measured_at_m\nZ901,Ulmus minor,ring-porous,100,1.37\n")
	_, page, err := owner.do(http.MethodPost, "/data/preview", kind, body)
	if err != nil {
		t.Fatal(err)
	}
	token := found(t, page, `name="token" value="([^"]+)"`)
	owner.reach.prefer.Store(1)
	if at, _ := owner.done("/data/import", url.Values{"token": {token}}); at != "/blocks/"+blocks[0].ID {
		t.Errorf("imported on the other server: %s", at)
	}
	if hits, err := a.Search(t.Context(), app.Local(), "Z901", 5); err != nil || len(hits) != 1 {
		t.Errorf("%v %v", hits, err)
	}
	if n, err := server.SQL(server.Name(database), "SELECT count(*) FROM waiting WHERE kind = 'import'"); err != nil || n != "0" {
		t.Errorf("%s files wait after their import, %v", n, err)
	}

	// A check that one server runs is shown by the other.
	owner.reach.prefer.Store(0)
	owner.done("/data/check", nil)
	owner.reach.prefer.Store(1)
	within(t, "the other server shows what the check found", func() bool { return strings.Contains(owner.get("/data"), `notice good`) })

	refused := 0
	for i := range 14 {
		stranger := both.caller(t, i)
		stranger.http.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
		switch status, _, _ := stranger.post("/signin", url.Values{"name": {"Invented stranger"}, "passphrase": {"not the one, surely"}}); status {
		case http.StatusTooManyRequests:
			refused++
		case http.StatusForbidden:
		default:
			t.Errorf("a wrong passphrase: %d", status)
		}
	}
	if refused != 4 {
		t.Errorf("%d of 14 tries by name refused on two servers, want 4: ten are let through", refused)
	}
	for i := range 2 {
		n := both.at(i)
		res, err := http.Get(n.second)
		if err != nil {
			t.Fatal(err)
		}
		text, _ := io.ReadAll(res.Body)
		res.Body.Close()
		for _, want := range []string{`sapward_http_requests_total{route="POST /signin",status="403"} `, `sapward_tries_refused_total{what="sign-in by name"} 2`, "sapward_sessions 1\n", "sapward_news_heard 1\n", `sapward_db_connections_open{pool="beside"}`, "# EOF\n"} {
			if !strings.Contains(string(text), want) {
				t.Errorf("the metrics lack %s", want)
			}
		}
		if said := n.said(); strings.Contains(strings.ToLower(said), "invented") || strings.Contains(said, "127.0.0.1") || strings.Contains(said, token) || !strings.Contains(said, `"route":"POST /signin"`) {
			t.Errorf("the log: %s", said)
		}
	}
}

// The database is stopped and started again while people and phones work on two
// servers: they are told to come back in a moment, and then all goes on.
func TestServers_DatabaseRestarts(t *testing.T) {
	if testing.Short() {
		t.Skip("a restarted database takes half a minute; run without -short")
	}
	server := storetest.StartPostgres(t)
	database := server.Database(t)
	a, s, err := openApp(t.Context(), database, false)
	if err != nil {
		t.Fatal(err)
	}
	plan := owned(t, a)
	both := &site{nodes: []*node{startNode(t, "--database", database), startNode(t, "--database", database)}}
	lead := both.caller(t, 0)
	lead.done("/first-owner", url.Values{"token": {both.at(0).firstOwner()}, "name": {"Invented Owner"}, "passphrase": {"an invented passphrase"}})
	at, _ := lead.done("/plans/"+plan+"/days", url.Values{"people": {"crew one"}})
	day := strings.TrimPrefix(at, "/days/")
	facts, err := a.Day(t.Context(), app.Local(), day)
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	var gone, down, pages atomic.Int64
	stop := make(chan struct{})
	stopped := func() bool {
		select {
		case <-stop:
			return true
		case <-time.After(10 * time.Millisecond):
			return false
		}
	}
	var group sync.WaitGroup
	faults := make(chan error, 10)
	var all []*simulated
	for i := range 4 {
		p := both.phone(t, lead, day, facts.Facts.People[0].ID, i, &gone)
		all = append(all, p)
		group.Go(func() {
			for !stopped() {
				if err := errors.Join(p.note(fieldlog.Event{Kind: fieldlog.Note, Text: "still at work"}), p.send()); err != nil {
					faults <- err
					return
				}
			}
		})
	}
	for i := range 2 {
		c := both.caller(t, i)
		c.http.Jar = lead.http.Jar
		group.Go(func() {
			for !stopped() {
				res, text, err := c.do(http.MethodGet, "/days/"+day, "", nil)
				switch {
				case err != nil:
					faults <- err
					return
				case res.StatusCode == http.StatusOK:
					pages.Add(1)
				case res.StatusCode == http.StatusServiceUnavailable && res.Header.Get("Retry-After") != "" && strings.Contains(text, "does not answer"):
					down.Add(1)
				default:
					faults <- fmt.Errorf("a page: %d %s", res.StatusCode, text)
					return
				}
			}
		})
	}
	within(t, "work", func() bool { return pages.Load() > 10 || len(faults) > 0 })
	server.Stop()
	within(t, "both are told", func() bool { return down.Load() > 4 && gone.Load() > 4 || len(faults) > 0 })
	if res, err := http.Get(both.at(0).base + "/readyz"); err != nil || res.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("ready without a database: %v %v", res, err)
	}
	if res, err := http.Get(both.at(0).base + "/healthz"); err != nil || res.StatusCode != http.StatusOK {
		t.Errorf("alive without a database: %v %v", res, err)
	}
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	before := pages.Load()
	within(t, "work goes on", func() bool { return pages.Load() > before+20 || len(faults) > 0 })
	within(t, "ready again", func() bool {
		res, err := http.Get(both.at(0).base + "/readyz")
		return err == nil && res.StatusCode == http.StatusOK
	})
	close(stop)
	group.Wait()
	close(faults)
	for err := range faults {
		t.Error(err)
	}
	a, s, err = openApp(t.Context(), database, false)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	v, err := a.Day(t.Context(), app.Local(), day)
	if err != nil {
		t.Fatal(err)
	}
	made := 0
	for _, p := range all {
		made += len(p.made)
	}
	if v.State.Events != made || len(v.State.Gaps) > 0 {
		t.Errorf("%d notes made, %d kept, gaps %v", made, v.State.Events, v.State.Gaps)
	}
	if r, err := a.Check(t.Context(), app.Local(), nil); err != nil || len(r.Findings) > 0 {
		t.Errorf("%+v %v", r, err)
	}
	t.Logf("%d notes, %d pages, %d pages and %d exchanges told to come back", made, pages.Load(), down.Load(), gone.Load())
}

// A server that is told to stop lets a request under way end, tells live boards
// to connect anew, and then ends well.
func TestServe_StopsGracefully(t *testing.T) {
	dir := t.TempDir()
	a, s, err := openApp(t.Context(), dir, false)
	if err != nil {
		t.Fatal(err)
	}
	plan := owned(t, a)
	s.Close()
	n := startNode(t, "--data", dir)
	alone := &site{nodes: []*node{n}}
	lead := alone.caller(t, 0)
	lead.done("/first-owner", url.Values{"token": {n.firstOwner()}, "name": {"Invented Owner"}, "passphrase": {"an invented passphrase"}})
	at, _ := lead.done("/plans/"+plan+"/days", url.Values{"people": {"crew one"}})
	live := lead.follow(strings.TrimPrefix(at, "/days/"))
	defer live.stop()
	within(t, "the board opens", func() bool { return live.opened.Load() == 1 })

	// A slow request: its body comes in two parts, the second after the signal.
	out, in := io.Pipe()
	result := make(chan string, 1)
	go func() {
		res, text, err := lead.do(http.MethodPost, "/estates/new", "application/x-www-form-urlencoded", out)
		if err != nil {
			result <- err.Error()
			return
		}
		result <- fmt.Sprint(res.StatusCode, strings.Contains(text, "Slow estate"), err)
	}()
	if _, err := io.WriteString(in, "name=Slow"); err != nil {
		t.Fatal(err)
	}
	lead.http.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	// The first part is on its way: a connection that the server still takes for idle would be closed.
	time.Sleep(2 * time.Second)
	if err := n.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	within(t, "it says that it stops", func() bool { return strings.Contains(n.said(), `"msg":"stopping"`) })
	within(t, "no more are let in", func() bool {
		res, err := http.Get(n.base + "/healthz")
		if err == nil {
			res.Body.Close()
		}
		return err != nil
	})
	if _, err := io.WriteString(in, "+estate&zone=Europe%2FMadrid"); err != nil {
		t.Fatal(err)
	}
	in.Close()
	if got := <-result; got != "303 false <nil>" {
		t.Errorf("the request under way: %s", got)
	}
	select {
	case <-n.ended:
	case <-time.After(time.Minute):
		t.Fatal("it does not end")
	}
	if n.cmd.ProcessState.ExitCode() != 0 || !strings.Contains(n.said(), `"msg":"stopped"`) || strings.Contains(n.said(), "broken off") {
		t.Errorf("%v: %s", n.cmd.ProcessState, n.said())
	}
	a, s, err = openApp(t.Context(), dir, false)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	estates, err := a.Estates(t.Context(), app.Local())
	if err != nil || len(estates) != 2 {
		t.Errorf("%d estates, %v: what was asked for before the end is kept", len(estates), err)
	}
}

func startDatabase(t *testing.T) string { return storetest.StartPostgres(t).Database(t) }

func noteEvent() fieldlog.Event { return fieldlog.Event{Kind: fieldlog.Note, Text: "from the desk"} }
