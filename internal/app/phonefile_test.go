package app_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
)

// saved is the file that phones save: their notes word by word, and pictures.
func saved(notes []json.RawMessage, pictures map[string][]byte) []byte {
	photos := []map[string]any{}
	for h, data := range pictures {
		photos = append(photos, map[string]any{"sha256": h, "tree": "", "bytes": len(data), "type": "image/png", "base64": base64.StdEncoding.EncodeToString(data)})
	}
	list, _ := json.Marshal(photos)
	var b bytes.Buffer
	fmt.Fprintf(&b, `{"schema":"sapward/phone-export/1","device":"x","person":"y","made_at":"2026-06-17T18:00:00Z","events":[`)
	for i, n := range notes {
		if i > 0 {
			b.WriteString(",")
		}
		b.WriteString("\n" + string(n))
	}
	fmt.Fprintf(&b, "\n],\"photos\":%s}\n", list)
	return b.Bytes()
}

// png is a picture of its own for each n, by its first bytes.
func png(n int) (hash string, data []byte) {
	data = append([]byte("\x89PNG\r\n\x1a\n"), fmt.Sprintf("picture %d", n)...)
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), data
}

// A phone that can no longer send: its file is previewed, taken, taken again,
// and by the phone's own sync once more. The phone had joined twice.
func TestPhoneFile(t *testing.T) {
	ctx, me := t.Context(), app.Local()
	w := newWorld(t)
	day := openDay(t, w.App, w.draft)
	one, two := join(t, w.App, day, 0), join(t, w.App, day, 1)
	v, err := w.Day(ctx, me, day.ID)
	if err != nil {
		t.Fatal(err)
	}
	tag := v.State.Trees[0].Tag
	h1, p1 := png(1)
	h2, _ := png(2)
	h3, p3 := png(3)
	var file []json.RawMessage
	add := func(p *pocket, e fieldlog.Event) { file = append(file, p.note(e)) }
	add(one, fieldlog.Event{Kind: fieldlog.Start, Tree: tag})
	one.send() // this one is here already
	one.kept = nil
	add(one, fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: 1})
	add(one, fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: 1, VolumeUL: ul(2000)})
	for _, h := range []string{h1, h2, h3} {
		add(one, fieldlog.Event{Kind: fieldlog.Photo, Tree: tag, Photo: h, Bytes: ul(int64(len(p1)))})
	}
	again := join(t, w.App, day, 0) // the same person's phone, paired anew
	add(again, fieldlog.Event{Kind: fieldlog.Note, Text: "after the phone was paired anew"})
	two.note(fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: 1, VolumeUL: ul(2500)})
	two.send()
	if _, err := w.RevokePhone(ctx, me, one.me.Device, "lost"); err != nil {
		t.Fatal(err)
	}
	// Notes that no file may bring: of a phone nobody knows, as another person,
	// with other contents under a known identifier, with an unknown field.
	var first fieldlog.Event
	_ = json.Unmarshal(file[0], &first)
	forged := func(change func(e *fieldlog.Event)) json.RawMessage {
		e := first
		e.ID, e.Seq = w.NewID(), 90
		change(&e)
		text, _ := e.Canonical()
		return text
	}
	bad := []json.RawMessage{
		forged(func(e *fieldlog.Event) { e.Device = w.NewID() }),
		forged(func(e *fieldlog.Event) { e.Person = day.Facts.People[1].ID }),
		forged(func(e *fieldlog.Event) { e.ID, e.Kind = first.ID, fieldlog.Cleaned }),
		json.RawMessage(strings.Replace(string(forged(func(*fieldlog.Event) {})), `{`, `{"strange":1,`, 1)),
		forged(func(e *fieldlog.Event) { e.Day = w.NewID() }), // another day's: not refused, named
	}
	damaged := append(bytes.Clone(p3), 1)
	text := saved(append(append([]json.RawMessage{}, file...), bad...), map[string][]byte{h1: p1, h3: damaged})

	pre, err := w.PreviewPhoneFile(ctx, me, day.ID, text)
	if err != nil {
		t.Fatal(err)
	}
	ids := []string{}
	for _, r := range pre.Refused {
		ids = append(ids, r.Faults[0].ID)
	}
	if fmt.Sprint(ids) != "[note-phone-unknown note-person-other note-twice note-unread]" {
		t.Errorf("refused %v", ids)
	}
	if pre.Same != 1 || pre.New != 6 || pre.Notes != 11 || len(pre.Owners) != 2 || len(pre.OtherDays) != 1 || pre.OtherDays[0].On != "" {
		t.Errorf("preview: %d the same, %d new of %d, owners %+v, other days %+v", pre.Same, pre.New, pre.Notes, pre.Owners, pre.OtherDays)
	}
	for _, o := range pre.Owners {
		if o.Name != "crew one" || o.Revoked != (o.Device == one.me.Device) {
			t.Errorf("owner %+v", o)
		}
	}
	if p := pre.Pictures; p.Named != 3 || p.New != 1 || p.Missing != 1 || len(p.Refused) != 1 || p.Refused[0].Faults[0].ID != "photo-damaged" {
		t.Errorf("pictures %+v", p)
	}
	if len(pre.Conflicts) != 1 || pre.Conflicts[0].Kind != fieldlog.Load {
		t.Errorf("conflicts %+v", pre.Conflicts)
	}
	if v, _ = w.Day(ctx, me, day.ID); v.State.Events != 2 {
		t.Errorf("a preview kept %d notes", v.State.Events-2)
	}
	if _, err := w.PreviewPhoneFile(ctx, w.people[app.Crew], day.ID, text); !denied(err) {
		t.Errorf("the crew reads a file at the desk: %v", err)
	}

	if out, err := w.TakePhoneFile(ctx, me, day.ID, text); err != nil || out.New != 6 || out.Pictures.New != 1 {
		t.Fatalf("%+v (%v)", out, err)
	}
	check := func(what string) {
		t.Helper()
		v, err := w.Day(ctx, me, day.ID)
		if err != nil {
			t.Fatal(err)
		}
		if v.State.Events != 8 || len(v.ByFile) != 6 || v.ByFile[first.ID] || !v.Photos[h1] || v.Photos[h2] || v.Photos[h3] || len(v.State.Conflicts) != 1 || len(v.State.Gaps) != 0 {
			t.Errorf("%s: %d notes, %d by file, conflicts %+v, gaps %+v", what, v.State.Events, len(v.ByFile), v.State.Conflicts, v.State.Gaps)
		}
		for _, raw := range file { // word by word, the phone's clock with it
			var e fieldlog.Event
			_ = json.Unmarshal(raw, &e)
			if text, ok := v.Log.Has(e.ID); !ok || text != string(raw) {
				t.Errorf("%s: %s is kept as %s", what, raw, text)
			}
		}
	}
	check("taken")
	if out, err := w.TakePhoneFile(ctx, me, day.ID, text); err != nil || out.New != 0 || out.Same != 7 || out.Pictures.New != 0 || out.Pictures.Here != 1 {
		t.Errorf("taken twice: %+v (%v)", out, err)
	}
	check("taken twice")
	again.send() // the phone could send after all: confirmed, nothing doubled
	if len(again.kept) != 0 {
		t.Errorf("%d notes still on the phone", len(again.kept))
	}
	check("sent after all")
	es, err := w.Store.Events(ctx, app.EventQuery{Entity: day.ID, Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	byFile := 0
	for _, e := range es {
		if strings.HasPrefix(e.Reason, "by file ") && strings.HasSuffix(e.Reason, pre.SHA256) {
			byFile++
		}
	}
	if byFile != 7 {
		t.Errorf("%d events of the store say that they came by the file", byFile)
	}
	// The picture that was damaged comes whole in a second file.
	if out, err := w.TakePhoneFile(ctx, me, day.ID, saved(file, map[string][]byte{h3: p3})); err != nil || out.Pictures.New != 1 || out.Pictures.Here != 1 || out.Pictures.Missing != 1 {
		t.Errorf("second file: %+v (%v)", out.Pictures, err)
	}
	if r, err := w.Check(ctx, me, nil); err != nil || len(r.Findings) != 0 {
		t.Errorf("check: %+v (%v)", r.Findings, err)
	}

	for what, x := range map[string]struct {
		data []byte
		id   string
	}{
		"nothing": {nil, "phone-file-form"}, "a picture": {p1, "phone-file-form"}, "other JSON": {[]byte(`{"schema":"sapward/day/1"}`), "phone-file-form"}, "a list": {[]byte(`[1,2]`), "phone-file-form"},
		"cut off": {text[:len(text)/2], "phone-file-cut"}, "of the future": {bytes.Replace(text, []byte("export/1"), []byte("export/9"), 1), "phone-file-schema"},
		"without a note": {saved(nil, nil), "phone-file-empty"}, "with wrong types": {[]byte(`{"schema":"sapward/phone-export/1","events":5}`), "phone-file-form"},
	} {
		if _, err := w.PreviewPhoneFile(ctx, me, day.ID, x.data); !hasFault(err, x.id) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// A phone and a day may have so many pictures and so many bytes; what is refused
// is refused before a byte of it is kept, and what was begun counts.
func TestPhoto_Limits(t *testing.T) {
	ctx := t.Context()
	w := newWorld(t)
	day := openDay(t, w.App, w.draft)
	one, two := join(t, w.App, day, 0), join(t, w.App, day, 1)
	put := func(p *pocket, n int, most int) (app.PhotoState, error) {
		h, data := png(n)
		s, _, err := w.PutPhoto(ctx, app.Actor{}, p.token, h, "image/png", 0, int64(len(data)), bytes.NewReader(data[:min(most, len(data))]))
		return s, err
	}
	w.Photos = app.PhotoLimits{PhoneCount: 3, PhoneBytes: 1 << 20, DayCount: 4, DayBytes: 1 << 20}
	for n := range 2 {
		if s, err := put(one, n, 99); err != nil || !s.Done {
			t.Fatalf("%+v %v", s, err)
		}
	}
	if s, err := put(one, 2, 5); err != nil || s.Done || s.Have != 5 { // begun, and the line breaks
		t.Fatalf("%+v %v", s, err)
	}
	if s, err := put(one, 3, 99); !hasFault(err, "photo-most-phone") || s.Have != 0 {
		t.Errorf("a fourth of three: %+v %v", s, err)
	}
	if s, err := put(one, 0, 99); err != nil || !s.Done {
		t.Errorf("one that is here, once more: %+v %v", s, err)
	}
	if s, err := put(two, 4, 99); err != nil || !s.Done {
		t.Errorf("the fourth of the day: %+v %v", s, err)
	}
	if _, err := put(two, 5, 99); !hasFault(err, "photo-most-day") {
		t.Errorf("the fifth of four: %v", err)
	}
	h, data := png(2)
	if s, ok, err := w.PutPhoto(ctx, app.Actor{}, one.token, h, "image/png", 5, int64(len(data)), bytes.NewReader(data[5:])); err != nil || !ok || !s.Done {
		t.Errorf("the one that was begun: %+v %v %v", s, ok, err)
	}
	w.Photos = app.PhotoLimits{PhoneCount: 99, PhoneBytes: 4 * int64(len(data)), DayCount: 99, DayBytes: 1 << 20}
	if s, err := put(one, 6, 99); err != nil || !s.Done {
		t.Errorf("exactly as many bytes as there may be: %+v %v", s, err)
	}
	if _, err := put(one, 7, 99); !hasFault(err, "photo-most-phone") {
		t.Errorf("more bytes than there may be: %v", err)
	}
	// By file the same bounds hold; the note is taken, the picture named.
	h7, p7 := png(7)
	raw := one.note(fieldlog.Event{Kind: fieldlog.Photo, Photo: h7, Bytes: ul(int64(len(p7)))})
	out, err := w.TakePhoneFile(ctx, app.Local(), day.ID, saved([]json.RawMessage{raw}, map[string][]byte{h7: p7}))
	if err != nil || out.New != 1 || out.Pictures.New != 0 || len(out.Pictures.Refused) != 1 || out.Pictures.Refused[0].Faults[0].ID != "photo-most-phone" {
		t.Errorf("by file: %+v (%v)", out.Pictures, err)
	}
}

// A server that stopped between the last piece of a picture and keeping it: the
// next piece that comes finishes it.
func TestPhoto_StoppedBeforeItWasKept(t *testing.T) {
	ctx := t.Context()
	w := newWorld(t)
	day := openDay(t, w.App, w.draft)
	p := join(t, w.App, day, 0)
	h, data := png(1)
	if _, _, err := w.Store.AddPart(ctx, p.me.Device+"-"+h, 0, bytes.NewReader(data), int64(len(data))); err != nil {
		t.Fatal(err)
	}
	if s, err := w.PhotoState(ctx, app.Actor{}, p.token, h); err != nil || s.Done || s.Have != int64(len(data)) {
		t.Fatalf("%+v %v", s, err)
	}
	last := int64(len(data)) - 1
	if s, ok, err := w.PutPhoto(ctx, app.Actor{}, p.token, h, "image/png", last, last+1, bytes.NewReader(data[last:])); err != nil || !ok || !s.Done {
		t.Errorf("%+v %v %v", s, ok, err)
	}
}
