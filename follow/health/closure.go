package health

import (
	"fmt"
	"math"
	"sort"

	"sapward/finding"
	"sapward/numeric/describe"
)

// Closure is one look at one port: the share of the hole that has closed over,
// or only whether it has.
type Closure struct {
	Tree      string
	Treatment string
	Port      string
	Day       float64
	Pct       *float64 // 0 to 100
	Closed    *bool
	Dated     bool
	Where     finding.Where
}

// ClosureReport tells how wounds close. Trees are the units: ports of one tree
// close alike, and intervals allow for it.
type ClosureReport struct {
	Confidence float64            `json:"confidence"`
	Treatments []ClosureTreatment `json:"treatments"`
	Notes      []finding.Finding  `json:"notes"`
}

// ClosureTreatment is one treatment: its looks, the median day by which a port
// was seen closed, and Kaplan and Meier's median of the day by which all ports
// of a tree were, with the interval of Brookmeyer and Crowley. A day is that of
// the look that found it: the wound closed between that look and the one
// before.
type ClosureTreatment struct {
	Treatment   string       `json:"treatment"`
	Trees       int          `json:"trees"`
	Ports       int          `json:"ports"`
	Days        []ClosureDay `json:"days"`
	PortMedianD *float64     `json:"port_median_d"`
	TreesClosed int          `json:"trees_closed"`
	MedianD     *float64     `json:"median_d"`
	MedianLow   *float64     `json:"median_low_d"`
	MedianHigh  *float64     `json:"median_high_d"`
}

// ClosureDay is what the ports looked at on a day showed. MeanPct stands where
// percents were rated.
type ClosureDay struct {
	Day      float64  `json:"day"`
	Trees    int      `json:"trees"`
	Ports    int      `json:"ports"`
	Closed   int      `json:"closed"`
	SharePct float64  `json:"closed_pct"`
	Low      *float64 `json:"closed_low_pct"`
	High     *float64 `json:"closed_high_pct"`
	MeanPct  *float64 `json:"mean_closure_pct"`
}

// ClusteredShare is the share of ones among units that come in clusters, here
// closed ports in trees: ones[i] of units[i] in cluster i. Its interval is
// Wilson's (1927) with the effective number n/d of units, d the ratio of the
// variance between clusters,
//
//	v = k/(k-1) sum (x_i - p m_i)^2 / (sum m_i)^2,
//
// to p (1 - p)/n, at least 1 (design effect; Kish 1965, from memory). Where all
// or none are ones v says nothing, and the number of clusters is taken. One
// cluster gives no interval. Errors: ErrShape, ErrConfidence.
func ClusteredShare(ones, units []int, confidence float64) (share float64, low, high *float64, err error) {
	n, x, k := 0.0, 0.0, float64(len(units))
	if len(ones) != len(units) || len(ones) == 0 {
		return 0, nil, nil, ErrShape
	}
	for i, m := range units {
		if m < 1 || ones[i] < 0 || ones[i] > m {
			return 0, nil, nil, fmt.Errorf("%w: cluster %d", ErrShape, i+1)
		}
		n += float64(m)
		x += float64(ones[i])
	}
	z, err := zQuantile(confidence)
	if err != nil {
		return 0, nil, nil, err
	}
	p := x / n
	if k < 2 {
		return p, nil, nil, nil
	}
	effective := k
	if p > 0 && p < 1 {
		v := 0.0
		for i, m := range units {
			d := float64(ones[i]) - p*float64(m)
			v += d * d
		}
		v *= k / (k - 1) / (n * n)
		effective = n / math.Max(1, v/(p*(1-p)/n))
	}
	z2 := z * z / effective
	mid := (p + z2/2) / (1 + z2)
	half := math.Sqrt(p*(1-p)*z2+z2*z2/4) / (1 + z2)
	return p, some(math.Max(0, mid-half)), some(math.Min(1, mid+half)), nil
}

// Wounds works out how the ports of each treatment close. A port is closed at
// 100 %, or where it is said to be. Confidence 0 means 0.95.
//
// Errors: finding.Faults, all at once.
func Wounds(rows []Closure, confidence float64) (ClosureReport, error) {
	if confidence == 0 {
		confidence = 0.95
	}
	out := ClosureReport{Confidence: confidence, Treatments: []ClosureTreatment{}, Notes: []finding.Finding{}}
	if _, err := zQuantile(confidence); err != nil {
		return out, finding.Faults{finding.Bad("confidence-out-of-range", finding.Where{}, finding.Args{"confidence": finding.Number(confidence, "")})}
	}
	if fs := checkClosure(rows); len(fs) > 0 {
		return ClosureReport{}, fs
	}
	byTreatment, names := map[string][]Closure{}, []string{}
	for _, r := range rows {
		if byTreatment[r.Treatment] == nil {
			names = append(names, r.Treatment)
		}
		byTreatment[r.Treatment] = append(byTreatment[r.Treatment], r)
	}
	sort.Strings(names)
	reopened := note("closure-reopened", finding.Warning, nil)
	for _, n := range names {
		t, again := closureOf(n, byTreatment[n], confidence)
		out.Treatments = append(out.Treatments, t)
		for _, tree := range again {
			reopened.AddTree(tree)
		}
		if t.Trees < 5 {
			out.Notes = append(out.Notes, note("closure-few-trees", finding.Warning, finding.Args{"treatment": finding.Text(n), "count": finding.Count(t.Trees)}))
		}
	}
	if reopened.TreeCount > 0 {
		out.Notes = append(out.Notes, reopened)
	}
	finding.Sort(out.Notes)
	return out, nil
}

func (c Closure) closed() bool {
	if c.Closed != nil {
		return *c.Closed
	}
	return c.Pct != nil && *c.Pct >= 100
}

func checkClosure(rows []Closure) (fs finding.Faults) {
	add := func(id string, r Closure, a finding.Args) { fs = append(fs, finding.Bad(id, r.Where, a)) }
	if len(rows) == 0 {
		return finding.Faults{finding.Bad("closure-no-rows", finding.Where{}, nil)}
	}
	type key struct {
		tree, port string
		day        float64
	}
	seen, treatment := map[key]bool{}, map[string]string{}
	for _, r := range rows {
		a := finding.Args{"tree": finding.Text(r.Tree), "port": finding.Text(r.Port), "day": finding.Number(r.Day, "d")}
		if !finite(r.Day) || r.Day < 0 {
			if !finite(r.Day) {
				a["day"] = finding.Text("?")
			}
			add("closure-day-negative", r, a)
			continue
		}
		if k := (key{r.Tree, r.Port, r.Day}); seen[k] {
			add("closure-visit-twice", r, a)
		} else {
			seen[k] = true
		}
		if t, ok := treatment[r.Tree]; ok && t != r.Treatment {
			add("closure-treatment-changes", r, a)
		}
		treatment[r.Tree] = r.Treatment
		switch {
		case r.Pct == nil && r.Closed == nil:
			add("closure-value-missing", r, a)
		case r.Pct != nil && (!finite(*r.Pct) || *r.Pct < 0 || *r.Pct > 100):
			a["value"] = finding.Text(fmt.Sprintf("%g", *r.Pct))
			add("closure-percent-out-of-range", r, a)
		case r.Pct != nil && r.Closed != nil && *r.Closed != (*r.Pct >= 100):
			a["value"] = finding.Text(fmt.Sprintf("%g", *r.Pct))
			add("closure-disagrees", r, a)
		}
	}
	return fs
}

// closureOf is one treatment, and the trees with a port that was closed and
// then open again.
func closureOf(name string, rows []Closure, confidence float64) (ClosureTreatment, []string) {
	t := ClosureTreatment{Treatment: name, Days: []ClosureDay{}}
	type port struct{ tree, port string }
	ports, trees, days := map[port][]Closure{}, map[string][]port{}, map[float64][]Closure{}
	var order []string
	for _, r := range rows {
		k := port{r.Tree, r.Port}
		if ports[k] == nil {
			if trees[r.Tree] == nil {
				order = append(order, r.Tree)
			}
			trees[r.Tree] = append(trees[r.Tree], k)
		}
		ports[k] = append(ports[k], r)
		days[r.Day] = append(days[r.Day], r)
	}
	t.Trees, t.Ports = len(order), len(ports)
	var visits []float64
	for d := range days {
		visits = append(visits, d)
	}
	sort.Float64s(visits)
	for _, d := range visits {
		t.Days = append(t.Days, closureDay(d, days[d], confidence))
	}
	var again []string
	var portDay, treeDay []float64
	var portDone, treeDone []bool
	for _, name := range order {
		day, done := 0.0, true
		for _, k := range trees[name] {
			d, closed, reopened := firstClosed(ports[k])
			portDay, portDone = append(portDay, d), append(portDone, closed)
			if reopened && (len(again) == 0 || again[len(again)-1] != name) {
				again = append(again, name)
			}
			switch {
			case !closed && done: // open to its last look: so is the tree
				day, done = d, false
			case !closed:
				day = math.Max(day, d)
			case done:
				day = math.Max(day, d)
			}
		}
		treeDay, treeDone = append(treeDay, day), append(treeDone, done)
		if done {
			t.TreesClosed++
		}
	}
	if c, err := KaplanMeier(portDay, portDone, confidence, ""); err == nil {
		t.PortMedianD = c.MedianD
	}
	if c, err := KaplanMeier(treeDay, treeDone, confidence, ""); err == nil {
		t.MedianD, t.MedianLow, t.MedianHigh = c.MedianD, c.MedianLow, c.MedianHigh
	}
	return t, again
}

// firstClosed is the day of the first look that found the port closed, else the
// day of the last look; reopened tells of a later look that found it open.
func firstClosed(looks []Closure) (day float64, closed, reopened bool) {
	looks = append([]Closure(nil), looks...)
	sort.SliceStable(looks, func(i, j int) bool { return looks[i].Day < looks[j].Day })
	for _, l := range looks {
		switch {
		case closed && !l.closed():
			reopened = true
		case !closed && l.closed():
			day, closed = l.Day, true
		case !closed:
			day = l.Day
		}
	}
	return day, closed, reopened
}

func closureDay(day float64, rows []Closure, confidence float64) ClosureDay {
	d := ClosureDay{Day: day, Ports: len(rows)}
	at := map[string]int{}
	var ones, units []int
	var pct []float64
	for _, r := range rows {
		i, ok := at[r.Tree]
		if !ok {
			i = len(units)
			at[r.Tree] = i
			ones, units = append(ones, 0), append(units, 0)
		}
		units[i]++
		if r.closed() {
			ones[i]++
			d.Closed++
		}
		if r.Pct != nil {
			pct = append(pct, *r.Pct)
		}
	}
	d.Trees = len(units)
	if p, low, high, err := ClusteredShare(ones, units, confidence); err == nil {
		d.SharePct = 100 * p
		if low != nil {
			d.Low, d.High = some(100**low), some(100**high)
		}
	}
	if len(pct) == len(rows) {
		if m, err := describe.Mean(pct); err == nil {
			d.MeanPct = some(m)
		}
	}
	return d
}
