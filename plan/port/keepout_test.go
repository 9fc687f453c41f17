package port

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/plan/label"
)

// Boundaries of the keep-out box, by hand: old hole at 50 cm, work in 2030.
func TestHoles(t *testing.T) {
	k := KeepOutFor(label.KeepOut{})
	wound := func(year int, closed bool, height int64) []tree.Wound {
		return []tree.Wound{{AzimuthDeg: 40, Height: cm(height, 1), Year: year, Closed: closed, Hole: cm(8, 10)}}
	}
	for _, c := range []struct {
		name      string
		wounds    []tree.Wound
		low, high int64
		want      bool
	}{
		{"same height, open", wound(2029, false, 50), 50, 50, true},
		{"old and open", wound(1990, false, 50), 50, 50, true},
		{"old and closed", wound(2026, true, 50), 50, 50, false},
		{"closed, three seasons ago", wound(2027, true, 50), 50, 50, true},
		{"year not known, closed", wound(0, true, 50), 50, 50, true},
		{"dated later", wound(2031, true, 50), 50, 50, true},
		{"0.3 m below", wound(2029, true, 50), 18, 20, true},
		{"just under that", wound(2029, true, 50), 18, 19, false},
		{"2 m above", wound(2029, true, 50), 250, 260, true},
		{"just over that", wound(2029, true, 50), 251, 260, false},
	} {
		got := Holes(c.wounds, k, cm(c.low, 1), cm(c.high, 1), 2030)
		if (len(got) == 1) != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
		if c.want && got[0] != (Hole{40, 5.4}) { // 5 cm and half of 8 mm
			t.Errorf("%s: got %v, want 40 degrees and 5.4 cm", c.name, got[0])
		}
	}
}

func TestKeepOutFor_CardWins(t *testing.T) {
	got := KeepOutFor(label.KeepOut{Sideways: q.Known(cm(9, 1)), Above: q.Known(cm(100, 1))})
	want := KeepOut{Sideways: cm(9, 1), Below: cm(30, 1), Above: cm(100, 1), SidewaysCard: true, AboveCard: true}
	if got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if f := got.Finding(); got.ByCard() || f.Authority != finding.ByPractice {
		t.Errorf("two of three distances from the card: %+v", f)
	}
	got.BelowCard = true
	if f := got.Finding(); !got.ByCard() || f.Authority != finding.ByLabel {
		t.Errorf("all distances from the card: %+v", f)
	}
}

// 6 mm hole on a girth of 108 cm: half of it is exactly 1 degree.
func TestArcs(t *testing.T) {
	obs := []tree.Obstacle{{FromDeg: 10, ToDeg: 20}, {FromDeg: 350, ToDeg: 5}, {FromDeg: 0, ToDeg: 360}}
	got := Arcs(obs, q.Exactly(cm(108, 1)), cm(6, 10))
	if d := cmp.Diff([]Arc{{9, 21}, {349, 366}, {-1, 361}}, got); d != "" {
		t.Errorf("arcs differ (-want +got):\n%s", d)
	}
	l := mustPlace(t, Ring{GirthCm: 108, Blocked: got}, 1)
	if l.Reason != NoRoom {
		t.Errorf("an obstacle round the whole trunk leaves room: %+v", l)
	}
}

// Girth 60 cm, 6 ports 9.8 to 10.2 cm apart. A hole of 5 mm clears 5.25 cm,
// 31.5 degrees on each side: 63 degrees, 10.5 cm, that no gap can step over.
// So any active hole leaves no room, and the last one to go opens it.
func TestRoomOpens(t *testing.T) {
	r := Ring{GirthCm: 60, SpacingMinCm: 9.8, SpacingMaxCm: 10.2}
	k := KeepOutFor(label.KeepOut{})
	at := func(year int, closed bool, az float64) tree.Wound {
		return tree.Wound{AzimuthDeg: az, Height: cm(10, 1), Year: year, Closed: closed, Hole: cm(5, 10)}
	}
	for _, c := range []struct {
		name    string
		wounds  []tree.Wound
		blocked []Arc
		want    Opening
	}{
		{"closed hole of last season", []tree.Wound{at(2029, true, 0)}, nil, Opening{Season: 2033}},
		{"two, the later counts", []tree.Wound{at(2027, true, 0), at(2028, true, 180)}, nil, Opening{Season: 2032}},
		{"open hole must close first", []tree.Wound{at(2029, false, 0)}, nil, Opening{Season: 2033, IfClosed: true}},
		{"old open hole", []tree.Wound{at(2015, false, 0)}, nil, Opening{Season: 2031, IfClosed: true}},
		{"obstacle stays", []tree.Wound{at(2029, true, 0)}, []Arc{{0, 70}}, Opening{}},
	} {
		r.Blocked = c.blocked
		got, err := RoomOpens(r, c.wounds, k, cm(8, 1), cm(12, 1), 2030, 6, 6)
		if err != nil || got != c.want {
			t.Errorf("%s: got %+v, %v, want %+v", c.name, got, err, c.want)
		}
		id := "ports-room-opens"
		if c.want.Season == 0 {
			id = "ports-room-never"
		} else if c.want.IfClosed {
			id = "ports-room-if-closed"
		}
		if f := got.Finding(); f.ID != id {
			t.Errorf("%s: finding %s, want %s", c.name, f.ID, id)
		}
	}
}

func TestHoles_OrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var ws []tree.Wound
		for range rapid.IntRange(0, 8).Draw(t, "wounds") {
			ws = append(ws, tree.Wound{
				AzimuthDeg: rapid.Float64Range(0, 359).Draw(t, "azimuth"), Height: cm(rapid.Int64Range(0, 250).Draw(t, "height"), 1),
				Year: rapid.IntRange(2020, 2030).Draw(t, "year"), Closed: rapid.Bool().Draw(t, "closed"), Hole: cm(rapid.Int64Range(3, 12).Draw(t, "hole"), 10),
			})
		}
		other := slices.Clone(ws)
		slices.Reverse(other)
		place := func(ws []tree.Wound) Layout {
			girth := q.Exactly(cm(110, 1))
			h := Holes(ws, KeepOutFor(label.KeepOut{}), cm(9, 1), cm(12, 1), 2030)
			return mustPlace(t, NewRing(girth, label.PortRule{Spacing: spacing(8, 14)}, h, nil, nil), 9)
		}
		if d := cmp.Diff(place(ws), place(other)); d != "" {
			t.Fatalf("order of wounds matters:\n%s", d)
		}
	})
}
