package app_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"sort"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
)

// handheld is a phone with a disk, a memory and a clock of its own. What is on
// its disk survives a crash; the disk gives up only what the server confirmed.
type handheld struct {
	*pocket
	disk   []json.RawMessage // notes not yet confirmed
	own    []string          // identifiers of all it ever noted
	others []json.RawMessage // notes of others, as received
	shift  time.Duration     // what its clock is wrong by
	late   []app.Exchange    // requests that are still on the way
}

func (h *handheld) write(r *rand.Rand, tags []string) {
	tag := tags[r.IntN(len(tags))]
	s := h.log.Tree(tag)
	if s == nil || len(s.Ports) == 0 {
		return
	}
	p := &s.Ports[r.IntN(len(s.Ports))]
	e := fieldlog.Event{Tree: tag, Port: p.N}
	switch r.IntN(6) {
	case 0:
		e.Kind, e.AlongMM = fieldlog.Drill, ul(int64(r.IntN(900)))
	case 1, 2:
		e.Kind, e.VolumeUL = fieldlog.Load, ul(int64(1+r.IntN(10))*500)
	case 3:
		e.Kind = fieldlog.Read
		if r.IntN(3) > 0 {
			e.LeftUL = ul(int64(r.IntN(4)) * 500)
		}
	case 4:
		e.Kind, e.Port, e.Text = fieldlog.Note, 0, fmt.Sprintf("note %d", r.IntN(1000))
	case 5:
		if len(h.own) == 0 {
			return
		}
		// A slip taken back: of the tree it was on.
		of := h.own[r.IntN(len(h.own))]
		text, ok := h.log.Has(of)
		if !ok {
			return
		}
		var x fieldlog.Event
		_ = json.Unmarshal([]byte(text), &x)
		e = fieldlog.Event{Kind: fieldlog.Void, Tree: x.Tree, Of: of, Reason: "slip"}
	}
	h.seq++
	e.ID, e.Device, e.Person, e.Seq, e.At = uuid.Must(uuid.NewV7()).String(), h.me.Device, h.me.Person, h.seq, time.Now().Add(h.shift).Format(time.RFC3339Nano)
	e, err := h.log.Write(e)
	if err != nil {
		h.t.Fatal(err)
	}
	text, _ := e.Canonical()
	h.disk = append(h.disk, text) // on the disk before the screen says so
	if _, err := h.log.Add(e); err != nil {
		h.t.Fatal(err)
	}
	h.own = append(h.own, e.ID)
}

// crash forgets the memory and reads the disk again. Confirmed notes of its own
// come back from the server.
func (h *handheld) crash() {
	pack := *packOf(h)
	h.log = fieldlog.NewLog(&pack)
	h.cursor = 0
	for _, raw := range append(append([]json.RawMessage{}, h.disk...), h.others...) {
		var e fieldlog.Event
		_ = json.Unmarshal(raw, &e)
		_, _ = h.log.Add(e)
	}
}

func packOf(h *handheld) *fieldlog.Pack {
	data, _, err := h.a.PhonePack(h.t.Context(), app.Actor{}, h.token)
	if err != nil {
		h.t.Fatal(err)
	}
	p := &fieldlog.Pack{}
	_ = json.Unmarshal(data, p)
	return p
}

// exchange sends what is on the disk over a line that may fail in every way.
func (h *handheld) exchange(r *rand.Rand, line float64) {
	in := app.Exchange{Cursor: h.cursor, Events: append([]json.RawMessage{}, h.disk...)}
	if r.Float64() < line {
		switch r.IntN(3) {
		case 0: // lost on the way there
			return
		case 1: // arrives, twice even, but the answer is lost
			_, _ = h.a.PhoneExchange(h.t.Context(), app.Actor{}, h.token, in)
			_, _ = h.a.PhoneExchange(h.t.Context(), app.Actor{}, h.token, in)
			return
		case 2: // arrives much later, after others
			h.late = append(h.late, in)
			return
		}
	}
	r.Shuffle(len(in.Events), func(i, k int) { in.Events[i], in.Events[k] = in.Events[k], in.Events[i] })
	out, err := h.a.PhoneExchange(h.t.Context(), app.Actor{}, h.token, in)
	if err != nil {
		h.t.Fatal(err)
	}
	if len(out.Refused) > 0 {
		h.t.Fatalf("refused: %+v", out.Refused)
	}
	h.kept = h.disk
	h.take(out)
	h.disk = h.kept
	h.others = append(h.others, out.Events...)
}

// Phones, a server and a bad line: after everything has calmed down each note
// that anybody made is on the server once, and everybody sees the same day.
// The seed of a schedule that fails is printed.
func TestSync_NothingLostNothingDoubled(t *testing.T) {
	first, schedules := 1, 100
	if os.Getenv("SAPWARD_SOAK") == "1" {
		schedules = 10_000
	}
	if only := os.Getenv("SAPWARD_SEEDS"); only != "" { // "501-1000": a part of a soak
		last := 0
		if n, err := fmt.Sscanf(only, "%d-%d", &first, &last); n != 2 || err != nil || last < first {
			t.Fatalf("SAPWARD_SEEDS=%q: two numbers, as 501-1000", only)
		}
		schedules = last - first + 1
	}
	w := newWorld(t)
	ctx, me := t.Context(), app.Local()
	plan := ""
	if d, err := w.Day(ctx, me, w.day); err != nil {
		t.Fatal(err)
	} else {
		plan = d.Parent
	}
	notes, conflicts := 0, 0
	for k := range schedules {
		seed := uint64(first + k)
		r := rand.New(rand.NewPCG(seed, 7))
		v, err := w.Day(ctx, me, w.day)
		if err != nil {
			t.Fatal(err)
		}
		tags := v.Facts.Trees[:3]
		day, err := w.OpenDay(ctx, me, plan, app.DayOrder{People: []string{"a", "b", "c"}, Trees: tags})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		phones := make([]*handheld, 2+r.IntN(3))
		for i := range phones {
			phones[i] = &handheld{pocket: join(t, w.App, day, i%3), shift: time.Duration(r.IntN(3)-1) * 24 * time.Hour}
		}
		line := r.Float64()
		for range 20 + r.IntN(60) {
			h := phones[r.IntN(len(phones))]
			switch r.IntN(10) {
			case 0, 1, 2, 3, 4, 5:
				h.write(r, tags)
			case 6, 7, 8:
				h.exchange(r, line)
			case 9:
				switch r.IntN(3) {
				case 0:
					h.crash()
				case 1:
					h.shift = time.Duration(r.IntN(49)-24) * time.Hour
				case 2:
					if n := len(h.late); n > 0 {
						in := h.late[n-1]
						h.late = h.late[:n-1]
						_, _ = h.a.PhoneExchange(ctx, app.Actor{}, h.token, in)
					}
				}
			}
		}
		want := []string{}
		for _, h := range phones {
			for _, in := range h.late {
				_, _ = h.a.PhoneExchange(ctx, app.Actor{}, h.token, in)
			}
			for range 3 {
				h.exchange(r, 0)
			}
			if len(h.disk) != 0 {
				t.Fatalf("seed %d: %d notes still on a phone after a good line", seed, len(h.disk))
			}
			want = append(want, h.own...)
		}
		for _, h := range phones {
			h.exchange(r, 0)
		}
		v, err = w.Day(ctx, me, day.ID)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		got := []string{}
		for _, tag := range append([]string{""}, tags...) {
			for _, e := range v.Log.Events(tag) {
				got = append(got, e.ID)
			}
		}
		sort.Strings(want)
		sort.Strings(got)
		if fmt.Sprint(want) != fmt.Sprint(got) {
			t.Fatalf("seed %d: %d notes made, %d kept", seed, len(want), len(got))
		}
		if len(v.State.Gaps) != 0 || len(v.State.Clashes) != 0 {
			t.Fatalf("seed %d: gaps %+v, clashes %v", seed, v.State.Gaps, v.State.Clashes)
		}
		day1, _ := json.Marshal(v.State)
		for _, h := range phones {
			h.crash() // from the disk alone, and then what the server has
			h.exchange(r, 0)
			if day2, _ := json.Marshal(h.log.Day()); string(day1) != string(day2) {
				t.Fatalf("seed %d: a phone sees another day\n%s\n%s", seed, day1, day2)
			}
		}
		notes += len(want)
		conflicts += len(v.State.Conflicts)
	}
	t.Logf("seeds %d to %d: %d schedules, %d notes, %d conflicts", first, first+schedules-1, schedules, notes, conflicts)
	if conflicts == 0 {
		t.Error("no two phones ever contradicted each other")
	}
	if r, err := w.Check(ctx, me, nil); err != nil || len(r.Findings) != 0 {
		t.Errorf("check: %+v (%v)", r.Findings, err)
	}
}
