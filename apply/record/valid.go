package record

import (
	"regexp"
	"strconv"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/numeric/exact"
)

// An EPPO code: 4 to 7 letters or figures, with a national suffix allowed. A
// BBCH stage: two or three figures, a text.
var (
	eppoCode  = regexp.MustCompile(`^[A-Z0-9]{4,7}(_[0-9]+)?$`)
	bbchStage = regexp.MustCompile(`^[0-9]{2,3}$`)
)

// checker gathers what contradicts itself.
type checker struct{ out []finding.Finding }

func (k *checker) tell(s finding.Severity, id, path string, args finding.Args) {
	if args == nil {
		args = finding.Args{}
	}
	args["path"] = finding.Text(path)
	k.out = append(k.out, finding.Finding{ID: id, Severity: s, Force: finding.Mandatory, Authority: finding.ByPractice, Ref: path, Args: args})
}

func (k *checker) bad(id, path string, args finding.Args) { k.tell(finding.Refused, id, path, args) }

// Validate says what in a record contradicts itself: complete and valid are
// two questions. Refused findings keep a version from being written.
func Validate(c *Content, zones Zones) []finding.Finding {
	k := &checker{}
	k.times(c, zones)
	k.codes(c)
	k.amounts(c)
	k.trees(c)
	k.persons(c)
	for i, id := range c.Regimes {
		if _, ok := ProfileByID(id); !ok {
			k.bad("record-profile-unknown", "regimes["+strconv.Itoa(i)+"]", finding.Args{"profile": finding.Text(id)})
		}
	}
	return k.out
}

// refusing turns refused findings into faults.
func refusing(fs []finding.Finding) finding.Faults {
	var out finding.Faults
	for _, f := range fs {
		if f.Severity == finding.Refused {
			out = append(out, finding.Bad(f.ID, finding.Where{}, f.Args))
		}
	}
	return out
}

func (k *checker) times(c *Content, zones Zones) {
	w := &c.Work
	start, hasStart := w.Start.Known()
	end, hasEnd := w.End.Known()
	loc := location(c, zones)
	if w.Zone != "" && loc == nil || w.Zone == "Local" {
		k.bad("record-zone-unknown", "work.zone", finding.Args{"text": finding.Text(w.Zone)})
		return
	}
	if (hasStart || hasEnd) && loc == nil {
		k.bad("record-zone-needed", "work.zone", nil)
		return
	}
	if hasStart && hasEnd && end.T.Before(start.T) {
		k.bad("record-end-before-start", "work.end", nil)
	}
	check := func(t Instant, path string, day civil.Date, hasDay bool) {
		_, want := t.T.In(loc).Zone()
		if _, got := t.T.Zone(); got != want {
			k.bad("record-offset", path, finding.Args{"text": finding.Text(t.T.Format(time.RFC3339)), "zone": finding.Text(w.Zone), "right": finding.Text(t.T.In(loc).Format(time.RFC3339))})
		}
		if d := civil.Of(t.T.In(loc)); hasDay && d != day {
			k.bad("record-date-differs", path, finding.Args{"date": finding.Text(day.String()), "local": finding.Text(d.String())})
		}
	}
	days, hasDay := w.Date.Known()
	if hasStart {
		check(start, "work.start", days.From, hasDay)
	}
	if hasEnd {
		check(end, "work.end", days.To, hasDay)
	}
	for i := range c.Trees {
		t := &c.Trees[i]
		path := "trees[" + strconv.Itoa(i) + "]"
		s, hasS := t.Start.Known()
		e, hasE := t.End.Known()
		if hasS && hasE && e.T.Before(s.T) || hasS && hasStart && s.T.Before(start.T) || hasE && hasEnd && e.T.After(end.T) {
			k.bad("record-tree-time", path, finding.Args{"tree": finding.Text(t.Tag)})
		}
	}
}

func (k *checker) codes(c *Content) {
	for path, f := range map[string]Fact[string]{"site.code": c.Site.Code, "target.code": c.Target.Code} {
		if s, ok := f.Known(); ok && !eppoCode.MatchString(s) {
			k.bad("record-eppo", path, finding.Args{"text": finding.Text(s)})
		}
	}
	if s, ok := c.Stage.Known(); ok && !bbchStage.MatchString(s) {
		k.bad("record-bbch", "stage", finding.Args{"text": finding.Text(s)})
	}
	if s, ok := c.Work.TypeOfUse.Known(); ok && s != OpenArea && s != Enclosed && s != Propagating {
		k.bad("record-type-of-use", "work.type_of_use", finding.Args{"text": finding.Text(s)})
	}
	if s, ok := c.Work.Method.Known(); ok && s != "injection" && s != "infusion" {
		k.bad("record-method", "work.method", finding.Args{"text": finding.Text(s)})
	}
	k.degrees("place", c.Place.Lat, c.Place.Lon)
	for i := range c.Trees {
		k.degrees("trees["+strconv.Itoa(i)+"]", c.Trees[i].Lat, c.Trees[i].Lon)
	}
}

func (k *checker) degrees(path string, lat, lon Fact[Degree]) {
	if lat.State != lon.State {
		k.bad("record-degrees-half", path+".lat", nil)
	}
	in := func(f Fact[Degree], most int64) bool {
		return f.State != Recorded || f.Value.v.Cmp(exact.Int(-most)) >= 0 && f.Value.v.Cmp(exact.Int(most)) <= 0
	}
	if !in(lat, 90) || !in(lon, 180) {
		k.bad("record-degrees", path+".lat", nil)
	}
}

func (k *checker) amounts(c *Content) {
	if m, ok := c.Area.Known(); ok {
		if a, fault := m.Quantity(); fault != nil || a.Sign() <= 0 {
			k.bad("record-not-positive", "area", nil)
		}
	}
	treated, hasTreated := c.TreesTreated.Known()
	planted, hasPlanted := c.TreesPlanted.Known()
	if hasTreated && treated < 0 || hasPlanted && planted < 0 || hasTreated && hasPlanted && treated > planted {
		k.bad("record-counts", "trees_treated", nil)
	}
	for i := range c.Products {
		p := &c.Products[i]
		path := "products[" + strconv.Itoa(i) + "]"
		total, hasTotal := volume(p.Total)
		mix, hasMix := volume(p.Mix)
		leaked, hasLeaked := volume(p.Leaked)
		if hasTotal && total.Sign() < 0 || hasMix && mix.Sign() < 0 || hasLeaked && leaked.Sign() < 0 {
			k.bad("record-not-positive", path+".total", nil)
		}
		if hasTotal && hasMix && mix.Less(total) {
			k.bad("record-mix-less", path+".mix", nil)
		}
		if hasTotal && hasLeaked && total.Less(leaked) {
			k.bad("record-leak-more", path+".leaked", nil)
		}
		if r, ok := p.REI.Known(); ok && r.Hours.v.Sign() < 0 {
			k.bad("record-not-positive", path+".rei", nil)
		}
		if h, ok := p.PHI.Known(); ok && h.Days < 0 {
			k.bad("record-not-positive", path+".phi", nil)
		}
		if sum, all := SumML(c, i); all && hasTotal && sum.Cmp(total) != 0 {
			k.bad("record-sum", path+".total", finding.Args{"sum": finding.Text(sum.String()), "total": finding.Text(total.String())})
		}
	}
}

func (k *checker) trees(c *Content) {
	seen := map[string]bool{}
	tags := map[string]bool{}
	for i := range c.Trees {
		t := &c.Trees[i]
		path := "trees[" + strconv.Itoa(i) + "]"
		if t.Tag == "" {
			k.bad("record-tree-tag", path, nil)
		}
		if key := t.Tag + "\x00" + t.Stem; seen[key] {
			k.bad("record-tree-twice", path, finding.Args{"tree": finding.Text(t.Tag)})
		} else {
			seen[key], tags[t.Tag] = true, true
		}
		for _, a := range t.Amounts {
			if a.Product < 0 || a.Product >= len(c.Products) {
				k.bad("record-tree-product", path, finding.Args{"tree": finding.Text(t.Tag)})
			}
			p, hasP := a.ProductML.Known()
			m, hasM := a.MixML.Known()
			l, hasL := a.LeakedML.Known()
			if hasP && p.v.Sign() < 0 || hasL && (l.v.Sign() < 0 || hasP && p.v.Less(l.v)) || hasM && hasP && m.v.Less(p.v) {
				k.bad("record-tree-amount", path, finding.Args{"tree": finding.Text(t.Tag)})
			}
		}
	}
	if n, ok := c.TreesTreated.Known(); ok && len(tags) > 0 && n != len(tags) {
		k.bad("record-tree-count", "trees_treated", finding.Args{"count": finding.Count(n), "listed": finding.Count(len(tags))})
	}
}

// persons warns of a certificate that was not valid on the day of the work and
// of personal data that no chosen regime asks for.
func (k *checker) persons(c *Content) {
	a, ok := c.People.Applicator.Known()
	if d, hasDay := c.Work.Date.Known(); ok && hasDay && !a.Expires.IsZero() && a.Expires.Before(d.To) {
		k.tell(finding.Warning, "record-expired", "people.applicator.expires", finding.Args{"expires": finding.Text(a.Expires.String()), "date": finding.Text(d.To.String())})
	}
	for _, f := range Personal(c, c.Regimes) {
		if len(f.AskedBy) == 0 && f.Item != "R16" && f.Item != "R16.number" { // the signature names them
			k.tell(finding.Note, "record-not-asked-personal", f.Path, finding.Args{"what_by": finding.Text("record-item-" + ItemKey(f.Item))})
		}
	}
}

// SumML adds what the listed trees got of a product, in mL. It reports false
// when there is no such list or a tree's amount is not recorded: a sum with a
// hole is no sum.
func SumML(c *Content, product int) (exact.Rat, bool) {
	return sum(c, product, func(a *Amount) Fact[Decimal] { return a.ProductML })
}

func sum(c *Content, product int, of func(*Amount) Fact[Decimal]) (exact.Rat, bool) {
	s := exact.Int(0)
	n := 0
	for i := range c.Trees {
		for j := range c.Trees[i].Amounts {
			a := &c.Trees[i].Amounts[j]
			if a.Product != product {
				continue
			}
			v, ok := of(a).Known()
			if !ok {
				return exact.Rat{}, false
			}
			n++
			s = s.Add(v.v)
		}
	}
	return s, n > 0
}
