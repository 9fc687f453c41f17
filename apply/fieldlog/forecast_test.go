package fieldlog_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"sapward/apply/fieldlog"
)

var seven = time.Date(2026, 6, 15, 7, 0, 0, 0, time.UTC)

// clocked notes an event at so many seconds after seven.
func (p *phone) clocked(s float64, e fieldlog.Event) {
	p.t.Helper()
	p.clock = seven.Add(time.Duration((s - 10) * float64(time.Second))) // note adds ten
	p.note(e)
}

// treeAt takes a tree through the day: begun before*ports after start, read
// uptake later, finished after*ports after that. A stage stops it.
func (p *phone) treeAt(tag string, start, before, uptake, after float64, until fieldlog.Kind) (end float64) {
	p.t.Helper()
	s := p.log.Tree(tag)
	n := float64(len(s.Ports))
	ports := slices.Clone(s.Ports)
	p.clocked(start, fieldlog.Event{Kind: fieldlog.Start, Tree: tag})
	for _, q := range ports {
		p.clocked(start, fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: q.N})
		p.clocked(start, fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: q.N, VolumeUL: &q.PlannedUL})
	}
	begun := start + before*n
	for _, q := range ports {
		p.clocked(begun, fieldlog.Event{Kind: fieldlog.Begin, Tree: tag, Port: q.N})
	}
	if until == fieldlog.Begin {
		return begun
	}
	zero := int64(0)
	for _, q := range ports {
		p.clocked(begun+uptake, fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: q.N, LeftUL: &zero})
	}
	for _, q := range ports {
		p.clocked(begun+uptake+after*n, fieldlog.Event{Kind: fieldlog.Seal, Tree: tag, Port: q.N})
	}
	p.clocked(begun+uptake+after*n, fieldlog.Event{Kind: fieldlog.Done, Tree: tag})
	return begun + uptake + after*n
}

func seconds(t time.Time) float64 { return t.Sub(seven).Seconds() }

// A pilot tree alone, by hand. Each tree of 30 cm has 6 ports: 60 s a port
// before, 1200 s of uptake, 30 s a port after; finished 360 + 1200 + 180 = 1740
// s after seven. Two like it are left: overlapped 2*360 + 1200 + 180 = 2100 s
// more (more than the 2*540 s of work), staying 2*540 + 2*1200 = 3480 s more.
func TestForesee_PilotByHand(t *testing.T) {
	p := newPhone(t, pack(t, 30, 30, 30), 1)
	if f := fieldlog.Foresee(p.log, seven, time.Time{}); f.Day.Why != fieldlog.CannotFew || f.People[0].Why != fieldlog.CannotFew || f.Day.Trees != 3 || !f.Day.Likely.IsZero() {
		t.Errorf("with nothing noted: %+v", f.Day)
	}
	if n := len(p.log.Tree("T01").Ports); n != 6 {
		t.Fatalf("%d ports: the numbers below are for 6", n)
	}
	if end := p.treeAt("T01", 0, 60, 1200, 30, ""); end != 1740 {
		t.Fatal(end)
	}
	f := fieldlog.Foresee(p.log, seven.Add(30*time.Minute), seven.Add(time.Hour))
	if want := []fieldlog.Pace{{Tree: "T01", Person: "p1", Ports: 6, BeforeS: 60, AfterS: 30, UptakeS: 1200, Stayed: true}}; !reflect.DeepEqual(f.Paces, want) {
		t.Errorf("pace %+v", f.Paces)
	}
	o := f.People[0]
	if o.Rests != 1 || !o.Own || o.Trees != 2 || o.Ports != 12 || seconds(o.Best) != 3840 || seconds(o.Likely) != 3840 || seconds(o.Late) != 5220 {
		t.Errorf("%+v: best %g, likely %g, late %g", o, seconds(o.Best), seconds(o.Likely), seconds(o.Late))
	}
	if o.Overdue || !o.Behind || f.Day.Likely != o.Likely || f.Day.Rests != 1 {
		t.Errorf("%+v", f)
	}
	if f := fieldlog.Foresee(p.log, seven.Add(2*time.Hour), time.Time{}); !f.Day.Overdue || f.Day.Behind || f.Day.Likely != o.Likely {
		t.Errorf("two hours later: %+v", f.Day)
	}
	// The second tree delivers since 1800 + 360 = 2160 s, nothing else was heard.
	// At 2160: overlapped, the third needs its way of 60 s (1740 to 1800), 360 s
	// and 1200 s and 180 s: 1800 s more. Staying: 60 + 360 + 2*180 + 1200 = 1980.
	// The second is dry 1200 s after and shut 180 s later: less than both.
	p.treeAt("T02", 1800, 60, 0, 0, fieldlog.Begin)
	f = fieldlog.Foresee(p.log, seven.Add(40*time.Minute), time.Time{})
	o = f.People[0]
	// One finished tree has no way before it: the way is not known yet.
	if o.Ports != 12 || seconds(o.Best) != 2160+360+1200+180 || seconds(o.Late) != 2160+360+360+1200 {
		t.Errorf("best %g, late %g", seconds(o.Best), seconds(o.Late))
	}
	if len(f.Slow) != 0 {
		t.Errorf("slow after 240 s: %v", f.Slow)
	}
	if f = fieldlog.Foresee(p.log, seven.Add(57*time.Minute), time.Time{}); len(f.Slow) != 1 || f.Slow[0] != "T02" { // 3420 - 2160 = 1260 s of 1200
		t.Errorf("slow after 1260 s: %v", f.Slow)
	}
	// A note ahead of the server's clock: nobody can say.
	p.clocked(9000, fieldlog.Event{Kind: fieldlog.Note, Tree: "T02", Text: "clock"})
	if f = fieldlog.Foresee(p.log, seven.Add(40*time.Minute), time.Time{}); f.Day.Why != fieldlog.CannotClock || !f.Day.Likely.IsZero() {
		t.Errorf("%+v", f.Day)
	}
}

// Four finished trees, each begun before the one before was read: the lower
// quartile, the median and the upper quartile of uptake, by rank, are the first,
// the second and the third of the four sorted values.
func TestForesee_SpreadByHand(t *testing.T) {
	p := newPhone(t, pack(t, 30, 30, 30, 30, 30), 1)
	for i, u := range []float64{900, 3000, 1200, 600} {
		p.treeAt(fmt.Sprintf("T%02d", i+1), float64(i)*500, 60, u, 30, "")
	}
	f := fieldlog.Foresee(p.log, seven.Add(75*time.Minute), time.Time{})
	if f.UptakeS != 900 || f.SlowS != 1200 || len(f.Paces) != 4 {
		t.Fatalf("median %g, upper quartile %g, %d paces", f.UptakeS, f.SlowS, len(f.Paces))
	}
	// Begun at 360, 860, 1360, 1860; read at 1260, 3860, 2560, 2460: at every
	// tree but the last something else was noted while it delivered; at the last
	// too: T03 was read at 2560 after it, T01 finished at 1440 before. Ways: T02
	// began 500 s, 140 s after T01's begin at 360; T03 at 1000, 140 s after 860;
	// T04 at 1500, 60 s after T01's end at 1440.
	o := f.People[0]
	if o.Rests != 4 || seconds(o.HeardAt) != 4040 {
		t.Fatalf("%+v heard %g", o, seconds(o.HeardAt))
	}
	// One tree of 6 ports is left: way + 360 + uptake + 180. Ways 60, 140, 140:
	// quartiles by rank 1, 2 and 3.
	if best, likely, late := seconds(o.Best)-4040, seconds(o.Likely)-4040, seconds(o.Late)-4040; best != 60+360+600+180 || likely != 140+360+900+180 || late != 140+360+1200+180 {
		t.Errorf("best %g, likely %g, late %g", best, likely, late)
	}
}

// Who has finished nothing takes the pace of the others; the day ends with the
// last of all.
func TestForesee_TwoPeople(t *testing.T) {
	pk := pack(t, 30, 30, 30, 30)
	pk.Trees[2].Person, pk.Trees[3].Person = "p2", "p2"
	one, two := newPhone(t, pk, 1), newPhone(t, pk, 2)
	one.treeAt("T01", 0, 60, 1200, 30, "")
	two.clocked(100, fieldlog.Event{Kind: fieldlog.Start, Tree: "T03"})
	for _, e := range two.notes {
		if _, err := one.log.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	f := fieldlog.Foresee(one.log, seven.Add(30*time.Minute), time.Time{})
	if len(f.People) != 2 || f.People[0].Trees != 1 || f.People[1].Trees != 2 || f.People[1].Own || f.People[1].Rests != 1 || f.People[1].Why != "" {
		t.Fatalf("%+v", f.People)
	}
	// p1: 1740 + 360 + 1200 + 180 = 3480. p2, heard at 100: 100 + 720 + 1200 + 180 = 2200.
	if seconds(f.People[0].Likely) != 3480 || seconds(f.People[1].Likely) != 2200 || seconds(f.Day.Likely) != 3480 {
		t.Errorf("%g, %g, day %g", seconds(f.People[0].Likely), seconds(f.People[1].Likely), seconds(f.Day.Likely))
	}
	// A tree noted all at once at its end tells no pace.
	quick := newPhone(t, pk, 1)
	quick.treeAt("T01", 0, 4, 5, 1, "")
	if f := fieldlog.Foresee(quick.log, seven.Add(time.Hour), time.Time{}); len(f.Paces) != 0 || f.Day.Why != fieldlog.CannotFew {
		t.Errorf("%+v", f)
	}
	// A tree worked by both gives no pace, nor one typed in from paper.
	two.clocked(2000, fieldlog.Event{Kind: fieldlog.Note, Tree: "T01", Text: "I was there too"})
	_, _ = one.log.Add(two.notes[len(two.notes)-1])
	if f = fieldlog.Foresee(one.log, seven.Add(40*time.Minute), time.Time{}); len(f.Paces) != 0 || f.Day.Why != fieldlog.CannotFew {
		t.Errorf("%+v", f)
	}
}

// The same notes in any order give the same forecast; the times are in order and
// never before the last note; time that passes changes none of them.
func TestForesee_OrderAndTime(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 5))
		pk := pack(t, 20, 30, 40, 30, 25, 35)
		p := newPhone(t, pk, 1)
		at := 0.0
		for i := range 2 + r.IntN(4) {
			at = p.treeAt(pk.Trees[i].Tag, at+float64(r.IntN(600)), float64(20+r.IntN(100)), float64(r.IntN(3000)), float64(r.IntN(60)), "")
		}
		now := seven.Add(time.Duration(at) * time.Second)
		f := fieldlog.Foresee(p.log, now, time.Time{})
		other := fieldlog.NewLog(pk)
		for _, i := range r.Perm(len(p.notes)) {
			if _, err := other.Add(p.notes[i]); err != nil {
				t.Fatal(err)
			}
		}
		if g := fieldlog.Foresee(other, now, time.Time{}); !reflect.DeepEqual(f, g) {
			t.Fatalf("seed %d: %+v in another order %+v", seed, f, g)
		}
		for _, o := range append(f.People, f.Day) {
			if o.Why != "" || o.Best.After(o.Likely) || o.Likely.After(o.Late) || o.Best.Before(o.HeardAt) {
				t.Fatalf("seed %d: %+v", seed, o)
			}
		}
		if g := fieldlog.Foresee(p.log, now.Add(24*time.Hour), time.Time{}); g.Day.Likely != f.Day.Likely || !g.Day.Overdue {
			t.Fatalf("seed %d, a day later: %+v", seed, g.Day)
		}
	}
}
