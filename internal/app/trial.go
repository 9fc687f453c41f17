package app

import (
	"context"
	"encoding/json"
	"math"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/measure/civil"
)

// TrialFacts are a trial of a block: its layout as it was dealt, which is never
// changed, and what its report tells of it.
type TrialFacts struct {
	Name   string            `json:"name"`
	On     string            `json:"on,omitempty"` // day of the treatment
	Layout trial.Layout      `json:"layout"`
	About  map[string]string `json:"about,omitempty"` // what the report tells of the place, by field
	Open   bool              `json:"open,omitempty"`  // everybody on the estate may see who got what
}

// Trial is a trial as it is kept. Its parent is the block.
type Trial = Kept[TrialFacts]

// TrialDesign asks for a trial of a block's own trees.
type TrialDesign struct {
	Name  string
	On    string
	Trees string // tags, a..b for a run of them and A* for all that begin so; empty: all of the block
	trial.Request
}

// TrialAbout are the fields that a trial's report asks for beside what is
// known, in its order.
var TrialAbout = []string{"purpose", "site", "coordinates", "species", "cultivar", "rootstock", "spacing", "training", "height", "age", "bearing", "soil", "fertiliser", "irrigation",
	"growth", "gross_plot", "net_plot", "guard", "test_product", "reference_product", "application", "target", "infection", "variables", "dates", "assessor", "weather",
	"phytotoxicity", "wounds", "deviations"}

// Bounds of a trial in the app (program defaults): the analysis solves for every
// block and grows with their square.
const (
	maxTrialTrees = 20_000
	maxTrialPlots = 1200
)

// keyRole is the least role that sees who got what while the key of a trial is
// closed: those who design and those who treat. Whoever only rates does not.
const keyRole = CrewLead

func (f *TrialFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "name", &f.Name, 80)
	need(&faults, "name", f.Name)
	day(&faults, "treated-on", &f.On)
	for k, v := range f.About {
		if !slices.Contains(TrialAbout, k) {
			delete(f.About, k)
			continue
		}
		words(&faults, "note", &v, 2000)
		if f.About[k] = v; v == "" {
			delete(f.About, k)
		}
	}
	return faults.OrNil()
}

// mayKey reports whether a person sees who got what.
func (a *App) mayKey(ctx context.Context, actor Actor, t Trial) (bool, error) {
	if t.Facts.Open {
		return true, nil
	}
	role, err := a.role(ctx, a.Store, actor, t.Estate)
	return role.Allows(keyRole), err
}

// TrialView is a trial with what is known of it. Without Key its layout names no
// treatment, letter or block.
type TrialView struct {
	Trial
	Block       Block
	Estate      Estate
	Key         bool
	Today       civil.Date
	Visits      []Visit // of the block, oldest first
	Assessments []Assessment
	Variables   []TrialVariable // that can be analysed, oldest first
}

// Trials returns the trials of an estate, or with block those of one block,
// newest first.
func (a *App) Trials(ctx context.Context, actor Actor, estate, block string) ([]Trial, error) {
	if err := a.may(ctx, actor, "Trials", estate); err != nil {
		return nil, err
	}
	q := Query{Type: TypeTrial, Estate: estate, Parent: block}
	all, err := list[TrialFacts](ctx, a.Store, q)
	if err != nil {
		return nil, err
	}
	slices.Reverse(all)
	for i := range all {
		key, err := a.mayKey(ctx, actor, all[i])
		if err != nil {
			return nil, err
		}
		if !key {
			all[i].Facts.Layout = all[i].Facts.Layout.Blind()
		}
	}
	return all, nil
}

// Trial returns one trial.
func (a *App) Trial(ctx context.Context, actor Actor, id string) (TrialView, error) {
	if err := a.mayOn(ctx, actor, "Trial", TypeTrial, id); err != nil {
		return TrialView{}, err
	}
	v, err := a.trial(ctx, actor, id)
	if err == nil && !v.Key {
		v.Facts.Layout = v.Facts.Layout.Blind()
	}
	return v, err
}

// trial reads a trial with its key, whoever asks.
func (a *App) trial(ctx context.Context, actor Actor, id string) (v TrialView, err error) {
	if v.Trial, err = get[TrialFacts](ctx, a.Store, TypeTrial, id); err != nil {
		return v, err
	}
	if v.Key, err = a.mayKey(ctx, actor, v.Trial); err != nil {
		return v, err
	}
	if v.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, v.Parent); err != nil {
		return v, err
	}
	if v.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, v.Block.Parent); err != nil {
		return v, err
	}
	v.Today = civil.Of(a.Now().In(v.Estate.Facts.Location()))
	if v.Visits, err = list[VisitFacts](ctx, a.Store, Query{Type: TypeVisit, Parent: v.Parent}); err != nil {
		return v, err
	}
	if v.Assessments, err = list[AssessmentFacts](ctx, a.Store, Query{Type: TypeAssessment, Parent: id}); err != nil {
		return v, err
	}
	v.variables()
	return v, nil
}

// DesignTrial lays out a trial of a block's trees and keeps it. What is wrong is
// said all at once.
func (a *App) DesignTrial(ctx context.Context, actor Actor, block string, d TrialDesign) (Trial, error) {
	if err := a.mayOn(ctx, actor, "DesignTrial", TypeBlock, block); err != nil {
		return Trial{}, err
	}
	f := TrialFacts{Name: d.Name, On: d.On, Open: !d.Blinded}
	faults := finding.AsFaults(f.tidy())
	sites, err := a.sites(ctx, block, d.Trees)
	if err != nil {
		faults = append(faults, finding.AsFaults(err)...)
	}
	for _, x := range faults {
		if x.Class != finding.Usage && x.Class != finding.BadInput {
			return Trial{}, faults
		}
	}
	for i, name := range d.Treatments {
		d.Treatments[i] = strings.TrimSpace(name)
		words(&faults, "treatments", &d.Treatments[i], maxTreatment)
	}
	if len(sites) > 0 {
		if f.Layout, err = trial.LayOut(sites, d.Request); err != nil {
			faults = append(faults, ofForm(err)...)
		}
	}
	if n := len(f.Layout.Plots); n > maxTrialPlots {
		faults = append(faults, usage("trialapp-plots", finding.Args{"count": finding.Count(n), "most": finding.Count(maxTrialPlots)}))
	}
	if err := faults.OrNil(); err != nil {
		return Trial{}, err
	}
	if err := a.elsewhere(ctx, block, &f.Layout); err != nil {
		return Trial{}, err
	}
	estate, err := a.estateOf(ctx, TypeBlock, block)
	if err != nil {
		return Trial{}, err
	}
	sort := f.On
	if sort == "" {
		sort = a.Now().UTC().Format("2006-01-02")
	}
	return add(ctx, a, actor, Change{Type: TypeTrial, Estate: estate, Parent: block, Sort: sort}, f)
}

// ofForm turns faults of the layout, which speak of options, into faults of the
// fields of a form.
func ofForm(err error) (out finding.Faults) {
	var lacking *finding.Fault
	for _, f := range finding.AsFaults(err) {
		c := *f
		c.Where, c.Class = finding.Where{}, finding.Usage
		option := f.Args["option"].Text
		switch f.ID {
		case "trial-option-range":
			c.ID = "trialapp-range"
		case "trial-option-unknown":
			c.ID = "trialapp-choice"
		case "trial-key-missing": // of every tree: said once
			if lacking == nil {
				lacking = usage("trialapp-key-missing", finding.Args{"tree": f.Args["tree"], "what_by": finding.Text("trialapp-by-" + f.Args["what"].Text), "field_by": finding.Text("field-block-by")})
				out = append(out, lacking)
			}
			n := lacking.Args["count"].Number
			lacking.Args["count"] = finding.Number(n+1, "")
			continue
		}
		if option != "" {
			c.Args = finding.Args{"field_by": finding.Text("field-" + option)}
			for k, v := range f.Args {
				c.Args[k] = v
			}
		}
		for id, field := range map[string]string{"trial-name-twice": "treatments", "trial-treatments-count": "treatments", "trial-subs-count": "subs", "trial-subs-without-split": "subs",
			"trial-control-unknown": "control", "trial-few-trees": "replicates", "trial-unit-tree": "trees-per-plot"} {
			if f.ID == id {
				args := finding.Args{"field_by": finding.Text("field-" + field)}
				for k, v := range c.Args {
					args[k] = v
				}
				c.Args = args
			}
		}
		out = append(out, &c)
	}
	return out
}

// elsewhere notes trees of the layout that another trial of the block has too.
func (a *App) elsewhere(ctx context.Context, block string, l *trial.Layout) error {
	others, err := list[TrialFacts](ctx, a.Store, Query{Type: TypeTrial, Parent: block})
	if err != nil {
		return err
	}
	for _, o := range others {
		note := finding.Finding{ID: "trialapp-elsewhere", Severity: finding.Warning, Authority: finding.ByPractice, Args: finding.Args{"trial": finding.Text(o.Facts.Name)}}
		in := map[string]bool{}
		for _, p := range o.Facts.Layout.Plots {
			for _, t := range p.Trees {
				in[t] = true
			}
		}
		for _, p := range l.Plots {
			for _, t := range p.Trees {
				if in[t] {
					note.AddTree(t)
				}
			}
		}
		if note.TreeCount > 0 {
			l.Notes = append(l.Notes, note)
		}
	}
	finding.Sort(l.Notes)
	return nil
}

// sites are the trees of a block that a trial may use, in the order of tags:
// those that are named, or all. The distance to the nearest infected tree counts
// every tree of the block.
func (a *App) sites(ctx context.Context, block, named string) ([]trial.Site, error) {
	var all []trial.Site
	var globe [][2]float64
	err := a.Store.EachTree(ctx, block, func(states []State) error {
		facts, err := decodeAll[TreeFacts](states)
		if err != nil {
			return err
		}
		for i := range facts {
			f := &facts[i]
			s := trial.Site{Tree: f.Tag, X: f.XM, Y: f.YM, Infected: f.Status == "symptomatic" || f.Status == "dead"}
			s.Unfit = s.Infected || f.Status == "suspect"
			if d := f.Diameter(); d > 0 {
				s.SizeCM = &d
			}
			if v, ok := decimal(f.CrownLossPct); ok {
				x := v.Float()
				s.CrownClass = &x
			}
			at := [2]float64{math.NaN(), math.NaN()}
			if f.XM == nil && f.Lat != nil && f.Lon != nil {
				at = [2]float64{*f.Lat, *f.Lon}
			}
			all, globe = append(all, s), append(globe, at)
		}
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	flat(all, globe)
	all = trial.Distances(all)
	pick, err := picked(named, func(visit func(string)) {
		for _, s := range all {
			visit(s.Tree)
		}
	})
	if err != nil {
		return nil, err
	}
	if pick != nil {
		all = slices.DeleteFunc(all, func(s trial.Site) bool { return !pick[s.Tree] })
	}
	if len(all) == 0 || len(all) > maxTrialTrees {
		return nil, usage("trialapp-trees", finding.Args{"count": finding.Count(len(all)), "most": finding.Count(maxTrialTrees), "field_by": finding.Text("field-trial-trees")})
	}
	return all, nil
}

// flat gives trees in degrees a place in metres, east and north of the first:
// an arc of 1 degree of a great circle is 6371 km * pi/180 (mean radius of the
// earth, from memory).
func flat(sites []trial.Site, globe [][2]float64) {
	const arc = 6_371_000 * math.Pi / 180
	first := -1
	for i := range sites {
		if math.IsNaN(globe[i][0]) {
			continue
		}
		if first < 0 {
			first = i
		}
		x := arc * math.Cos(globe[first][0]*math.Pi/180) * (globe[i][1] - globe[first][1])
		y := arc * (globe[i][0] - globe[first][0])
		sites[i].X, sites[i].Y = &x, &y
	}
}

// maxRanges bounds the words of a choice of trees that may be runs (program
// default).
const maxRanges = 500

// picked reads a choice of trees: tags parted by blanks or commas, a..b for all
// from a to b in the order of tags, A* for all that begin so. Nil: all.
func picked(text string, each func(func(string))) (map[string]bool, error) {
	words := strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' || r == ' ' || r == '\n' || r == '\t' || r == '\r' })
	if len(words) == 0 {
		return nil, nil
	}
	out, known := map[string]bool{}, map[string]bool{}
	each(func(tag string) { known[tag] = true })
	var faults finding.Faults
	ranges := 0
	for _, w := range words {
		from, to, run := strings.Cut(w, "..")
		begin, all := strings.CutSuffix(w, "*")
		found := known[w]
		if found {
			out[w] = true
		}
		if ranges++; !found && (run || all) && ranges <= maxRanges {
			low, high := SortKey(from), SortKey(to)
			each(func(tag string) {
				k := SortKey(tag)
				if run && k >= low && k <= high || !run && strings.HasPrefix(tag, begin) {
					out[tag], found = true, true
				}
			})
		}
		if !found && len(faults) < 20 {
			faults = append(faults, usage("trialapp-tree-unknown", finding.Args{"tree": finding.Text(clip(w)), "field_by": finding.Text("field-trial-trees")}))
		}
	}
	return out, faults.OrNil()
}

// ChangeTrial keeps a new name, the day of the treatment and what the report
// tells; the layout stays.
func (a *App) ChangeTrial(ctx context.Context, actor Actor, id string, version int, name, on string, about map[string]string) (Trial, error) {
	if err := a.mayOn(ctx, actor, "ChangeTrial", TypeTrial, id); err != nil {
		return Trial{}, err
	}
	t, err := get[TrialFacts](ctx, a.Store, TypeTrial, id)
	if err != nil {
		return Trial{}, err
	}
	f := t.Facts
	f.Name, f.On, f.About = name, on, about
	if err := f.tidy(); err != nil {
		return Trial{}, err
	}
	return change(ctx, a, actor, TypeTrial, Changed, id, version, f.On, "", f)
}

// OpenTrialKey lets everybody on the estate see who got what and what came of
// it: the rating is over. It is not closed again, for it has been seen.
func (a *App) OpenTrialKey(ctx context.Context, actor Actor, id string, version int) (Trial, error) {
	if err := a.mayOn(ctx, actor, "OpenTrialKey", TypeTrial, id); err != nil {
		return Trial{}, err
	}
	t, err := get[TrialFacts](ctx, a.Store, TypeTrial, id)
	if err != nil {
		return Trial{}, err
	}
	f := t.Facts
	f.Open = true
	return change(ctx, a, actor, TypeTrial, Changed, id, version, "", "", f)
}

// RetireTrial takes a trial out of use: laid out by mistake, or given up.
func (a *App) RetireTrial(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireTrial", TypeTrial, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeTrial, id, version, reason)
}

// blinded is an event as somebody may read it who may not see who got what: a
// trial without its key, a block's treatments without their trees.
func (a *App) blinded(ctx context.Context, actor Actor, e Event) (Event, error) {
	if e.Type != TypeTrial && e.Type != TypeFollow {
		return e, nil
	}
	role, err := a.role(ctx, a.Store, actor, e.Estate)
	if err != nil || role.Allows(keyRole) {
		return e, err
	}
	var body any
	if e.Type == TypeFollow {
		var f FollowFacts
		if err := json.Unmarshal(e.Body, &f); err != nil {
			return e, err
		}
		for i := range f.Groups {
			f.Groups[i].Trees = nil
		}
		body = f
	} else {
		t, err := get[TrialFacts](ctx, a.Store, TypeTrial, e.Entity) // open today is open for its past
		if err != nil {
			return e, err
		}
		if t.Facts.Open {
			return e, nil
		}
		var f TrialFacts
		if err := json.Unmarshal(e.Body, &f); err != nil {
			return e, err
		}
		f.Layout = f.Layout.Blind()
		body = f
	}
	e.Body, err = encode(body)
	return e, err
}
