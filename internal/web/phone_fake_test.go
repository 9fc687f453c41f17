package web_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/web"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// demoPack is a day at the demo's avenue: the plan of the command line, its 60
// trees, two people.
func demoPack(t *testing.T) *fieldlog.Pack {
	t.Helper()
	return packWith(t, func(*label.Card, *plan.Request, []tree.Tree) {})
}

// packWith is the demo's day with something of it changed.
func packWith(t *testing.T, change func(c *label.Card, r *plan.Request, trees []tree.Tree)) *fieldlog.Pack {
	t.Helper()
	files := demo.Files()
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	card, err := cardfile.Parse(files["avenue/card.yaml"], "card.yaml")
	must(err)
	r, err := brief.Brief{Method: "injection", Site: "elm", Target: "vascular wilt", Territory: "DEMO", On: "2026-06-17", AreaHa: "1.2", Bloom: "no", CertificateTo: "2027-12-31"}.Request()
	must(err)
	r.Engine, r.CardHash, r.Card = "test", card.Hash, card.Card
	r.Wounds, _, err = exchange.ReadWounds(bytes.NewReader(files["avenue/wounds.csv"]), "wounds.csv")
	must(err)
	r.Obstacles, _, err = exchange.ReadObstacles(bytes.NewReader(files["avenue/obstacles.csv"]), "obstacles.csv")
	must(err)
	r.History, _, err = exchange.ReadHistory(bytes.NewReader(files["avenue/history.csv"]), "history.csv")
	must(err)
	trees, _, err := exchange.ReadTrees(bytes.NewReader(files["avenue/trees.csv"]), "trees.csv")
	must(err)
	change(&card.Card, &r, trees)
	r.Card = card.Card
	src := plan.Source(func(visit func([]tree.Tree) error) error { return visit(trees) })
	job, err := plan.Decide(r, src)
	must(err)
	frame, ok := job.Frame()
	if !ok {
		t.Fatalf("the demo's plan is refused: %v", job.Plan.Refusals)
	}
	s := card.Card.Safety
	p := &fieldlog.Pack{
		Schema: fieldlog.PackSchema, Day: "0197a000-0000-7000-8000-00000000da01", Version: 1, Engine: "test", Estate: "Demo estate", Block: "avenue", Zone: "Europe/Madrid", On: "2026-06-17",
		Practice: job.Plan.PracticeOnly, Units: "metric", Method: job.Plan.Method, ExpectS: 1800, GradUL: 500, PortMost: int64(frame.PortMost), Request: r, Frame: frame,
		Product: fieldlog.Product{Name: card.Card.Product.Name, Registration: card.Card.Product.Registration.Number, Actives: []string{"invented active, 100 g/L"}, Invented: true},
		Help:    fieldlog.Help{FirstAid: s.FirstAid, Emergency: s.EmergencyNumber, Spill: s.Spill, Storage: s.Storage, Mix: s.Mix, Apply: s.Apply},
		Class:   job.Plan.ClassCard, Cautions: job.Plan.Cautions,
		People: []fieldlog.Person{{ID: "p1", Name: "First applicator", Role: "applicator"}, {ID: "p2", Name: "Second applicator", Role: "applicator"}},
	}
	if u := card.Card.Uses[0]; u.Ports.Hole.Known {
		p.HoleUM = int64(u.Ports.Hole.Value.Float() * 10_000)
	}
	units := map[string][]plan.Tree{}
	must(job.Lay(src, func(ts []plan.Tree) error {
		for _, x := range ts {
			units[x.Tag] = append(units[x.Tag], x)
		}
		return nil
	}))
	refused := map[string][]finding.Finding{}
	for _, x := range job.Plan.RefusedTrees {
		refused[x.Tree] = append(refused[x.Tree], x.Findings...)
	}
	for i, x := range trees {
		pt := fieldlog.PackTree{Key: fmt.Sprintf("KEY%05d", i), Code: fmt.Sprintf("%03d-%c", 100+i, 'A'+i%26), Tag: x.Tag, Order: i + 1, Person: "p1", Pilot: i == 0, Species: x.Species, Taped: x, Units: units[x.Tag], Refused: refused[x.Tag]}
		if i >= 40 {
			pt.Person = "p2"
		}
		if x.X.Known && x.Y.Known {
			px, py := x.X.Value, x.Y.Value
			lat, lon := 45.9+py/111_320, 10+px/111_320/0.696
			pt.XM, pt.YM, pt.Lat, pt.Lon = &px, &py, &lat, &lon
		}
		p.Trees = append(p.Trees, pt)
	}
	return p
}

// fakeDay answers the phone's addresses from memory, badly on demand.
type fakeDay struct {
	*httptest.Server
	t    *testing.T
	mu   sync.Mutex
	pack []byte
	day  string
	vers int

	device string
	order  []string          // of events, as they came
	texts  map[string]string // by identifier
	from   map[string]string // device
	photos map[string][]byte
	totals map[string]int

	revoked  bool
	refuse   bool          // every event
	ahead    time.Duration // of the server's clock
	drop     float64       // share of answers lost on the way back
	fail     float64       // share of requests lost on the way there
	rng      *rand.Rand
	lose     int // so many answers to events are lost
	received int // events that came, again and again
	prefix   string
}

func newFake(t *testing.T, p *fieldlog.Pack) *fakeDay {
	t.Helper()
	data, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	pages, err := web.New(nil, web.Options{Local: true})
	if err != nil {
		t.Fatal(err)
	}
	f := &fakeDay{t: t, pack: data, day: p.Day, vers: p.Version, texts: map[string]string{}, from: map[string]string{}, photos: map[string][]byte{}, totals: map[string]int{}, rng: rand.New(rand.NewPCG(7, 11))}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /join/{code}", func(w http.ResponseWriter, r *http.Request) {
		f.mu.Lock()
		f.device = uuid.Must(uuid.NewV7()).String()
		http.SetCookie(w, &http.Cookie{Name: "sapward-phone", Value: f.device, HttpOnly: true, SameSite: http.SameSiteStrictMode, Path: "/"})
		f.mu.Unlock()
		http.Redirect(w, r, "/phone/", http.StatusSeeOther)
	})
	mux.HandleFunc("GET /phone/me", f.guard(func(w http.ResponseWriter, _ *http.Request, device string) {
		f.json(w, map[string]any{"device": device, "person": "p1", "name": "First applicator", "day": f.day, "pack": f.vers, "now": f.now(), "upload_only": false})
	}))
	mux.HandleFunc("GET /phone/pack", f.guard(func(w http.ResponseWriter, _ *http.Request, _ string) { _, _ = w.Write(f.pack) }))
	mux.HandleFunc("POST /phone/events", f.guard(f.events))
	mux.HandleFunc("GET /phone/photos/{sum}", f.guard(func(w http.ResponseWriter, r *http.Request, _ string) { f.photo(w, r.PathValue("sum")) }))
	mux.HandleFunc("PUT /phone/photos/{sum}", f.guard(f.putPhoto))
	mux.Handle("/", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f.mu.Lock()
		prefix := f.prefix
		f.mu.Unlock()
		if prefix != "" && r.URL.Path == "/phone/sw.js" { // another version of the worker
			r.Header.Del("Accept-Encoding")
			r.Header.Del("If-None-Match")
			w.Header().Set("Service-Worker-Allowed", "/phone/")
			rec := httptest.NewRecorder()
			pages.ServeHTTP(rec, r)
			for k, v := range rec.Header() {
				w.Header()[k] = v
			}
			body := strings.Replace(rec.Body.String(), `"version":"`, `"version":"`+prefix, 1)
			w.Header().Del("Content-Length")
			_, _ = io.WriteString(w, body)
			return
		}
		pages.ServeHTTP(w, r)
	}))
	f.Server = httptest.NewServer(mux)
	t.Cleanup(f.Close)
	return f
}

func (f *fakeDay) now() string { return time.Now().Add(f.ahead).Format(time.RFC3339Nano) }

func (f *fakeDay) json(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}

// guard knows the phone by its cookie and is a bad line.
func (f *fakeDay) guard(next func(http.ResponseWriter, *http.Request, string)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		f.mu.Lock()
		defer f.mu.Unlock()
		c, err := r.Cookie("sapward-phone")
		if err != nil || f.revoked {
			reason := "unknown"
			if f.revoked {
				reason = "revoked"
			}
			w.WriteHeader(http.StatusUnauthorized)
			f.json(w, map[string]string{"reason": reason})
			return
		}
		if r.Method != http.MethodGet && r.Header.Get("X-Sapward") != "1" {
			f.t.Errorf("%s %s without X-Sapward", r.Method, r.URL.Path)
		}
		if f.rng.Float64() < f.fail {
			panic(http.ErrAbortHandler)
		}
		lose := f.lose > 0 && r.Method == http.MethodPost
		if lose {
			f.lose--
		}
		if lose || f.rng.Float64() < f.drop {
			rec := httptest.NewRecorder()
			next(rec, r, c.Value)
			panic(http.ErrAbortHandler)
		}
		next(w, r, c.Value)
	}
}

func (f *fakeDay) events(w http.ResponseWriter, r *http.Request, device string) {
	var in struct {
		Cursor int               `json:"cursor"`
		All    bool              `json:"all"`
		Events []json.RawMessage `json:"events"`
	}
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	confirmed, refused := []map[string]string{}, []map[string]any{}
	for _, raw := range in.Events {
		f.received++
		var e fieldlog.Event
		if err := json.Unmarshal(raw, &e); err != nil || e.Check() != nil || e.Device != device || f.refuse {
			refused = append(refused, map[string]any{"id": e.ID, "faults": []map[string]any{{"id": "event-field", "args": map[string]string{"field": "test", "event": e.ID}}}})
			continue
		}
		text, _ := e.Canonical()
		if string(text) != string(raw) {
			f.t.Errorf("not canonical: %s", raw)
		}
		if had, ok := f.texts[e.ID]; !ok {
			f.texts[e.ID], f.from[e.ID] = string(text), device
			f.order = append(f.order, e.ID)
		} else if had != string(text) {
			f.t.Errorf("%s came with two contents", e.ID)
		}
		sum := sha256.Sum256([]byte(f.texts[e.ID]))
		confirmed = append(confirmed, map[string]string{"id": e.ID, "sha256": hex.EncodeToString(sum[:])})
	}
	out := []json.RawMessage{}
	cursor := in.Cursor
	for cursor < len(f.order) && len(out) < 2000 {
		id := f.order[cursor]
		cursor++
		if in.All || in.Cursor == 0 || f.from[id] != device {
			out = append(out, json.RawMessage(f.texts[id]))
		}
	}
	f.json(w, map[string]any{"confirmed": confirmed, "refused": refused, "events": out, "cursor": cursor, "more": cursor < len(f.order), "now": f.now(), "pack": f.vers})
}

func (f *fakeDay) photo(w http.ResponseWriter, sum string) {
	have := f.photos[sum]
	f.json(w, map[string]any{"have": len(have), "done": len(have) > 0 && len(have) == f.totals[sum]})
}

func (f *fakeDay) putPhoto(w http.ResponseWriter, r *http.Request, _ string) {
	sum := r.PathValue("sum")
	var from, to, total int
	if _, err := fmt.Sscanf(r.Header.Get("Content-Range"), "bytes %d-%d/%d", &from, &to, &total); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	if k := r.Header.Get("Content-Type"); k != "image/jpeg" && k != "image/png" {
		f.t.Errorf("a photo came as %q", k)
	}
	if from != len(f.photos[sum]) {
		w.WriteHeader(http.StatusConflict)
		f.photo(w, sum)
		return
	}
	data, _ := io.ReadAll(r.Body)
	f.photos[sum], f.totals[sum] = append(f.photos[sum], data...), total
	if len(f.photos[sum]) == total {
		got := sha256.Sum256(f.photos[sum])
		if hex.EncodeToString(got[:]) != sum {
			f.t.Errorf("photo %s arrived broken", sum)
		}
	}
	f.photo(w, sum)
}

// set changes a switch while phones are at work.
func (f *fakeDay) set(change func(f *fakeDay)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(f)
}

// kinds counts the events that are on the server.
func (f *fakeDay) kinds() (all int, by map[string]int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	by = map[string]int{}
	for _, text := range f.texts {
		var e fieldlog.Event
		if err := json.Unmarshal([]byte(text), &e); err != nil {
			f.t.Error(err)
		}
		by[string(e.Kind)]++
		all++
	}
	return all, by
}
