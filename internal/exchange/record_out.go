package exchange

import (
	"io"
	"strconv"
	"strings"
	"time"

	"sapward/apply/record"
	"sapward/numeric/exact"
)

// RecordView is what an export of a record holds: one version, with persons
// left out that no regime of the export asks for.
type RecordView struct {
	ID      string
	Version record.Version // Content is already cut down to what may be shown
	First   record.Version // when and by whom it was entered; only its head is used
	Dates   record.Dates
	Dues    []record.Due
	Keep    record.Retention
	Regimes []string
	Decides string // the sentence that the label and local law decide
}

// ViewRecord makes the view of a record's newest version for regimes; none
// means those the record was kept for.
func ViewRecord(r *record.Record, regimes []string, zones record.Zones, decides string) (RecordView, error) {
	v := RecordView{ID: r.ID, Version: *r.Last(), First: r.Versions[0], Regimes: regimes, Decides: decides}
	if len(regimes) == 0 {
		v.Regimes = r.Last().Content.Regimes
	}
	v.Dates = record.WorkedOut(&r.Last().Content, zones)
	v.Dues = record.Dues(&r.Last().Content, zones)
	v.Keep = record.Kept(&r.Last().Content, zones)
	c, err := record.ForRegimes(&r.Last().Content, v.Regimes)
	v.Version.Content = c
	asked := false
	for _, f := range record.Personal(&r.Last().Content, v.Regimes) {
		asked = asked || f.Item == "R16" && len(f.AskedBy) > 0
	}
	if !asked { // names of the head are personal as well
		v.Version.By, v.First.By = "", ""
		if s := v.Version.Signature; s != nil {
			cut := *s
			cut.Name, cut.Number = "", ""
			v.Version.Signature = &cut
		}
	}
	return v, err
}

// group is the trees of one product treated alike.
type group struct {
	name   string
	tags   []string
	stems  int
	ml     exact.Rat
	mix    exact.Rat
	leaked exact.Rat
	holes  [3]bool // an amount of the group is not recorded
	ports  int
	noPort bool
	loads  []string
}

// groupsOf sorts the trees that got a product into their groups, in the order
// of the list. Trees without a group are one.
func groupsOf(c *record.Content, product int) []*group {
	var out []*group
	at := map[string]*group{}
	for i := range c.Trees {
		t := &c.Trees[i]
		for j := range t.Amounts {
			a := &t.Amounts[j]
			if a.Product != product {
				continue
			}
			g := at[t.Group]
			if g == nil {
				g = &group{name: t.Group}
				at[t.Group] = g
				out = append(out, g)
			}
			if n := len(g.tags); n == 0 || g.tags[n-1] != t.Tag {
				g.tags = append(g.tags, t.Tag)
			}
			g.stems++
			for k, x := range []struct {
				f  record.Fact[record.Decimal]
				to *exact.Rat
			}{{a.ProductML, &g.ml}, {a.MixML, &g.mix}, {a.LeakedML, &g.leaked}} {
				if v, ok := x.f.Known(); ok {
					*x.to = x.to.Add(v.Rat())
				} else {
					g.holes[k] = true
				}
			}
			if n, ok := t.Ports.Known(); ok {
				g.ports += n
			} else {
				g.noPort = true
			}
			if t.Load != "" {
				g.loads = append(g.loads, t.Load+":"+strconv.Itoa(t.Sequence)+"="+t.Tag)
			}
		}
	}
	if len(out) == 0 {
		out = append(out, &group{holes: [3]bool{true, true, true}, noPort: true})
	}
	return out
}

// RecordCSV writes a record as a flat table by RFC 4180: one row a product and
// group of trees. A cell is empty where nothing was recorded; the columns
// not_recorded and does_not_apply list those elements, so that no empty cell is
// taken for zero. Units stand in columns of their own, dates are ISO 8601, a text
// that a spreadsheet would run as a formula is guarded.
func RecordCSV(w io.Writer, v RecordView) error {
	out := NewRowWriter(w)
	for _, h := range recordColumns {
		out.Text(h)
	}
	out.End()
	c := &v.Version.Content
	for i := range c.Products {
		for _, g := range groupsOf(c, i) {
			recordRow(out, &v, i, g)
			out.End()
		}
	}
	return out.Close()
}

var recordColumns = strings.Fields(`record version version_hash state invented practice_only regimes
 product registration supplement territory actives
 tree_group trees tree_tags ports product_amount product_amount_unit leaked_amount leaked_amount_unit mix_amount mix_amount_unit
 product_per_tree product_per_tree_unit product_per_area product_per_area_unit rate rate_basis
 total_product total_product_unit total_mix total_mix_unit
 date_start date_end start end zone
 place_description county section map agency_id legal parcel address postcode field lat lon
 area area_unit trees_treated trees_planted
 site site_eppo growth_stage_bbch target target_eppo method equipment type_of_use spot_application
 applicator applicator_number applicator_address applied_by supervised_by customer customer_address company company_address company_licence
 temperature temperature_unit wind_speed wind_speed_unit wind_direction
 rei_h rei_until_dry reentry_from phi_d not_for_food harvest_from signs_down_by next_earliest
 operator_id site_id permit sds training loads containers
 entered_at entered_by written_at written_by reason signed_by signed_number certificate_expires signed_content_hash
 keep_until keep_by not_recorded does_not_apply decides`)

// row writes cells in the order of the columns.
type row struct{ w *RowWriter }

func (r row) text(s ...string) {
	for _, x := range s {
		if x == "" {
			r.w.Blank()
		} else {
			r.w.Text(x)
		}
	}
}

func (r row) fact(fs ...record.Fact[string]) {
	for _, f := range fs {
		s, _ := f.Known()
		r.text(s)
	}
}

// number writes an exact decimal as it is, so that nothing is rounded.
func (r row) number(v exact.Rat, known bool, unit string) {
	if !known {
		r.text("", "")
		return
	}
	if d, ok := record.DecOf(v); ok {
		r.decimal(d)
	} else {
		r.w.Float(v.Float(), 3)
	}
	r.text(unit)
}

// decimal writes a number that is never guarded as a formula.
func (r row) decimal(d record.Decimal) {
	s := d.String()
	_, part, _ := strings.Cut(s, ".")
	n, _ := exact.Decimal(strings.Replace(s, ".", "", 1))
	r.w.Fixed(n.Floor(), len(part))
}

func (r row) when(t time.Time) {
	if t.IsZero() {
		r.w.Blank()
		return
	}
	r.text(t.Format(time.RFC3339))
}

func (r row) count(f record.Fact[int]) {
	if n, ok := f.Known(); ok {
		r.w.Int(n)
	} else {
		r.w.Blank()
	}
}

func yesno(b bool) string {
	if b {
		return "true"
	}
	return "false"
}

func recordRow(w *RowWriter, v *RecordView, product int, g *group) {
	r := row{w}
	c := &v.Version.Content
	p := &c.Products[product]
	state := string(v.Version.Kind)
	r.text(v.ID)
	w.Int(v.Version.Number)
	r.text(v.Version.Hash, state, yesno(c.Invented), yesno(c.PracticeOnly), strings.Join(v.Regimes, " "))
	r.fact(p.Name, p.Registration, p.Supplement)
	var actives []string
	for _, a := range p.Actives.Value {
		actives = append(actives, strings.TrimSpace(a.Name+" "+a.Content))
	}
	r.text(strings.Join(p.Territory, " "), strings.Join(actives, "; "))

	r.text(g.name)
	if len(g.tags) > 0 {
		w.Int(len(g.tags))
	} else {
		w.Blank()
	}
	r.text(strings.Join(g.tags, " "))
	if g.noPort {
		w.Blank()
	} else {
		w.Int(g.ports)
	}
	r.number(g.ml, !g.holes[0], "mL")
	r.number(g.leaked, !g.holes[2], "mL")
	r.number(g.mix, !g.holes[1], "mL")
	r.perTreeAndArea(c, p, g)
	rate, _ := p.Rate.Known()
	r.text(rate.Amount, rate.Basis)
	for _, f := range []record.Fact[record.Volume]{p.Total, p.Mix} {
		m, ok := f.Known()
		r.number(m.Value.Rat(), ok, m.Unit)
	}
	r.whenAndWhere(c)
	m, ok := c.Area.Known()
	r.number(m.Value.Rat(), ok, m.Unit)
	r.count(c.TreesTreated)
	r.count(c.TreesPlanted)
	r.fact(c.Site.Name, c.Site.Code, c.Stage, c.Target.Name, c.Target.Code, c.Work.Method, c.Work.Equipment, c.Work.TypeOfUse, c.Work.Spot)
	r.people(c)
	r.weather(c)
	r.intervals(v, p)
	r.fact(c.Permits.Operator, c.Permits.Site, c.Permits.Permit, p.SDS, c.Training)
	r.text(strings.Join(g.loads, " "), strings.Join(p.Containers, " "))
	r.audit(v)
}

// perTreeAndArea writes the mean amount a tree and the amount a hectare: EU
// records ask for a dose, and a dose a tree is an adaptation of the unit.
func (r row) perTreeAndArea(c *record.Content, p *record.Product, g *group) {
	n := int64(len(g.tags))
	if g.holes[0] || n == 0 {
		r.text("", "")
	} else {
		r.number(g.ml.Quo(exact.Int(n)), true, "mL/tree")
	}
	total, ok := p.Total.Known()
	area, has := c.Area.Known()
	if !ok || !has {
		r.text("", "")
		return
	}
	v, f1 := total.Quantity()
	a, f2 := area.Quantity()
	if f1 != nil || f2 != nil || a.Sign() <= 0 {
		r.text("", "")
		return
	}
	r.number(v.In("L").Quo(a.In("ha")), true, "L/ha")
}

func (r row) whenAndWhere(c *record.Content) {
	d, ok := c.Work.Date.Known()
	if ok {
		r.text(d.From.String(), d.To.String())
	} else {
		r.text("", "")
	}
	r.when(c.Work.Start.Value.T)
	r.when(c.Work.End.Value.T)
	r.text(c.Work.Zone)
	r.fact(c.Place.Description, c.Place.County, c.Place.Section, c.Place.Map, c.Place.AgencyID, c.Place.Legal, c.Place.Parcel, c.Place.Address, c.Place.Postcode, c.Place.Field)
	for _, f := range []record.Fact[record.Degree]{c.Place.Lat, c.Place.Lon} {
		if d, ok := f.Known(); ok {
			r.decimal(d)
		} else {
			r.w.Blank()
		}
	}
}

func (r row) people(c *record.Content) {
	a, _ := c.People.Applicator.Known()
	r.text(a.Name, a.Number, a.Address)
	var names []string
	for _, p := range c.People.Appliers.Value {
		names = append(names, p.Name)
	}
	r.text(strings.Join(names, "; "))
	r.fact(c.People.Supervisor)
	p, _ := c.People.Customer.Known()
	k, _ := c.People.Company.Known()
	r.text(p.Name, p.Address, k.Name, k.Address, k.Licence)
}

func (r row) weather(c *record.Content) {
	m, ok := c.Weather.Temperature.Known()
	r.number(m.Value.Rat(), ok, m.Unit)
	s, ok := c.Weather.WindSpeed.Known()
	r.number(s.Value.Rat(), ok, s.Unit)
	d, _ := c.Weather.WindDirection.Known()
	r.text(string(d))
}

func (r row) intervals(v *RecordView, p *record.Product) {
	if rei, ok := p.REI.Known(); ok {
		if rei.Hours.IsZero() {
			r.w.Blank()
		} else {
			r.decimal(rei.Hours)
		}
		r.text(yesno(rei.UntilDry))
	} else {
		r.text("", "")
	}
	r.when(v.Dates.Reentry)
	if phi, ok := p.PHI.Known(); ok {
		if phi.NotFood {
			r.w.Blank()
		} else {
			r.w.Int(phi.Days)
		}
		r.text(yesno(phi.NotFood))
	} else {
		r.text("", "")
	}
	r.text(v.Dates.HarvestFrom.String(), v.Dates.SignsDownBy.String(), v.Dates.NextEarliest.String())
}

func (r row) audit(v *RecordView) {
	r.when(v.First.At.T)
	r.text(v.First.By)
	r.when(v.Version.At.T)
	r.text(v.Version.By, v.Version.Reason)
	if s := v.Version.Signature; s != nil {
		r.text(s.Name, s.Number, s.Expires.String(), s.ContentHash)
	} else {
		r.text("", "", "", "")
	}
	r.text(v.Keep.Until.String(), v.Keep.Profile)
	var missing, none []string
	for _, it := range record.Items() {
		switch it.Of(&v.Version.Content) {
		case record.NotRecorded:
			missing = append(missing, string(it))
		case record.None:
			none = append(none, string(it))
		}
	}
	r.text(strings.Join(missing, " "), strings.Join(none, " "), v.Decides)
}
