package cardfile

import (
	"regexp"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/plan/label"
)

// card reads the whole card.
func (r *reader) card(root *node) (c label.Card) {
	m := r.mapping(root, "card", "")
	if !m.has("schema") {
		r.fault("card-schema-missing", m.at, finding.Args{"schema": finding.Text(label.Schema)})
	} else if n := m.get("schema"); n != nil {
		if s, ok := r.scalar(n, "schema"); ok && s != label.Schema {
			r.fault("card-schema-unknown", r.where(n), finding.Args{"text": finding.Text(clip(s)), "schema": finding.Text(label.Schema)})
		}
	}
	if n := m.need("product"); n != nil {
		c.Product = r.product(r.mapping(n, "product", "product"))
	}
	if n := m.get("source"); n != nil {
		s := r.mapping(n, "source", "source")
		c.Source = label.Source{Kind: s.choice("kind", "container", "pdf", "register"), Date: s.date("date")}
	}
	if n := m.get("verified"); n != nil {
		v := r.mapping(n, "verified", "verified")
		c.Verified = label.Verified{EnteredBy: v.text("entered_by"), EnteredOn: v.date("entered_on"), CheckedBy: v.text("checked_by"), CheckedOn: v.date("checked_on")}
	}
	nodes, paths := r.list(m.need("uses"), "uses")
	for i, n := range nodes {
		c.Uses = append(c.Uses, r.use(r.mapping(n, "use", paths[i])))
	}
	if n := m.get("safety"); n != nil {
		c.Safety = r.safety(r.mapping(n, "safety", "safety"))
	}
	nodes, paths = r.list(m.get("statements"), "statements")
	for i, n := range nodes {
		s := r.mapping(n, "statement", paths[i])
		s.need("text")
		s.need("force")
		c.Statements = append(c.Statements, label.Statement{Force: force(s, "force"), Text: s.text("text"), Page: s.count("page", 1, 9999)})
	}
	return c
}

// force reads mandatory or advisory.
func force(m mapping, key string) finding.Force {
	return finding.Force(m.choice(key, string(finding.Mandatory), string(finding.Advisory)))
}

// product reads what stands on the container.
func (r *reader) product(m mapping) (p label.Product) {
	m.need("name")
	p.Name = m.text("name")
	p.Invented, _ = m.truth("invented")
	p.Holder = m.text("holder")
	p.RestrictedUse, p.RestrictedStated = m.truth("restricted_use")
	p.Agricultural, p.AgriculturalStated = m.truth("agricultural")
	if p.Density = quantity[q.DensityKind](m, "density"); p.Density.Known {
		r.echoes[len(r.echoes)-1].Understood = label.Figure(p.Density.Value.Base()) + " g/mL"
	}
	if n := m.fill("registration"); n != nil {
		g := r.mapping(n, "registration", m.pathOf("registration"))
		g.fill("number")
		g.fill("territory")
		p.Registration = label.Registration{
			Number: g.text("number"), Supplement: g.text("supplement"), Territory: g.texts("territory"),
			Type:  g.choice("type", "full", "local-need", "emergency", "minor-use", "experimental", "old-stock"),
			Valid: g.period("valid"), UseUpBy: g.date("use_up_by"),
		}
	}
	nodes, paths := r.list(m.need("active"), m.pathOf("active"))
	for i, n := range nodes {
		p.Actives = append(p.Actives, r.active(r.mapping(n, "active", paths[i])))
	}
	return p
}

// active reads an active ingredient. Its content is a mass per volume, or a
// mass per mass.
func (r *reader) active(m mapping) (a label.Active) {
	m.need("name")
	a.Name, a.Class, a.As = m.text("name"), m.text("class"), m.text("as")
	n := m.fill("content")
	path := m.pathOf("content")
	s, ok := r.scalar(n, path)
	if !ok {
		return a
	}
	if _, fault := q.Parse[q.MassFractionKind](s); fault == nil {
		a.Share.Value, a.Share.Known = read[q.MassFractionKind](r, n, path, "")
		return a
	}
	if _, fault := q.Parse[q.DensityKind](s); fault != nil {
		if fault.ID == "unit-kind" || fault.ID == "unit-missing" {
			fault.Args["units"] = finding.Text("g/L, % w/v, % w/w, g/kg, lb/US gal")
		}
		r.quantityFault(fault, n, path)
		return a
	}
	a.Content.Value, a.Content.Known = read[q.DensityKind](r, n, path, "")
	return a
}

// safety reads what the label says about people.
func (r *reader) safety(m mapping) (s label.Safety) {
	if n := m.get("ppe"); n != nil {
		p := r.mapping(n, "ppe", m.pathOf("ppe"))
		s.Mix, s.Apply, s.Clean, s.EarlyEntry = p.texts("mix"), p.texts("apply"), p.texts("clean"), p.texts("early_entry")
	}
	s.FirstAid, s.EmergencyNumber = m.text("first_aid"), m.text("emergency_number")
	s.Storage, s.Disposal, s.Spill = m.text("storage"), m.text("disposal"), m.text("spill")
	return s
}

// code is the shape of an EPPO code: five letters for a plant, six signs for a
// pest or a taxon (EPPO Global Database, EPPO codes; from memory).
var code = regexp.MustCompile(`^[0-9A-Z]{5,6}$`)

// site reads where the product may be used.
func (r *reader) site(m mapping) (s label.Site) {
	m.need("name")
	s.Name, s.Code = m.text("name"), m.text("code")
	if s.Code != "" && !code.MatchString(s.Code) {
		r.fault("card-eppo-code", r.where(m.get("code")), finding.Args{"path": finding.Text(m.pathOf("code")), "text": finding.Text(clip(s.Code))})
	}
	m.fill("food")
	s.Food, s.FoodStated = m.truth("food")
	s.Bearing = m.choice("bearing", "any", "nonbearing")
	if s.Bearing == "" {
		s.Bearing = "any"
	}
	return s
}

// lower folds a phrase for comparison.
func lower(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }
