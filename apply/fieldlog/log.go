package fieldlog

import (
	"slices"
	"sort"
)

// Log holds a day's events and folds them into states. It takes events in any
// order and any number of times: the same set of events gives the same states.
// It is not safe for concurrent use.
type Log struct {
	pack    *Pack
	trees   map[string]*PackTree
	byID    map[string]*entry
	byTree  map[string][]*entry // tag, or "" for the day's own
	devices map[string]map[int64]string
	clash   map[string]bool // identifiers that came with two contents
	folded  map[string]*TreeState
	stale   map[string]bool
	laid    map[string]laid
}

// entry is an event as the log keeps it.
type entry struct {
	Event
	text string // canonical JSON
	void bool   // set aside by a later void or decision
	at   int    // place in the order of cause, within its tree
	seen bits   // which events of its tree it knew of, by place
}

// NewLog returns an empty log of a day.
func NewLog(pack *Pack) *Log {
	l := &Log{pack: pack, trees: map[string]*PackTree{}, byID: map[string]*entry{}, byTree: map[string][]*entry{}, devices: map[string]map[int64]string{}, clash: map[string]bool{}, folded: map[string]*TreeState{}, stale: map[string]bool{}, laid: map[string]laid{}}
	for i := range pack.Trees {
		l.trees[pack.Trees[i].Tag] = &pack.Trees[i]
	}
	return l
}

// Add takes an event. new is false for one that is there already. An event
// that came with two contents keeps the one whose canonical JSON sorts first,
// whichever came first, and is listed by Clashes.
//
// Errors: those of Event.Check; nothing was taken then.
func (l *Log) Add(e Event) (new bool, err error) {
	if err := e.Check(); err != nil {
		return false, err
	}
	data, err := e.Canonical()
	if err != nil {
		return false, err
	}
	text := string(data)
	if had := l.byID[e.ID]; had != nil {
		if had.text == text {
			return false, nil
		}
		l.clash[e.ID] = true
		if had.text < text {
			return false, nil
		}
		l.drop(had)
	}
	x := &entry{Event: e, text: text}
	l.byID[e.ID] = x
	l.byTree[e.Tree] = append(l.byTree[e.Tree], x)
	l.stale[e.Tree] = true
	if l.devices[e.Device] == nil {
		l.devices[e.Device] = map[int64]string{}
	}
	l.devices[e.Device][e.Seq] = e.ID
	return true, nil
}

func (l *Log) drop(x *entry) {
	list := l.byTree[x.Tree]
	if i := slices.Index(list, x); i >= 0 {
		l.byTree[x.Tree] = slices.Delete(list, i, i+1)
	}
	if l.devices[x.Device][x.Seq] == x.ID {
		delete(l.devices[x.Device], x.Seq)
	}
	l.stale[x.Tree] = true
}

// Has reports whether an event is in the log, and its canonical JSON.
func (l *Log) Has(id string) (text string, ok bool) {
	if x := l.byID[id]; x != nil {
		return x.text, true
	}
	return "", false
}

// Len is the number of events.
func (l *Log) Len() int { return len(l.byID) }

// Clashes lists the identifiers that came with two contents, sorted.
func (l *Log) Clashes() []string {
	out := []string{}
	for id := range l.clash {
		out = append(out, id)
	}
	sort.Strings(out)
	return out
}

// Gap says which events of a device have not come yet: those between the first
// and the last that did.
type Gap struct {
	Device  string  `json:"device"`
	Last    int64   `json:"last"`
	Missing []int64 `json:"missing"` // at most 100 of them
}

// Gaps lists devices with events missing, by device.
func (l *Log) Gaps() []Gap {
	out := []Gap{}
	for d, seqs := range l.devices {
		g := Gap{Device: d}
		for s := range seqs {
			g.Last = max(g.Last, s)
		}
		for s := int64(1); s < g.Last && len(g.Missing) < 100; s++ {
			if _, ok := seqs[s]; !ok {
				g.Missing = append(g.Missing, s)
			}
		}
		if len(g.Missing) > 0 {
			out = append(out, g)
		}
	}
	sort.Slice(out, func(i, k int) bool { return out[i].Device < out[k].Device })
	return out
}

// Last is the number of the last event of a device; 0 for none.
func (l *Log) Last(device string) int64 {
	last := int64(0)
	for s := range l.devices[device] {
		last = max(last, s)
	}
	return last
}

// Heads are the events of a tree that no other of its events names: what a new
// event puts under After.
func (l *Log) Heads(tag string) []string { return lastOf(l.heads(tag)) }

// lastOf keeps what an event may name.
func lastOf(ids []string) []string {
	if len(ids) > maxAfter {
		return ids[len(ids)-maxAfter:]
	}
	return ids
}

func (l *Log) heads(tag string) []string {
	named := map[string]bool{}
	for _, x := range l.byTree[tag] {
		for _, a := range x.After {
			named[a] = true
		}
	}
	var out []string
	for _, x := range l.byTree[tag] {
		if !named[x.ID] {
			out = append(out, x.ID)
		}
	}
	sort.Strings(out)
	return out
}

// Events returns a tree's events in the order of cause, those set aside
// included.
func (l *Log) Events(tag string) []Event {
	list := l.ordered(tag)
	out := make([]Event, len(list))
	for i, x := range list {
		out[i] = x.Event
	}
	return out
}

// Voided lists a tree's events that a later one set aside.
func (l *Log) Voided(tag string) (out []string) {
	for _, x := range l.ordered(tag) {
		if x.void {
			out = append(out, x.ID)
		}
	}
	return out
}

// ordered sorts a tree's events: what an event had seen stands before it; what
// had not seen one another stands by identifier. It fills at and seen, and says
// which are void.
func (l *Log) ordered(tag string) []*entry {
	list := slices.Clone(l.byTree[tag])
	sort.Slice(list, func(i, k int) bool { return list[i].ID < list[k].ID })
	here := map[string]int{}
	for i, x := range list {
		here[x.ID] = i
	}
	waits := make([]int, len(list))
	next := make([][]int, len(list))
	for i, x := range list {
		for _, a := range x.After {
			if k, ok := here[a]; ok {
				waits[i]++
				next[k] = append(next[k], i)
			}
		}
	}
	out := make([]*entry, 0, len(list))
	placed := make([]bool, len(list))
	ready := []int{} // ascending
	push := func(i int) {
		at := sort.SearchInts(ready, i)
		ready = slices.Insert(ready, at, i)
	}
	for i := range list {
		if waits[i] == 0 {
			push(i)
		}
	}
	for len(out) < len(list) {
		if len(ready) == 0 { // a circle, which no honest phone makes: go on by identifier
			push(slices.Index(placed, false))
		}
		i := ready[0]
		ready = ready[1:]
		if placed[i] {
			continue
		}
		placed[i] = true
		x := list[i]
		x.at, x.void, x.seen = len(out), false, newBits(len(list))
		for _, a := range x.After {
			if k, ok := here[a]; ok && placed[k] && list[k] != x {
				x.seen.or(list[k].seen)
				x.seen.set(list[k].at)
			}
		}
		out = append(out, x)
		for _, k := range next[i] {
			if waits[k]--; waits[k] == 0 && !placed[k] {
				push(k)
			}
		}
	}
	for i := len(out) - 1; i >= 0; i-- { // later ones set earlier ones aside, and one another
		x := out[i]
		if x.void {
			continue
		}
		switch x.Kind {
		case Void:
			if k, ok := here[x.Of]; ok && list[k].at < x.at {
				list[k].void = true
			}
		case Decide:
			for _, id := range x.Drop {
				if k, ok := here[id]; ok && list[k].at < x.at {
					list[k].void = true
				}
			}
		}
	}
	return out
}

// apart reports that neither of two events of a tree had seen the other.
func apart(a, b *entry) bool {
	return a != b && !a.seen.has(b.at) && !b.seen.has(a.at)
}

// bits is a set of places.
type bits []uint64

func newBits(n int) bits { return make(bits, (n+63)/64) }

func (b bits) set(i int)      { b[i>>6] |= 1 << uint(i&63) }
func (b bits) has(i int) bool { return b[i>>6]>>uint(i&63)&1 == 1 }
func (b bits) or(c bits) {
	for i := range b {
		b[i] |= c[i]
	}
}
