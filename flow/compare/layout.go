package compare

import (
	"math"
	"sort"

	"sapward/flow/protect"
	"sapward/flow/sap"
)

// Limits of the layout search.
const (
	// fewDraws is the greatest number of common draws that layouts and arrivals
	// are judged by.
	fewDraws = 256
	// offsets is how many turns of a layout are tried where turning matters.
	offsets = 24
	// Enough is the share of the best score at which more ports stop paying:
	// program default, no source.
	Enough = 0.95
)

// Choice is a number of ports that the card permits, with the share of the
// girth it wounds.
type Choice struct {
	Ports    int
	WoundPct float64
	UptakeD  float64 // how long one port then drinks
}

// Layout is one number of ports with what it does for the tree.
type Layout struct {
	Choice
	OffsetDeg float64      // first port, degrees from north
	Days20    float64      // days at the target that four draws in five reach
	Area20    float64      // the same of coverage summed over the days
	Reaches   float64      // share of draws that reach the target
	PeakPct   protect.Band // largest coverage
}

// Layouts is the search's answer, by rising number of ports.
type Layouts struct {
	Method  string
	Tried   []Layout
	Pays    int  // index of the number beyond which more ports stop paying
	ByArea  bool // judged by coverage summed over days: hardly a draw stays at the target
	Turned  bool // offsets were tried, since the limbs make them differ
	Planned int  // index of the number of ports in the plan; -1: not among them
}

// SearchLayouts follows the same dose and volume through every number of ports
// the card permits, with common draws (MODEL section 8), and finds the number at
// which more ports stop paying: the fewest ports whose score is at least Enough
// of the best. The score is the days at the target that four draws in five
// reach, or, where that is 0 for most of the layouts and so tells them apart
// badly, the coverage summed over the days that four in five reach. No price is put on a wound: the share of girth stands beside every number, and
// the card's limit on it decides which numbers are here at all.
//
// Offsets are tried only where limbs make them differ; round an even crown they
// do not. Errors: no choice, or as protect.Evaluate.
func SearchLayouts(c protect.Case, t protect.Treatment, choices []Choice, draws []protect.Draw, workers int) (Layouts, error) {
	out := Layouts{Method: string(t.Method()), Turned: len(c.Tree.Limbs) > 0, Planned: -1}
	if err := sap.Check(sap.Need{Field: "choices", Value: float64(len(choices)), OK: len(choices) > 0, Needs: "at least one number of ports"}); err != nil {
		return out, err
	}
	c.Trunk, c.ReportD = false, []float64{}
	turns := 1
	if out.Turned {
		turns = offsets
	}
	sorted := append([]Choice(nil), choices...)
	sort.Slice(sorted, func(a, b int) bool { return sorted[a].Ports < sorted[b].Ports })
	for _, choice := range sorted {
		even, err := t.AtPorts(choice.Ports)
		if err != nil {
			return out, err
		}
		for i := range even.Ports {
			even.Ports[i].UptakeD = choice.UptakeD
		}
		var best Layout
		for k := range turns {
			turned := even
			if k > 0 {
				offset := 360 / float64(choice.Ports) * float64(k) / float64(turns)
				if turned, err = protect.Even(even.Ports[0], choice.Ports, math.Mod(even.Ports[0].AzimuthDeg+offset, 360), even.MassG(), even.VolumeM3()); err != nil {
					return out, err
				}
			}
			l, err := layout(c, turned, choice, draws, workers)
			if err != nil {
				return out, err
			}
			if k == 0 || l.Days20 > best.Days20 || l.Days20 == best.Days20 && l.Area20 > best.Area20 {
				best = l
			}
		}
		if choice.Ports == len(t.Ports) {
			out.Planned = len(out.Tried)
		}
		out.Tried = append(out.Tried, best)
	}
	out.pick()
	return out, nil
}

// layout judges one layout.
func layout(c protect.Case, t protect.Treatment, choice Choice, draws []protect.Draw, workers int) (Layout, error) {
	o, err := protect.Evaluate(c, t, draws, workers)
	if err != nil {
		return Layout{}, err
	}
	l := Layout{Choice: choice, OffsetDeg: t.Ports[0].AzimuthDeg}
	days, area, peak := make([]float64, len(o)), make([]float64, len(o)), make([]float64, len(o))
	for i := range o {
		days[i], area[i], peak[i] = o[i].Days, o[i].AreaDays, 100*o[i].Peak
		if !math.IsInf(o[i].FirstD, 1) {
			l.Reaches += 1 / float64(len(o))
		}
	}
	sort.Float64s(days)
	sort.Float64s(area)
	fifth := (len(o) - 1) / 5
	l.Days20, l.Area20, l.PeakPct = days[fifth], area[fifth], protect.BandOf(peak)
	return l, nil
}

// pick sets Pays and ByArea.
func (l *Layouts) pick() {
	none := 0
	for _, x := range l.Tried {
		if x.Days20 < 1 {
			none++
		}
	}
	get := func(x Layout) float64 { return x.Days20 }
	if 2*none > len(l.Tried) {
		l.ByArea = true
		get = func(x Layout) float64 { return x.Area20 }
	}
	best := 0.0
	for _, x := range l.Tried {
		best = math.Max(best, get(x))
	}
	for i, x := range l.Tried {
		if get(x) >= Enough*best {
			l.Pays = i
			return
		}
	}
}
