package web_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/web"
	"sapward/plan/crew"
)

// openedDay approves the demo's open draft, passes its gate and opens a day for
// two people.
func openedDay(t *testing.T, h *stage) app.FieldDay {
	t.Helper()
	day, err := h.app.OpenDay(t.Context(), app.Local(), approved(t, h), app.DayOrder{People: []string{"crew one", "crew two"}})
	if err != nil {
		t.Fatal(err)
	}
	return day
}

// approved approves the demo's open draft and passes its gate.
func approved(t *testing.T, h *stage) (plan string) {
	t.Helper()
	ctx, me := t.Context(), app.Local()
	d, _, err := h.app.Draft(ctx, me, h.draft)
	if err != nil {
		t.Fatal(err)
	}
	if d, err = h.app.AddDraft(ctx, me, d.Parent, d.Facts); err != nil {
		t.Fatal(err)
	}
	if d, err = h.app.AnswerFact(ctx, me, d.ID, d.Version, "certificate-needed", "2040-01-01"); err != nil {
		t.Fatal(err)
	}
	p, err := h.app.ApprovePlan(ctx, me, d.ID, d.Version)
	if err != nil {
		t.Fatal(err)
	}
	v, err := h.app.Plan(ctx, me, p.ID)
	if err != nil {
		t.Fatal(err)
	}
	warm, deficit := 20.0, 1.0
	g := brief.Gate{On: v.Facts.On, Containers: []string{v.Doc.Card.Registration}, Temperature: &warm, Deficit: &deficit, Bloom: "no", CertificateTo: "2040-01-01", Answers: map[string]bool{}}
	doc, err := h.app.Gate(ctx, me, p.ID, g)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range doc.Items {
		if it.Answer == crew.Unanswered || it.Answer == "" {
			g.Answers[it.ID] = true
		}
	}
	if _, err := h.app.KeepGate(ctx, me, p.ID, g); err != nil {
		t.Fatal(err)
	}
	return p.ID
}

// handset is a phone that speaks to the server as the page does.
type handset struct {
	t    *testing.T
	base string
	http *http.Client
	me   app.OnPhone
	log  *fieldlog.Log
	pack *fieldlog.Pack
	seq  int64
	kept []json.RawMessage
	ago  time.Duration // how long ago it notes what it notes
}

func newHandset(t *testing.T, h *stage, day app.FieldDay, person int) *handset {
	t.Helper()
	_, code, err := h.app.AddPhone(t.Context(), app.Local(), day.ID, day.Facts.People[person].ID)
	if err != nil {
		t.Fatal(err)
	}
	jar, _ := cookiejar.New(nil)
	p := &handset{t: t, base: h.url, http: &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	r, err := p.http.Post(h.url+"/join/"+code, "application/x-www-form-urlencoded", nil)
	if err != nil || r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/phone/" {
		t.Fatalf("join: %v %v", r, err)
	}
	r.Body.Close()
	p.get("/phone/me", &p.me)
	p.pack = &fieldlog.Pack{}
	p.get("/phone/pack", p.pack)
	p.log = fieldlog.NewLog(p.pack)
	return p
}

func (p *handset) get(path string, to any) {
	p.t.Helper()
	r, err := p.http.Get(p.base + path)
	if err != nil {
		p.t.Fatal(err)
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		p.t.Fatalf("%s: %d", path, r.StatusCode)
	}
	if err := json.NewDecoder(r.Body).Decode(to); err != nil {
		p.t.Fatal(err)
	}
}

func (p *handset) note(e fieldlog.Event) {
	p.t.Helper()
	p.seq++
	e.ID, e.Device, e.Person, e.Seq, e.At = uuid.Must(uuid.NewV7()).String(), p.me.Device, p.me.Person, p.seq, time.Now().Add(-p.ago).Format(time.RFC3339Nano)
	e, err := p.log.Write(e)
	if err != nil {
		p.t.Fatal(err)
	}
	if _, err := p.log.Add(e); err != nil {
		p.t.Fatal(err)
	}
	text, _ := e.Canonical()
	p.kept = append(p.kept, text)
}

// send posts what the phone holds and forgets what is confirmed by hash.
func (p *handset) send() (confirmed int, status int) {
	p.t.Helper()
	body, _ := json.Marshal(map[string]any{"cursor": 0, "events": p.kept})
	req, _ := http.NewRequestWithContext(p.t.Context(), http.MethodPost, p.base+"/phone/events", strings.NewReader(string(body)))
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Sapward", "1")
	r, err := p.http.Do(req)
	if err != nil {
		p.t.Fatal(err)
	}
	defer r.Body.Close()
	var out struct {
		Confirmed []app.Confirmed `json:"confirmed"`
	}
	if r.StatusCode != http.StatusOK {
		return 0, r.StatusCode
	}
	if err := json.NewDecoder(r.Body).Decode(&out); err != nil {
		p.t.Fatal(err)
	}
	sure := map[string]bool{}
	for _, c := range out.Confirmed {
		sure[c.SHA256] = true
	}
	var left []json.RawMessage
	for _, raw := range p.kept {
		sum := sha256.Sum256(raw)
		if sure[hex.EncodeToString(sum[:])] {
			confirmed++
		} else {
			left = append(left, raw)
		}
	}
	p.kept = left
	return confirmed, r.StatusCode
}

func micro(v int64) *int64 { return &v }

// workedDay is a day with two phones in the middle of it: trees at every stage,
// a leak, a spill, two loads of one port.
func workedDay(t *testing.T, h *stage) app.FieldDay {
	t.Helper()
	day := openedDay(t, h)
	one, two := newHandset(t, h, day, 0), newHandset(t, h, day, 1)
	full := func(p *handset, i int, read bool) {
		tag := p.pack.Trees[i].Tag
		p.note(fieldlog.Event{Kind: fieldlog.Start, Tree: tag})
		p.note(fieldlog.Event{Kind: fieldlog.Cleaned, Tree: tag})
		for _, q := range p.log.Tree(tag).Ports {
			p.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: q.N, AlongMM: micro(int64(q.AlongCM*10) + 3), DepthMM: micro(30)})
			p.note(fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: q.N, VolumeUL: micro(q.PlannedUL), Container: "DEMO-0001", Lot: "L7"})
			p.note(fieldlog.Event{Kind: fieldlog.Begin, Tree: tag, Port: q.N})
			if read {
				p.note(fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: q.N, LeftUL: micro(0)})
				p.note(fieldlog.Event{Kind: fieldlog.Seal, Tree: tag, Port: q.N})
			}
		}
		if read {
			p.note(fieldlog.Event{Kind: fieldlog.Done, Tree: tag})
		}
	}
	one.note(fieldlog.Event{Kind: fieldlog.Draw, VolumeUL: micro(900_000), Container: "DEMO-0001", Lot: "L7"})
	full(one, 0, true)
	full(one, 1, true)
	full(one, 2, false)
	full(two, 3, true)
	full(two, 4, false)
	last := two.pack.Trees[4].Tag
	two.note(fieldlog.Event{Kind: fieldlog.Leak, Tree: last, Port: 1, LostUL: micro(1000)})
	two.note(fieldlog.Event{Kind: fieldlog.Incident, Tree: last, Reason: "spill", Text: "a cup over the root flare, absorbed"})
	two.note(fieldlog.Event{Kind: fieldlog.Skip, Tree: two.pack.Trees[5].Tag, Reason: "wasps"})
	shared := one.pack.Trees[6].Tag
	for _, p := range []*handset{one, two} {
		p.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: shared, Port: 1})
		p.note(fieldlog.Event{Kind: fieldlog.Load, Tree: shared, Port: 1, VolumeUL: micro(8000)})
	}
	for _, p := range []*handset{one, two} {
		if _, status := p.send(); status != http.StatusOK || len(p.kept) != 0 {
			t.Fatalf("status %d, %d notes still here", status, len(p.kept))
		}
	}
	return day
}

// The phone's addresses, as a stranger and as a phone.
func TestPhoneAPI(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	p := newHandset(t, h, day, 0)
	for _, path := range []string{"/phone/me", "/phone/pack", "/phone/photos/" + strings.Repeat("a", 64)} {
		r, err := http.Get(h.url + path)
		if err != nil || r.StatusCode != http.StatusUnauthorized {
			t.Errorf("%s to a stranger: %v %v", path, r.StatusCode, err)
		}
		r.Body.Close()
	}
	tag := p.pack.Trees[0].Tag
	p.note(fieldlog.Event{Kind: fieldlog.Start, Tree: tag})
	first := append([]json.RawMessage(nil), p.kept...)
	if n, status := p.send(); n != 1 || status != 200 {
		t.Errorf("confirmed %d, status %d", n, status)
	}
	p.kept = first
	if n, _ := p.send(); n != 1 {
		t.Errorf("sent again: confirmed %d", n)
	}
	req, _ := http.NewRequest(http.MethodPost, h.url+"/phone/events", strings.NewReader(`{}`))
	if r, err := p.http.Do(req); err != nil || r.StatusCode != http.StatusForbidden {
		t.Errorf("without the header: %v %v", r.StatusCode, err)
	}
	for _, body := range []string{"", "[]", `{"events":[1]}`, `{"events":[{"id":1}]}`, "{"} {
		req, _ := http.NewRequest(http.MethodPost, h.url+"/phone/events", strings.NewReader(body))
		req.Header.Set("X-Sapward", "1")
		r, err := p.http.Do(req)
		if err != nil || r.StatusCode >= 500 {
			t.Errorf("body %q: %v %v", body, r.StatusCode, err)
		}
		r.Body.Close()
	}
	put := func(rng, body string) (int, app.PhotoState) {
		sum := sha256.Sum256([]byte("hello"))
		req, _ := http.NewRequest(http.MethodPut, h.url+"/phone/photos/"+hex.EncodeToString(sum[:]), strings.NewReader(body))
		req.Header.Set("X-Sapward", "1")
		req.Header.Set("Content-Type", "image/png")
		req.Header.Set("Content-Range", rng)
		r, err := p.http.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		var s app.PhotoState
		_ = json.NewDecoder(r.Body).Decode(&s)
		return r.StatusCode, s
	}
	if code, s := put("bytes 0-2/5", "hel"); code != 200 || s.Have != 3 {
		t.Errorf("%d %+v", code, s)
	}
	if code, s := put("bytes 4-4/5", "o"); code != http.StatusConflict || s.Have != 3 {
		t.Errorf("%d %+v", code, s)
	}
	if code, s := put("bytes 3-4/5", "lo"); code != 200 || !s.Done {
		t.Errorf("%d %+v", code, s)
	}
	if code, _ := put("nonsense", ""); code != 422 && code != 400 {
		t.Errorf("nonsense range: %d", code)
	}
	// The live stream says that something was noted.
	r, err := http.Get(h.url + "/api/v1/days/" + day.ID + "/events")
	if err != nil || r.StatusCode != 200 || r.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("live: %v %v", r, err)
	}
	defer r.Body.Close()
	heard := make(chan bool, 1)
	go func() {
		buf := make([]byte, 4096)
		text := ""
		for {
			n, err := r.Body.Read(buf)
			text += string(buf[:n])
			if strings.Contains(text, "event: noted") {
				heard <- true
				return
			}
			if err != nil {
				heard <- false
				return
			}
		}
	}()
	time.Sleep(200 * time.Millisecond)
	p.note(fieldlog.Event{Kind: fieldlog.Cleaned, Tree: tag})
	p.send()
	select {
	case ok := <-heard:
		if !ok {
			t.Error("the stream ended without news")
		}
	case <-time.After(20 * time.Second):
		t.Error("no news within 20 seconds")
	}
}

// The board says when the day will be finished, on how many trees that rests,
// and what delivers too long; with no tree finished it says that it cannot.
func TestDay_Outlook(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	read := func() string {
		r, err := http.Get(h.url + "/days/" + day.ID + "/board")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return string(b)
	}
	if page := read(); !strings.Contains(page, "Cannot say yet.") || !strings.Contains(page, "No finished tree tells the pace yet") {
		t.Error("a new day: the board does not say that it cannot say")
	}
	p := newHandset(t, h, day, 0)
	// The pilot: begun three hours ago, delivering from 175 to 135 minutes ago,
	// finished 120 minutes ago. The second delivers since an hour.
	take := func(tag string, start, begin, end, done time.Duration) {
		at := func(d time.Duration, e fieldlog.Event) {
			p.ago, e.Tree = d*time.Minute, tag
			p.note(e)
		}
		at(start, fieldlog.Event{Kind: fieldlog.Start})
		ports := p.log.Tree(tag).Ports
		for _, q := range ports {
			at(begin, fieldlog.Event{Kind: fieldlog.Drill, Port: q.N})
			at(begin, fieldlog.Event{Kind: fieldlog.Load, Port: q.N, VolumeUL: micro(q.PlannedUL)})
			at(begin, fieldlog.Event{Kind: fieldlog.Begin, Port: q.N})
		}
		for _, q := range ports {
			if done == 0 {
				continue
			}
			at(end, fieldlog.Event{Kind: fieldlog.Read, Port: q.N, LeftUL: micro(0)})
			at(end, fieldlog.Event{Kind: fieldlog.Seal, Port: q.N})
		}
		if done > 0 {
			at(done, fieldlog.Event{Kind: fieldlog.Done})
		}
	}
	first, second := p.pack.Trees[0].Tag, p.pack.Trees[1].Tag
	take(first, 180, 175, 135, 120)
	take(second, 65, 60, 0, 0)
	p.send()
	page := read()
	for _, want := range []string{"When it will be finished", "The day: likely", "Rests on 1 finished trees only: rough.", "A port took 40 min from delivering to read", "Delivering for more than", second, "An estimate, not a promise."} {
		if !strings.Contains(page, want) {
			t.Errorf("the board does not say %q", want)
		}
	}
	v, err := h.app.Day(t.Context(), app.Local(), day.ID)
	if err != nil || v.Forecast.Day.Why != "" || !v.Forecast.Day.Likely.After(v.Checked) {
		t.Errorf("%+v (%v)", v.Forecast.Day, err)
	}
	p.ago = -24 * time.Hour // a phone a day ahead
	p.note(fieldlog.Event{Kind: fieldlog.Note, Tree: second, Text: "clock"})
	p.send()
	if page := read(); !strings.Contains(page, "clock is wrong") || strings.Contains(page, "The day: likely") {
		t.Error("a phone a day ahead: the board still says when")
	}
}

// A field sheet typed in: all of it or nothing, each note marked as later.
func TestDay_TypedIn(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	v, err := h.app.Day(t.Context(), app.Local(), day.ID)
	if err != nil {
		t.Fatal(err)
	}
	tag := v.Pack.Trees[0].Tag
	post := func(form url.Values) (int, string) {
		r, err := http.PostForm(h.url+"/days/"+day.ID+"/trees/"+url.PathEscape(tag), form)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return r.StatusCode, string(b)
	}
	form := url.Values{"at": {v.Facts.On + "T10:15"}, "person": {day.Facts.People[1].ID}, "cleaned": {"1"}, "container": {"DEMO-0001"}, "drilled-1": {"1"}, "along-1": {"2,5"}, "depth-1": {"31"}, "loaded-1": {"8"}, "left-1": {"9"}, "end-1": {"seal"}, "drilled-2": {"1"}, "loaded-2": {"8.5"}, "left-2": {"-"}, "tree": {"done"}}
	if code, body := post(form); code != http.StatusUnprocessableEntity || !strings.Contains(body, "notice bad") {
		t.Errorf("9 mL left of 8: %d", code)
	}
	if v, _ = h.app.Day(t.Context(), app.Local(), day.ID); v.State.Events != 0 {
		t.Errorf("%d notes of a sheet with a mistake were kept", v.State.Events)
	}
	form.Set("left-1", "0.5")
	if code, _ := post(form); code != http.StatusOK {
		t.Errorf("typed in: %d", code)
	}
	v, _ = h.app.Day(t.Context(), app.Local(), day.ID)
	s := v.Log.Tree(tag)
	p1, p2 := s.Port(1), s.Port(2)
	if p1.GoneUL != 7500 || p1.AlongCM != 2.5 || *p1.DepthMM != 31 || p1.Stage != fieldlog.Sealed || p2.Read || p2.LoadedUL != 8500 || !s.Late || s.Stage != fieldlog.Finished || !s.Cleaned {
		t.Errorf("as typed: %s", fmt.Sprint(p1, p2, s.Stage))
	}
}
