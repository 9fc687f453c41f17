package app

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/measure/civil"
)

// Tables of follow-up, in the forms that the commands read.
const (
	TableRatings = "ratings"
	TableDeaths  = "deaths"
	TableCounts  = "counts"
	TableAssays  = "assays"
)

// FollowTables are the tables of follow-up.
var FollowTables = []string{TableRatings, TableDeaths, TableAssays, TableCounts}

// FollowRows are the rows of a table of follow-up. Days are counted from DayZero
// where the file gives dates, else they are the file's own numbers.
type FollowRows struct {
	Ratings []health.Rating
	Wounds  []health.Closure // of the same table
	Deaths  []health.Death
	Counts  []health.Count
	Assays  []decline.Assay
	Dated   bool
	DayZero civil.Date
	OwnZero bool // each row was counted from its own day 0
	Notes   []finding.Finding
	Locate  func(error) error // gives faults of the core their place in the file
}

// FollowReader reads a table of follow-up, CSV or XLSX; the error is
// finding.Faults with all that is wrong.
type FollowReader interface {
	Follow(kind, name string, data []byte, zero civil.Date) (FollowRows, error)
}

// FollowImport says what an import did.
type FollowImport struct {
	Kind              string
	Add, Change, Same int // visits, or samples
	Rows              int
	Notes             []finding.Finding
	Act               string // of the import; Undo takes it
}

// NoTreatment stands for a tree of no treatment in a table of ratings.
const NoTreatment = "-"

// maxFollowFile bounds a file of follow-up (program default).
const maxFollowFile = 32 << 20

// ImportFollow reads a table of follow-up and keeps it in one transaction, or
// says everything that is wrong with it at once. The same file twice changes
// nothing.
func (a *App) ImportFollow(ctx context.Context, actor Actor, block, kind, name string, r io.Reader) (FollowImport, error) {
	out := FollowImport{Kind: kind}
	if err := a.mayOn(ctx, actor, "ImportFollow", TypeBlock, block); err != nil {
		return out, err
	}
	if a.Follow == nil || !slices.Contains(FollowTables, kind) {
		return out, usage("import-kind", finding.Args{"text": finding.Text(clip(kind))})
	}
	data, err := io.ReadAll(io.LimitReader(r, maxFollowFile+1))
	if err != nil {
		return out, err
	}
	if len(data) > maxFollowFile {
		return out, usage("follow-file-large", finding.Args{"most": finding.Count(maxFollowFile >> 20)})
	}
	err = a.Store.InTx(ctx, func(tx Tx) error {
		out = FollowImport{Kind: kind}
		changes, err := a.importFollow(ctx, tx, actor, block, kind, name, data, &out)
		if err != nil || len(changes) == 0 {
			return err
		}
		es, err := tx.Append(ctx, actor.Person, changes...)
		if err == nil {
			out.Act = es[0].Act
		}
		return err
	})
	return out, err
}

// followImport is an import under way.
type followImport struct {
	*App
	known  followedBlock
	follow Follow
	zero   civil.Date
	rows   FollowRows
	name   string
	faults finding.Faults
	out    *FollowImport
	told   map[string]VisitFacts // visits that the import changes, by day
}

func (a *App) importFollow(ctx context.Context, tx Tx, actor Actor, block, kind, name string, data []byte, out *FollowImport) ([]Change, error) {
	m := followImport{App: a, name: name, out: out}
	var err error
	if m.known, err = a.followed(ctx, tx, block); err != nil {
		return nil, err
	}
	if m.follow, err = a.follow(ctx, tx, block); err != nil {
		return nil, err
	}
	m.zero, _ = civil.Parse(m.follow.Facts.DayZero)
	from := civil.Date{}
	if kind == TableDeaths { // the other tables' dates are kept as dates, also those before day 0
		from = m.zero
	}
	if m.rows, err = a.Follow.Follow(kind, name, data, from); err != nil {
		return nil, err
	}
	out.Notes = m.rows.Notes
	if m.rows.Dated && !m.rows.OwnZero {
		m.zero = m.rows.DayZero
	} else if kind != TableCounts && m.zero.IsZero() {
		return nil, usage("follow-day-zero-needed", nil)
	}
	switch kind {
	case TableRatings, TableDeaths:
		read := m.ratings
		if kind == TableDeaths {
			read = m.deaths
		}
		changes, err := read()
		if err != nil || len(m.told) == 0 {
			return changes, err
		}
		more, err := a.ends(ctx, tx, actor, m.known, m.told)
		return append(changes, more...), err
	case TableCounts:
		return m.counts()
	}
	return m.assays(ctx, tx)
}

// on is the date of a day.
func (m *followImport) on(day float64, w finding.Where) string {
	if day != math.Trunc(day) || math.Abs(day) > 100_000 {
		m.bad("follow-day-whole", w, finding.Args{"day": finding.Number(day, "")})
		return ""
	}
	on := m.zero.AddDays(int(day))
	if m.known.today.Before(on) {
		m.bad("follow-visit-future", w, finding.Args{"date": finding.Text(on.String())})
	}
	return on.String()
}

func (m *followImport) bad(id string, w finding.Where, args finding.Args) {
	if w.File == "" {
		w.File = m.name
	}
	m.faults = append(m.faults, finding.Bad(id, w, args))
}

func (m *followImport) tree(tag string, w finding.Where) {
	if !m.known.tags[tag] {
		m.bad("follow-tree-unknown", w, finding.Args{"tree": finding.Text(clip(tag))})
	}
}

// group puts a tree into its treatment; a tree that got something else is a
// fault.
func (m *followImport) group(groups map[string]string, tag, treatment string, w finding.Where) {
	if treatment == NoTreatment {
		return
	}
	if was, there := groups[tag]; there && was != treatment {
		m.bad("follow-treatment-differs", w, finding.Args{"tree": finding.Text(tag), "treatment": finding.Text(treatment), "other": finding.Text(was)})
		return
	}
	groups[tag] = treatment
}

func (f FollowFacts) byTree() map[string]string {
	out := map[string]string{}
	for _, g := range f.Groups {
		for _, t := range g.Trees {
			out[t] = g.Treatment
		}
	}
	return out
}

// grouped puts trees back into treatments, in the order of names.
func grouped(by map[string]string) []TreatmentGroup {
	trees := map[string][]string{}
	for _, t := range sorted(by) {
		trees[by[t]] = append(trees[by[t]], t)
	}
	var out []TreatmentGroup
	for _, name := range sorted(trees) {
		out = append(out, TreatmentGroup{name, trees[name]})
	}
	return out
}

// ofRows leaves out what the core says of a table as a whole: that it holds too
// little to compare. A file adds to what is kept and may be of one tree.
func ofRows(err error) error {
	var out finding.Faults
	for _, f := range finding.AsFaults(err) {
		if !strings.HasSuffix(f.ID, "-one-tree") && !strings.HasSuffix(f.ID, "-no-values") {
			out = append(out, f)
		}
	}
	return out.OrNil()
}

func (m *followImport) ratings() ([]Change, error) {
	if len(m.rows.Wounds) > 0 {
		if _, err := health.Wounds(m.rows.Wounds, 0); err != nil {
			return nil, m.rows.Locate(err)
		}
	}
	if len(m.rows.Ratings) > 0 {
		_, err := health.Progress(m.rows.Ratings, health.ProgressOptions{})
		if err = ofRows(err); err != nil {
			return nil, m.rows.Locate(err)
		}
	}
	groups := m.follow.Facts.byTree()
	visits := map[string]*VisitFacts{}
	top := 0.0
	for _, r := range m.rows.Ratings {
		on := m.on(r.Day, r.Where)
		m.tree(r.Tree, r.Where)
		m.group(groups, r.Tree, r.Treatment, r.Where)
		v := visits[on]
		if v == nil {
			v = &VisitFacts{On: on, Scale: ScalePercent}
			visits[on] = v
		}
		row := VisitRow{Tree: r.Tree, Rating: r.Pct, Cause: string(r.Cause), CauseNote: r.CauseNote, Status: map[health.Status]string{health.Missed: TreeMissed, health.Died: TreeDead, health.Removed: TreeRemoved}[r.Status]}
		if r.Status == health.Seen && r.Pct == nil && r.Class == nil { // looked at, not rated
			row.Status = TreeAlive
		}
		if r.Class != nil {
			row.Rating, v.Scale = r.Class, ScaleClass
			top = math.Max(top, math.Max(*r.Class, r.ClassMax))
		}
		v.Rows = append(v.Rows, row)
	}
	m.wounds(visits, groups)
	for _, v := range visits {
		if v.Scale == ScaleClass {
			v.TopClass = math.Max(1, top)
		}
	}
	return m.visits(visits, groups)
}

// wounds puts the looks at ports beside the trees' ratings; a tree of whose
// wounds alone a day tells was seen alive.
func (m *followImport) wounds(visits map[string]*VisitFacts, groups map[string]string) {
	at := map[[2]string]int{}
	for on, v := range visits {
		for i, r := range v.Rows {
			at[[2]string{on, r.Tree}] = i
		}
	}
	for _, w := range m.rows.Wounds {
		on := m.on(w.Day, w.Where)
		if on == "" {
			continue
		}
		m.tree(w.Tree, w.Where)
		m.group(groups, w.Tree, w.Treatment, w.Where)
		if visits[on] == nil {
			visits[on] = &VisitFacts{On: on}
		}
		v := visits[on]
		i, there := at[[2]string{on, w.Tree}]
		if !there {
			i = len(v.Rows)
			at[[2]string{on, w.Tree}] = i
			v.Rows = append(v.Rows, VisitRow{Tree: w.Tree, Status: TreeAlive})
		}
		v.Rows[i].Ports = append(v.Rows[i].Ports, PortLook{Port: w.Port, Pct: w.Pct, Closed: w.Closed})
	}
}

func (m *followImport) deaths() ([]Change, error) {
	if len(m.rows.Deaths) > 0 {
		_, err := health.Survival(m.rows.Deaths, health.SurvivalOptions{})
		if err = ofRows(err); err != nil {
			return nil, m.rows.Locate(err)
		}
	}
	if m.rows.OwnZero && m.zero.IsZero() {
		return nil, usage("follow-day-zero-needed", nil)
	}
	groups := m.follow.Facts.byTree()
	visits := map[string]*VisitFacts{}
	ends := map[string]string{}
	for on, v := range m.known.visits {
		for _, r := range v.Facts.Rows {
			if r.Status == TreeDead {
				ends[r.Tree] = on
			}
		}
	}
	for _, r := range m.rows.Deaths {
		on := m.on(r.Days, r.Where)
		m.tree(r.Tree, r.Where)
		m.group(groups, r.Tree, r.Treatment, r.Where)
		if visits[on] == nil {
			visits[on] = &VisitFacts{On: on}
		}
		row := VisitRow{Tree: r.Tree, Status: TreeAlive}
		if r.Died {
			row.Status = TreeDead
			if was, dead := ends[r.Tree]; dead && was != on {
				m.bad("follow-dead-twice", r.Where, finding.Args{"tree": finding.Text(r.Tree), "date": finding.Text(was)})
			}
		}
		visits[on].Rows = append(visits[on].Rows, row)
	}
	return m.visits(visits, groups)
}

// visits turns what the file tells into changes of visits and groups.
func (m *followImport) visits(visits map[string]*VisitFacts, groups map[string]string) ([]Change, error) {
	var changes []Change
	for _, on := range sorted(visits) {
		if on == "" {
			continue
		}
		f := *visits[on]
		m.out.Rows += len(f.Rows)
		had, there := m.known.visits[on]
		c := Change{Type: TypeVisit, Verb: Imported, ID: m.NewID(), Estate: m.known.block.Estate, Parent: m.known.block.ID, Sort: on, Version: 1}
		if there && f.Scale == "" {
			f.Scale = had.Facts.Scale
		}
		if err := f.tidy(); err != nil {
			m.faults = append(m.faults, finding.AsFaults(err)...)
			continue
		}
		m.faults = append(m.faults, m.known.scale(f)...)
		if there {
			merged, bad := mergeVisit(had.Facts, f)
			m.faults = append(m.faults, bad...)
			c.ID, c.Version = had.ID, had.Version+1
			old, err := encode(had.Facts)
			if err != nil {
				return nil, err
			}
			if c.Body, err = encode(merged); err != nil {
				return nil, err
			}
			if string(old) == string(c.Body) {
				m.out.Same++
				continue
			}
			m.out.Change++
		} else {
			var err error
			if c.Body, err = encode(f); err != nil {
				return nil, err
			}
			m.out.Add++
		}
		changes = append(changes, c)
		if m.told == nil {
			m.told = map[string]VisitFacts{}
		}
		m.told[on] = f
	}
	f := m.follow.Facts
	f.Groups = grouped(groups)
	if f.DayZero == "" {
		f.DayZero = m.zero.String()
	}
	return m.finish(changes, f)
}

// finish adds the change of the block's follow-up, if there is one.
func (m *followImport) finish(changes []Change, f FollowFacts) ([]Change, error) {
	m.faults = append(m.faults, finding.AsFaults(f.tidy())...)
	if err := m.faults.OrNil(); err != nil {
		return nil, err
	}
	was, err := encode(m.follow.Facts)
	if err != nil {
		return nil, err
	}
	body, err := encode(f)
	if err != nil {
		return nil, err
	}
	if m.follow.Version == 0 || string(was) != string(body) {
		c := followChange(m.known.block, m.follow.Version, Imported)
		c.Body = body
		changes = append(changes, c)
	}
	return changes, nil
}

func (m *followImport) counts() ([]Change, error) {
	if _, err := health.Efficacy(m.rows.Counts, health.EfficacyOptions{Resamples: 100}); err != nil {
		return nil, m.rows.Locate(err)
	}
	f := m.follow.Facts
	f.Counts = nil
	for _, r := range m.rows.Counts {
		f.Counts = append(f.Counts, CountFacts{Role: r.Role, Block: r.Block, Before: r.Before, After: r.After, Dead: r.Dead, Total: r.Total})
	}
	m.out.Rows = len(f.Counts)
	changes, err := m.finish(nil, f)
	m.out.Change, m.out.Same = len(changes), 1-len(changes)
	return changes, err
}

func (m *followImport) assays(ctx context.Context, tx Tx) ([]Change, error) {
	if len(m.rows.Assays) > 0 {
		_, err := decline.Decline(m.rows.Assays, decline.Options{})
		if err = ofRows(err); err != nil {
			return nil, m.rows.Locate(err)
		}
	}
	have, err := list[AssayFacts](ctx, tx, Query{Type: TypeAssay, Parent: m.known.block.ID})
	if err != nil {
		return nil, err
	}
	number := func(x *float64) string {
		if x == nil {
			return ""
		}
		return fmt.Sprint(*x)
	}
	key := func(f AssayFacts) string {
		return strings.Join([]string{f.Tree, f.On, f.Tissue, number(f.HeightM), number(f.AzimuthDeg), f.Limb, number(f.MgKg), number(f.LimitMgKg)}, "|")
	}
	kept := map[string]int{}
	for _, h := range have {
		kept[key(h.Facts)]++
	}
	var changes []Change
	for _, r := range m.rows.Assays {
		m.tree(r.Tree, r.Where)
		f := AssayFacts{Tree: r.Tree, On: m.on(r.Day, r.Where), Tissue: r.Tissue, HeightM: r.HeightM, AzimuthDeg: r.AzimuthDeg, Limb: r.Limb}
		if r.Detected {
			f.MgKg = &r.MgKg
		}
		if r.DetectionLimit > 0 {
			f.LimitMgKg = &r.DetectionLimit
		}
		if f.On == "" {
			continue
		}
		if err := f.tidy(); err != nil {
			m.faults = append(m.faults, finding.AsFaults(err)...)
			continue
		}
		m.out.Rows++
		if k := key(f); kept[k] > 0 {
			kept[k]--
			m.out.Same++
			continue
		}
		body, err := encode(f)
		if err != nil {
			return nil, err
		}
		m.out.Add++
		changes = append(changes, Change{Type: TypeAssay, Verb: Imported, ID: m.NewID(), Estate: m.known.block.Estate, Parent: m.known.block.ID, Sort: f.On + " " + SortKey(f.Tree), Version: 1, Body: body})
	}
	f := m.follow.Facts
	if f.DayZero == "" && !m.zero.IsZero() && !m.rows.Dated {
		f.DayZero = m.zero.String()
	}
	if m.follow.Version == 0 && f.DayZero == "" {
		if err := m.faults.OrNil(); err != nil {
			return nil, err
		}
		return changes, nil
	}
	return m.finish(changes, f)
}
