package app

import (
	"bytes"
	"cmp"
	"context"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/follow/trial"
	"sapward/measure/civil"
)

// AssessmentFacts are what was measured in a trial on a day, apart from the
// ratings of the block's visits: a figure of each tree or plot. They name no
// treatment.
type AssessmentFacts struct {
	Variable string        `json:"variable"`        // what was measured
	Scale    string        `json:"scale,omitempty"` // number or percent
	On       string        `json:"on"`
	Rows     []AssessedRow `json:"rows"`
	Note     string        `json:"note,omitempty"`
}

// AssessedRow is the figure of one tree, or of a whole plot where Tree is empty.
// Without Value it is missing, and Reason may say why.
type AssessedRow struct {
	Plot   int      `json:"plot"`
	Tree   string   `json:"tree,omitempty"`
	Value  *float64 `json:"value,omitempty"`
	Reason string   `json:"reason,omitempty"`
}

// Assessment is an assessment as it is kept. Its parent is the trial.
type Assessment = Kept[AssessmentFacts]

func (f *AssessmentFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "variable", &f.Variable, 60)
	need(&faults, "variable", f.Variable)
	words(&faults, "note", &f.Note, 2000)
	choice(&faults, "scale", &f.Scale, string(trial.Number), string(trial.Percent))
	f.Scale = orElse(f.Scale, string(trial.Number))
	day(&faults, "on", &f.On)
	need(&faults, "on", f.On)
	if len(f.Rows) == 0 || len(f.Rows) > maxVisitRows {
		faults = append(faults, usage("follow-visit-rows", finding.Args{"most": finding.Count(maxVisitRows)}))
	}
	some := false
	for i := range f.Rows {
		r := &f.Rows[i]
		words(&faults, "reason", &r.Reason, 200)
		if r.Value == nil {
			continue
		}
		some = true
		switch v := *r.Value; {
		case math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) > 1e12:
			faults = append(faults, usage("trialapp-value", finding.Args{"plot": finding.Count(r.Plot), "tree": finding.Text(r.Tree)}))
		case f.Scale == string(trial.Percent) && (v < 0 || v > 100):
			faults = append(faults, usage("trialapp-percent", finding.Args{"plot": finding.Count(r.Plot), "tree": finding.Text(r.Tree), "value": finding.Number(v, "")}))
		}
	}
	if !some && len(f.Rows) > 0 {
		faults = append(faults, usage("trialapp-no-value", nil))
	}
	return faults.OrNil()
}

// AssessTrial keeps what was measured in a trial on a day. More of the same
// variable and day adds to what is kept; a figure that is told differently is a
// fault.
func (a *App) AssessTrial(ctx context.Context, actor Actor, id string, f AssessmentFacts) (Assessment, error) {
	if err := a.mayOn(ctx, actor, "AssessTrial", TypeTrial, id); err != nil {
		return Assessment{}, err
	}
	return a.assess(ctx, actor, id, Added, f)
}

func (a *App) assess(ctx context.Context, actor Actor, id, verb string, f AssessmentFacts) (out Assessment, err error) {
	if err := f.tidy(); err != nil {
		return out, err
	}
	err = a.Store.InTx(ctx, func(tx Tx) error {
		t, err := get[TrialFacts](ctx, tx, TypeTrial, id)
		if err != nil {
			return err
		}
		var faults finding.Faults
		e, err := get[EstateFacts](ctx, tx, TypeEstate, t.Estate)
		if err != nil {
			return err
		}
		if on, err := civil.Parse(f.On); err == nil && civil.Of(a.Now().In(e.Facts.Location())).Before(on) {
			faults = append(faults, usage("follow-visit-future", finding.Args{"date": finding.Text(f.On)}))
		}
		faults = append(faults, f.place(t.Facts.Layout)...)
		c := Change{Type: TypeAssessment, Verb: verb, ID: a.NewID(), Estate: t.Estate, Parent: id, Sort: f.On, Version: 1}
		had, err := list[AssessmentFacts](ctx, tx, Query{Type: TypeAssessment, Parent: id})
		if err != nil {
			return err
		}
		for _, h := range had {
			if h.Facts.On == f.On && strings.EqualFold(h.Facts.Variable, f.Variable) {
				merged, bad := h.Facts.with(f)
				faults = append(faults, bad...)
				c.ID, c.Version, f = h.ID, h.Version+1, merged
				if verb == Added {
					c.Verb = Changed
				}
				out = h
			}
		}
		faults = append(faults, f.twofold()...)
		if err := faults.OrNil(); err != nil {
			return err
		}
		if c.Version > 1 {
			was, err := encode(out.Facts)
			if err != nil {
				return err
			}
			if now, err := encode(f); err != nil || string(now) == string(was) {
				return err // told before
			}
		}
		out, err = write(ctx, tx, actor, c, f)
		return err
	})
	return out, err
}

// place finds the plot of every row and puts the rows in order.
func (f *AssessmentFacts) place(l trial.Layout) (faults finding.Faults) {
	of := map[string]int{}
	for _, p := range l.Plots {
		for _, t := range p.Trees {
			of[t] = p.Plot
		}
	}
	seen := map[AssessedRow]bool{}
	for i := range f.Rows {
		r := &f.Rows[i]
		args := finding.Args{"plot": finding.Text(strconv.Itoa(r.Plot)), "tree": finding.Text(clip(r.Tree))}
		plot, there := of[r.Tree]
		switch {
		case r.Tree != "" && !there:
			faults = append(faults, usage("trialapp-tree-not-laid", args))
			continue
		case r.Tree != "" && r.Plot == 0:
			r.Plot = plot
		case r.Tree != "" && r.Plot != plot:
			faults = append(faults, usage("trialapp-tree-other-plot", args))
			continue
		case r.Plot < 1 || r.Plot > len(l.Plots):
			faults = append(faults, usage("trialapp-plot-not-laid", args))
			continue
		}
		key := AssessedRow{Plot: r.Plot, Tree: r.Tree}
		if seen[key] {
			faults = append(faults, usage("trialapp-twice", args))
		}
		seen[key] = true
	}
	sortAssessed(f.Rows)
	return faults
}

// twofold refuses plots that have a figure of their own and figures of trees.
func (f AssessmentFacts) twofold() (faults finding.Faults) {
	whole, said := map[int]bool{}, map[int]bool{}
	for _, r := range f.Rows {
		whole[r.Plot] = whole[r.Plot] || r.Tree == ""
	}
	for _, r := range f.Rows {
		if r.Tree != "" && whole[r.Plot] && !said[r.Plot] {
			said[r.Plot] = true
			faults = append(faults, usage("trialapp-whole-and-tree", finding.Args{"plot": finding.Count(r.Plot)}))
		}
	}
	return faults
}

func sortAssessed(rows []AssessedRow) {
	slices.SortStableFunc(rows, func(x, y AssessedRow) int {
		return cmp.Or(cmp.Compare(x.Plot, y.Plot), strings.Compare(SortKey(x.Tree), SortKey(y.Tree)))
	})
}

// with adds the rows of another entry of the same variable and day.
func (f AssessmentFacts) with(more AssessmentFacts) (AssessmentFacts, finding.Faults) {
	out := f
	out.Rows = slices.Clone(f.Rows)
	out.Note = orElse(f.Note, more.Note)
	var faults finding.Faults
	if f.Scale != more.Scale {
		faults = append(faults, usage("trialapp-scale", finding.Args{"variable": finding.Text(f.Variable)}))
	}
	at := map[AssessedRow]int{}
	for i, r := range out.Rows {
		at[AssessedRow{Plot: r.Plot, Tree: r.Tree}] = i
	}
	for _, r := range more.Rows {
		i, there := at[AssessedRow{Plot: r.Plot, Tree: r.Tree}]
		switch {
		case !there:
			out.Rows = append(out.Rows, r)
		case out.Rows[i].Value == nil:
			out.Rows[i] = r
		case r.Value != nil && *r.Value != *out.Rows[i].Value:
			faults = append(faults, usage("trialapp-differs", finding.Args{"plot": finding.Count(r.Plot), "tree": finding.Text(r.Tree), "date": finding.Text(f.On)}))
		}
	}
	sortAssessed(out.Rows)
	return out, faults
}

// RetireAssessment takes an assessment out of use: entered by mistake.
func (a *App) RetireAssessment(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireAssessment", TypeAssessment, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeAssessment, id, version, reason)
}

// TrialReader is a FollowReader that also reads the results of a trial: the
// column named by value, and plot or tree.
type TrialReader interface {
	TrialResults(name string, data []byte, value string) ([]trial.Observation, error)
}

// ImportTrial reads the figures of an assessment from a table and keeps them, or
// says everything that is wrong with it at once. The same file twice changes
// nothing. Rows are compared with the layout; what they say of treatments only
// by who may see them.
func (a *App) ImportTrial(ctx context.Context, actor Actor, id string, f AssessmentFacts, name, column string, r io.Reader) (Assessment, error) {
	if err := a.mayOn(ctx, actor, "ImportTrial", TypeTrial, id); err != nil {
		return Assessment{}, err
	}
	reader, ok := a.Follow.(TrialReader)
	if !ok {
		return Assessment{}, usage("import-kind", finding.Args{"text": finding.Text("trial")})
	}
	var b bytes.Buffer
	if n, err := io.Copy(&b, io.LimitReader(r, maxFollowFile+1)); err != nil {
		return Assessment{}, err
	} else if n > maxFollowFile {
		return Assessment{}, usage("follow-file-large", finding.Args{"most": finding.Count(maxFollowFile >> 20)})
	}
	v, err := a.trial(ctx, actor, id)
	if err != nil {
		return Assessment{}, err
	}
	rows, err := reader.TrialResults(name, b.Bytes(), orElse(column, "value"))
	if err != nil {
		return Assessment{}, err
	}
	for i := range rows {
		if rows[i].Where.File == "" {
			rows[i].Where.File = name
		}
		if !v.Key { // a fault about a treatment would tell who got what
			rows[i].Treatment, rows[i].Block, rows[i].Sub = "", "", ""
		}
	}
	placed, err := v.Facts.Layout.Assign(rows)
	if err != nil {
		return Assessment{}, err
	}
	for i, r := range rows {
		plot, _ := strconv.Atoi(placed[i].Plot)
		f.Rows = append(f.Rows, AssessedRow{Plot: plot, Tree: r.Tree, Value: r.Value, Reason: r.Reason})
	}
	return a.assess(ctx, actor, id, Imported, f)
}

// What a trial can be analysed by.
const (
	VariableVisit      = "visit"      // rating on a visit; a tree dead of the disease counts in full
	VariableProgress   = "progress"   // mean severity of a season: AUDPC relative, percent
	VariableAssessment = "assessment" // a figure of its own
)

// TrialVariable is something a trial can be analysed by.
type TrialVariable struct {
	ID    string // kind, colon, day or identifier
	Kind  string
	Name  string // of an assessment
	On    string // day; first day of a season
	To    string // last day of a season
	Scale trial.Scale
	Rated int // trees with a value
}

// variables lists what the trial can be analysed by.
func (v *TrialView) variables() {
	plots := map[string]bool{}
	for _, p := range v.Facts.Layout.Plots {
		for _, t := range p.Trees {
			plots[t] = true
		}
	}
	for _, x := range v.Visits {
		if !slices.ContainsFunc(x.Facts.Rows, func(r VisitRow) bool {
			return plots[r.Tree] && (r.Rating != nil || r.Status == TreeDead)
		}) {
			continue
		}
		scale := trial.Percent
		if x.Facts.Scale == ScaleClass {
			scale = trial.Class
		}
		variable := TrialVariable{ID: VariableVisit + ":" + x.Facts.On, Kind: VariableVisit, On: x.Facts.On, Scale: scale}
		for _, r := range v.rowsOf(variable) { // those dead of the disease count too
			if r.Value != nil {
				variable.Rated++
			}
		}
		v.Variables = append(v.Variables, variable)
	}
	for _, s := range v.seasons() {
		n := 0
		for _, t := range s.Trees {
			if t.Relative != nil {
				n++
			}
		}
		if n > 0 {
			v.Variables = append(v.Variables, TrialVariable{ID: VariableProgress + ":" + s.From, Kind: VariableProgress, On: s.From, To: s.To, Scale: trial.Percent, Rated: n})
		}
	}
	for _, x := range v.Assessments {
		n := 0
		for _, r := range x.Facts.Rows {
			if r.Value != nil {
				n++
			}
		}
		v.Variables = append(v.Variables, TrialVariable{ID: VariableAssessment + ":" + x.ID, Kind: VariableAssessment, Name: x.Facts.Variable, On: x.Facts.On, Scale: trial.Scale(x.Facts.Scale), Rated: n})
	}
	slices.SortStableFunc(v.Variables, func(x, y TrialVariable) int { return strings.Compare(cmp.Or(x.To, x.On), cmp.Or(y.To, y.On)) })
}

// seasons are the disease progress of the trial's trees from the treatment on,
// by the code of the follow-up.
func (v *TrialView) seasons() []FollowSeason {
	f := FollowResult{}
	for _, x := range v.Visits {
		if x.Facts.On >= v.Facts.On {
			f.Visits = append(f.Visits, x)
		}
	}
	if len(f.Visits) < 2 {
		return nil
	}
	f.Zero, _ = civil.Parse(f.Visits[0].Facts.On)
	f.Follow.Facts.Groups = groupsOfLayout(v.Facts.Layout)
	trees := map[string]*fate{}
	f.tree(trees)
	f.progress(trees)
	return f.Seasons
}

// rowsOf are the trial's trees or plots with their values of a variable.
func (v *TrialView) rowsOf(x TrialVariable) []trial.Observation {
	var out []trial.Observation
	tree := func(plot trial.Plot, tag string, value *float64, reason string) {
		out = append(out, trial.Observation{Plot: strconv.Itoa(plot.Plot), Tree: tag, Value: value, Reason: reason})
	}
	each := func(value func(tag string) (*float64, string)) {
		for _, p := range v.Facts.Layout.Plots {
			for _, tag := range p.Trees {
				x, reason := value(tag)
				tree(p, tag, x, reason)
			}
		}
	}
	switch x.Kind {
	case VariableVisit:
		full := v.full()
		rated, over := map[string]*float64{}, map[string]string{}
		for _, visit := range v.Visits {
			for _, r := range visit.Facts.Rows {
				if visit.Facts.On <= x.On && (r.Status == TreeDead || r.Status == TreeRemoved) && over[r.Tree] == "" {
					over[r.Tree] = r.Status
				}
				if visit.Facts.On == x.On && r.Rating != nil {
					rated[r.Tree] = r.Rating
				}
			}
		}
		each(func(tag string) (*float64, string) {
			switch {
			case over[tag] == TreeDead:
				return &full, ""
			case over[tag] == TreeRemoved:
				return nil, TreeRemoved
			case rated[tag] == nil:
				return nil, TreeMissed
			}
			return rated[tag], ""
		})
	case VariableProgress:
		by := map[string]health.TreeProgress{}
		for _, s := range v.seasons() {
			if s.From == x.On {
				for _, t := range s.Trees {
					by[t.Tree] = t
				}
			}
		}
		each(func(tag string) (*float64, string) {
			t, there := by[tag]
			if !there || t.Relative == nil || !t.Complete {
				if t.End == TreeRemoved {
					return nil, TreeRemoved
				}
				return nil, TreeMissed
			}
			pct := 100 * *t.Relative
			return &pct, ""
		})
	case VariableAssessment:
		for _, a := range v.Assessments {
			if VariableAssessment+":"+a.ID != x.ID {
				continue
			}
			for _, r := range a.Facts.Rows {
				out = append(out, trial.Observation{Plot: strconv.Itoa(r.Plot), Tree: r.Tree, Value: r.Value, Reason: r.Reason})
			}
		}
	}
	return out
}

// full is the rating of a tree that is dead of the disease.
func (v *TrialView) full() float64 {
	full := 100.0
	for _, x := range v.Visits {
		if x.Facts.Scale == ScaleClass {
			full = 0
		}
	}
	if full == 0 {
		for _, x := range v.Visits {
			full = math.Max(full, x.Facts.TopClass)
		}
	}
	return full
}
