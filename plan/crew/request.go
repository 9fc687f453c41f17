package crew

import (
	"math"
	"time"
)

// Delivery is how product goes in.
type Delivery string

// The modes of delivery. By hand a person holds the plunger of one port after the other; the others run by themselves
// on all ports of a tree together, but are never left unattended.
const (
	ByHand      Delivery = "hand"
	Spring      Delivery = "spring"
	Gravity     Delivery = "gravity"
	Pressurised Delivery = "pressurised"
)

func (d Delivery) check() error {
	switch d {
	case ByHand, Spring, Gravity, Pressurised:
		return nil
	}
	return fault(CodeUnknown, "delivery", "%q", string(d))
}

// HighPortM is the height above which a port needs a climber and a second trained person (SCIENCE S6), in metres.
const HighPortM = 2.0

// Port is one port as the day sees it.
type Port struct {
	HeightM float64 `json:"height_m"`
	UptakeS int64   `json:"uptake_s"` // delivery time of this port alone
}

// DayTree is one tree to be treated.
type DayTree struct {
	Tree   string `json:"tree"`
	At     *Point `json:"at,omitempty"`
	Health Health `json:"health"`
	Ports  []Port `json:"ports"`
}

// Person is one member of the crew, by role or number, and what they may do above 2.0 m.
type Person struct {
	ID           string `json:"id"`
	Climber      bool   `json:"climber"`       // may work aloft
	AloftTrained bool   `json:"aloft_trained"` // may be the second trained person; a climber may as well
}

// Window is one working day. Product runs in between TreatFrom and TreatTo, the card's hours and temperature or the
// treatable hours of the forecast; zero means the whole day.
type Window struct {
	Start     time.Time `json:"start"`
	End       time.Time `json:"end"`
	TreatFrom time.Time `json:"treat_from"`
	TreatTo   time.Time `json:"treat_to"`
}

func (w Window) check() error {
	from, to := w.treat()
	if !w.Start.Before(w.End) || w.End.Sub(w.Start) > 24*time.Hour {
		return fault(CodeOutOfRange, "windows", "start %v, end %v", w.Start, w.End)
	}
	if !from.Before(to) || from.Before(w.Start) || to.After(w.End) {
		return fault(CodeOutOfRange, "windows", "treatable from %v to %v", from, to)
	}
	return nil
}

func (w Window) treat() (from, to time.Time) {
	from, to = w.TreatFrom, w.TreatTo
	if from.IsZero() {
		from = w.Start
	}
	if to.IsZero() {
		to = w.End
	}
	return from, to
}

// later returns the window a number of days later, at the same hours of the clock on the wall.
func (w Window) later(days int) Window {
	move := func(t time.Time) time.Time {
		if t.IsZero() {
			return t
		}
		return t.AddDate(0, 0, days)
	}
	return Window{move(w.Start), move(w.End), move(w.TreatFrom), move(w.TreatTo)}
}

// Break is a rest of LengthS, taken between two visits at or after AfterS from the start of the day.
type Break struct {
	AfterS  int64 `json:"after_s"`
	LengthS int64 `json:"length_s"`
}

// Request is everything MakeSchedule needs.
type Request struct {
	Trees    []DayTree // in walking order: FindWalk's
	Parking  *Point    // where people start; nil: at their first tree
	People   []Person
	Delivery Delivery
	Devices  int  // trees that can be under way at once; 0: no limit
	Public   bool // people other than the crew can come by
	// Watchers are the people set aside on a public site who do nothing but watch (0: one); each can watch
	// TreesPerWatcher trees under way (0: 6). Not used by hand.
	Watchers        int
	TreesPerWatcher int
	BitSets         int // sets of bits and tools each person carries, so that one can soak (0: 2)
	Steps           Steps
	Windows         []Window // the working days, in order
	RepeatDays      int      // how many more days like the last window may follow
	Breaks          []Break  // in order, the same every day
	REIS            int64    // restricted-entry interval in seconds, counted from the day's last port dry
	ClosureMonths   int      // wound closure is checked this many months later (0: 12)
}

// Program defaults, common practice, no source.
const (
	defaultWatchers        = 1
	defaultTreesPerWatcher = 6
	defaultBitSets         = 2
	defaultClosureMonths   = 12
	unplacedWayS           = 60 // way to or from a tree whose position is not known
)

func checkPorts(tree string, ports []Port) error {
	if len(ports) == 0 || len(ports) > 1000 {
		return fault(CodeOutOfRange, "ports", "%s: %d", tree, len(ports))
	}
	for _, p := range ports {
		if math.IsNaN(p.HeightM) || p.HeightM < -5 || p.HeightM > 100 {
			return fault(CodeOutOfRange, "height_m", "%s: %v", tree, p.HeightM)
		}
		if p.UptakeS < 0 || p.UptakeS > dayS {
			return fault(CodeOutOfRange, "uptake_s", "%s: %d", tree, p.UptakeS)
		}
	}
	return nil
}

func highPorts(ports []Port) int {
	n := 0
	for _, p := range ports {
		if p.HeightM > HighPortM {
			n++
		}
	}
	return n
}

// uptakeS returns how long delivery at a tree takes: port after port by hand, all together otherwise.
func uptakeS(ports []Port, d Delivery) int64 {
	var s int64
	for _, p := range ports {
		if d == ByHand {
			s += p.UptakeS
		} else {
			s = max(s, p.UptakeS)
		}
	}
	return s
}

// skips reports whether a step does not occur in this mode: by hand, delivering is watching.
func skips(step string, d Delivery) bool { return step == StepWatch && d == ByHand }

func (q Request) check() error {
	if err := q.Delivery.check(); err != nil {
		return err
	}
	if err := q.Steps.Check(); err != nil {
		return err
	}
	if len(q.People) < 1 || len(q.People) > 1000 {
		return fault(CodeOutOfRange, "people", "%d", len(q.People))
	}
	ids := map[string]bool{}
	for _, p := range q.People {
		if p.ID == "" || ids[p.ID] {
			return fault(CodeDuplicate, "people", "%q", p.ID)
		}
		ids[p.ID] = true
	}
	last := uint8(0)
	tags := map[string]bool{}
	for _, t := range q.Trees {
		c, ok := t.Health.rank()
		switch {
		case !ok:
			return fault(CodeUnknown, "health", "%s: %q", t.Tree, string(t.Health))
		case c < last:
			return fault(CodePrecedence, "trees", "%s (%s) comes after a tree of a later class", t.Tree, t.Health)
		case t.Tree == "" || tags[t.Tree]:
			return fault(CodeDuplicate, "trees", "%q", t.Tree)
		case t.At != nil && !t.At.finite():
			return fault(CodeNotFinite, "x_m, y_m", "%s", t.Tree)
		}
		if err := checkPorts(t.Tree, t.Ports); err != nil {
			return err
		}
		last, tags[t.Tree] = c, true
	}
	if q.Parking != nil && !q.Parking.finite() {
		return fault(CodeNotFinite, "parking", "not a usable point")
	}
	if min(q.Devices, q.Watchers, q.TreesPerWatcher, q.BitSets, q.RepeatDays, q.ClosureMonths) < 0 ||
		max(q.Devices, q.Watchers, q.TreesPerWatcher, q.BitSets, q.RepeatDays, q.ClosureMonths) > 100_000 {
		return fault(CodeOutOfRange, "devices, watchers, bit_sets, repeat_days", "negative or too large")
	}
	if len(q.Windows) == 0 {
		return fault(CodeMissing, "windows", "no working day")
	}
	for i, w := range q.Windows {
		if err := w.check(); err != nil {
			return err
		}
		if i > 0 && w.Start.Before(q.Windows[i-1].End) {
			return fault(CodeOutOfRange, "windows", "day %d begins before the one before ends", i+1)
		}
	}
	for i, b := range q.Breaks {
		if b.AfterS < 0 || b.LengthS < 1 || max(b.AfterS, b.LengthS) > dayS || (i > 0 && b.AfterS < q.Breaks[i-1].AfterS) {
			return fault(CodeOutOfRange, "breaks", "number %d", i+1)
		}
	}
	if q.REIS < 0 || q.REIS > maxSeconds {
		return fault(CodeOutOfRange, "rei_s", "%d", q.REIS)
	}
	return nil
}
