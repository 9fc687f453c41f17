package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

// count is how many trees a block has.
func (s *stage) count() int {
	s.t.Helper()
	p, err := s.app.Trees(s.t.Context(), me, app.TreeQuery{Block: s.block, Limit: 1000})
	s.must(err)
	return len(p.Trees)
}

// The same key and body give the same answer and make nothing twice, after a
// restart too; another body under it is refused; a refused request frees its key;
// another person's key is another.
func TestOnce_SameAnswerAgain(t *testing.T) {
	s := small(t, Options{})
	lead := s.tokens[app.CrewLead]
	a := ask{method: "POST", path: "blocks/" + s.block + "/trees", token: lead, body: `{"tag":"T2"}`, key: "a key"}
	first := s.do(a)
	if first.StatusCode != 201 || !strings.HasPrefix(first.Header.Get("Location"), Root+"trees/") || first.Header.Get("ETag") != `"1"` {
		t.Fatalf("%d %v %s", first.StatusCode, first.Header, first.body)
	}
	same := func(when string) {
		t.Helper()
		r := s.do(a)
		if r.StatusCode != 201 || string(r.body) != string(first.body) || r.Header.Get("ETag") != `"1"` || r.Header.Get("Location") != first.Header.Get("Location") || r.Header.Get("Idempotent-Replayed") != "true" {
			t.Errorf("%s: %d %v %s, first %s", when, r.StatusCode, r.Header, r.body, first.body)
		}
		if n := s.count(); n != 2 {
			t.Errorf("%s: %d trees", when, n)
		}
	}
	same("again")
	s.must(s.store.Close())
	s.open(Options{})
	same("after a restart")
	other := a
	other.body = `{"tag":"T3"}`
	if p := s.do(other).problem(t); p.Status != 422 || p.Code != "request-key-used" {
		t.Errorf("%+v", p)
	}
	other.token = s.tokens[app.Adviser]
	if r := s.do(other); r.StatusCode != 201 {
		t.Errorf("another person's key: %d %s", r.StatusCode, r.body)
	}
	a.key, a.body = "b key", `{"tag":"T2"}`
	if p := s.do(a).problem(t); p.Status != 409 {
		t.Errorf("a tag twice: %+v", p)
	}
	a.body = `{"tag":"T4"}`
	if r := s.do(a); r.StatusCode != 201 {
		t.Errorf("a refused request keeps its key: %d %s", r.StatusCode, r.body)
	}
	a.key = ""
	if p := s.do(a).problem(t); p.Status != 400 || p.Code != "request-key-needed" {
		t.Errorf("%+v", p)
	}
	a.key = strings.Repeat("k", 201)
	if p := s.do(a).problem(t); p.Code != "request-key-unusable" {
		t.Errorf("%+v", p)
	}
	s.clock.on(app.RequestKept + time.Minute) // the answer is forgotten, the tag is not
	a.key, a.body = "a key", `{"tag":"T2"}`
	if p := s.do(a).problem(t); p.Status != 409 {
		t.Errorf("after a day: %+v", p)
	}
}

// breaking is what is beside the facts, on a disk that fails at a moment.
type breaking struct {
	app.Beside
	answers bool
}

func (b *breaking) KeepAnswer(ctx context.Context, key, holder, answer string) error {
	if b.answers {
		return errors.New("the process was killed here")
	}
	return b.Beside.KeepAnswer(ctx, key, holder, answer)
}

// Killed between the commit and the keeping of the answer, the second try meets
// what the first kept: the same answer, nothing twice, for every kind of request
// that makes something.
func TestOnce_AnswerLost(t *testing.T) {
	s := filled(t, Options{})
	b := &breaking{Beside: s.app.Beside}
	s.app.Beside = b
	requests := s.requests()
	tried := 0
	for _, o := range operations() {
		if !o.makes {
			continue
		}
		a := requests[o.name]()
		a.method, a.token, a.key = o.method, s.tokens[app.Owner], "lost "+o.name
		b.answers = true
		first := s.do(a)
		b.answers = false
		if first.StatusCode != o.status {
			t.Errorf("%s: %d %s", o.name, first.StatusCode, first.body)
			continue
		}
		before := s.events()
		second := s.do(a)
		if second.StatusCode != o.status || s.events() != before {
			t.Errorf("%s: %d, %d events more: %s", o.name, second.StatusCode, s.events()-before, second.body)
			continue
		}
		if o.name != "importTable" && o.name != "importFollowUp" && !sameJSON(t, first.body, second.body) {
			t.Errorf("%s: first %s\nsecond %s", o.name, first.body, second.body)
		}
		if third := s.do(a); string(third.body) != string(second.body) || third.Header.Get("Idempotent-Replayed") != "true" {
			t.Errorf("%s: the answer made again was not kept: %s", o.name, third.body)
		}
		tried++
	}
	if tried < 15 {
		t.Errorf("only %d kinds of request were tried", tried)
	}
	t.Logf("%d kinds of request", tried)
}

func (s *stage) events() int64 {
	es, err := s.store.Events(s.t.Context(), app.EventQuery{Limit: 1})
	s.must(err)
	return es[0].Seq
}

func sameJSON(t *testing.T, a, b []byte) bool {
	t.Helper()
	norm := func(x []byte) string {
		var v any
		if err := json.Unmarshal(x, &v); err != nil {
			t.Fatal(err)
		}
		out, _ := json.Marshal(v)
		return string(out)
	}
	return norm(a) == norm(b)
}

// slow is a store in which a writer stops before its commit.
type slow struct {
	app.Store
	mu   sync.Mutex
	hold chan bool // closed: go on
	at   chan bool // something stands here
}

func (s *slow) InTx(ctx context.Context, f func(app.Tx) error) error {
	s.mu.Lock()
	hold := s.hold
	s.hold = nil
	s.mu.Unlock()
	if hold != nil {
		s.at <- true
		<-hold
	}
	return s.Store.InTx(ctx, f)
}

// While a try is at work another is told to wait. A try that is not heard of for
// a minute is taken over, and commits nothing when it comes back to life.
func TestOnce_TakenOver(t *testing.T) {
	s := small(t, Options{})
	hold := make(chan bool)
	w := &slow{Store: s.store, hold: hold, at: make(chan bool)}
	s.app.Store = w
	a := ask{method: "POST", path: "estates", token: s.tokens[app.Owner], body: `{"name":"Slow","zone":"UTC"}`, key: "slow"}
	before := s.events()
	done := make(chan reply_)
	go func() { done <- s.do(a) }()
	<-w.at
	r := s.do(a)
	if p := r.problem(t); p.Status != 409 || p.Code != "request-under-way" || r.Header.Get("Retry-After") == "" {
		t.Errorf("%+v %v", p, r.Header)
	}
	s.clock.on(app.RequestLease + time.Second)
	if r := s.do(a); r.StatusCode != 201 {
		t.Fatalf("taking over: %d %s", r.StatusCode, r.body)
	}
	close(hold)
	if p := (<-done).problem(t); p.Status != 409 || p.Code != "request-taken-over" {
		t.Errorf("the first try: %+v", p)
	}
	if n := s.events() - before; n != 1 {
		t.Errorf("%d events", n)
	}
	if r := s.do(a); r.StatusCode != 201 || r.Header.Get("Idempotent-Replayed") != "true" {
		t.Errorf("%d %s", r.StatusCode, r.body)
	}
}

// Many at once with one key make one thing.
func TestOnce_ManyAtOnce(t *testing.T) {
	s := small(t, Options{})
	a := ask{method: "POST", path: "blocks/" + s.block + "/trees", token: s.tokens[app.CrewLead], body: `{"tag":"T2"}`, key: "race"}
	var wait sync.WaitGroup
	codes := make(chan int, 20)
	for range 20 {
		wait.Go(func() { codes <- s.do(a).StatusCode })
	}
	wait.Wait()
	close(codes)
	made := 0
	for c := range codes {
		if c == 201 {
			made++
		} else if c != 409 {
			t.Errorf("status %d", c)
		}
	}
	if made == 0 || s.count() != 2 {
		t.Errorf("%d were told it was made, %d trees", made, s.count())
	}
}

// A token does no more than its role and its person's role at this moment; it
// ends when it is withdrawn, expires, or its person leaves.
func TestToken_LesserOfTwoRoles(t *testing.T) {
	s := small(t, Options{})
	ctx := t.Context()
	adviser := s.people[app.Adviser]
	tok, text, err := s.app.AddToken(ctx, adviser, app.TokenOrder{Name: "reads", Role: app.Viewer, Estate: s.estate, Days: 10})
	s.must(err)
	path := "trees/" + s.tree
	try := func(token string, want int) {
		t.Helper()
		if r := s.do(ask{method: "GET", path: path, token: token}); r.StatusCode != want {
			t.Errorf("%d, want %d: %s", r.StatusCode, want, r.body)
		}
	}
	try(text, 200)
	if p := s.do(ask{method: "DELETE", path: path, match: `"1"`, token: text}).problem(t); p.Status != 403 {
		t.Errorf("a viewer's token of an adviser: %+v", p)
	}
	for _, wrong := range []string{"", "sapward_", text[:len(text)-1] + "x", strings.Repeat("x", 85), text + "x", strings.ToUpper(text)} {
		if p := s.do(ask{method: "GET", path: path, header: map[string]string{"Authorization": "Bearer " + wrong}}).problem(t); p.Status != 401 || p.Code != "token-unknown" {
			t.Errorf("%q: %+v", wrong, p)
		}
	}
	if _, _, err := s.app.AddToken(ctx, adviser, app.TokenOrder{Name: "x", Role: app.Owner}); finding.AsFaults(err)[0].ID != "token-role" {
		t.Errorf("more than its maker: %v", err)
	}
	for _, days := range []int{-1, 367} {
		if _, _, err := s.app.AddToken(ctx, adviser, app.TokenOrder{Name: "x", Role: app.Viewer, Days: days}); finding.AsFaults(err)[0].ID != "token-days" {
			t.Errorf("%d days: %v", days, err)
		}
	}
	bearer, err := s.app.Bearer(ctx, app.Actor{}, text)
	s.must(err)
	if _, _, err := s.app.AddToken(ctx, bearer, app.TokenOrder{Name: "x", Role: app.Viewer}); finding.AsFaults(err)[0].ID != "token-not-this" {
		t.Errorf("a token made a token: %v", err)
	}
	if r := s.do(ask{method: "GET", path: "estates", token: text}); strings.Count(string(r.body), `"facts"`) != 1 {
		t.Errorf("estates of a token of one: %s", r.body)
	}
	// The maker loses the role, gets it back, and withdraws.
	_, err = s.app.Revoke(ctx, me, s.estate, adviser.Person)
	s.must(err)
	try(text, 403)
	_, err = s.app.Grant(ctx, me, s.estate, adviser.Person, app.Crew)
	s.must(err)
	try(text, 200)
	s.clock.on(11 * 24 * time.Hour)
	if p := s.do(ask{method: "GET", path: path, token: text}).problem(t); p.Status != 401 || p.Code != "token-expired" {
		t.Errorf("%+v", p)
	}
	s.clock.on(-11 * 24 * time.Hour)
	try(text, 200)
	if r := s.do(ask{method: "DELETE", path: "tokens/" + tok.ID, token: s.stranger}); r.StatusCode != 404 {
		t.Errorf("a stranger's withdrawal: %d", r.StatusCode)
	}
	if r := s.do(ask{method: "DELETE", path: "tokens/" + tok.ID, token: text}); r.StatusCode != 200 {
		t.Errorf("withdrawing itself: %d %s", r.StatusCode, r.body)
	}
	try(text, 401)
	_, text, err = s.app.AddToken(ctx, adviser, app.TokenOrder{Name: "again", Role: app.Viewer})
	s.must(err)
	try(text, 200)
	p, err := s.app.Me(ctx, adviser)
	s.must(err)
	_, err = s.app.RetirePerson(ctx, me, adviser.Person, p.Version, "")
	s.must(err)
	try(text, 401)
	// No secret and no hash of one stands in an event or an answer.
	s.must(s.store.EachEvent(ctx, func(e app.Event) error {
		if e.Type == app.TypeToken && strings.Contains(string(e.Body), "hash") {
			t.Errorf("an event holds a hash: %s", e.Body)
		}
		return nil
	}))
}

// A token that was made alone on a laptop opens nothing where people sign in.
func TestToken_OfLaptopAloneStaysThere(t *testing.T) {
	s := small(t, Options{Local: true})
	_, text, err := s.app.AddToken(t.Context(), me, app.TokenOrder{Name: "x", Role: app.Crew})
	s.must(err)
	if r := s.do(ask{method: "GET", path: "me", token: text}); r.StatusCode != 200 || !strings.Contains(string(r.body), `"most":"crew"`) {
		t.Errorf("%d %s", r.StatusCode, r.body)
	}
	if p := s.do(ask{method: "DELETE", path: "trees/" + s.tree, match: `"1"`, token: text}).problem(t); p.Status != 403 {
		t.Errorf("%+v", p)
	}
	s.must(s.store.Close())
	s.open(Options{})
	if r := s.do(ask{method: "GET", path: "me", token: text}); r.StatusCode != 401 {
		t.Errorf("served to others: %d", r.StatusCode)
	}
}

// Asking too often is told when to come again, for one token and not for others;
// so is guessing.
func TestLimits(t *testing.T) {
	s := small(t, Options{Askings: 5})
	viewer := ask{method: "GET", path: "me", token: s.tokens[app.Viewer]}
	last := reply_{}
	for range 12 {
		last = s.do(viewer)
	}
	if p := last.problem(t); p.Status != 429 || last.Header.Get("Retry-After") == "" {
		t.Errorf("%+v %v", p, last.Header)
	}
	if r := s.do(ask{method: "GET", path: "me", token: s.tokens[app.Crew]}); r.StatusCode != 200 {
		t.Errorf("another token: %d", r.StatusCode)
	}
	for range WrongByAddress + 5 {
		last = s.do(ask{method: "GET", path: "me", token: "sapward_x"})
	}
	if last.StatusCode != 429 {
		t.Errorf("guessing: %d", last.StatusCode)
	}
	s = small(t, Options{})
	lead := s.tokens[app.Owner]
	if p := s.do(ask{method: "POST", path: "blocks/" + s.block + "/trees", token: lead, key: "new", body: `{"tag":"` + strings.Repeat("x", MostJSON) + `"}`}).problem(t); p.Status != 413 {
		t.Errorf("%+v", p)
	}
	if p := s.do(ask{method: "POST", path: "blocks/" + s.block + "/trees", token: lead, key: "new", media: "text/plain", body: `{"tag":"x"}`}).problem(t); p.Status != 415 {
		t.Errorf("%+v", p)
	}
	r := s.do(ask{method: "PATCH", path: "trees/" + s.tree, token: lead})
	if p := r.problem(t); p.Status != 405 || r.Header.Get("Allow") != "GET, PUT, DELETE" {
		t.Errorf("%+v %v", p, r.Header)
	}
	if p := s.do(ask{method: "GET", path: "nothing/here", token: lead}).problem(t); p.Status != 404 {
		t.Errorf("%+v", p)
	}
	if p := s.do(ask{method: "GET", path: "blocks/" + s.block + "/trees?limit=-1&colour=x&status=green", token: lead}).problem(t); len(p.Errors) != 3 {
		t.Errorf("%+v", p)
	}
	if p := s.do(ask{method: "GET", path: "blocks/" + s.block + "/trees?after=zzz", token: lead}).problem(t); p.Code != "api-cursor" {
		t.Errorf("%+v", p)
	}
}

// A fault of the store or program shows no cause.
func TestFault_ShowsNoCause(t *testing.T) {
	s := small(t, Options{})
	s.must(s.store.Close())
	r := s.do(ask{method: "GET", path: "trees/" + s.tree, token: s.tokens[app.Owner]})
	if p := r.problem(t); p.Status < 500 || strings.Contains(string(r.body), "sql") || strings.Contains(string(r.body), "closed") {
		t.Errorf("%s", r.body)
	}
	h := &Handler{app: s.app, log: s.handler.log, mux: http.NewServeMux()}
	h.mux.HandleFunc("/", func(http.ResponseWriter, *http.Request) { panic("the secret cause") })
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if w.Code != 500 || strings.Contains(w.Body.String(), "secret") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	w = httptest.NewRecorder()
	h.Fail(w, httptest.NewRequest("GET", Root+"me", nil), &finding.Fault{Class: finding.Storage, ID: "database-away", Cause: errors.New("the secret cause")})
	if w.Code != 503 || w.Header().Get("Retry-After") == "" || strings.Contains(w.Body.String(), "secret") {
		t.Errorf("%d %v %s", w.Code, w.Header(), w.Body)
	}
}

// Pages follow one another without a gap, and a stream gives them all.
func TestTrees_Pages(t *testing.T) {
	s := filled(t, Options{})
	token := s.tokens[app.Viewer]
	seen := map[string]bool{}
	for next, turns := "", 0; turns < 100; turns++ {
		var p Page[Thing[app.TreeFacts]]
		s.read(&p, s.do(ask{method: "GET", path: "blocks/" + s.block + "/trees?limit=7&after=" + next, token: token}))
		for _, x := range p.Items {
			if seen[x.ID] {
				t.Fatalf("%s twice", x.Facts.Tag)
			}
			seen[x.ID] = true
		}
		if next = p.Next; next == "" {
			break
		}
	}
	lines := strings.Split(strings.TrimSpace(string(s.do(ask{method: "GET", path: "blocks/" + s.block + "/trees.ndjson", token: token}).body)), "\n")
	if len(seen) < 20 || len(lines) != len(seen) {
		t.Errorf("%d trees in pages, %d in the stream", len(seen), len(lines))
	}
	for _, l := range lines {
		var x Thing[app.TreeFacts]
		s.must(json.Unmarshal([]byte(l), &x))
		if !seen[x.ID] {
			t.Errorf("%s is in the stream only", x.Facts.Tag)
		}
	}
}

// An act of one's own is taken back; news of a day come as they happen.
func TestUndoAndNews(t *testing.T) {
	s := filled(t, Options{})
	s.watch = conforming(t, s)
	lead := s.tokens[app.CrewLead]
	var made Thing[app.TreeFacts]
	s.read(&made, s.do(ask{method: "POST", path: "blocks/" + s.block + "/trees", token: lead, key: "new", body: `{"tag":"Z1"}`}))
	if r := s.do(ask{method: "POST", path: "undo", token: s.tokens[app.Owner], body: body(Undoing{made.Act})}); r.StatusCode != 403 {
		t.Errorf("another's act: %d %s", r.StatusCode, r.body)
	}
	if r := s.do(ask{method: "POST", path: "undo", token: lead, body: body(Undoing{made.Act})}); r.StatusCode != 200 || !strings.Contains(string(r.body), `"events":1`) {
		t.Errorf("%d %s", r.StatusCode, r.body)
	}
	s.watch = nil
	req, err := http.NewRequest("GET", s.url+Root+"days/"+s.day+"/events", nil)
	s.must(err)
	req.Header.Set("Authorization", "Bearer "+s.tokens[app.Viewer])
	res, err := http.DefaultClient.Do(req)
	s.must(err)
	defer res.Body.Close()
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%d %v", res.StatusCode, res.Header)
	}
	heard := make(chan string, 1)
	go func() {
		text, b := "", make([]byte, 4096)
		for {
			n, err := res.Body.Read(b)
			text += string(b[:n])
			if i := strings.Index(text, "data: "); i >= 0 && strings.Contains(text[i:], "\n") {
				heard <- text[i+6:]
				return
			}
			if err != nil {
				heard <- ""
				return
			}
		}
	}()
	if r := s.do(ask{method: "POST", path: "days/" + s.day + "/notes", token: lead, key: "new", body: `{"notes":[{"kind":"note","text":"x"}]}`}); r.StatusCode != 201 {
		t.Fatalf("%d %s", r.StatusCode, r.body)
	}
	select {
	case text := <-heard:
		var n News
		if err := json.Unmarshal([]byte(strings.SplitN(text, "\n", 2)[0]), &n); err != nil || n.Day != s.day || n.Notes == 0 {
			t.Errorf("%q %v", text, err)
		}
	case <-time.After(30 * time.Second):
		t.Error("no news")
	}
}
