package trial

import (
	"slices"
	"strconv"

	"sapward/finding"
)

// Assign returns the rows with the treatment and block that the layout gives
// their plot, which is named by its number or by one of its trees, and one
// empty row for every plot that has none. The caller's rows stay as they are.
//
// Errors: finding.Faults for a plot or tree that was not laid out, a tree of
// another plot, and a treatment that is not the one dealt.
func (l Layout) Assign(rows []Observation) ([]Observation, error) {
	byPlot, byTree := map[string]Plot{}, map[string]Plot{}
	for _, p := range l.Plots {
		byPlot[strconv.Itoa(p.Plot)] = p
		for _, t := range p.Trees {
			byTree[t] = p
		}
	}
	var fs finding.Faults
	out, seen := slices.Clone(rows), map[int]bool{}
	for i := range out {
		r := &out[i]
		p, ok := byPlot[r.Plot]
		if r.Plot == "" {
			p, ok = byTree[r.Tree]
		}
		a := finding.Args{"plot": finding.Text(r.Plot), "tree": finding.Text(r.Tree)}
		switch {
		case !ok && r.Plot == "":
			fs = append(fs, finding.Bad("trial-tree-not-laid", r.Where, a))
			continue
		case !ok:
			fs = append(fs, finding.Bad("trial-plot-not-laid", r.Where, a))
			continue
		case r.Tree != "" && !slices.Contains(p.Trees, r.Tree):
			a["plot"] = finding.Text(strconv.Itoa(p.Plot))
			fs = append(fs, finding.Bad("trial-tree-other-plot", r.Where, a))
			continue
		case r.Treatment != "" && r.Treatment != p.Treatment:
			a["treatment"], a["laid"] = finding.Text(r.Treatment), finding.Text(p.Treatment)
			a["plot"] = finding.Text(strconv.Itoa(p.Plot))
			fs = append(fs, finding.Bad("trial-treatment-other", r.Where, a))
			continue
		}
		seen[p.Plot] = true
		r.Plot, r.Block, r.Treatment, r.Sub = strconv.Itoa(p.Plot), p.Block, p.Treatment, p.Sub
	}
	for _, p := range l.Plots {
		if !seen[p.Plot] {
			out = append(out, Observation{Plot: strconv.Itoa(p.Plot), Block: p.Block, Treatment: p.Treatment, Sub: p.Sub})
		}
	}
	return out, fs.OrNil()
}

// Blind returns the layout as an assessor may see it: without treatments,
// letters, blocks and notes, trees and plots in their order.
func (l Layout) Blind() Layout {
	out := l
	out.Letters, out.Notes = map[string]string{}, []finding.Finding{}
	out.Plots = slices.Clone(l.Plots)
	for i := range out.Plots {
		p := &out.Plots[i]
		p.Treatment, p.Sub, p.Letter, p.Block, p.Main = "", "", "", "", 0
	}
	return out
}

// PlotOf returns the plot of a tree; false where it is in none.
func (l Layout) PlotOf(tree string) (Plot, bool) {
	for _, t := range l.Trees {
		if t.Tree == tree && t.Plot > 0 && t.Plot <= len(l.Plots) {
			return l.Plots[t.Plot-1], true
		}
	}
	return Plot{}, false
}

// Name is the treatment of a plot, in a split plot with its second factor.
func (p Plot) Name() string {
	if p.Sub == "" {
		return p.Treatment
	}
	return p.Treatment + " / " + p.Sub
}
