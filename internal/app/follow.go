package app

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/measure/civil"
)

// FollowFacts are how a block is followed: day 0, which tree got what, and what
// the residue is judged by. There is one a block.
type FollowFacts struct {
	DayZero       string           `json:"day_zero,omitempty"` // the treatment: days are counted from it
	Groups        []TreatmentGroup `json:"groups,omitempty"`
	EffectiveMgKg *float64         `json:"effective_mg_kg,omitempty"` // under it the tree is to be treated again
	IntervalD     *float64         `json:"interval_d,omitempty"`      // least days between two treatments, from the card
	NextVisit     string           `json:"next_visit,omitempty"`
	Counts        []CountFacts     `json:"counts,omitempty"`
	Note          string           `json:"note,omitempty"`
}

// TreatmentGroup is the trees of one treatment, by tag.
type TreatmentGroup struct {
	Treatment string   `json:"treatment"`
	Trees     []string `json:"trees"`
}

// CountFacts are one row of a table of counts.
type CountFacts struct {
	Role   string   `json:"role"`
	Block  string   `json:"block,omitempty"`
	Before *float64 `json:"before,omitempty"`
	After  *float64 `json:"after,omitempty"`
	Dead   *float64 `json:"dead,omitempty"`
	Total  *float64 `json:"total,omitempty"`
}

// Follow is how a block is followed, as it is kept. Its parent is the block.
type Follow = Kept[FollowFacts]

// Scales of ratings.
const (
	ScalePercent = "percent"
	ScaleClass   = "class"
)

// What a visit found of a tree.
const (
	TreeSeen    = ""        // rated
	TreeMissed  = "missed"  // not rated
	TreeAlive   = "alive"   // looked at, not rated
	TreeDead    = "dead"    // its cause says of what; none: of the disease
	TreeRemoved = "removed" // for another reason
)

// VisitFacts are what was seen of a block's trees on a day.
type VisitFacts struct {
	On       string     `json:"on"`
	Scale    string     `json:"scale,omitempty"`     // of the ratings: percent or class
	TopClass float64    `json:"top_class,omitempty"` // of a scale of classes
	Rows     []VisitRow `json:"rows"`
	Note     string     `json:"note,omitempty"`
}

// VisitRow is one tree of a visit.
type VisitRow struct {
	Tree   string   `json:"tree"`
	Rating *float64 `json:"rating,omitempty"` // percent, or class of the visit's scale
	Status string   `json:"status,omitempty"`
	// Cause is on health.Causes; words beside "other" stand in CauseNote.
	Cause     string     `json:"cause,omitempty"`
	CauseNote string     `json:"cause_note,omitempty"`
	Ports     []PortLook `json:"ports,omitempty"`
}

// PortLook is how far the wound of one port has closed.
type PortLook struct {
	Port   string   `json:"port,omitempty"`
	Pct    *float64 `json:"closure_pct,omitempty"`
	Closed *bool    `json:"closed,omitempty"`
}

// cause settles what made the tree ill: words that are not on the list stand
// beside "other", as they were written before there was a list.
func (r *VisitRow) cause(faults *finding.Faults) {
	words(faults, "cause", &r.Cause, 200)
	words(faults, "cause", &r.CauseNote, 200)
	if !health.Cause(r.Cause).Known() {
		r.CauseNote, r.Cause = orElse(r.CauseNote, r.Cause), string(health.CauseOther)
	}
	if r.Cause != string(health.CauseOther) {
		r.CauseNote = ""
	}
}

// died reports whether the row tells of a death that counts in survival.
func (r VisitRow) died() bool { return r.Status == TreeDead && health.Cause(r.Cause).Death() }

// Visit is a visit as it is kept. Its parent is the block.
type Visit = Kept[VisitFacts]

// AssayFacts are one sample that a laboratory measured. Without MgKg nothing was
// found above the detection limit.
type AssayFacts struct {
	Tree       string   `json:"tree"`
	On         string   `json:"on"`
	MgKg       *float64 `json:"mg_kg,omitempty"`
	LimitMgKg  *float64 `json:"detection_limit_mg_kg,omitempty"`
	Tissue     string   `json:"tissue,omitempty"`
	HeightM    *float64 `json:"height_m,omitempty"`
	AzimuthDeg *float64 `json:"azimuth_deg,omitempty"`
	Limb       string   `json:"limb,omitempty"`
}

// KeptAssay is a sample as it is kept. Its parent is the block.
type KeptAssay = Kept[AssayFacts]

// Most that one visit and one block's groups may hold (program defaults).
const (
	maxVisitRows  = 120_000
	maxTreatments = 50
	maxTreatment  = 60
	maxClass      = 1000
	maxPortLooks  = 400
)

func (f *FollowFacts) tidy() error {
	var faults finding.Faults
	day(&faults, "day-zero", &f.DayZero)
	day(&faults, "next-visit", &f.NextVisit)
	words(&faults, "note", &f.Note, 2000)
	positive := func(field string, x *float64, most float64) {
		if x != nil && !(*x > 0 && *x <= most) {
			faults = append(faults, usage("follow-number", finding.Args{"field_by": finding.Text("field-" + field), "most": finding.Number(most, "")}))
		}
	}
	positive("effective-mg-kg", f.EffectiveMgKg, 1e6)
	if f.IntervalD != nil && *f.IntervalD != 0 {
		positive("interval-d", f.IntervalD, 36_525)
	}
	if len(f.Groups) > maxTreatments {
		faults = append(faults, usage("follow-treatments", finding.Args{"most": finding.Count(maxTreatments)}))
	}
	in := map[string]string{}
	for i := range f.Groups {
		g := &f.Groups[i]
		words(&faults, "treatment", &g.Treatment, maxTreatment)
		need(&faults, "treatment", g.Treatment)
		for _, t := range g.Trees {
			if was, twice := in[t]; twice && was != g.Treatment {
				faults = append(faults, usage("follow-tree-twice", finding.Args{"tree": finding.Text(clip(t)), "treatment": finding.Text(g.Treatment), "other": finding.Text(was)}))
			}
			in[t] = g.Treatment
		}
	}
	return faults.OrNil()
}

func (f *VisitFacts) tidy() error {
	var faults finding.Faults
	day(&faults, "on", &f.On)
	need(&faults, "on", f.On)
	words(&faults, "note", &f.Note, 2000)
	choice(&faults, "scale", &f.Scale, ScalePercent, ScaleClass)
	f.Scale = orElse(f.Scale, ScalePercent)
	most := 100.0
	if f.Scale == ScaleClass {
		most = cmp.Or(f.TopClass, maxClass)
		if f.TopClass != 0 && !(f.TopClass >= 1 && f.TopClass <= maxClass) {
			faults = append(faults, usage("follow-number", finding.Args{"field_by": finding.Text("field-top-class"), "most": finding.Number(maxClass, "")}))
		}
	}
	if len(f.Rows) == 0 || len(f.Rows) > maxVisitRows {
		faults = append(faults, usage("follow-visit-rows", finding.Args{"most": finding.Count(maxVisitRows)}))
	}
	seen := map[string]bool{}
	for i := range f.Rows {
		r := &f.Rows[i]
		words(&faults, "tag", &r.Tree, maxTag)
		need(&faults, "tag", r.Tree)
		r.cause(&faults)
		f.ports(&faults, r)
		choice(&faults, "status", &r.Status, TreeMissed, TreeAlive, TreeDead, TreeRemoved)
		if seen[r.Tree] {
			faults = append(faults, usage("follow-visit-twice", finding.Args{"tree": finding.Text(r.Tree)}))
		}
		seen[r.Tree] = true
		if r.Rating != nil && !(*r.Rating >= 0 && *r.Rating <= most) {
			faults = append(faults, usage("follow-rating", finding.Args{"tree": finding.Text(r.Tree), "most": finding.Number(most, "")}))
		}
		if r.Rating == nil && r.Status == TreeSeen {
			r.Status = TreeMissed
		}
		if r.Status == TreeMissed && len(r.Ports) > 0 { // its wounds were looked at
			r.Status = TreeAlive
		}
		if r.Status != TreeSeen { // a dead tree counts in full whatever was noted
			r.Rating = nil
		}
	}
	slices.SortFunc(f.Rows, func(a, b VisitRow) int { return strings.Compare(SortKey(a.Tree), SortKey(b.Tree)) })
	return faults.OrNil()
}

// ports checks the looks at the wounds of a tree.
func (f *VisitFacts) ports(faults *finding.Faults, r *VisitRow) {
	if len(r.Ports) > maxPortLooks {
		*faults = append(*faults, usage("follow-ports-many", finding.Args{"tree": finding.Text(clip(r.Tree)), "most": finding.Count(maxPortLooks)}))
		return
	}
	seen := map[string]bool{}
	for i := range r.Ports {
		p := &r.Ports[i]
		words(faults, "port", &p.Port, 40)
		switch {
		case seen[p.Port]:
			*faults = append(*faults, usage("follow-port-twice", finding.Args{"tree": finding.Text(clip(r.Tree)), "port": finding.Text(clip(p.Port))}))
		case p.Pct == nil && p.Closed == nil, p.Pct != nil && !(*p.Pct >= 0 && *p.Pct <= 100), p.Pct != nil && p.Closed != nil && *p.Closed != (*p.Pct >= 100):
			*faults = append(*faults, usage("follow-port-closure", finding.Args{"tree": finding.Text(clip(r.Tree)), "port": finding.Text(clip(p.Port))}))
		}
		seen[p.Port] = true
	}
}

func (f *AssayFacts) tidy() error {
	var faults finding.Faults
	day(&faults, "on", &f.On)
	need(&faults, "on", f.On)
	words(&faults, "tag", &f.Tree, maxTag)
	need(&faults, "tag", f.Tree)
	words(&faults, "tissue", &f.Tissue, 60)
	words(&faults, "limb", &f.Limb, 60)
	for _, x := range []*float64{f.MgKg, f.LimitMgKg} {
		if x != nil && !(*x > 0 && !math.IsInf(*x, 0)) {
			faults = append(faults, usage("follow-assay-number", finding.Args{"tree": finding.Text(f.Tree)}))
		}
	}
	if f.MgKg == nil && f.LimitMgKg == nil {
		faults = append(faults, usage("follow-assay-limit", finding.Args{"tree": finding.Text(f.Tree)}))
	}
	return faults.OrNil()
}

// followID is the identifier of a block's follow-up: there is one.
func followID(block string) string { return block + ":follow" }

// follow returns how a block is followed; version 0 where nothing is kept.
func (a *App) follow(ctx context.Context, r Reader, block string) (Follow, error) {
	f, err := get[FollowFacts](ctx, r, TypeFollow, followID(block))
	if isMissing(err) {
		return Follow{Stamp: Stamp{ID: followID(block), Parent: block}}, nil
	}
	return f, err
}

// SetFollow keeps how a block is followed; version 0 makes the first.
func (a *App) SetFollow(ctx context.Context, actor Actor, block string, version int, f FollowFacts) (Follow, error) {
	if err := a.mayOn(ctx, actor, "SetFollow", TypeBlock, block); err != nil {
		return Follow{}, err
	}
	if err := f.tidy(); err != nil {
		return Follow{}, err
	}
	var out Follow
	err := a.Store.InTx(ctx, func(tx Tx) error {
		b, err := tx.State(ctx, TypeBlock, block)
		if err != nil {
			return err
		}
		out, err = write(ctx, tx, actor, followChange(b, version, Changed), f)
		return err
	})
	return out, err
}

func followChange(b State, version int, verb string) Change {
	if version == 0 {
		verb = Added
	}
	return Change{Type: TypeFollow, Verb: verb, ID: followID(b.ID), Estate: b.Estate, Parent: b.ID, Version: version + 1}
}

// Visits returns the visits of a block, oldest first.
func (a *App) Visits(ctx context.Context, actor Actor, block string) ([]Visit, error) {
	if err := a.mayOn(ctx, actor, "Visits", TypeBlock, block); err != nil {
		return nil, err
	}
	return list[VisitFacts](ctx, a.Store, Query{Type: TypeVisit, Parent: block})
}

// AddVisit keeps what was seen on a day. A second visit on the same day adds to
// the first: a tree rated in both is a fault. Trees must stand in the block. One
// found dead becomes dead in its list too, and one found removed is taken out of
// use where the person may do so; undoing the visit undoes both.
func (a *App) AddVisit(ctx context.Context, actor Actor, block string, f VisitFacts) (Visit, error) {
	if err := a.mayOn(ctx, actor, "AddVisit", TypeBlock, block); err != nil {
		return Visit{}, err
	}
	if err := f.tidy(); err != nil {
		return Visit{}, err
	}
	var out Visit
	err := a.Store.InTx(ctx, func(tx Tx) error {
		known, err := a.followed(ctx, tx, block)
		if err != nil {
			return err
		}
		var faults finding.Faults
		for _, r := range f.Rows {
			if !known.tags[r.Tree] {
				faults = append(faults, usage("follow-tree-unknown", finding.Args{"tree": finding.Text(clip(r.Tree))}))
			}
		}
		if on, err := civil.Parse(f.On); err == nil && known.today.Before(on) {
			faults = append(faults, usage("follow-visit-future", finding.Args{"date": finding.Text(f.On)}))
		}
		c := Change{Type: TypeVisit, Verb: Added, ID: a.NewID(), Estate: known.block.Estate, Parent: block, Sort: f.On, Version: 1}
		if had, there := known.visits[f.On]; there {
			c.ID, c.Verb, c.Version = had.ID, Changed, had.Version+1
			merged, bad := mergeVisit(had.Facts, f)
			faults = append(faults, bad...)
			f = merged
		}
		faults = append(faults, known.scale(f)...)
		if err := faults.OrNil(); err != nil {
			return err
		}
		if c.Body, err = encode(f); err != nil {
			return err
		}
		changes, err := a.ends(ctx, tx, actor, known, map[string]VisitFacts{f.On: f})
		if err != nil {
			return err
		}
		es, err := tx.Append(ctx, actor.Person, append([]Change{c}, changes...)...)
		if err != nil {
			return err
		}
		out = stamped(es[0], f)
		return nil
	})
	return out, err
}

// RetireVisit takes a visit out of use: entered by mistake.
func (a *App) RetireVisit(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireVisit", TypeVisit, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeVisit, id, version, reason)
}

// mergeVisit adds the rows of a second visit on one day. What is kept stays: a
// tree that is told differently is a fault, but a look without a rating gives
// way to one with.
func mergeVisit(had, more VisitFacts) (VisitFacts, finding.Faults) {
	out := had
	out.Rows = slices.Clone(had.Rows)
	out.Note = orElse(had.Note, more.Note)
	at := map[string]int{}
	for i, r := range out.Rows {
		at[r.Tree] = i
	}
	var faults finding.Faults
	var err error
	if had.Scale != more.Scale {
		faults = append(faults, usage("follow-scale", finding.Args{"date": finding.Text(more.On)}))
	}
	for _, r := range more.Rows {
		i, there := at[r.Tree]
		if !there {
			out.Rows = append(out.Rows, r)
			continue
		}
		old := out.Rows[i]
		if out.Rows[i].Ports, err = mergePorts(old.Ports, r.Ports); err != nil {
			faults = append(faults, usage("follow-port-differs", finding.Args{"tree": finding.Text(r.Tree), "date": finding.Text(more.On)}))
		}
		r.Ports = out.Rows[i].Ports
		same := old.Status == r.Status && (old.Rating == nil) == (r.Rating == nil) && (old.Rating == nil || *old.Rating == *r.Rating)
		weak := func(x VisitRow) bool { return x.Status == TreeMissed || x.Status == TreeAlive }
		switch {
		case same && r.Cause != "" && old.Cause != "" && (r.Cause != old.Cause || r.CauseNote != old.CauseNote):
			faults = append(faults, usage("follow-cause-differs", finding.Args{"tree": finding.Text(r.Tree), "date": finding.Text(more.On)}))
		case same || weak(r) && !weak(old):
			if same && r.Cause != "" {
				out.Rows[i].Cause, out.Rows[i].CauseNote = r.Cause, r.CauseNote
			}
		case weak(old):
			out.Rows[i] = r
		default:
			faults = append(faults, usage("follow-visit-differs", finding.Args{"tree": finding.Text(r.Tree), "date": finding.Text(more.On)}))
		}
	}
	slices.SortFunc(out.Rows, func(a, b VisitRow) int { return strings.Compare(SortKey(a.Tree), SortKey(b.Tree)) })
	return out, faults
}

// mergePorts adds looks at ports: one told twice must be told alike.
func mergePorts(had, more []PortLook) ([]PortLook, error) {
	out := slices.Clone(had)
	for _, p := range more {
		i := slices.IndexFunc(out, func(x PortLook) bool { return x.Port == p.Port })
		if i < 0 {
			out = append(out, p)
			continue
		}
		same := func(a, b *float64) bool { return (a == nil) == (b == nil) && (a == nil || *a == *b) }
		if !same(out[i].Pct, p.Pct) || (out[i].Closed == nil) != (p.Closed == nil) || p.Closed != nil && *p.Closed != *out[i].Closed {
			return had, errPorts
		}
	}
	return out, nil
}

var errPorts = errors.New("ports told differently")

// followedBlock is what is known of a block before something is added.
type followedBlock struct {
	block  State
	today  civil.Date
	tags   map[string]bool // trees of the block, also those out of use
	trees  []Tree
	visits map[string]Visit
}

func (a *App) followed(ctx context.Context, r Reader, block string) (k followedBlock, err error) {
	if k.block, err = r.State(ctx, TypeBlock, block); err != nil {
		return k, err
	}
	e, err := get[EstateFacts](ctx, r, TypeEstate, k.block.Parent)
	if err != nil {
		return k, err
	}
	k.today = civil.Of(a.Now().In(e.Facts.Location()))
	k.tags, k.visits = map[string]bool{}, map[string]Visit{}
	trees, err := list[TreeFacts](ctx, r, Query{Type: TypeTree, Parent: block, Retired: true})
	if err != nil {
		return k, err
	}
	for _, t := range trees {
		k.tags[t.Facts.Tag] = true
	}
	k.trees = trees
	visits, err := list[VisitFacts](ctx, r, Query{Type: TypeVisit, Parent: block})
	for _, v := range visits {
		k.visits[v.Facts.On] = v
	}
	return k, err
}

// scale refuses a visit whose ratings are in another scale than the earlier
// ones: percent and classes cannot be put into one curve.
func (k followedBlock) scale(f VisitFacts) finding.Faults {
	rated := func(f VisitFacts) bool {
		return slices.ContainsFunc(f.Rows, func(r VisitRow) bool { return r.Rating != nil })
	}
	if !rated(f) {
		return nil
	}
	for _, v := range k.visits {
		if v.Facts.On != f.On && rated(v.Facts) && v.Facts.Scale != f.Scale {
			return finding.Faults{usage("follow-scale", finding.Args{"date": finding.Text(v.Facts.On)})}
		}
	}
	return nil
}
