package app

import (
	"cmp"
	"context"
	"slices"
	"strconv"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/follow/trial"
)

// TrialQuestion says what of a trial is to be analysed and how. Empty: the last
// variable as it was measured, against the control.
type TrialQuestion struct {
	Variable  string // identifier of a TrialVariable
	Covariate string // a visit's day before the treatment, to adjust for
	Transform string // none, arcsine, log, sqrt
	Compare   string // dunnett, tukey, both
}

// TrialAnswer is the analysis of a trial. Without Rated nothing was measured
// yet and there is no analysis.
type TrialAnswer struct {
	TrialView
	Question   TrialQuestion
	Rated      bool
	Variable   TrialVariable
	Covariates []string // days of visits before the treatment
	Analysis   trial.Analysis
	Rows       []trial.Observation
}

// permutations of the permutation test in the app (program default, as on the
// command line).
const permutations = 9999

// maxTrialCache bounds the analyses kept, in plots (program default).
const maxTrialCache = 20_000

// AnalyseTrial analyses a trial by its design. While its key is closed only those
// who may see who got what may ask: the answer tells.
func (a *App) AnalyseTrial(ctx context.Context, actor Actor, id string, q TrialQuestion) (TrialAnswer, error) {
	var out TrialAnswer
	if err := a.mayOn(ctx, actor, "AnalyseTrial", TypeTrial, id); err != nil {
		return out, err
	}
	v, err := a.trial(ctx, actor, id)
	if err != nil {
		return out, err
	}
	if !v.Key {
		return out, &finding.Fault{Class: finding.Denied, ID: "trialapp-key-closed", Args: finding.Args{"role_by": finding.Text("role-" + string(keyRole))}}
	}
	out.TrialView, out.Question = v, q
	for _, x := range v.Variables {
		if x.Kind == VariableVisit && (v.Facts.On == "" || x.On <= v.Facts.On) {
			out.Covariates = append(out.Covariates, x.On)
		}
	}
	if len(v.Variables) == 0 {
		return out, nil
	}
	out.Variable = v.usual()
	if q.Variable != "" {
		i := slices.IndexFunc(v.Variables, func(x TrialVariable) bool { return x.ID == q.Variable })
		if i < 0 {
			return out, usage("trialapp-variable", finding.Args{"text": finding.Text(clip(q.Variable))})
		}
		out.Variable = v.Variables[i]
	}
	out.Question.Variable, out.Rated = out.Variable.ID, true
	return out, a.analyse(ctx, &out)
}

// usual is the variable that is analysed where none is asked for: the newest
// that was measured in at least half as many trees or plots as the one with the
// most, before what was worked out of it.
func (v *TrialView) usual() TrialVariable {
	most := 0
	for _, x := range v.Variables {
		most = max(most, x.Rated)
	}
	for i := len(v.Variables) - 1; i >= 0; i-- {
		if x := v.Variables[i]; x.Kind != VariableProgress && 2*x.Rated >= most {
			return x
		}
	}
	return v.Variables[len(v.Variables)-1]
}

func (a *App) analyse(ctx context.Context, out *TrialAnswer) error {
	l := out.Facts.Layout
	rows := out.rowsOf(out.Variable)
	if on := out.Question.Covariate; on != "" {
		if !slices.Contains(out.Covariates, on) || out.Variable.Kind == VariableVisit && out.Variable.On == on {
			return usage("trialapp-covariate", finding.Args{"date": finding.Text(clip(on))})
		}
		before := map[string]*float64{}
		for _, r := range out.rowsOf(TrialVariable{Kind: VariableVisit, On: on}) {
			before[r.Tree] = r.Value
		}
		for i := range rows {
			if rows[i].Tree == "" {
				return usage("trialapp-covariate-plots", nil)
			}
			rows[i].Covariate = before[rows[i].Tree]
			if rows[i].Covariate == nil { // nothing to adjust by
				if rows[i].Value != nil {
					rows[i].Reason = cmp.Or(rows[i].Reason, TreeMissed)
				}
				rows[i].Value = nil
			}
		}
	}
	var err error
	if out.Rows, err = l.Assign(rows); err != nil {
		return err
	}
	o := trial.Options{Design: l.Design, Control: l.Control, Scale: out.Variable.Scale, Transform: trial.Transform(orElse(out.Question.Transform, string(trial.Plain))), Compare: out.Question.Compare,
		Confidence: 0.95, Unit: l.Unit, Covariate: out.Question.Covariate != "", Permutations: permutations, Order: slices.Concat(l.Treatments, l.Subs), Seed: l.Seed}
	key, err := keyOf(out.Rows, o)
	if err != nil {
		return damaged(err)
	}
	out.Analysis, err = a.cache.trials.get(ctx, key, maxTrialCache, func() (trial.Analysis, int, error) {
		x, err := trial.Analyse(out.Rows, o)
		return x, len(l.Plots), err
	})
	return ofAnalysis(err)
}

// ofAnalysis turns faults of an analysis, which speak of rows of a file, into
// faults of the request.
func ofAnalysis(err error) error {
	if err == nil {
		return nil
	}
	fs := finding.AsFaults(err)
	out := make(finding.Faults, len(fs))
	for i, f := range fs {
		c := *f
		if c.Class == finding.BadInput {
			c.Class, c.Where = finding.Usage, finding.Where{}
		}
		out[i] = &c
	}
	return out
}

// groupsOfLayout are the trees of each treatment of a layout, the combinations in a split
// plot.
func groupsOfLayout(l trial.Layout) []TreatmentGroup {
	by := map[string]string{}
	for _, p := range l.Plots {
		for _, t := range p.Trees {
			by[t] = p.Name()
		}
	}
	return grouped(by)
}

// Variation is how much the trees of a block differ apart from what they got, on
// one visit.
type Variation struct {
	trial.Variation
	On    string
	Trial string // name of the trial whose blocks and plots were taken; empty: runs of neighbours
	Run   int    // trees of such a run
	Days  []string
}

// leastRun is how many neighbours make a block where no trial gives one (program
// default).
const leastRun = 4

// TrialVariation estimates from the ratings of a visit, by default the last, how
// much trees differ: between blocks, plots and trees. Where the trees are those
// of a trial its blocks and plots count, else runs of neighbours in the order of
// tags; treatments are those of the trial or of the follow-up.
func (a *App) TrialVariation(ctx context.Context, actor Actor, block, on string) (Variation, error) {
	var out Variation
	if err := a.mayOn(ctx, actor, "TrialVariation", TypeBlock, block); err != nil {
		return out, err
	}
	visits, err := list[VisitFacts](ctx, a.Store, Query{Type: TypeVisit, Parent: block})
	if err != nil {
		return out, err
	}
	var visit *VisitFacts
	for i := range visits {
		f := &visits[i].Facts
		if !slices.ContainsFunc(f.Rows, func(r VisitRow) bool { return r.Rating != nil }) {
			continue
		}
		out.Days = append(out.Days, f.On)
		if on == "" || f.On == on {
			visit = f
		}
	}
	if visit == nil {
		return out, usage("trialapp-no-ratings", nil)
	}
	out.On = visit.On
	trials, err := list[TrialFacts](ctx, a.Store, Query{Type: TypeTrial, Parent: block})
	if err != nil {
		return out, err
	}
	f, err := a.follow(ctx, a.Store, block)
	if err != nil {
		return out, err
	}
	var rows []trial.Rated
	for i := len(trials) - 1; i >= 0 && len(rows) < 3; i-- {
		v := TrialView{Trial: trials[i], Visits: visits}
		rows, out.Trial = nil, v.Facts.Name
		for _, r := range v.rowsOf(TrialVariable{Kind: VariableVisit, On: visit.On}) { // those dead of the disease count in full
			if p, in := v.Facts.Layout.PlotOf(r.Tree); in && r.Value != nil {
				rows = append(rows, trial.Rated{Treatment: p.Name(), Block: p.Block, Plot: strconv.Itoa(p.Plot), Value: *r.Value})
			}
		}
	}
	if len(rows) < 3 {
		rows, out.Trial = nil, ""
		by, full := f.Facts.byTree(), (&TrialView{Visits: visits}).full()
		values := map[string]float64{}
		for _, v := range visits {
			for _, r := range v.Facts.Rows {
				switch {
				case v.Facts.On <= visit.On && r.Status == TreeDead:
					values[r.Tree] = full
				case v.Facts.On == visit.On && r.Rating != nil:
					values[r.Tree] = *r.Rating
				}
			}
		}
		out.Run = max(leastRun, (len(values)+59)/60)
		for _, tag := range sorted(values) {
			rows = append(rows, trial.Rated{Treatment: by[tag], Block: strconv.Itoa(len(rows) / out.Run), Value: values[tag]})
		}
	}
	if out.Variation, err = trial.Vary(rows); err != nil {
		return out, err
	}
	names := make([]string, len(out.Means))
	for i, m := range out.Means {
		names[i] = m.Treatment
	}
	control := health.Reference(names)
	slices.SortStableFunc(out.Means, func(x, y trial.RatedMean) int { // the control first, as Power asks for it
		switch {
		case x.Treatment == y.Treatment:
			return 0
		case x.Treatment == control:
			return -1
		case y.Treatment == control:
			return 1
		}
		return 0
	})
	return out, nil
}

// Bounds of the simulations in the app (program defaults): about a minute of one
// processor at most.
const (
	maxPowerSims   = 5000
	MostReplicates = 40
)

// TrialPower simulates a planned trial and its analysis. progress, where given,
// is told how far it is; the context stops it.
func (a *App) TrialPower(ctx context.Context, actor Actor, block string, q trial.PowerRequest, progress func(done, of int64)) (trial.PowerReport, error) {
	if err := a.mayOn(ctx, actor, "TrialPower", TypeBlock, block); err != nil {
		return trial.PowerReport{}, err
	}
	if q.Sims > maxPowerSims || q.To > MostReplicates || q.TreesPerPlot > 100 {
		return trial.PowerReport{}, usage("trialapp-power-bounds", finding.Args{"sims": finding.Count(maxPowerSims), "to": finding.Count(MostReplicates)})
	}
	if progress != nil {
		q.Progress = func(done, of int) { progress(int64(done), int64(of)) }
	}
	r, err := trial.Power(ctx, q)
	if err != nil && ctx.Err() == nil {
		return r, ofForm(err)
	}
	return r, err
}
