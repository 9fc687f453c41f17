package health

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"sapward/finding"
	"sapward/numeric/describe"
)

// Status of a tree on a visit.
type Status string

// A visit: seen and rated; missed (no rating); dead of the disease (counts as
// 100 % from that day to the end); removed for another reason (censored).
const (
	Seen    Status = ""
	Missed  Status = "missed"
	Died    Status = "dead"
	Removed Status = "removed"
)

// Rating is one row of RATINGS.csv: a percentage or a class, not both.
type Rating struct {
	Tree      string
	Treatment string
	Day       float64
	Pct       *float64
	Class     *float64 // a value of the scale, 0 = healthy
	ClassMax  float64  // the highest value of the scale, where the row tells it
	Status    Status
	Cause     Cause
	CauseNote string // words beside CauseOther
	Dated     bool   // the day was worked out from a date
	Where     finding.Where
}

// ProgressOptions: TopClass is the highest value of the class scale; 0 takes
// that of the rows, or the highest seen and says so. EndDay is the end of the season; 0 takes the
// last visit.
type ProgressOptions struct {
	TopClass float64
	EndDay   float64
}

// ProgressReport is the answer to `sapward ratings`.
type ProgressReport struct {
	Scale      string              `json:"scale"` // percent or class
	TopClass   *float64            `json:"top_class"`
	FromDay    float64             `json:"from_d"`
	ToDay      float64             `json:"to_d"`
	Trees      []TreeProgress      `json:"trees"`
	Treatments []TreatmentProgress `json:"treatments"`
	Causes     []CauseTally        `json:"causes"`
	Notes      []finding.Finding   `json:"notes"`
}

// TreeProgress is one tree. Area is nil with fewer than two visits. Complete
// trees were followed from the first day of the block to the last.
type TreeProgress struct {
	Tree      string    `json:"tree"`
	Treatment string    `json:"treatment"`
	Visits    int       `json:"visits"`
	FromDay   float64   `json:"from_d"`
	ToDay     float64   `json:"to_d"`
	Missed    []float64 `json:"missed_d"`      // days of the block's visits without a rating
	OtherD    []float64 `json:"other_cause_d"` // days whose rating is left out: another cause
	End       string    `json:"end"`           // followed, dead, dead-other, removed
	Complete  bool      `json:"complete"`
	AUDPC     *float64  `json:"audpc"`
	Relative  *float64  `json:"audpc_relative"`
	AUDPS     *float64  `json:"audps"`
	// AUDPSRelative is AUDPS (n-1)/(n D 100).
	AUDPSRelative *float64 `json:"audps_relative"`
	SeverityPct   *float64 `json:"severity_index_pct"` // at the last visit
}

// DaySeverity is the severity index of the trees rated on a day.
type DaySeverity struct {
	Day   float64 `json:"day"`
	N     int     `json:"n"`
	Index float64 `json:"severity_index_pct"`
}

// TreatmentProgress: means over the complete trees, so that all areas cover the
// same days.
type TreatmentProgress struct {
	Treatment   string        `json:"treatment"`
	Trees       int           `json:"trees"`
	N           int           `json:"n"` // complete trees, in the means
	Dead        int           `json:"dead"`
	DeadOther   int           `json:"dead_other"` // of another cause than the disease
	Removed     int           `json:"removed"`
	AUDPC       *float64      `json:"audpc"`
	AUDPCSD     *float64      `json:"audpc_sd"`
	Relative    *float64      `json:"audpc_relative"`
	AUDPS       *float64      `json:"audps"`
	SeverityPct *float64      `json:"severity_index_pct"` // on the last day
	Days        []DaySeverity `json:"days"`
}

func checkCurve(days, pct []float64) error {
	if len(days) < 2 || len(days) != len(pct) {
		return ErrShape
	}
	for i := range days {
		if !finite(days[i]) || !finite(pct[i]) || pct[i] < 0 {
			return fmt.Errorf("%w: visit %d", ErrNumber, i+1)
		}
		if i > 0 && days[i] <= days[i-1] {
			return fmt.Errorf("%w: visit %d is not after the one before", ErrDays, i+1)
		}
	}
	return nil
}

// AUDPC is the area under the disease progress curve by trapezoids,
// sum (y_i + y_{i+1})/2 (t_{i+1} - t_i), in the unit of y times days (Shaner
// and Finney 1977). Days must rise. Errors: ErrShape (fewer than two visits),
// ErrDays, ErrNumber.
func AUDPC(days, y []float64) (float64, error) {
	if err := checkCurve(days, y); err != nil {
		return 0, err
	}
	a := 0.0
	for i := 1; i < len(days); i++ {
		a += (y[i-1] + y[i]) / 2 * (days[i] - days[i-1])
	}
	return a, nil
}

// RelativeAUDPC is AUDPC/(duration top): the share of the worst possible area.
func RelativeAUDPC(days, y []float64, top float64) (float64, error) {
	a, err := AUDPC(days, y)
	if err != nil {
		return 0, err
	}
	if !(top > 0) || !finite(top) {
		return 0, ErrNumber
	}
	return a / (days[len(days)-1] - days[0]) / top, nil
}

// AUDPS is the area under the disease progress stairs, which gives the first
// and the last visit as much weight as the others:
// AUDPC + (y_1 + y_n)/2 D/(n-1), D the duration (Simko and Piepho 2012).
func AUDPS(days, y []float64) (float64, error) {
	a, err := AUDPC(days, y)
	if err != nil {
		return 0, err
	}
	n := len(days)
	return a + (y[0]+y[n-1])/2*(days[n-1]-days[0])/float64(n-1), nil
}

// RelativeAUDPS is AUDPS (n-1)/(n D top).
func RelativeAUDPS(days, y []float64, top float64) (float64, error) {
	a, err := AUDPS(days, y)
	if err != nil {
		return 0, err
	}
	if !(top > 0) || !finite(top) {
		return 0, ErrNumber
	}
	n := float64(len(days))
	return a * (n - 1) / (n * (days[len(days)-1] - days[0])) / top, nil
}

// SeverityIndex is 100 sum(n_i v_i)/(N v_max) (McKinney 1923; Townsend and
// Heuberger 1943), in percent: counts n_i of trees in classes of value v_i.
func SeverityIndex(values []float64, counts []int, top float64) (float64, error) {
	if len(values) == 0 || len(values) != len(counts) {
		return 0, ErrShape
	}
	if !(top > 0) || !finite(top) {
		return 0, ErrNumber
	}
	n, s := 0, 0.0
	for i, v := range values {
		if !finite(v) || v < 0 || v > top || counts[i] < 0 {
			return 0, fmt.Errorf("%w: class %d", ErrNumber, i+1)
		}
		n += counts[i]
		s += v * float64(counts[i])
	}
	if n == 0 {
		return 0, ErrShape
	}
	return 100 * s / (float64(n) * top), nil
}

// checkRatings returns the scale: class or percent.
func checkRatings(rows []Rating, o ProgressOptions) (class bool, top, told float64, fs finding.Faults) {
	add := func(id string, w finding.Where, a finding.Args) { fs = append(fs, finding.Bad(id, w, a)) }
	if len(rows) == 0 {
		add("ratings-no-rows", finding.Where{}, nil)
		return
	}
	type key struct {
		tree string
		day  float64
	}
	seen, treatment, treeCount := map[key]bool{}, map[string]string{}, 0
	pct, classes, mixedDays := false, false, false
	for _, r := range rows {
		a := finding.Args{"tree": finding.Text(r.Tree), "day": finding.Number(r.Day, "d")}
		if !finite(r.Day) {
			a["day"] = finding.Text("?")
			add("ratings-day-missing", r.Where, a)
			continue
		}
		if r.Day < 0 {
			add("ratings-day-negative", r.Where, a)
		}
		if strings.TrimSpace(r.Tree) == "" {
			add("ratings-tree-missing", r.Where, a)
		}
		if strings.TrimSpace(r.Treatment) == "" {
			add("ratings-treatment-missing", r.Where, a)
		}
		if r.Dated != rows[0].Dated && !mixedDays {
			mixedDays = true
			add("days-and-dates-mixed", r.Where, a)
		}
		if k := (key{r.Tree, r.Day}); seen[k] {
			add("ratings-visit-twice", r.Where, a)
		} else {
			seen[k] = true
		}
		if t, ok := treatment[r.Tree]; !ok {
			treatment[r.Tree] = r.Treatment
			treeCount++
		} else if t != r.Treatment {
			add("ratings-treatment-changes", r.Where, a)
		}
		switch r.Status {
		case Seen, Missed, Died, Removed:
		default:
			a["status"] = finding.Text(string(r.Status))
			add("ratings-status-unknown", r.Where, a)
		}
		if !r.Cause.Known() {
			a["cause"] = finding.Text(string(r.Cause))
			add("ratings-cause-unknown", r.Where, a)
		}
		if r.Pct != nil && r.Class != nil {
			add("ratings-percent-and-class", r.Where, a)
			continue
		}
		if r.Pct != nil {
			if !pct && classes {
				add("ratings-percent-and-class", r.Where, a)
			}
			pct = true
			if !finite(*r.Pct) || *r.Pct < 0 || *r.Pct > 100 {
				a["value"] = finding.Text(fmt.Sprintf("%g", *r.Pct))
				add("ratings-percent-out-of-range", r.Where, a)
			}
		}
		if r.Class != nil {
			if !classes && pct {
				add("ratings-percent-and-class", r.Where, a)
			}
			classes = true
			if !finite(*r.Class) || *r.Class < 0 || o.TopClass > 0 && *r.Class > o.TopClass {
				a["value"] = finding.Text(fmt.Sprintf("%g", *r.Class))
				a["top"] = finding.Number(o.TopClass, "")
				add("ratings-class-out-of-range", r.Where, a)
			} else {
				top = math.Max(top, *r.Class)
				told = math.Max(told, r.ClassMax)
			}
		}
	}
	if treeCount == 1 && len(fs) == 0 {
		add("ratings-one-tree", finding.Where{}, finding.Args{"tree": finding.Text(rows[0].Tree)})
	}
	if o.TopClass == 0 && told > 0 && finite(told) {
		if top > told {
			add("ratings-class-over-told", finding.Where{}, finding.Args{"top": finding.Number(told, ""), "value": finding.Number(top, "")})
		}
		top = told
	}
	if o.TopClass != 0 {
		top = o.TopClass
		if !finite(o.TopClass) || o.TopClass < 0 {
			add("ratings-scale-top", finding.Where{}, nil)
		}
	}
	if classes && top == 0 && len(fs) == 0 {
		add("ratings-scale-top", finding.Where{}, nil)
	}
	if !classes && !pct && len(fs) == 0 {
		add("ratings-no-values", finding.Where{}, nil)
	}
	return classes, top, told, fs
}

// Progress works out the disease progress of each tree and treatment.
//
// A class counts as 100 class/top percent. A visit of the block at which a tree
// has no rating is missed: the trapezoid spans it and the tree lists it. A tree
// dead of the disease counts 100 % from the day it was found dead, at every
// later visit of the block, to the last. A tree removed for another reason is
// followed to its last rating, and so is one that died of another cause. A
// rating above 0 for another cause says nothing of the disease: it is left out,
// spanned as a missed one and named. Means of a treatment are over complete
// trees.
//
// Errors: finding.Faults, all faults of the rows at once.
func Progress(rows []Rating, o ProgressOptions) (ProgressReport, error) {
	class, top, told, fs := checkRatings(rows, o)
	if len(fs) > 0 {
		return ProgressReport{}, fs
	}
	out := ProgressReport{Scale: "percent", Trees: []TreeProgress{}, Causes: TallyCauses(rows), Notes: []finding.Finding{}}
	if class {
		out.Scale, out.TopClass = "class", &top
		if o.TopClass == 0 && told == 0 {
			out.Notes = append(out.Notes, note("ratings-scale-top-assumed", finding.Warning, finding.Args{"top": finding.Number(top, "")}))
		}
	}
	visitSet := map[float64]bool{}
	trees, order := map[string][]Rating{}, []string(nil)
	for _, r := range rows {
		if _, ok := trees[r.Tree]; !ok {
			order = append(order, r.Tree)
		}
		trees[r.Tree] = append(trees[r.Tree], r)
		visitSet[r.Day] = true
	}
	last := math.Inf(-1)
	for d := range visitSet {
		last = math.Max(last, d)
	}
	visits := make([]float64, 0, len(visitSet))
	for d := range visitSet {
		visits = append(visits, d)
	}
	sort.Float64s(visits)
	out.FromDay, out.ToDay = visits[0], last
	groups, names := map[string]*tally{}, []string(nil)
	for _, name := range order {
		t, curve, faults := follow(name, trees[name], visits, class, top)
		fs = append(fs, faults...)
		t.Complete = curve != nil && t.Visits >= 2 && t.FromDay == out.FromDay && t.ToDay == last && t.End != "removed" && t.End != "dead-other"
		out.Trees = append(out.Trees, t)
		g, ok := groups[t.Treatment]
		if !ok {
			g = &tally{days: map[float64][]float64{}}
			groups[t.Treatment] = g
			names = append(names, t.Treatment)
		}
		g.add(t, curve)
	}
	if len(fs) > 0 {
		return ProgressReport{}, fs
	}
	sort.Strings(names)
	for _, n := range names {
		out.Treatments = append(out.Treatments, groups[n].report(n, visits))
	}
	out.remarks(names)
	return out, nil
}

// point is one day of a tree's curve, in percent.
type point struct{ day, pct float64 }

func follow(name string, rows []Rating, visits []float64, class bool, top float64) (TreeProgress, []point, finding.Faults) {
	t := TreeProgress{Tree: name, Treatment: rows[0].Treatment, End: "followed", Missed: []float64{}, OtherD: []float64{}}
	var fs finding.Faults
	rows = append([]Rating(nil), rows...)
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].Day < rows[j].Day })
	var curve []point
	dead, removed := math.Inf(1), math.Inf(1)
	var left map[float64]bool
	for _, r := range rows {
		var y *float64
		if r.Pct != nil {
			y = some(*r.Pct)
		} else if r.Class != nil {
			y = some(100 * *r.Class / top)
		}
		a := finding.Args{"tree": finding.Text(name), "day": finding.Number(r.Day, "d")}
		switch {
		case r.Day > dead:
			if y != nil && *y < 100 {
				fs = append(fs, finding.Bad("ratings-after-death", r.Where, a))
			}
			continue
		case r.Day > removed:
			if y != nil {
				fs = append(fs, finding.Bad("ratings-after-removal", r.Where, a))
			}
			continue
		case r.Status == Died:
			if !r.Cause.OfDisease() { // the watch for the disease ends
				removed, t.End = r.Day, "dead-other"
				y = nil
				break
			}
			dead, t.End = r.Day, "dead"
			y = some(100)
		case r.Status == Removed:
			removed, t.End = r.Day, "removed"
		case r.Status == Missed:
			if y != nil {
				fs = append(fs, finding.Bad("ratings-missed-with-value", r.Where, a))
			}
			y = nil
		case y != nil && *y > 0 && !r.Cause.OfDisease():
			t.OtherD = append(t.OtherD, r.Day)
			if left == nil {
				left = map[float64]bool{}
			}
			left[r.Day] = true
			y = nil
		}
		if y != nil {
			curve = append(curve, point{r.Day, *y})
		}
	}
	rated := len(curve)
	for _, d := range visits {
		has := func() bool {
			i := sort.Search(rated, func(i int) bool { return curve[i].day >= d })
			return i < rated && curve[i].day == d
		}
		switch {
		case d > dead:
			curve = append(curve, point{d, 100})
		case !has() && !left[d] && d < removed:
			t.Missed = append(t.Missed, d)
		}
	}
	t.Visits = len(curve)
	if len(curve) == 0 {
		return t, nil, fs
	}
	days, y := make([]float64, len(curve)), make([]float64, len(curve))
	for i, p := range curve {
		days[i], y[i] = p.day, p.pct
	}
	t.FromDay, t.ToDay = days[0], days[len(days)-1]
	t.SeverityPct = some(y[len(y)-1])
	if a, err := AUDPC(days, y); err == nil {
		t.AUDPC = some(a)
		r, _ := RelativeAUDPC(days, y, 100)
		s, _ := AUDPS(days, y)
		rs, _ := RelativeAUDPS(days, y, 100)
		t.Relative, t.AUDPS, t.AUDPSRelative = some(r), some(s), some(rs)
	}
	return t, curve, fs
}

// tally collects a treatment.
type tally struct {
	trees, dead, other     int
	removed                int
	audpc, relative, audps []float64
	days                   map[float64][]float64
}

func (g *tally) add(t TreeProgress, curve []point) {
	g.trees++
	switch t.End {
	case "dead":
		g.dead++
	case "dead-other":
		g.other++
	case "removed":
		g.removed++
	}
	if t.Complete {
		g.audpc, g.relative, g.audps = append(g.audpc, *t.AUDPC), append(g.relative, *t.Relative), append(g.audps, *t.AUDPS)
	}
	for _, p := range curve {
		g.days[p.day] = append(g.days[p.day], p.pct)
	}
}

func (g *tally) report(name string, visits []float64) TreatmentProgress {
	mean := func(x []float64) *float64 {
		m, err := describe.Mean(x)
		if err != nil {
			return nil
		}
		return some(m)
	}
	t := TreatmentProgress{Treatment: name, Trees: g.trees, N: len(g.audpc), Dead: g.dead, DeadOther: g.other, Removed: g.removed,
		AUDPC: mean(g.audpc), Relative: mean(g.relative), AUDPS: mean(g.audps), Days: []DaySeverity{}}
	if sd, err := describe.SD(g.audpc); err == nil {
		t.AUDPCSD = some(sd)
	}
	for _, d := range visits {
		if m := mean(g.days[d]); m != nil {
			t.Days = append(t.Days, DaySeverity{d, len(g.days[d]), *m})
			t.SeverityPct = m
		}
	}
	return t
}

// remarks says what was spanned, censored and left out.
func (out *ProgressReport) remarks(names []string) {
	one := func(id string, s finding.Severity, want func(TreeProgress) bool) {
		f := note(id, s, nil)
		for _, t := range out.Trees {
			if want(t) {
				f.AddTree(t.Tree)
			}
		}
		if f.TreeCount > 0 {
			f.Args = finding.Args{"count": finding.Count(f.TreeCount)}
			out.Notes = append(out.Notes, f)
		}
	}
	one("ratings-visit-missed", finding.Note, func(t TreeProgress) bool { return len(t.Missed) > 0 && t.Visits > 0 })
	one("ratings-no-curve", finding.Warning, func(t TreeProgress) bool { return t.Visits < 2 })
	one("ratings-dead-to-end", finding.Note, func(t TreeProgress) bool { return t.End == "dead" })
	one("ratings-censored", finding.Note, func(t TreeProgress) bool { return t.End == "removed" })
	one("ratings-dead-other", finding.Note, func(t TreeProgress) bool { return t.End == "dead-other" })
	one("ratings-other-cause", finding.Note, func(t TreeProgress) bool { return len(t.OtherD) > 0 })
	one("ratings-not-complete", finding.Note, func(t TreeProgress) bool {
		return t.Visits >= 2 && !t.Complete && t.End != "removed" && t.End != "dead-other"
	})
	for _, c := range out.Causes {
		if n := c.Rated + c.Dead; c.Cause == CauseUnknown && n > 0 {
			out.Notes = append(out.Notes, note("ratings-cause-counts", finding.Note, finding.Args{"treatment": finding.Text(c.Treatment), "count": finding.Count(n)}))
		} else if c.Cause == CauseTreatment && n > 0 {
			out.Notes = append(out.Notes, note("ratings-cause-treatment", finding.Warning, finding.Args{"treatment": finding.Text(c.Treatment), "count": finding.Count(n)}))
		}
	}
	if len(names) < 2 {
		out.Notes = append(out.Notes, note("ratings-one-treatment", finding.Warning, finding.Args{"treatment": finding.Text(names[0])}))
	}
	finding.Sort(out.Notes)
}
