package record

import (
	"math"
	"slices"
	"time"

	"sapward/apply/fieldlog"
	"sapward/measure/civil"
	"sapward/numeric/exact"
)

// FromLog puts what the day's log says into a record's content, where nothing
// is recorded yet: trees with what left the devices, measured leaks, ports, start
// and end, containers, and the names of the crew only if a chosen regime asks for
// them (R17). A tree whose device nobody read has no amount: it is not recorded,
// and neither is the total. Product in a finished mix is worked out by the plan's
// share of product, to the nearest microlitre. The log knows no weather, area or
// customer. Assemble then adds what the card says.
func FromLog(c Content, l *fieldlog.Log, p *fieldlog.Pack, zones Zones) (Content, error) {
	c, err := clone(c)
	if err != nil {
		return Content{}, err
	}
	day := l.Day()
	if len(c.Products) == 0 {
		c.Products = []Product{{}}
	}
	product := &c.Products[0]
	fill(&product.Name, p.Product.Name)
	fill(&product.Registration, p.Product.Registration)
	c.Invented = c.Invented || p.Product.Invented
	c.PracticeOnly = c.PracticeOnly || p.Practice
	fill(&c.Work.Method, p.Method)
	if c.Work.Zone == "" {
		c.Work.Zone = p.Zone
	}
	loc := location(&c, zones)
	setInstant(&c.Work.Start, day.StartAt, loc, false)
	setInstant(&c.Work.End, day.EndAt, loc, true)
	if d, err := civil.Parse(p.On); err == nil && c.Work.Date.IsZero() && c.Work.Start.IsZero() {
		c.Work.Date = Is(Days{d, d})
	}
	if len(c.Trees) == 0 {
		undiluted := p.Method == "injection"
		for _, line := range day.Trees {
			i := slices.IndexFunc(p.Trees, func(t fieldlog.PackTree) bool { return t.Tag == line.Tag })
			if i < 0 {
				continue
			}
			c.Trees = append(c.Trees, treated(l.Tree(line.Tag), &p.Trees[i], undiluted, loc)...)
			containers(product, l.Tree(line.Tag))
		}
		if undiluted && len(c.Trees) > 0 && product.Mix.IsZero() {
			product.Mix = DoesNotApply[Volume](NoneUndiluted)
		}
	}
	if c.People.Appliers.IsZero() && asked(&c, "R17") {
		var out []Person
		for _, x := range day.People {
			if slices.ContainsFunc(day.Trees, func(t fieldlog.TreeLine) bool { return slices.Contains(t.By, x.ID) }) {
				out = append(out, Person{Name: x.Name})
			}
		}
		if len(out) > 0 {
			c.People.Appliers = Is(out)
		}
	}
	return c, nil
}

// asked reports whether a chosen regime asks for an item.
func asked(c *Content, it Item) bool {
	ps, _ := Chosen(c.Regimes)
	return slices.ContainsFunc(ps, func(p Profile) bool { return asksFor(c, p, it) })
}

// setInstant records a time of the log in the zone of the work, in whole
// seconds: a start is taken earlier, an end later.
func setInstant(f *Fact[Instant], s string, loc *time.Location, up bool) {
	t, ok := fieldlog.Instant(s)
	if !ok || !f.IsZero() {
		return
	}
	whole := t.Truncate(time.Second)
	if up && whole.Before(t) {
		whole = whole.Add(time.Second)
	}
	if loc != nil {
		whole = whole.In(loc)
	}
	*f = Is(Instant{whole})
}

// treated is what one tree got, stem by stem; nothing if nothing was loaded.
func treated(s *fieldlog.TreeState, p *fieldlog.PackTree, undiluted bool, loc *time.Location) []Tree {
	var stems []string
	for i := range s.Ports {
		if x := &s.Ports[i]; x.LoadedUL > 0 && !slices.Contains(stems, x.Stem) {
			stems = append(stems, x.Stem)
		}
	}
	var out []Tree
	for _, stem := range stems {
		t := Tree{Tag: s.Tag, Stem: stem}
		var gone, lost int64
		ports, read, measured := 0, true, true
		unit := 0
		for i := range s.Ports {
			x := &s.Ports[i]
			if x.Stem != stem || x.LoadedUL <= 0 {
				continue
			}
			ports++
			unit = x.Unit
			gone, lost = gone+x.GoneUL, lost+x.LostUL
			read, measured = read && x.Read, measured && x.LostRead
		}
		t.Ports = Is(ports)
		a := Amount{}
		switch {
		case !read:
		case undiluted:
			a.ProductML, a.LeakedML = microlitres(gone), leaked(lost, measured)
		default:
			a.MixML = microlitres(gone)
			if unit < len(p.Units) && p.Units[unit].Dose > 0 {
				share := exact.Frac(int64(p.Units[unit].Product), int64(p.Units[unit].Dose))
				half := exact.Frac(1, 2)
				a.ProductML = microlitres(exact.Int(gone).Mul(share).Add(half).Floor())
				a.LeakedML = leaked(exact.Int(lost).Mul(share).Add(half).Floor(), measured)
			}
		}
		t.Amounts = []Amount{a}
		size(&t, s, stem)
		setInstant(&t.Start, s.FirstAt, loc, false)
		setInstant(&t.End, s.LastAt, loc, true)
		if p.Lat != nil && p.Lon != nil {
			t.Lat, t.Lon = degree(*p.Lat), degree(*p.Lon)
		}
		out = append(out, t)
	}
	return out
}

func microlitres(ul int64) Fact[Decimal] {
	d, ok := DecOf(exact.Frac(ul, 1000))
	if !ok {
		return Fact[Decimal]{}
	}
	return Is(d)
}

// leaked is a measured leak; one that nobody measured is not recorded.
func leaked(ul int64, measured bool) Fact[Decimal] {
	if !measured {
		return Fact[Decimal]{}
	}
	return microlitres(ul)
}

// size is the diameter that the day used, to a tenth of a centimetre.
func size(t *Tree, s *fieldlog.TreeState, stem string) {
	taped := s.Taped()
	for _, x := range taped.Stems {
		if x.Name != stem && len(taped.Stems) > 1 {
			continue
		}
		t.Diameter = tenths(x.Diameter.Float())
		if x.MeasuredAt.Known {
			if d, ok := DecOf(x.MeasuredAt.Value.In("m")); ok {
				t.Height = Is(d)
			}
		}
		return
	}
}

func tenths(cm float64) Fact[Decimal] {
	if !(cm > 0) || cm > 1e6 {
		return Fact[Decimal]{}
	}
	return mustDecimal(int64(math.Round(cm*10)), 10)
}

// degree keeps 7 decimals, about a centimetre.
func degree(x float64) Fact[Degree] {
	if math.IsNaN(x) || math.Abs(x) > 180 {
		return Fact[Degree]{}
	}
	return mustDecimal(int64(math.Round(x*1e7)), 10_000_000)
}

func mustDecimal(n, d int64) Fact[Decimal] {
	v, ok := DecOf(exact.Frac(n, d))
	if !ok {
		return Fact[Decimal]{}
	}
	return Is(v)
}

// containers collects the numbers of the containers used.
func containers(p *Product, s *fieldlog.TreeState) {
	for i := range s.Ports {
		for _, x := range s.Ports[i].Containers {
			if !slices.Contains(p.Containers, x) {
				p.Containers = append(p.Containers, x)
			}
		}
	}
}
