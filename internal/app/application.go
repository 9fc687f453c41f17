package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
)

// ApplicationFacts are an earlier treatment, as far as limits over time and
// dates ask: the full record is kept elsewhere.
type ApplicationFacts struct {
	Trees        []Treated `json:"trees,omitempty"` // none: the whole block
	Product      string    `json:"product"`
	Active       string    `json:"active,omitempty"`
	ActiveG      string    `json:"active_g,omitempty"`   // of the whole application where no trees are named
	ProductML    string    `json:"product_ml,omitempty"` // of the whole application where no trees are named
	AreaHa       string    `json:"area_ha,omitempty"`
	Method       string    `json:"method,omitempty"`
	DateEnd      string    `json:"date_end"`
	EndedAt      string    `json:"ended_at,omitempty"` // RFC 3339: the last port was dry
	ReentryH     string    `json:"reentry_h,omitempty"`
	HarvestFrom  string    `json:"harvest_from,omitempty"`
	NextEarliest string    `json:"next_earliest,omitempty"`
	Plan         string    `json:"plan,omitempty"`
	Note         string    `json:"note,omitempty"`
}

// Treated is one tree of an application with what it got.
type Treated struct {
	Tag       string `json:"tree"`
	ActiveG   string `json:"active_g,omitempty"`
	ProductML string `json:"product_ml,omitempty"`
}

// Application is an application as it is kept. Its parent is the block.
type Application = Kept[ApplicationFacts]

func (f *ApplicationFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "product", &f.Product, 200)
	need(&faults, "product", f.Product)
	words(&faults, "active", &f.Active, 200)
	words(&faults, "note", &f.Note, 4000)
	choice(&faults, "method", &f.Method, "injection", "infusion")
	amount(&faults, "active-mass", &f.ActiveG, 1e7)
	amount(&faults, "product-volume", &f.ProductML, 1e9)
	amount(&faults, "reentry", &f.ReentryH, 1e4)
	for i := range f.Trees {
		t := &f.Trees[i]
		words(&faults, "tag", &t.Tag, maxTag)
		need(&faults, "tag", t.Tag)
		amount(&faults, "active-mass", &t.ActiveG, 1e7)
		amount(&faults, "product-volume", &t.ProductML, 1e9)
	}
	tidyArea(&faults, "area", &f.AreaHa)
	day(&faults, "date-end", &f.DateEnd)
	need(&faults, "date-end", f.DateEnd)
	day(&faults, "harvest", &f.HarvestFrom)
	day(&faults, "next", &f.NextEarliest)
	if f.EndedAt != "" {
		if _, err := time.Parse(time.RFC3339, f.EndedAt); err != nil {
			faults = append(faults, usage("field-date", finding.Args{"field_by": finding.Text("field-ended-at"), "text": finding.Text(clip(f.EndedAt))}))
		}
	}
	if len(f.Trees) > 100_000 {
		faults = append(faults, usage("field-long", finding.Args{"field_by": finding.Text("field-trees"), "most": finding.Count(100_000)}))
	}
	return faults.OrNil()
}

// amount reads a plain number from 0 to most.
func amount(faults *finding.Faults, field string, text *string, most float64) {
	if *text = strings.TrimSpace(*text); *text == "" {
		return
	}
	v, fault := q.Number(*text)
	if fault != nil || v.Sign() < 0 || v.Float() > most {
		*faults = append(*faults, usage("field-number", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(clip(*text)), "example": finding.Text("22.4")}))
		return
	}
	*text = v.String()
}

// covers reports whether a tree was treated.
func (f ApplicationFacts) covers(tag string) bool {
	if len(f.Trees) == 0 {
		return true
	}
	for _, t := range f.Trees {
		if t.Tag == tag {
			return true
		}
	}
	return false
}

// treatment turns an application into the core's rows: one a tree, or one for
// the whole block.
func (f ApplicationFacts) treatment(block string) []tree.Treatment {
	one := tree.Treatment{Product: f.Product, Active: f.Active, Block: block, Method: f.Method}
	give := func(t *tree.Treatment, activeG, productML string) {
		if v, ok := decimal(activeG); ok {
			t.ActiveMass = q.Known(q.Grams(v))
		}
		if v, ok := decimal(productML); ok {
			t.ProductVolume = q.Known(q.ML(v))
		}
	}
	one.DateEnd, _ = civil.Parse(f.DateEnd)
	if len(f.Trees) == 0 {
		give(&one, f.ActiveG, f.ProductML)
		return []tree.Treatment{one}
	}
	out := make([]tree.Treatment, len(f.Trees))
	for i, t := range f.Trees {
		out[i] = one
		out[i].Tree = t.Tag
		give(&out[i], t.ActiveG, t.ProductML)
	}
	return out
}

// Applications returns what was applied in a block, newest first.
func (a *App) Applications(ctx context.Context, actor Actor, block string) ([]Application, error) {
	if err := a.mayOn(ctx, actor, "Applications", TypeBlock, block); err != nil {
		return nil, err
	}
	apps, err := list[ApplicationFacts](ctx, a.Store, Query{Type: TypeApplication, Parent: block})
	for i, k := 0, len(apps)-1; i < k; i, k = i+1, k-1 {
		apps[i], apps[k] = apps[k], apps[i]
	}
	return apps, err
}

// AddApplication keeps an application.
func (a *App) AddApplication(ctx context.Context, actor Actor, block string, f ApplicationFacts) (Application, error) {
	if err := a.mayOn(ctx, actor, "AddApplication", TypeBlock, block); err != nil {
		return Application{}, err
	}
	if err := f.tidy(); err != nil {
		return Application{}, err
	}
	estate, err := a.estateOf(ctx, TypeBlock, block)
	if err != nil {
		return Application{}, err
	}
	return add(ctx, a, actor, Change{Type: TypeApplication, Estate: estate, Parent: block, Sort: f.DateEnd}, f)
}

// ChangeApplication keeps a corrected application; the reason is asked for.
func (a *App) ChangeApplication(ctx context.Context, actor Actor, id string, version int, f ApplicationFacts, reason string) (Application, error) {
	if err := a.mayOn(ctx, actor, "ChangeApplication", TypeApplication, id); err != nil {
		return Application{}, err
	}
	var faults finding.Faults
	need(&faults, "reason", reason)
	faults = append(faults, finding.AsFaults(f.tidy())...)
	if err := faults.OrNil(); err != nil {
		return Application{}, err
	}
	return change(ctx, a, actor, TypeApplication, Changed, id, version, f.DateEnd, reason, f)
}

// RetireApplication takes an application out of use: entered by mistake.
func (a *App) RetireApplication(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireApplication", TypeApplication, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeApplication, id, version, reason)
}

// DueItem is one thing that is due on an estate. Kind is treat, check-card,
// re-enter, harvest-from, signs-down, close-wounds, treat-again, rate or
// treat-residue.
type DueItem struct {
	Kind    string
	On      string // day, in the estate's zone
	At      string // RFC 3339 where the hour matters, else empty
	Overdue bool   // today or before
	Block   string
	Name    string // of the block, or of the card
	Ref     string // plan, card or application it follows from
	Count   int    // wounds to look at

	// Of treat-residue: the last day, and the treatment whose residue it is. Of a
	// record's deadline Treatment is the profile that sets it.
	By, Treatment string
}

// Due returns what is due on an estate, earliest first.
func (a *App) Due(ctx context.Context, actor Actor, estate string) ([]DueItem, error) {
	if err := a.mayOn(ctx, actor, "Due", TypeEstate, estate); err != nil {
		return nil, err
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, estate)
	if err != nil {
		return nil, err
	}
	return a.due(ctx, e)
}

// keepDays is how long past dates of re-entry, harvest and signs stay on the
// list of what is due (program default).
const keepDays = 14

func (a *App) due(ctx context.Context, e Estate) ([]DueItem, error) {
	// Nothing kept since, and the same day: the same items. An estate of hundreds
	// of blocks takes thousands of questions to the store.
	last, err := a.Store.Events(ctx, EventQuery{Limit: 1})
	if err != nil {
		return nil, err
	}
	seq := int64(0)
	if len(last) > 0 {
		seq = last[0].Seq
	}
	key, err := keyOf(e.ID, e.Version, civil.Of(a.Now().In(e.Facts.Location())).String(), seq)
	if err != nil {
		return nil, err
	}
	items, err := a.dues.get(ctx, key, mostDues, func() ([]DueItem, int, error) {
		out, err := a.dueAnew(ctx, e)
		return out, len(out) + 1, err
	})
	return slices.Clone(items), err
}

// mostDues is how many items are kept for pages to come (program default).
const mostDues = 20_000

func (a *App) dueAnew(ctx context.Context, e Estate) ([]DueItem, error) {
	zone := e.Facts.Location()
	today := civil.Of(a.Now().In(zone))
	var out []DueItem
	put := func(d DueItem, until bool) {
		on, err := civil.Parse(d.On)
		if err != nil {
			return
		}
		if until && today.DaysSince(on) > keepDays {
			return
		}
		d.Overdue = !today.Before(on)
		out = append(out, d)
	}
	blocks, err := a.blockLines(ctx, e.ID)
	if err != nil {
		return nil, err
	}
	sites := map[string]bool{}
	for _, b := range blocks {
		sites[strings.ToLower(b.Facts.Site)] = true
		apps, err := list[ApplicationFacts](ctx, a.Store, Query{Type: TypeApplication, Parent: b.ID})
		if err != nil {
			return nil, err
		}
		done := map[string]bool{}
		for _, x := range apps {
			done[x.Facts.Plan] = true
		}
		plans, err := list[PlanFacts](ctx, a.Store, Query{Type: TypePlan, Parent: b.ID})
		if err != nil {
			return nil, err
		}
		again := ""
		for _, p := range plans {
			at := DueItem{Block: b.ID, Name: b.Facts.Name, Ref: p.ID}
			if !done[p.ID] {
				at.Kind, at.On = "treat", p.Facts.On
				put(at, false)
				continue
			}
			if t, err := time.Parse(time.RFC3339, p.Facts.SignsDown); err == nil {
				at.Kind, at.On, at.At = "re-enter", t.In(zone).Format(time.DateOnly), t.In(zone).Format(time.RFC3339)
				put(at, true)
				at.Kind = "signs-down"
				put(at, true)
			}
			at.At = ""
			if p.Facts.HarvestFrom != "" {
				at.Kind, at.On = "harvest-from", p.Facts.HarvestFrom
				put(at, true)
			}
			again = max(again, p.Facts.NextEarliest)
		}
		for _, x := range apps {
			again = max(again, x.Facts.NextEarliest)
			if x.Facts.HarvestFrom != "" && x.Facts.Plan == "" {
				put(DueItem{Kind: "harvest-from", On: x.Facts.HarvestFrom, Block: b.ID, Name: b.Facts.Name, Ref: x.ID}, true)
			}
			if t, err := time.Parse(time.RFC3339, x.Facts.EndedAt); err == nil && x.Facts.ReentryH != "" {
				if h, ok := decimal(x.Facts.ReentryH); ok {
					t = t.Add(time.Duration(h.Float() * float64(time.Hour))).In(zone)
					put(DueItem{Kind: "re-enter", On: t.Format(time.DateOnly), At: t.Format(time.RFC3339), Block: b.ID, Name: b.Facts.Name, Ref: x.ID}, true)
				}
			}
		}
		if again != "" {
			put(DueItem{Kind: "treat-again", On: again, Block: b.ID, Name: b.Facts.Name}, false)
		}
		follow, err := a.dueFollow(ctx, b)
		if err != nil {
			return nil, err
		}
		for _, x := range follow {
			put(x, false)
		}
		records, outside, err := a.dueRecords(ctx, b, zone)
		if err != nil {
			return nil, err
		}
		for i, x := range records {
			put(x, outside[i])
		}
		if n, since, err := a.woundsToSee(ctx, b, today); err != nil {
			return nil, err
		} else if n > 0 {
			put(DueItem{Kind: "close-wounds", On: since, Block: b.ID, Name: b.Facts.Name, Count: n}, false)
		}
	}
	cards, err := a.cards(ctx, false)
	if err != nil {
		return nil, err
	}
	for _, c := range cards {
		serves := false
		for _, s := range c.Facts.Sites {
			serves = serves || sites[strings.ToLower(s)]
		}
		if serves && c.Checked == NotChecked {
			put(DueItem{Kind: "check-card", On: civil.Of(c.At.In(zone)).String(), Name: c.Facts.Product, Ref: c.ID}, false)
		}
	}
	sortDue(out)
	return out, nil
}

func sortDue(items []DueItem) {
	key := func(d DueItem) string { return fmt.Sprintf("%s %s %s %s", d.On, d.Kind, d.Name, d.Ref) }
	for i := range items {
		for k := i; k > 0 && key(items[k]) < key(items[k-1]); k-- {
			items[k], items[k-1] = items[k-1], items[k]
		}
	}
}

// woundsToSee counts open wounds of earlier years: closure is looked at once a
// year (common practice, no source).
func (a *App) woundsToSee(ctx context.Context, b BlockLine, today civil.Date) (n int, since string, err error) {
	if b.Count.OpenWounds == 0 {
		return 0, "", nil
	}
	wounds, err := a.Store.BlockWounds(ctx, b.ID)
	if err != nil {
		return 0, "", err
	}
	facts, err := decodeAll[WoundFacts](wounds)
	if err != nil {
		return 0, "", err
	}
	for _, f := range facts {
		if f.Closed || f.Year >= today.Year {
			continue
		}
		n++
		if d := fmt.Sprintf("%04d-01-01", f.Year+1); since == "" || d > since {
			since = d
		}
	}
	return n, since, nil
}
