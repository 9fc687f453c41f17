package fieldlog

import (
	"sort"
)

// Conflict is a pair of notes about one thing whose writers had not seen each
// other's. Until a person decides, both stand and what is careful counts: two
// loads are both counted, of two readings the smaller remainder, two holes are
// two holes, a tree both skipped and worked on is under way.
type Conflict struct {
	Kind Kind     `json:"kind"` // drill, load, read, move, tape, skip, hole
	Tree string   `json:"tree"`
	Port int      `json:"port,omitempty"`
	IDs  []string `json:"events"` // of all that are told apart, sorted
}

// telling are the kinds where two notes can contradict each other; two marks,
// seals or pulls of one port say the same.
var telling = map[Kind]bool{Drill: true, Hole: true, Load: true, Read: true, Refuse: true, Move: true, Tape: true}

// conflicts finds the notes of a tree that contradict each other, in the order
// of cause.
func conflicts(tag string, live []*entry) []Conflict {
	out := []Conflict{}
	type key struct {
		kind Kind
		port int
		stem string
	}
	groups := map[key]map[string]bool{}
	var order []key
	put := func(k key, a, b *entry) {
		if groups[k] == nil {
			groups[k] = map[string]bool{}
			order = append(order, k)
		}
		groups[k][a.ID], groups[k][b.ID] = true, true
	}
	for i, a := range live {
		for _, b := range live[i+1:] {
			if a.Device == b.Device || !apart(a, b) {
				continue
			}
			switch {
			case telling[a.Kind] && sameThing(a, b) && !sayTheSame(a, b):
				kind := a.Kind
				if kind == Refuse {
					kind = Read
				}
				put(key{kind, a.Port, a.Stem}, a, b)
			case a.Kind == Skip && onPort[b.Kind], b.Kind == Skip && onPort[a.Kind]:
				put(key{kind: Skip}, a, b)
			}
		}
	}
	for _, k := range order {
		c := Conflict{Kind: k.kind, Tree: tag, Port: k.port}
		for id := range groups[k] {
			c.IDs = append(c.IDs, id)
		}
		sort.Strings(c.IDs)
		out = append(out, c)
	}
	return out
}

// sameThing reports that two notes speak of the same act on the same port.
func sameThing(a, b *entry) bool {
	k := func(x Kind) Kind {
		if x == Refuse {
			return Read
		}
		return x
	}
	if a.Kind == Tape || b.Kind == Tape {
		return a.Kind == b.Kind && a.Stem == b.Stem
	}
	return k(a.Kind) == k(b.Kind) && a.Port == b.Port
}

// nearMM is how near two notes of a hole must be to be the same hole.
const nearMM = 5

// sayTheSame reports that two notes need no decision.
func sayTheSame(a, b *entry) bool {
	near := func(x, y *int64, within int64) bool {
		if x == nil || y == nil {
			return x == y
		}
		d := *x - *y
		return d <= within && d >= -within
	}
	switch a.Kind {
	case Drill:
		return near(a.AlongMM, b.AlongMM, nearMM) && near(a.HeightMM, b.HeightMM, nearMM)
	case Read, Refuse:
		return near(a.LeftUL, b.LeftUL, 0)
	case Tape:
		return a.Reading == b.Reading && a.Taped == b.Taped
	}
	return false // two loads, two moves, two new holes: both may have happened
}
