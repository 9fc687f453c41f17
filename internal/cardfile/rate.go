package cardfile

import (
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// bases are the words after per.
var bases = []string{
	string(label.PerDiameter), string(label.PerGirth), string(label.PerCanopyDiameter), string(label.PerCanopyVolume),
	string(label.PerBasalArea), string(label.PerTree), string(label.PerPort),
}

// rate reads any of the rate forms. An amount is a volume of product, or a mass,
// which is always of the first active ingredient.
func (r *reader) rate(m mapping) (out q.Opt[label.Rate]) {
	if r.hasTable(m, "bands") {
		return r.bands(m)
	}
	per, known := r.basis(m)
	if r.hasTable(m, "classes") {
		return r.classes(m, per, known)
	}
	if !known {
		if !m.has("low") && !m.has("high") && !m.has("amount") && !m.has("active") {
			r.amount(m, per) // says that the amount is missing too
		}
		return out
	}
	v := r.amount(m, per)
	out.Known = v.ok
	out.Value = label.Rate{Per: per, Active: v.active, Low: v.low, High: v.high, Single: v.single}
	if per == label.PerCanopyVolume {
		out.Value.Shape = r.shape(m)
	} else if m.has("shape") {
		r.misplaced(m, "shape", "per: canopy volume")
	}
	return out
}

// hasTable reports a table key with something in it.
func (r *reader) hasTable(m mapping, key string) bool {
	if n, ok := m.values[key]; ok && isEmpty(n) && len(m.values) == 1 {
		m.need(key)
	}
	return m.has(key)
}

// misplaced notes a key that goes only with another.
func (r *reader) misplaced(m mapping, key, with string) {
	r.fault("card-key-needs", r.where(m.values[key]), finding.Args{"path": finding.Text(m.pathOf(key)), "key": finding.Text(key), "with": finding.Text(with)})
}

// basis reads what the rate is counted on. A table of bands or classes says it
// by itself.
func (r *reader) basis(m mapping) (per label.Basis, known bool) {
	if m.has("classes") && !m.has("per") {
		return label.PerTree, true
	}
	n := m.need("per")
	s, ok := r.scalar(n, m.pathOf("per"))
	if !ok {
		return "", false
	}
	for _, b := range bases {
		if lower(strings.ReplaceAll(s, "_", " ")) == b {
			return label.Basis(b), true
		}
	}
	r.notOneOf(n, m.pathOf("per"), s, bases)
	return "", false
}

// shape reads the factor k of crown volume = k * width^2 * height. An ellipsoid
// has pi/6 = 0.52, a cone pi/12 = 0.26 (solid geometry).
func (r *reader) shape(m mapping) (v exact.Rat) {
	n := m.get("shape")
	if n == nil {
		if !m.has("shape") {
			at := m.at
			if e, ok := m.values["shape"]; ok {
				at = r.where(e)
			}
			r.fault("card-shape-missing", at, finding.Args{"path": finding.Text(m.pathOf("shape"))})
		}
		return v
	}
	s, ok := r.scalar(n, m.pathOf("shape"))
	if !ok {
		return v
	}
	v, fault := q.Number(s)
	if fault != nil {
		r.quantityFault(fault, n, m.pathOf("shape"))
		return v
	}
	if v.Sign() <= 0 || exact.Int(1).Less(v) {
		r.fault("card-shape-range", r.where(n), finding.Args{"path": finding.Text(m.pathOf("shape")), "text": finding.Text(clip(s))})
	}
	return v
}

// amounts is what one line of a card gives: low to high, or one value.
type amounts struct {
	low, high          exact.Rat
	single, active, ok bool
}

// amount reads low and high, or amount, or active, of a rate or of a row.
func (r *reader) amount(m mapping, per label.Basis) (a amounts) {
	var given []string
	for _, k := range []string{"amount", "active"} {
		if m.has(k) {
			given = append(given, k)
		}
	}
	if m.has("low") || m.has("high") {
		given = append(given, "low and high")
	}
	switch {
	case len(given) == 0:
		at := m.at
		for _, k := range m.order { // the first line left empty
			if k == "amount" || k == "low" || k == "high" || k == "active" {
				at = r.where(m.values[k])
				break
			}
		}
		r.fault("card-amount-empty", at, finding.Args{"path": finding.Text(m.path)})
		return a
	case len(given) > 1:
		r.fault("card-amount-twice", m.at, finding.Args{"path": finding.Text(m.path), "given": finding.Text(strings.Join(given, ", "))})
		return a
	}
	var low, high *node
	var lowPath, highPath string
	if given[0] == "low and high" {
		if !m.has("high") {
			r.fault("card-high-missing", r.where(m.values["low"]), finding.Args{"path": finding.Text(m.pathOf("high"))})
			return a
		}
		low, high, lowPath, highPath = m.get("low"), m.get("high"), m.pathOf("low"), m.pathOf("high")
		if high == nil || low == nil && m.has("low") {
			return a // refused already
		}
	} else {
		n := m.get(given[0])
		if n == nil {
			return a
		}
		var ok bool
		if low, high, lowPath, highPath, ok = r.pairOf(n, m.pathOf(given[0])); !ok {
			return a
		}
		if high == nil {
			r.fault("card-range-open", r.where(n), finding.Args{"path": finding.Text(m.pathOf(given[0]))})
			return a
		}
	}
	return r.ends(low, high, lowPath, highPath, per, given[0] == "active")
}

// ends reads the two ends of an amount; low is nil for a single value.
func (r *reader) ends(low, high *node, lowPath, highPath string, per label.Basis, mass bool) (a amounts) {
	note := ""
	if low == nil {
		note = EchoMaximum
	}
	h, activeHigh, okHigh := r.rateValue(high, highPath, per, mass, note)
	if low == nil {
		return amounts{low: h, high: h, single: true, active: activeHigh, ok: okHigh}
	}
	l, activeLow, okLow := r.rateValue(low, lowPath, per, mass, "")
	if okLow && okHigh && activeLow != activeHigh {
		r.fault("card-amount-mixed", r.where(high), finding.Args{"path": finding.Text(highPath)})
		okHigh = false
	}
	return amounts{low: l, high: h, active: activeHigh, ok: okLow && okHigh}
}

// rateValue reads one amount for a basis, as a volume of product or a mass of
// active ingredient, in the base unit of label.Rate.
func (r *reader) rateValue(n *node, path string, per label.Basis, mass bool, note string) (v exact.Rat, active, ok bool) {
	s, ok := r.scalar(n, path)
	if !ok {
		return v, false, false
	}
	var product, grams *finding.Fault
	var p, g exact.Rat
	switch per {
	case label.PerDiameter, label.PerGirth, label.PerCanopyDiameter:
		p, product = parse[q.VolumePerLengthKind](s)
		g, grams = parse[q.MassPerLengthKind](s)
	case label.PerCanopyVolume:
		p, product = parse[q.VolumePerVolumeKind](s)
		g, grams = parse[q.DensityKind](s)
	case label.PerBasalArea:
		p, product = parse[q.VolumePerAreaKind](s)
		g, grams = parse[q.MassPerAreaKind](s)
	default:
		p, product = parse[q.VolumeKind](s)
		g, grams = parse[q.MassKind](s)
	}
	switch {
	case product == nil && mass:
		r.fault("card-active-volume", r.where(n), finding.Args{"path": finding.Text(path), "text": finding.Text(clip(s))})
		return v, false, false
	case product == nil:
		r.echoes = append(r.echoes, Echo{Path: path, Written: s, Understood: label.RateShown(per, false, p), Note: note})
		return p, false, true
	case grams == nil:
		r.echoes = append(r.echoes, Echo{Path: path, Written: s, Understood: label.RateShown(per, true, g), Note: EchoActive})
		return g, true, true
	}
	f := product
	if mass {
		f = grams
	} else if u, both := f.Args["units"]; both && f.ID != "unit-vague" {
		f.Args["units"] = finding.Text(u.Text + ", " + grams.Args["units"].Text)
	}
	if f.ID == "unit-kind" {
		f.ID = "card-rate-unit"
		if per == label.PerBand {
			per = label.PerTree
		}
		f.Args["per"] = finding.Text(string(per))
	}
	r.quantityFault(f, n, path)
	return v, false, false
}

func parse[K q.Kind](s string) (exact.Rat, *finding.Fault) {
	v, fault := q.Parse[K](s)
	return v.Base(), fault
}

// rows reads the common parts of a table: every row gives the same kind of
// amount.
func (r *reader) rows(tables []amounts, at []mapping) (active, single, ok bool) {
	ok = true
	first := -1
	for i, a := range tables {
		if !a.ok {
			ok = false
			continue
		}
		if first < 0 {
			first = i
			continue
		}
		if a.active != tables[first].active || a.single != tables[first].single {
			r.fault("card-rows-mixed", at[i].at, finding.Args{"path": finding.Text(at[i].path)})
			ok = false
		}
	}
	if first < 0 {
		return false, false, false
	}
	return tables[first].active, tables[first].single, ok
}

// onlyTable notes keys that do not go beside a table.
func (r *reader) onlyTable(m mapping, table string) {
	for _, k := range m.order {
		if k != table && k != "per" && m.has(k) {
			r.fault("card-table-alone", r.where(m.values[k]), finding.Args{"path": finding.Text(m.pathOf(k)), "key": finding.Text(k), "table": finding.Text(table)})
		}
	}
}

// bands reads a table of diameter bands.
func (r *reader) bands(m mapping) (out q.Opt[label.Rate]) {
	r.onlyTable(m, "bands")
	if m.has("per") {
		s := lower(m.text("per"))
		if s != string(label.PerDiameter) && s != string(label.PerTree) && s != string(label.PerBand) && s != "" {
			r.fault("card-bands-per", r.where(m.values["per"]), finding.Args{"path": finding.Text(m.pathOf("per")), "text": finding.Text(clip(s))})
		}
	}
	out.Value.Per = label.PerBand
	nodes, paths := r.list(m.get("bands"), m.pathOf("bands"))
	var tables []amounts
	var at []mapping
	ok := len(nodes) > 0
	for i, n := range nodes {
		b := r.mapping(n, "band", paths[i])
		b.need("from")
		b.need("to")
		from, to := quantity[q.LengthKind](b, "from"), quantity[q.LengthKind](b, "to")
		a := r.amount(b, label.PerBand)
		tables, at = append(tables, a), append(at, b)
		ok = ok && from.Known && to.Known
		out.Value.Bands = append(out.Value.Bands, label.Band{From: from.Value, To: to.Value, Low: a.low, High: a.high, Ports: b.count("ports", 1, 1000)})
	}
	var good bool
	out.Value.Active, out.Value.Single, good = r.rows(tables, at)
	out.Known = ok && good
	return out
}

// classes reads a table of age classes.
func (r *reader) classes(m mapping, per label.Basis, known bool) (out q.Opt[label.Rate]) {
	r.onlyTable(m, "classes")
	if known && per != label.PerTree {
		r.misplaced(m, "classes", "per: tree")
	}
	out.Value.Per = label.PerTree
	nodes, paths := r.list(m.get("classes"), m.pathOf("classes"))
	var tables []amounts
	var at []mapping
	for i, n := range nodes {
		k := r.mapping(n, "class", paths[i])
		k.need("class")
		a := r.amount(k, label.PerTree)
		tables, at = append(tables, a), append(at, k)
		out.Value.Classes = append(out.Value.Classes, label.Class{Name: k.text("class"), Low: a.low, High: a.high})
	}
	out.Value.Active, out.Value.Single, out.Known = r.rows(tables, at)
	return out
}
