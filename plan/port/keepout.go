package port

import (
	"strconv"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// Distances kept from old holes where the card gives none. Program defaults,
// practice values without a source of their own (RULES 6.7: 5 cm, from
// memory), except that discoloured columns were seen up to 2 m above ports in
// elm and birch (MODEL section 8).
var (
	KeepOutSideways = q.New[q.LengthKind](5, "cm")   // beyond the old hole's edge
	KeepOutBelow    = q.New[q.LengthKind](30, "cm")  // new port lower than the old hole
	KeepOutAbove    = q.New[q.LengthKind](200, "cm") // new port higher than the old hole
)

// RecentSeasons is how many seasons after its own a hole counts as recent,
// closed or not. Program default, practice.
const RecentSeasons = 3

// KeepOut is the box round an old hole in which no new port may go, and
// whether each side was given by the card.
type KeepOut struct {
	Sideways, Below, Above             q.Length
	SidewaysCard, BelowCard, AboveCard bool
}

// KeepOutFor returns the card's distances and the defaults where it gives
// none.
func KeepOutFor(card label.KeepOut) KeepOut {
	k := KeepOut{Sideways: KeepOutSideways, Below: KeepOutBelow, Above: KeepOutAbove}
	if card.Sideways.Known {
		k.Sideways, k.SidewaysCard = card.Sideways.Value, true
	}
	if card.Below.Known {
		k.Below, k.BelowCard = card.Below.Value, true
	}
	if card.Above.Known {
		k.Above, k.AboveCard = card.Above.Value, true
	}
	return k
}

// ByCard reports whether the card gives all three distances, which makes the
// keep-out a rule of the label.
func (k KeepOut) ByCard() bool { return k.SidewaysCard && k.BelowCard && k.AboveCard }

// Finding tells the distances kept from old holes and who says so.
func (k KeepOut) Finding() finding.Finding {
	f := finding.Finding{
		ID: "ports-keep-out", Severity: finding.Note, Authority: finding.ByPractice,
		Args: finding.Args{
			"sideways": finding.Number(k.Sideways.Float(), "cm"), "below": finding.Number(k.Below.Float(), "cm"),
			"above": finding.Number(k.Above.Float(), "cm"), "seasons": finding.Count(RecentSeasons),
		},
	}
	if k.ByCard() {
		f.Authority, f.Ref = finding.ByLabel, "ports.keep_out"
	}
	return f
}

// Recent reports whether a hole of the given year still counts in a season:
// its own and the RecentSeasons after it. A hole without a year (0), or one
// dated after the season, counts.
func Recent(w tree.Wound, season int) bool {
	return w.Year == 0 || season-w.Year <= RecentSeasons
}

// Active reports whether a hole still weighs on the trunk in a season: recent,
// or not closed.
func Active(w tree.Wound, season int) bool { return !w.Closed || Recent(w, season) }

// Holes returns what new ports at heights low..high must keep clear of in the
// given season: of the stem's wounds, those that are active and have a new
// port within Below under them or Above over them, ends included. The
// clearance is Sideways plus half of the old hole's diameter.
func Holes(wounds []tree.Wound, k KeepOut, low, high q.Length, season int) []Hole {
	var holes []Hole
	for _, w := range wounds {
		if !Active(w, season) {
			continue
		}
		if high.Less(w.Height.Sub(k.Below)) || w.Height.Add(k.Above).Less(low) {
			continue
		}
		clear := k.Sideways.Add(w.Hole.Times(exact.Frac(1, 2)))
		holes = append(holes, Hole{AzimuthDeg: w.AzimuthDeg, ClearanceCm: clear.Float()})
	}
	return holes
}

// Arcs returns the arcs of a stem's obstacles on a girth, each widened by half
// of the new hole's diameter, so that the rim of a hole stays out of them too.
func Arcs(obstacles []tree.Obstacle, girth q.LengthSpan, hole q.Length) []Arc {
	var arcs []Arc
	half := 0.0
	if girth.Low.Sign() > 0 {
		half = hole.Float() / 2 / girth.Low.Float() * 360
	}
	for _, o := range obstacles {
		arcs = append(arcs, Arc{FromDeg: o.FromDeg - half, ToDeg: o.FromDeg + arcWidth(o.FromDeg, o.ToDeg) + half})
	}
	return arcs
}

// Opening says when a trunk that has no room now will have some.
type Opening struct {
	Season   int  // 0 if never
	IfClosed bool // only if the holes still open by then have closed
}

// Finding says when room opens.
func (o Opening) Finding() finding.Finding {
	f := finding.Finding{ID: "ports-room-opens", Severity: finding.Note, Authority: finding.ByEstimate, Args: finding.Args{"season": finding.Text(strconv.Itoa(o.Season))}}
	switch {
	case o.Season == 0:
		f.ID, f.Args = "ports-room-never", nil
	case o.IfClosed:
		f.ID = "ports-room-if-closed"
	}
	return f
}

// RoomOpens returns the first season after the given one in which some number
// of ports in nMin..nMax has room, if no more holes are made: holes leave the
// keep-out when they are no longer recent. Open holes are taken to stay open
// first; if that never helps, all are taken to close. Season 0 means that the
// obstacles, or the spacing itself, leave no room however long one waits.
// The ring's own Holes are not used. The error is that of Place.
func RoomOpens(r Ring, wounds []tree.Wound, k KeepOut, low, high q.Length, season, nMin, nMax int) (Opening, error) {
	closed := make([]tree.Wound, len(wounds))
	for i, w := range wounds {
		closed[i] = w
		closed[i].Closed = true
	}
	for round, try := range [][]tree.Wound{wounds, closed} {
		last := season + 1
		for _, w := range wounds {
			if w.Year != 0 {
				last = max(last, w.Year+RecentSeasons+1)
			}
		}
		last = min(last, season+horizon)
		for s := season + 1; s <= last; s++ {
			at := r
			at.Holes = Holes(try, k, low, high, s)
			ns, _, err := Placeable(at, nMin, nMax)
			if err != nil {
				return Opening{}, err
			}
			if len(ns) > 0 {
				return Opening{Season: s, IfClosed: round == 1}, nil
			}
		}
	}
	return Opening{}, nil
}

// horizon bounds the seasons RoomOpens looks ahead, for wounds whose year was
// mistyped far into the future.
const horizon = 10
