package app_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/plan/crew"
)

// openDay approves a copy of a draft whose only open fact is the certificate,
// answers the gate and opens the day for two people.
func openDay(t *testing.T, a *app.App, draft string) app.FieldDay {
	t.Helper()
	ctx, me := t.Context(), app.Local()
	d, _, err := a.Draft(ctx, me, draft)
	if err != nil {
		t.Fatal(err)
	}
	d, err = a.AddDraft(ctx, me, d.Parent, d.Facts)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"2040-01-01"} {
		if d, err = a.AnswerFact(ctx, me, d.ID, d.Version, "certificate-needed", text); err != nil {
			t.Fatal(err)
		}
	}
	p, err := a.ApprovePlan(ctx, me, d.ID, d.Version)
	if err != nil {
		_, o, _ := a.Draft(ctx, me, d.ID)
		t.Fatalf("%v: waits for %+v", err, o.Waits)
	}
	passGate(t, a, p.ID)
	day, err := a.OpenDay(ctx, me, p.ID, app.DayOrder{People: []string{"crew one", "crew two"}})
	if err != nil {
		t.Fatal(err)
	}
	return day
}

// passGate answers every item of a plan's gate with yes.
func passGate(t *testing.T, a *app.App, plan string) {
	t.Helper()
	ctx, me := t.Context(), app.Local()
	v, err := a.Plan(ctx, me, plan)
	if err != nil {
		t.Fatal(err)
	}
	warm := 20.0
	deficit := 1.0
	g := brief.Gate{On: v.Facts.On, Containers: []string{v.Doc.Card.Registration}, Temperature: &warm, Deficit: &deficit, Bloom: "no", CertificateTo: "2040-01-01", Answers: map[string]bool{}}
	doc, err := a.Gate(ctx, me, plan, g)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range doc.Items {
		if it.Answer == crew.Unanswered || it.Answer == "" {
			g.Answers[it.ID] = true
		}
	}
	kept, err := a.KeepGate(ctx, me, plan, g)
	if err != nil || kept.Facts.Doc.Verdict.Outcome != crew.Go {
		t.Fatalf("the gate says %+v (%v)", kept.Facts.Doc.Verdict, err)
	}
}

// pocket is a phone in the crew's pocket.
type pocket struct {
	t      *testing.T
	a      *app.App
	token  string
	me     app.OnPhone
	log    *fieldlog.Log
	seq    int64
	cursor int64
	kept   []json.RawMessage
}

func join(t *testing.T, a *app.App, day app.FieldDay, person int) *pocket {
	t.Helper()
	_, code, err := a.AddPhone(t.Context(), app.Local(), day.ID, day.Facts.People[person].ID)
	if err != nil {
		t.Fatal(err)
	}
	_, token, err := a.Join(t.Context(), app.Actor{}, code)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := a.Join(t.Context(), app.Actor{}, code); !hasFault(err, "phone-code") {
		t.Errorf("a code was used twice: %v", err)
	}
	p := &pocket{t: t, a: a, token: token}
	if p.me, err = a.Phone(t.Context(), app.Actor{}, token); err != nil {
		t.Fatal(err)
	}
	data, _, err := a.PhonePack(t.Context(), app.Actor{}, token)
	if err != nil {
		t.Fatal(err)
	}
	pack := &fieldlog.Pack{}
	if err := json.Unmarshal(data, pack); err != nil {
		t.Fatal(err)
	}
	p.log = fieldlog.NewLog(pack)
	return p
}

func hasFault(err error, id string) bool {
	for _, f := range finding.AsFaults(err) {
		if f.ID == id {
			return true
		}
	}
	return false
}

func (p *pocket) note(e fieldlog.Event) json.RawMessage {
	p.t.Helper()
	p.seq++
	e.ID, e.Device, e.Person, e.Seq, e.At = uuid.Must(uuid.NewV7()).String(), p.me.Device, p.me.Person, p.seq, time.Now().Format(time.RFC3339Nano)
	e, err := p.log.Write(e)
	if err != nil {
		p.t.Fatal(err)
	}
	if _, err := p.log.Add(e); err != nil {
		p.t.Fatal(err)
	}
	text, _ := e.Canonical()
	p.kept = append(p.kept, text)
	return text
}

// send exchanges everything the phone still holds and drops what is confirmed
// with the right hash.
func (p *pocket) send() app.Exchanged {
	p.t.Helper()
	out, err := p.a.PhoneExchange(p.t.Context(), app.Actor{}, p.token, app.Exchange{Cursor: p.cursor, Events: p.kept})
	if err != nil {
		p.t.Fatal(err)
	}
	p.take(out)
	return out
}

func (p *pocket) take(out app.Exchanged) {
	sure := map[string]string{}
	for _, c := range out.Confirmed {
		sure[c.ID] = c.SHA256
	}
	var left []json.RawMessage
	for _, raw := range p.kept {
		var e fieldlog.Event
		_ = json.Unmarshal(raw, &e)
		sum := sha256.Sum256(raw)
		if sure[e.ID] != hex.EncodeToString(sum[:]) {
			left = append(left, raw)
		}
	}
	p.kept, p.cursor = left, out.Cursor
	for _, raw := range out.Events {
		var e fieldlog.Event
		_ = json.Unmarshal(raw, &e)
		if _, err := p.log.Add(e); err != nil {
			p.t.Fatal(err)
		}
	}
}

func ul(v int64) *int64 { return &v }

// A day with two phones, from the gate to the end.
func TestDay_TwoPhones(t *testing.T) {
	ctx, me := t.Context(), app.Local()
	w := newWorld(t)
	day := openDay(t, w.App, w.draft)
	one, two := join(t, w.App, day, 0), join(t, w.App, day, 1)
	v, err := w.Day(ctx, me, day.ID)
	if err != nil || len(v.State.Trees) < 30 || v.State.PlannedUL == 0 {
		t.Fatalf("%d trees, %d uL (%v)", len(v.State.Trees), v.State.PlannedUL, err)
	}
	tag := v.State.Trees[0].Tag
	fill := v.Log.Tree(tag).Ports[0].PlannedUL
	one.note(fieldlog.Event{Kind: fieldlog.Start, Tree: tag})
	one.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: 1})
	one.note(fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: 1, VolumeUL: ul(fill)})
	sent := append([]json.RawMessage(nil), one.kept...)
	if out := one.send(); len(out.Confirmed) != 3 || len(one.kept) != 0 || len(out.Refused) != 0 {
		t.Fatalf("confirmed %d, still here %d, refused %+v", len(out.Confirmed), len(one.kept), out.Refused)
	}
	one.kept = sent // the answer was lost on the way: sent again, confirmed again, kept once
	if out := one.send(); len(out.Confirmed) != 3 || len(one.kept) != 0 {
		t.Errorf("sent again: confirmed %d, still here %d", len(out.Confirmed), len(one.kept))
	}
	if out := two.send(); len(out.Events) != 3 {
		t.Errorf("the second phone got %d notes of the first", len(out.Events))
	}
	two.note(fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: 1, LeftUL: ul(500)})
	two.send()
	v, err = w.Day(ctx, me, day.ID)
	if err != nil {
		t.Fatal(err)
	}
	if p := v.Log.Tree(tag).Port(1); p.GoneUL != fill-500 || v.State.Events != 4 || len(v.State.Conflicts) != 0 {
		t.Errorf("on the board: %+v, %d notes, %+v", p, v.State.Events, v.State.Conflicts)
	}
	// A note of another phone's, of another day's, and one nobody can read.
	bad := []json.RawMessage{sent[0], json.RawMessage(`{"id":"x"}`), json.RawMessage(fmt.Sprintf(`{"id":%q,"strange":1}`, uuid.NewString()))}
	out, err := w.PhoneExchange(ctx, app.Actor{}, two.token, app.Exchange{Events: bad})
	if err != nil || len(out.Refused) != 3 || out.Refused[0].Faults[0].ID != "note-of-another" {
		t.Errorf("refused %+v (%v)", out.Refused, err)
	}
	// Typed in from paper: kept as entered later, and only what cannot be is refused.
	n, err := w.Note(ctx, me, day.ID, fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: 1, LeftUL: ul(0), At: "2026-06-17T10:00:00+02:00", Person: day.Facts.People[0].ID}, true)
	if err != nil || n.EnteredAt == "" || n.At != "2026-06-17T10:00:00+02:00" {
		t.Errorf("from paper: %+v (%v)", n, err)
	}
	if _, err := w.Note(ctx, me, day.ID, fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: 1, LeftUL: ul(fill + 1)}, true); !hasFault(err, "left-more-than-loaded") {
		t.Errorf("more left than was put in: %v", err)
	}
	if _, err := w.Note(ctx, w.people[app.Crew], day.ID, fieldlog.Event{Kind: fieldlog.Void, Tree: tag, Of: n.ID, Reason: "slip"}, false); !denied(err) {
		t.Errorf("a crew member took a note back at the desk: %v", err)
	}
	if _, err := w.RevokePhone(ctx, me, two.me.Device, "lost"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.PhoneExchange(ctx, app.Actor{}, two.token, app.Exchange{}); !hasFault(err, "phone-revoked") {
		t.Errorf("a revoked phone: %v", err)
	}
	d, err := w.CloseDay(ctx, me, day.ID, day.Version)
	if err != nil || d.Facts.ClosedAt == "" {
		t.Error(err)
	}
	one.note(fieldlog.Event{Kind: fieldlog.Note, Tree: tag, Text: "found in the evening"})
	if out := one.send(); len(out.Confirmed) != 1 {
		t.Errorf("a note after the day was closed is kept all the same: %+v", out)
	}
	if r, err := w.Check(ctx, me, nil); err != nil || len(r.Findings) != 0 {
		t.Errorf("check: %+v (%v)", r.Findings, err)
	}
}

// Codes end after ten minutes, and a wrong secret opens nothing.
func TestDay_CodesAndTokens(t *testing.T) {
	ctx, me := t.Context(), app.Local()
	w := newWorld(t)
	day := openDay(t, w.App, w.draft)
	_, code, err := w.AddPhone(ctx, me, day.ID, day.Facts.People[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	if j, err := w.Joinable(ctx, app.Actor{}, code); err != nil || j.Name != "crew one" || j.Estate == "" {
		t.Errorf("%+v (%v)", j, err)
	}
	for _, bad := range []string{"", "x", code[:len(code)-1] + "x", code + "0", code[:37] + "0000000000000000000000000000000000000000"} {
		if _, _, err := w.Join(ctx, app.Actor{}, bad); !hasFault(err, "phone-code") {
			t.Errorf("code %q: %v", bad, err)
		}
		if _, err := w.Phone(ctx, app.Actor{}, bad); !hasFault(err, "phone-unknown") {
			t.Errorf("token %q: %v", bad, err)
		}
	}
	if _, err := w.Phone(ctx, app.Actor{}, code); !hasFault(err, "phone-unknown") {
		t.Errorf("a code is no token: %v", err)
	}
	later := time.Now().Add(11 * time.Minute)
	w.Now = func() time.Time { return later }
	if _, _, err := w.Join(ctx, app.Actor{}, code); !hasFault(err, "phone-code") {
		t.Errorf("a code eleven minutes old: %v", err)
	}
	if _, err := w.OpenDay(ctx, me, w.plan, app.DayOrder{People: []string{"crew"}}); !hasFault(err, "day-gate") {
		t.Errorf("a day without a gate: %v", err)
	}
}

// A picture arrives in pieces, over broken lines, once.
func TestDay_PhotoInPieces(t *testing.T) {
	ctx := t.Context()
	w := newWorld(t)
	day := openDay(t, w.App, w.draft)
	p := join(t, w.App, day, 0)
	picture := make([]byte, 700_001)
	r := rand.NewChaCha8([32]byte{1})
	_, _ = r.Read(picture)
	sum := sha256.Sum256(picture)
	hash := hex.EncodeToString(sum[:])
	put := func(from, to int, data []byte) (app.PhotoState, bool) {
		t.Helper()
		s, ok, err := w.PutPhoto(ctx, app.Actor{}, p.token, hash, "image/jpeg", int64(from), int64(len(picture)), bytes.NewReader(data[from:to]))
		if err != nil {
			t.Fatal(err)
		}
		return s, ok
	}
	if s, ok := put(0, 256_000, picture); !ok || s.Have != 256_000 {
		t.Fatalf("%+v %v", s, ok)
	}
	if s, ok := put(300_000, 400_000, picture); ok || s.Have != 256_000 {
		t.Errorf("a piece with a gap before it: %+v %v", s, ok)
	}
	if s, err := w.PhotoState(ctx, app.Actor{}, p.token, hash); err != nil || s.Have != 256_000 || s.Done {
		t.Errorf("%+v %v", s, err)
	}
	if s, ok := put(256_000, len(picture), picture); !ok || !s.Done {
		t.Errorf("the rest: %+v %v", s, ok)
	}
	if s, ok := put(0, 10, picture); !ok || !s.Done {
		t.Errorf("sent again: %+v %v", s, ok)
	}
	v, err := w.Day(ctx, app.Local(), day.ID)
	if err != nil || !v.Photos[hash] {
		t.Errorf("the picture is not beside the day: %v %v", v.Photos, err)
	}
	// One that is damaged on the way begins again.
	other := bytes.Clone(picture)
	other[5]++
	wrong := hash[:63] + map[bool]string{true: "0", false: "1"}[hash[63] != '0']
	s, ok, err := w.PutPhoto(ctx, app.Actor{}, p.token, wrong, "image/jpeg", 0, 10, bytes.NewReader(other[:10]))
	if err != nil || ok || s.Done || s.Have != 0 {
		t.Errorf("damaged: %+v %v %v", s, ok, err)
	}
	if _, _, err := w.PutPhoto(ctx, app.Actor{}, p.token, hash[:60]+"abcd", "text/html", 0, 10, bytes.NewReader(other[:10])); err == nil {
		t.Error("something that is no picture was taken")
	}
	if r, err := w.Check(ctx, app.Local(), nil); err != nil || len(r.Findings) != 0 {
		t.Errorf("check: %+v (%v)", r.Findings, err)
	}
	var f *finding.Fault
	if _, _, err := w.PutPhoto(ctx, app.Actor{}, "x", hash, "image/jpeg", 0, 10, bytes.NewReader(nil)); !errors.As(err, &f) || f.Class != finding.Denied {
		t.Errorf("without a token: %v", err)
	}
}
