package plan

import (
	"sapward/finding"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/dose"
	"sapward/plan/label"
)

// Frame is what a plan decided for its block as a whole and what every tree of
// it keeps to: the volumes the crew carries and the concentration of the mix.
// With it one tree can be laid out by itself, at the tree, after a new reading.
type Frame struct {
	Ref           string        `json:"ref"` // of the use on the card
	Fills         []Microlitres `json:"fills_ml"`
	Nearest       bool          `json:"nearest"` // number of ports nearest to the target, else fewest
	Concentration exact.Rat     `json:"concentration"`
	PortMost      Microlitres   `json:"port_most_ml"` // most in one port
	MeanDose      Microlitres   `json:"mean_dose_ml"` // basis mean
}

// Frame returns the block-wide decisions. ok is false when the block is refused.
func (j *Job) Frame() (f Frame, ok bool) {
	f = Frame{Ref: j.ref, Nearest: j.fills.Nearest, Concentration: j.concentration, PortMost: Microlitres(j.grid.Max * j.gradUL), MeanDose: Microlitres(j.meanDose * j.gradUL), Fills: []Microlitres{}}
	for _, v := range j.fills.Volumes {
		f.Fills = append(f.Fills, Microlitres(v*j.gradUL))
	}
	return f, j.planning
}

// One is one tree laid out by itself.
type One struct {
	Trees    []Tree            `json:"trees"` // one a dose unit; none when refused or open
	Findings []finding.Finding `json:"findings"`
	Refused  []RefusedTree     `json:"refused_trees"`
}

// LayOne lays out one tree under a block's frame: the same study and the same
// laying as in the plan, without choosing anything for the block again. The
// request's side tables may hold the rows of other trees too. A tree that the
// frame's fills do not suit is refused with the finding fill-suits-not.
//
// Errors: finding.Faults for a request or frame that makes no sense.
func LayOne(r Request, frame Frame, t tree.Tree) (One, error) {
	out := One{Trees: []Tree{}, Findings: []finding.Finding{}, Refused: []RefusedTree{}}
	j, err := under(r, frame)
	if err != nil {
		return out, err
	}
	s := j.study(&t)
	out.Findings = append(out.Findings, s.findings...)
	out.Refused = append(out.Refused, s.refused...)
	put := func(u *unit, lay func() Tree) {
		if len(j.loadOf(u.need)) == 0 {
			out.Refused = append(out.Refused, RefusedTree{Tree: t.Tag, Stem: u.stem, Findings: []finding.Finding{{
				ID: "fill-suits-not", Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Ref: j.ref + ".rate",
				Args: finding.Args{"diameter": finding.Number(u.size.Diameter.Float(), "cm")},
			}}})
			return
		}
		laid := lay()
		out.Findings = append(out.Findings, laid.Findings...)
		out.Trees = append(out.Trees, laid)
	}
	if s.same != nil {
		put(&s.same.unit, func() Tree { return j.layAlike(s.same, &t) })
	}
	for k := range s.units {
		put(&s.units[k], func() Tree { return j.lay(&t, &s.units[k]) })
	}
	return out, nil
}

// under makes a job that keeps to a frame.
func under(r Request, frame Frame) (*Job, error) {
	if fs := r.check(); len(fs) > 0 {
		return nil, fs
	}
	j := &Job{r: &r, planning: true}
	var f facts
	use, index, ok := chooseUse(&r, &f)
	bad := func(cause string) error {
		return finding.Faults{{Class: finding.Usage, ID: "frame-unusable", Args: finding.Args{"cause": finding.Text(cause)}}}
	}
	if !ok || useRef(index) != frame.Ref {
		return nil, bad("use")
	}
	j.use, j.ref = use, frame.Ref
	level, fault := levelOf(r.LevelName, use)
	if fault != nil {
		return nil, finding.Faults{fault}
	}
	r.Level = level
	if err := j.prepare(&f); err != nil {
		return nil, err
	}
	if len(f.refusals) > 0 || j.gradUL <= 0 || frame.Concentration.Sign() <= 0 || exact.Int(1).Less(frame.Concentration) {
		return nil, bad("amounts")
	}
	j.concentration = frame.Concentration
	if most := int64(frame.PortMost) / j.gradUL; j.grid.Max == 0 && most >= j.grid.Min {
		j.grid.Max = most
	}
	j.fills = dose.Fills{Nearest: frame.Nearest}
	for _, v := range frame.Fills {
		g := int64(v) / j.gradUL
		if int64(v)%j.gradUL != 0 || g < j.grid.Min || j.grid.Max > 0 && g > j.grid.Max {
			return nil, bad("fills")
		}
		j.fills.Volumes = append(j.fills.Volumes, g)
	}
	j.meanDose = int64(frame.MeanDose) / j.gradUL
	return j, nil
}

// useUnder returns the use of the card that a frame keeps to.
func useUnder(r *Request, frame Frame) (label.Use, bool) {
	use, index, ok := chooseUse(r, &facts{})
	return use, ok && useRef(index) == frame.Ref
}
