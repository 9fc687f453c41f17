package trial

import (
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"

	"sapward/finding"
)

// plotValue is one experimental unit with its value, transformed.
type plotValue struct {
	name, block, treatment, sub string
	y, x                        float64 // value and covariate
	rows                        int     // sub-samples in it
}

// table is what is analysed.
type table struct {
	plots      []plotValue
	treatments []string // the control first, then in order of the file
	subs       []string
	blocks     []string
	missing    []string // names of plots without a value
	trees      int
	averaged   int // plots with more than one row
	partly     int // plots with rows missing beside rows with a value
	absent     int // combinations that have no row at all
}

func (t *table) index() (treatment, sub, block []int) {
	find := func(list []string, s string) int { return slices.Index(list, s) }
	for _, p := range t.plots {
		treatment = append(treatment, find(t.treatments, p.treatment))
		sub = append(sub, find(t.subs, p.sub))
		block = append(block, find(t.blocks, p.block))
	}
	return treatment, sub, block
}

// collect checks the rows and makes plots of them.
func collect(rows []Observation, o Options) (*table, error) {
	var fs finding.Faults
	add := func(id string, w finding.Where, a finding.Args) { fs = append(fs, finding.Bad(id, w, a)) }
	if len(rows) == 0 {
		return nil, finding.Faults{finding.Bad("trial-no-rows", finding.Where{}, nil)}
	}
	named := false
	for _, r := range rows {
		named = named || r.Plot != ""
	}
	type gathered struct {
		plotValue
		sum, cov float64
		n, gaps  int
	}
	trees := map[string]bool{}
	byKey, order := map[string]*gathered{}, []string{}
	for i, r := range rows {
		a := finding.Args{"plot": finding.Text(label(r, i)), "row": finding.Count(i + 1)}
		if strings.TrimSpace(r.Treatment) == "" {
			add("trial-treatment-missing", r.Where, a)
		}
		if o.Design != CRD && strings.TrimSpace(r.Block) == "" {
			add("trial-block-missing", r.Where, a)
		}
		if o.Design == SplitPlot && strings.TrimSpace(r.Sub) == "" {
			add("trial-sub-missing", r.Where, a)
		}
		if named && r.Plot == "" {
			add("trial-plot-missing", r.Where, a)
			continue
		}
		if r.Value != nil {
			v := *r.Value
			a["value"] = finding.Text(strconv.FormatFloat(v, 'g', -1, 64))
			switch {
			case !finite(v):
				add("trial-value-unclear", r.Where, a)
				continue
			case o.Scale == Percent && (v < 0 || v > 100):
				add("trial-percent-out-of-range", r.Where, a)
				continue
			case (o.Transform == Log || o.Transform == Root || o.Scale == Class) && v < 0:
				add("trial-value-negative", r.Where, a)
				continue
			}
			if o.Covariate && (r.Covariate == nil || !finite(*r.Covariate)) {
				add("trial-covariate-missing", r.Where, a)
				continue
			}
		}
		key := r.Plot
		switch {
		case named:
		case o.Unit == "plot":
			key = strings.Join([]string{r.Block, r.Treatment, r.Sub}, "\x00")
		default:
			key = strconv.Itoa(i)
		}
		g := byKey[key]
		if g == nil {
			g = &gathered{plotValue: plotValue{name: label(r, i), block: r.Block, treatment: r.Treatment, sub: r.Sub}}
			byKey[key] = g
			order = append(order, key)
		}
		if g.block != r.Block || g.treatment != r.Treatment || g.sub != r.Sub {
			add("trial-plot-two-treatments", r.Where, a)
		}
		if r.Tree != "" && trees[r.Tree] {
			a["tree"] = finding.Text(r.Tree)
			add("trial-tree-twice", r.Where, a)
		}
		trees[r.Tree] = true
		if r.Value == nil {
			g.gaps++
			continue
		}
		g.n++
		g.sum += *r.Value
		if o.Covariate {
			g.cov += *r.Covariate
		}
	}
	if err := fs.OrNil(); err != nil {
		return nil, err
	}
	t := &table{}
	seen := map[string]bool{}
	for _, key := range order {
		g := byKey[key]
		for list, s := range map[*[]string]string{&t.treatments: g.treatment, &t.blocks: g.block, &t.subs: g.sub} {
			if s != "" && !slices.Contains(*list, s) {
				*list = append(*list, s)
			}
		}
		seen[strings.Join([]string{g.block, g.treatment, g.sub}, "\x00")] = true
		if g.n == 0 {
			t.missing = append(t.missing, g.name)
			continue
		}
		if g.n > 1 {
			t.averaged++
		}
		if g.gaps > 0 {
			t.partly++
		}
		t.trees += g.n
		g.y, g.x, g.rows = o.Transform.apply(g.sum/float64(g.n)), g.cov/float64(g.n), g.n
		t.plots = append(t.plots, g.plotValue)
	}
	place := func(name string) int {
		if name == o.Control {
			return -1
		}
		if i := slices.Index(o.Order, name); i >= 0 {
			return i
		}
		return len(o.Order)
	}
	for _, list := range [][]string{t.treatments, t.subs} {
		slices.SortStableFunc(list, func(a, b string) int { return place(a) - place(b) })
	}
	if o.Design == CRD {
		t.blocks = nil
		for i := range t.plots {
			t.plots[i].block = ""
		}
	} else { // a block that lost all its plots tells nothing
		t.blocks = slices.DeleteFunc(t.blocks, func(b string) bool {
			return !slices.ContainsFunc(t.plots, func(p plotValue) bool { return p.block == b })
		})
		sortNames(t.blocks)
	}
	if o.Design != SplitPlot {
		t.subs = nil
	}
	t.countAbsent(seen, o)
	return t, t.enough(o)
}

// countAbsent counts the combinations of a complete design that no row has.
func (t *table) countAbsent(seen map[string]bool, o Options) {
	if o.Design == CRD {
		return
	}
	subs := t.subs
	if len(subs) == 0 {
		subs = []string{""}
	}
	for _, b := range t.blocks {
		for _, tr := range t.treatments {
			for _, s := range subs {
				if !seen[strings.Join([]string{b, tr, s}, "\x00")] {
					t.absent++
					t.missing = append(t.missing, strings.TrimRight(b+" / "+tr+" / "+s, " /"))
				}
			}
		}
	}
}

// enough refuses what no design can be made of.
func (t *table) enough(o Options) error {
	if len(t.plots) == 0 {
		return finding.Faults{finding.Bad("trial-no-values", finding.Where{}, nil)}
	}
	has := map[string]int{}
	for _, p := range t.plots {
		has[p.treatment]++
	}
	if len(t.treatments) < 2 {
		return finding.Faults{finding.Bad("trial-one-treatment", finding.Where{}, finding.Args{"treatment": finding.Text(t.treatments[0])})}
	}
	if o.Control != "" && !slices.Contains(t.treatments, o.Control) {
		return finding.Faults{finding.Bad("trial-control-unknown", finding.Where{}, finding.Args{"control": finding.Text(o.Control), "treatments": finding.Text(strings.Join(t.treatments, ", "))})}
	}
	var fs finding.Faults
	for _, tr := range t.treatments {
		if has[tr] == 0 {
			fs = append(fs, finding.Bad("trial-treatment-without-values", finding.Where{}, finding.Args{"treatment": finding.Text(tr)}))
		}
	}
	if o.Design != CRD && len(t.blocks) < 2 {
		fs = append(fs, finding.Bad("trial-one-block", finding.Where{}, nil))
	}
	if o.Design == SplitPlot && len(t.subs) < 2 {
		fs = append(fs, finding.Bad("trial-one-sub", finding.Where{}, nil))
	}
	return fs.OrNil()
}

// label names a plot for people.
func label(r Observation, i int) string {
	switch {
	case r.Plot != "":
		return r.Plot
	case r.Tree != "":
		return r.Tree
	}
	return fmt.Sprintf("#%d", i+1)
}

// sortNames sorts names; whole numbers by value.
func sortNames(names []string) {
	sort.SliceStable(names, func(i, j int) bool {
		a, errA := strconv.Atoi(names[i])
		b, errB := strconv.Atoi(names[j])
		if errA == nil && errB == nil {
			return a < b
		}
		return names[i] < names[j]
	})
}
