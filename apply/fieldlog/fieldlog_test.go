package fieldlog_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"

	"sapward/apply/fieldlog"
	"sapward/finding"
)

func init() {
	for name, value := range map[string]string{"rapid.nofailfile": "true", "rapid.shrinktime": "3s"} {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
}

func show(v any) string { b, _ := json.Marshal(v); return string(b) }

// A tree of 30 cm by hand: 2.5 to 3.5 mL/cm is 75 to 105 mL; what goes in,
// stays and leaks is added up as on paper.
func TestLog_ATreeByHand(t *testing.T) {
	p := pack(t, 30)
	a := newPhone(t, p, 1)
	s := a.log.Tree("T01")
	if s.Units[0].MostUL != 105_000 || s.Units[0].LeastUL != 75_000 || s.Stage != fieldlog.ToDo {
		t.Fatalf("limits of a 30 cm trunk: %s", show(s.Units))
	}
	fill := s.Ports[0].PlannedUL
	n := len(s.Ports)
	a.note(fieldlog.Event{Kind: fieldlog.Start, Tree: "T01"})
	a.note(fieldlog.Event{Kind: fieldlog.Cleaned, Tree: "T01"})
	for i := 1; i <= n; i++ {
		a.note(fieldlog.Event{Kind: fieldlog.Mark, Tree: "T01", Port: i})
		a.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: "T01", Port: i})
		a.note(fieldlog.Event{Kind: fieldlog.Set, Tree: "T01", Port: i})
		if against := a.try(fieldlog.Event{Kind: fieldlog.Load, Tree: "T01", Port: i, VolumeUL: ul(fill), Container: "DEMO-0001", Lot: "L1"}); against != nil {
			t.Fatalf("the planned fill must be allowed: %v", against)
		}
		a.note(fieldlog.Event{Kind: fieldlog.Begin, Tree: "T01", Port: i})
	}
	if got := a.log.Tree("T01").Stage; got != fieldlog.Waiting {
		t.Errorf("every port delivers: %s", got)
	}
	a.note(fieldlog.Event{Kind: fieldlog.Read, Tree: "T01", Port: 1, LeftUL: ul(0)})
	a.note(fieldlog.Event{Kind: fieldlog.Leak, Tree: "T01", Port: 2, LostUL: ul(1500)})
	a.note(fieldlog.Event{Kind: fieldlog.Read, Tree: "T01", Port: 2, LeftUL: ul(2000)})
	a.note(fieldlog.Event{Kind: fieldlog.Read, Tree: "T01", Port: 3}) // not read
	s = a.log.Tree("T01")
	if p2 := s.Port(2); p2.GoneUL != fill-2000 || p2.LostUL != 1500 || p2.LeftUL != 2000 {
		t.Errorf("a leak counts as applied: %s", show(p2))
	}
	if p3 := s.Port(3); p3.Read || p3.CommittedUL() != fill || p3.Stage != fieldlog.Delivered {
		t.Errorf("an untouched reading is not read, never zero: %s", show(p3))
	}
	a.note(fieldlog.Event{Kind: fieldlog.Draw, VolumeUL: ul(int64(n) * fill), Container: "DEMO-0001"})
	d := a.log.Day()
	if b := d.Balance; b.DeliveredUL != 2*fill-2000-1500 || b.LostUL != 1500 || b.LeftUL != 2000 || b.UnreadUL != int64(n-2)*fill || b.MissingUL != 0 || b.Known {
		t.Errorf("balance %s", show(b))
	}
	for i := 3; i <= n; i++ {
		a.note(fieldlog.Event{Kind: fieldlog.Read, Tree: "T01", Port: i, LeftUL: ul(0)})
	}
	if b := a.log.Day().Balance; !b.Known || !b.Fits || b.MissingUL != 0 {
		t.Errorf("everything read: %s", show(b))
	}
	for i := 1; i <= n; i++ {
		a.note(fieldlog.Event{Kind: fieldlog.Seal, Tree: "T01", Port: i})
	}
	a.note(fieldlog.Event{Kind: fieldlog.Done, Tree: "T01"})
	if d := a.log.Day(); d.ByStage[fieldlog.Finished] != 1 || len(d.Returns) != 0 {
		t.Errorf("done: %s", show(d.Returns))
	}
}

// What is left may move only inside every limit.
func TestLog_WhatIsLeftMayMove(t *testing.T) {
	p := pack(t, 30)
	a := newPhone(t, p, 1)
	fill := p.Trees[0].Units[0].Ports[0].Volume
	n := len(p.Trees[0].Units[0].Ports)
	for i := 1; i <= n; i++ {
		a.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: "T01", Port: i})
		a.note(fieldlog.Event{Kind: fieldlog.Load, Tree: "T01", Port: i, VolumeUL: ul(int64(fill))})
	}
	if goals, why := a.log.Goals("T01", 1); len(goals) != 0 || why != "move-unread" {
		t.Errorf("what nobody read cannot move: %v %s", goals, why)
	}
	a.note(fieldlog.Event{Kind: fieldlog.Read, Tree: "T01", Port: 1, LeftUL: ul(4000)})
	goals, why := a.log.Goals("T01", 1)
	if why != "" || len(goals) != n-1 {
		t.Fatalf("goals %v %s", goals, why)
	}
	// Tree: planned dose less the 4 mL that stayed, plus at most 105 mL in all.
	room := int64(105_000) - (int64(n)*int64(fill) - 4000)
	want := min(4000, room, 20_000-int64(fill))
	if want < 4000 {
		want -= want % 500
	}
	if goals[0].VolumeUL != want {
		t.Errorf("may take %d, want %d", goals[0].VolumeUL, want)
	}
	if against := a.try(fieldlog.Event{Kind: fieldlog.Move, Tree: "T01", Port: 1, To: 2, VolumeUL: ul(want + 500)}); !slices.Contains(against, "move-too-much") {
		t.Errorf("more than the goal: %v", against)
	}
	a.note(fieldlog.Event{Kind: fieldlog.Leak, Tree: "T01", Port: 2})
	if against := a.try(fieldlog.Event{Kind: fieldlog.Move, Tree: "T01", Port: 1, To: 2, VolumeUL: ul(500)}); !slices.Contains(against, "move-not-there") {
		t.Errorf("into a leaking port: %v", against)
	}
	if against := a.try(fieldlog.Event{Kind: fieldlog.Move, Tree: "T01", Port: 1, To: 3, VolumeUL: ul(want)}); against != nil {
		t.Fatalf("inside every limit: %v", against)
	}
	if s := a.log.Tree("T01"); s.Port(1).LeftUL != 4000-want || s.Port(3).LoadedUL != int64(fill)+want || s.Port(3).Read {
		t.Errorf("after the move: %s", show(s.Ports))
	}
}

// The tape reading decides ports and fill until a hole is drilled.
func TestLog_TapeReading(t *testing.T) {
	p := pack(t, 30, 62)
	a := newPhone(t, p, 1)
	was := len(a.log.Tree("T01").Ports)
	e := a.note(fieldlog.Event{Kind: fieldlog.Tape, Tree: "T01", Taped: "diameter", Reading: "62 cm"})
	s, other := a.log.Tree("T01"), a.log.Tree("T02")
	if len(s.Ports) == was || s.Units[0].MostUL != 217_000 {
		t.Errorf("62 cm at 3.5 mL/cm is 217 mL: %s", show(s.Units))
	}
	if len(s.Ports) != len(other.Ports) || s.Ports[0].PlannedUL != other.Ports[0].PlannedUL || len(e.VolumesUL) != len(s.Ports) {
		t.Errorf("the same trunk as the plan's other tree: %d and %d ports, %v", len(s.Ports), len(other.Ports), e.VolumesUL)
	}
	a.note(fieldlog.Event{Kind: fieldlog.Tape, Tree: "T01", Taped: "girth", Reading: "12,5 in"})
	if s := a.log.Tree("T01"); len(s.Ports) == 0 || s.Reading != "12,5 in" {
		t.Errorf("12.5 in of girth is 10.1 cm: %s", show(s))
	}
	a.note(fieldlog.Event{Kind: fieldlog.Tape, Tree: "T01", Taped: "girth", Reading: "28 cm"})
	if s := a.log.Tree("T01"); len(s.Ports) != 0 || s.Stage != fieldlog.NoDose || s.Findings[0].ID != "tree-too-small" {
		t.Errorf("8.9 cm is below the card's 10 cm: %s", show(s))
	}
	a.note(fieldlog.Event{Kind: fieldlog.Tape, Tree: "T01", Taped: "diameter", Reading: "30 cm"})
	a.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: "T01", Port: 1})
	if against := a.try(fieldlog.Event{Kind: fieldlog.Tape, Tree: "T01", Taped: "diameter", Reading: "40 cm"}); !slices.Contains(against, "tape-after-drill") {
		t.Errorf("a reading after the first hole: %v", against)
	}
}

// A spoiled hole is given up, and another keeps every rule.
func TestLog_AnotherHole(t *testing.T) {
	p := pack(t, 40)
	a := newPhone(t, p, 1)
	n := len(a.log.Tree("T01").Ports)
	for i := 1; i <= n; i++ {
		a.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: "T01", Port: i})
	}
	first := a.log.Tree("T01").Port(1)
	hole := func(along float64) fieldlog.Event {
		return fieldlog.Event{Kind: fieldlog.Hole, Tree: "T01", Port: n + 1, Replaces: 1, AlongMM: ul(int64(along * 10)), HeightMM: ul(int64(first.HeightCM * 10))}
	}
	if against := a.try(hole(first.AlongCM + 30)); !slices.Contains(against, "hole-not-needed") {
		t.Errorf("a hole without need: %v", against)
	}
	a.note(fieldlog.Event{Kind: fieldlog.GiveUp, Tree: "T01", Port: 1, Reason: "struck wire"})
	if against := a.try(hole(first.AlongCM + 1)); !slices.Contains(against, "hole-near-old") {
		t.Errorf("1 cm from the spoiled hole: %v", against)
	}
	// Eight ports on 125.7 cm stand 15.7 apart: at least 10 from the next port and
	// 5.3 from the spoiled hole leaves 5.3 to 5.7 on either side.
	if j := a.log.Judge(hole(first.AlongCM + 1)); n != 8 || j.Spot.AfterCM == nil || *j.Spot.AfterCM != 5.5 || j.Spot.BeforeCM == nil || *j.Spot.BeforeCM != 120.2 {
		t.Fatalf("%d ports; places offered: %s", n, show(j.Spot))
	}
	a.note(fieldlog.Event{Kind: fieldlog.GiveUp, Tree: "T01", Port: 2, Reason: "struck wire"})
	// Two neighbours spoiled: between them, 5.3 from each, there is room.
	j := a.log.Judge(hole(first.AlongCM + 1))
	at := j.Spot.AfterCM
	if at == nil || *at < first.AlongCM+5.25 || *at > first.AlongCM+10.4 {
		t.Fatalf("a place between the two spoiled holes: %s", show(j))
	}
	if against := a.try(hole(*at)); against != nil {
		t.Errorf("the place the core itself offered: %v", against)
	}
	if s := a.log.Tree("T01"); s.Port(n+1) == nil || s.Port(n+1).Replaces != 1 || s.Port(n+1).Unit != 0 {
		t.Errorf("the new port: %s", show(s.Ports))
	}
}

// Two phones that did not know of each other: the outcome is defined.
func TestLog_TwoPhonesOnOneTree(t *testing.T) {
	p := pack(t, 30)
	a, b, server := newPhone(t, p, 1), newPhone(t, p, 2), newPhone(t, p, 3)
	fill := int64(p.Trees[0].Units[0].Ports[0].Volume)
	for _, x := range []*phone{a, b} {
		x.note(fieldlog.Event{Kind: fieldlog.Mark, Tree: "T01", Port: 1})
		x.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: "T01", Port: 1, AlongMM: ul(0)})
		x.note(fieldlog.Event{Kind: fieldlog.Load, Tree: "T01", Port: 1, VolumeUL: ul(fill)})
	}
	a.note(fieldlog.Event{Kind: fieldlog.Read, Tree: "T01", Port: 1, LeftUL: ul(3000)})
	b.note(fieldlog.Event{Kind: fieldlog.Read, Tree: "T01", Port: 1, LeftUL: ul(1000)})
	server.take(a.notes)
	server.take(b.notes)
	s := server.log.Tree("T01")
	var kinds []fieldlog.Kind
	for _, c := range s.Conflicts {
		kinds = append(kinds, c.Kind)
	}
	if !reflect.DeepEqual(kinds, []fieldlog.Kind{fieldlog.Load, fieldlog.Read}) {
		t.Fatalf("the same hole is one, the same mark is one; loads and readings are asked about: %v", kinds)
	}
	if p1 := s.Port(1); p1.LoadedUL != 2*fill || p1.LeftUL != 1000 || p1.GoneUL != 2*fill-1000 {
		t.Errorf("what is careful counts until somebody decides: %s", show(p1))
	}
	lead := server
	var loadB, readB string
	for _, e := range b.notes {
		switch e.Kind {
		case fieldlog.Load:
			loadB = e.ID
		case fieldlog.Read:
			readB = e.ID
		}
	}
	lead.note(fieldlog.Event{Kind: fieldlog.Decide, Tree: "T01", Of: a.notes[2].ID, Drop: []string{loadB}, Reason: "one syringe, noted twice"})
	lead.note(fieldlog.Event{Kind: fieldlog.Decide, Tree: "T01", Of: a.notes[3].ID, Drop: []string{readB}, Reason: "read before it was empty"})
	s = lead.log.Tree("T01")
	if len(s.Conflicts) != 0 || s.Port(1).LoadedUL != fill || s.Port(1).LeftUL != 3000 {
		t.Errorf("decided: %s %s", show(s.Conflicts), show(s.Port(1)))
	}
	lead.note(fieldlog.Event{Kind: fieldlog.Void, Tree: "T01", Of: lead.notes[1].ID, Reason: "the other way round"})
	if s := lead.log.Tree("T01"); len(s.Conflicts) != 1 {
		t.Errorf("a decision can be taken back: %s", show(s.Conflicts))
	}
	c := newPhone(t, p, 4)
	c.note(fieldlog.Event{Kind: fieldlog.Skip, Tree: "T01", Reason: "wasps"})
	server.take(c.notes)
	s = server.log.Tree("T01")
	if s.Stage == fieldlog.Skipped || !slices.ContainsFunc(s.Conflicts, func(x fieldlog.Conflict) bool { return x.Kind == fieldlog.Skip }) {
		t.Errorf("skipped and worked on: %s %s", s.Stage, show(s.Conflicts))
	}
}

// The same events in any order, any number of times, come to the same day.
func TestProp_OrderAndRepeatsDoNotMatter(t *testing.T) {
	p := pack(t, 22, 30, 41)
	var conflicts, events int
	rapid.Check(t, func(rt *rapid.T) {
		all := work(rt, t, p)
		seed := rapid.Uint64().Draw(rt, "order")
		r := rand.New(rand.NewPCG(seed, 1))
		one, two := fieldlog.NewLog(p), fieldlog.NewLog(p)
		for _, e := range all {
			must(rt, one, e)
		}
		for _, e := range shuffled(r, append(shuffled(r, all), all[:len(all)/2]...)) {
			must(rt, two, e)
			if r.IntN(4) == 0 {
				two.Day() // looking changes nothing
			}
		}
		if x, y := show(one.Day()), show(two.Day()); x != y {
			rt.Fatalf("order matters\n%s\n%s", x, y)
		}
		for _, tr := range p.Trees {
			if x, y := show(one.Tree(tr.Tag)), show(two.Tree(tr.Tag)); x != y {
				rt.Fatalf("order matters for %s\n%s\n%s", tr.Tag, x, y)
			}
			conflicts += len(one.Tree(tr.Tag).Conflicts)
		}
		events += len(all)
	})
	t.Logf("%d events, %d conflicts", events, conflicts)
	if conflicts == 0 {
		t.Error("no two phones ever disagreed: the test compares nothing of interest")
	}
}

func must(t *rapid.T, l *fieldlog.Log, e fieldlog.Event) {
	if _, err := l.Add(e); err != nil {
		t.Fatal(err)
	}
}

// work lets three phones note at random, telling one another now and then.
func work(rt *rapid.T, t *testing.T, p *fieldlog.Pack) (all []fieldlog.Event) {
	phones := []*phone{newPhone(t, p, 1), newPhone(t, p, 2), newPhone(t, p, 3)}
	for range rapid.IntRange(5, 80).Draw(rt, "notes") {
		x := phones[rapid.IntRange(0, 2).Draw(rt, "phone")]
		if rapid.IntRange(1, 6).Draw(rt, "talk") == 1 {
			for _, y := range phones {
				x.take(y.notes)
			}
		}
		e := anyEvent(rt, p, x)
		if e.Kind != "" {
			all = append(all, x.note(e))
		}
	}
	return all
}

// anyEvent draws an event that a person could note on a phone.
func anyEvent(rt *rapid.T, p *fieldlog.Pack, x *phone) fieldlog.Event {
	tag := p.Trees[rapid.IntRange(0, len(p.Trees)-1).Draw(rt, "tree")].Tag
	port := rapid.IntRange(1, 8).Draw(rt, "port")
	v := int64(rapid.IntRange(0, 24).Draw(rt, "half mL")) * 500
	kind := rapid.SampledFrom([]fieldlog.Kind{fieldlog.Start, fieldlog.Mark, fieldlog.Drill, fieldlog.Drill, fieldlog.Load, fieldlog.Load, fieldlog.Load, fieldlog.Begin, fieldlog.Read, fieldlog.Read, fieldlog.Leak, fieldlog.Move, fieldlog.Move, fieldlog.Seal, fieldlog.GiveUp, fieldlog.Hole, fieldlog.Skip, fieldlog.Void, fieldlog.Tape, fieldlog.Draw, fieldlog.Done, fieldlog.Refuse}).Draw(rt, "kind")
	e := fieldlog.Event{Kind: kind, Tree: tag, Port: port}
	switch kind {
	case fieldlog.Start, fieldlog.Done:
		e.Port = 0
	case fieldlog.Drill:
		e.AlongMM = ul(int64(rapid.IntRange(0, 1200).Draw(rt, "along")))
	case fieldlog.Load:
		e.VolumeUL = ul(max(v, 500))
	case fieldlog.Read, fieldlog.Refuse:
		if rapid.Bool().Draw(rt, "read") {
			e.LeftUL = ul(v)
		}
	case fieldlog.Leak:
		e.LostUL = ul(v)
	case fieldlog.Move:
		e.VolumeUL, e.To = ul(max(v, 500)), port%8+1
	case fieldlog.GiveUp, fieldlog.Skip:
		e.Reason = "rot"
	case fieldlog.Hole:
		e.Replaces, e.Port = port, 9+rapid.IntRange(0, 3).Draw(rt, "new port")
		e.AlongMM, e.HeightMM = ul(int64(rapid.IntRange(0, 1200).Draw(rt, "along"))), ul(100)
	case fieldlog.Void:
		if len(x.notes) == 0 {
			return fieldlog.Event{}
		}
		of := x.notes[rapid.IntRange(0, len(x.notes)-1).Draw(rt, "of")]
		return fieldlog.Event{Kind: fieldlog.Void, Tree: of.Tree, Of: of.ID, Reason: "slip"}
	case fieldlog.Tape:
		e.Port, e.Taped, e.Reading = 0, "diameter", rapid.SampledFrom([]string{"21.5 cm", "33 cm", "14 in", "9 cm"}).Draw(rt, "reading")
	case fieldlog.Draw:
		e.Tree, e.Port, e.VolumeUL = "", 0, ul(50_000)
	}
	return e
}

// A phone that obeys the core never passes the card: what is committed to a
// tree stays under its most, and to a port under the port's.
func TestProp_WhoObeysNeverPassesTheCard(t *testing.T) {
	p := pack(t, 22, 30, 41)
	var loads, refusals, moves, holes int
	rapid.Check(t, func(rt *rapid.T) {
		x := newPhone(t, p, 1)
		for range rapid.IntRange(10, 150).Draw(rt, "notes") {
			e := anyEvent(rt, p, x)
			if s := x.log.Tree(e.Tree); s != nil && rapid.IntRange(1, 3).Draw(rt, "as it goes") > 1 {
				e = asItGoes(rt, s, e)
			}
			if e.Kind == "" || e.Kind == fieldlog.Void { // a slip taken back may uncover what was moved since
				continue
			}
			if e.Kind == fieldlog.Load && rapid.Bool().Draw(rt, "the plan's fill") {
				if s := x.log.Tree(e.Tree).Port(e.Port); s != nil && s.PlannedUL > 0 {
					e.VolumeUL = ul(s.PlannedUL)
				}
			}
			if e.Kind == fieldlog.Hole && rapid.Bool().Draw(rt, "where the core says") {
				if spot := x.log.Judge(e).Spot; spot != nil && spot.AfterCM != nil {
					e.AlongMM = ul(int64(*spot.AfterCM * 10))
				}
			}
			against := x.try(e)
			switch {
			case against != nil:
				refusals++
			case e.Kind == fieldlog.Load:
				loads++
			case e.Kind == fieldlog.Move:
				moves++
			case e.Kind == fieldlog.Hole:
				holes++
			}
			s := x.log.Tree(e.Tree)
			if s == nil {
				continue
			}
			for _, u := range s.Units {
				if u.CommittedUL > u.MostUL {
					rt.Fatalf("%s after %s: %d of at most %d", s.Tag, show(e), u.CommittedUL, u.MostUL)
				}
			}
			for _, q := range s.Ports {
				if q.CommittedUL() > p.PortMost || q.LoadedUL < 0 || q.LeftUL < 0 || q.GoneUL < 0 {
					rt.Fatalf("%s port after %s: %s", s.Tag, show(e), show(q))
				}
			}
		}
	})
	t.Logf("%d loads, %d moves, %d new holes, %d refusals", loads, moves, holes, refusals)
	if loads == 0 || refusals == 0 || moves == 0 || holes == 0 {
		t.Errorf("loads %d, moves %d, holes %d, refusals %d: something never happened", loads, moves, holes, refusals)
	}
}

// Canonical JSON is that of RFC 8785, by another program's transformation.
func TestEvent_CanonicalIsRFC8785(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.Rune().Filter(func(r rune) bool { return r != 0x2028 && r != 0x2029 && r != 0xfffd && r != 0 }))
		e := fieldlog.Event{ID: uuid(1, 2), Day: uuid(3, 4), Device: uuid(5, 6), Seq: rapid.Int64Range(1, 1<<40).Draw(t, "seq"), At: "2026-06-15T07:00:00+02:00", Schema: 1, Kind: fieldlog.Note, Person: "p<&>", Text: text.Draw(t, "text"),
			After: []string{uuid(7, 8)}, VolumeUL: ul(rapid.Int64Range(0, 1e9).Draw(t, "volume")), LeftUL: ul(0), Port: 3, VolumesUL: []int64{1, 2}}
		data, err := e.Canonical()
		if err != nil {
			t.Fatal(err)
		}
		want, err := jcs.Transform(data)
		if err != nil || !bytes.Equal(data, want) {
			t.Fatalf("canonical %s\nRFC 8785  %s (%v)", data, want, err)
		}
		var back fieldlog.Event
		if err := json.Unmarshal(data, &back); err != nil || !reflect.DeepEqual(e, back) {
			t.Fatalf("%s came back otherwise (%v)", data, err)
		}
	})
}

// What is no event is refused with its field, and the rest goes on.
func TestEvent_CheckNamesTheField(t *testing.T) {
	good := func() fieldlog.Event {
		return fieldlog.Event{ID: uuid(1, 2), Day: uuid(3, 4), Device: uuid(5, 6), Seq: 1, At: "2026-06-15T07:00:00+02:00", Schema: 1, Kind: fieldlog.Load, Person: "p", Tree: "T01", Port: 1, VolumeUL: ul(500)}
	}
	e := good()
	if err := e.Check(); err != nil {
		t.Fatal(err)
	}
	for want, spoil := range map[string]func(*fieldlog.Event){
		"id":        func(e *fieldlog.Event) { e.ID = "x" },
		"at":        func(e *fieldlog.Event) { e.At = "2026-06-15T07:00:00" },
		"port":      func(e *fieldlog.Event) { e.Port = 0 },
		"tree":      func(e *fieldlog.Event) { e.Tree = "" },
		"kind":      func(e *fieldlog.Event) { e.Kind = "pour" },
		"volume_ul": func(e *fieldlog.Event) { e.VolumeUL = nil },
		"left_ul":   func(e *fieldlog.Event) { e.LeftUL = ul(-1) },
		"seq":       func(e *fieldlog.Event) { e.Seq = 0 },
		"person":    func(e *fieldlog.Event) { e.Person = "" },
		"text":      func(e *fieldlog.Event) { e.Text = "a\x00b" },
		"after":     func(e *fieldlog.Event) { e.After = []string{uuid(9, 9), uuid(8, 8)} },
		"reading":   func(e *fieldlog.Event) { *e = fieldlogTape(*e, "98.5") },
		"reason":    func(e *fieldlog.Event) { e.Kind = fieldlog.Skip },
	} {
		e := good()
		spoil(&e)
		fs := finding.AsFaults(e.Check())
		if len(fs) == 0 || fs[0].ID != "event-field" || fs[0].Args["field"].Text != want {
			t.Errorf("%s: %v", want, fs)
		}
	}
}

func fieldlogTape(e fieldlog.Event, reading string) fieldlog.Event {
	e.Kind, e.Taped, e.Reading, e.VolumeUL = fieldlog.Tape, "girth", reading, nil
	return e
}

// asItGoes draws what would come next for a port, with room for greed.
func asItGoes(rt *rapid.T, s *fieldlog.TreeState, e fieldlog.Event) fieldlog.Event {
	p := s.Port(e.Port)
	if p == nil {
		return e
	}
	out := fieldlog.Event{Tree: e.Tree, Port: e.Port}
	switch {
	case p.Stage == fieldlog.Planned:
		out.Kind = fieldlog.Drill
	case p.GivenUp != "":
		out.Kind, out.Replaces, out.Port = fieldlog.Hole, e.Port, len(s.Ports)+1
		out.AlongMM, out.HeightMM = ul(int64(p.AlongCM*10)+int64(rapid.IntRange(-120, 120).Draw(rt, "beside"))), ul(int64(p.HeightCM*10))
	case p.LoadedUL == 0 && rapid.IntRange(1, 4).Draw(rt, "spoiled") == 1:
		out.Kind, out.Reason = fieldlog.GiveUp, "rot"
	case p.LoadedUL == 0:
		out.Kind, out.VolumeUL = fieldlog.Load, ul(p.PlannedUL+500*int64(rapid.IntRange(0, 3).Draw(rt, "greed")))
		if *out.VolumeUL == 0 {
			out.Kind, out.Reason = fieldlog.GiveUp, "no product is planned for it"
		}
	case !p.Read:
		out.Kind, out.LeftUL = fieldlog.Read, ul(int64(rapid.IntRange(0, 8).Draw(rt, "left"))*500)
	case p.LeftUL > 0:
		out.Kind, out.To, out.VolumeUL = fieldlog.Move, e.Port%max(len(s.Ports), 2)+1, ul(int64(rapid.IntRange(1, 8).Draw(rt, "moved"))*500)
		if out.To == out.Port {
			return e
		}
	default:
		return e
	}
	return out
}
