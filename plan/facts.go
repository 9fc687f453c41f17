package plan

import (
	"slices"
	"strings"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// facts collects what is refused and what is open for the whole block.
type facts struct {
	open, refusals, notes []finding.Finding
}

// need records a missing fact and what it must satisfy.
func (f *facts) need(id, ref string, by finding.Authority, args finding.Args) {
	f.open = append(f.open, finding.Finding{ID: id, Severity: finding.Open, Authority: by, Ref: ref, Args: args})
}

// refuse records a violated mandatory rule.
func (f *facts) refuse(id, ref string, by finding.Authority, args finding.Args) {
	f.refusals = append(f.refusals, finding.Finding{ID: id, Severity: finding.Refused, Force: finding.Mandatory, Authority: by, Ref: ref, Args: args})
}

func (f *facts) warn(id, ref string, by finding.Authority, args finding.Args) {
	f.notes = append(f.notes, finding.Finding{ID: id, Severity: finding.Warning, Authority: by, Ref: ref, Args: args})
}

func (f *facts) note(id, ref string, by finding.Authority, args finding.Args) {
	f.notes = append(f.notes, finding.Finding{ID: id, Severity: finding.Note, Authority: by, Ref: ref, Args: args})
}

// chooseUse returns the one use of the card that fits method, site and target.
// What is not given and not settled by the card itself is open.
func chooseUse(r *Request, f *facts) (use label.Use, index int, ok bool) {
	var fits []int
	methods := map[label.Method]bool{}
	for i, u := range r.Card.Uses {
		methods[u.Method] = true
		if r.Method != "" && u.Method != r.Method {
			continue
		}
		fits = append(fits, i)
	}
	if r.Method == "" && len(methods) > 1 {
		f.need("method-needed", "uses", finding.ByLabel, finding.Args{"methods": finding.Text(joinMethods(methods))})
		return use, 0, false
	}
	if len(fits) == 0 {
		f.refuse("method-not-on-card", "uses", finding.ByLabel, finding.Args{"method": finding.Text(string(r.Method)), "methods": finding.Text(joinMethods(methods))})
		return use, 0, false
	}
	bySite := narrow(fits, func(i int) bool { return r.Site == "" || siteOf(r.Card.Uses[i], r.Site) != nil })
	if len(bySite) == 0 {
		f.refuse("site-not-on-card", "uses", finding.ByLabel, finding.Args{"site": finding.Text(r.Site), "sites": finding.Text(sitesOf(r.Card, fits))})
		return use, 0, false
	}
	byTarget := narrow(bySite, func(i int) bool { return r.Target == "" || containsFold(r.Card.Uses[i].Targets, r.Target) })
	if len(byTarget) == 0 {
		f.refuse("target-not-on-card", "uses", finding.ByLabel, finding.Args{"target": finding.Text(r.Target), "targets": finding.Text(targetsOf(r.Card, bySite))})
		return use, 0, false
	}
	use, index = r.Card.Uses[byTarget[0]], byTarget[0]
	ref := useRef(index)
	if r.Site == "" {
		f.need("site-needed", ref+".sites", finding.ByLabel, finding.Args{"sites": finding.Text(sitesOf(r.Card, byTarget))})
	}
	if r.Target == "" {
		f.need("target-needed", ref+".targets", finding.ByLabel, finding.Args{"targets": finding.Text(targetsOf(r.Card, byTarget))})
	}
	if len(byTarget) > 1 {
		f.refuse("use-unclear", "uses", finding.ByLabel, finding.Args{"count": finding.Count(len(byTarget))})
		return use, index, false
	}
	return use, index, true
}

// UseOf returns the one use of a card that a method, site and target name. ok
// is false where they leave more than one, or none.
func UseOf(card label.Card, method label.Method, site, target string) (use label.Use, ok bool) {
	use, _, ok = chooseUse(&Request{Card: card, Method: method, Site: site, Target: target}, &facts{})
	return use, ok
}

func useRef(i int) string { return "uses[" + exact.Int(int64(i)).String() + "]" }

func narrow(in []int, keep func(int) bool) []int {
	var out []int
	for _, i := range in {
		if keep(i) {
			out = append(out, i)
		}
	}
	return out
}

// siteOf finds a site by name or code.
func siteOf(u label.Use, name string) *label.Site {
	for i := range u.Sites {
		if strings.EqualFold(u.Sites[i].Name, name) || u.Sites[i].Code != "" && strings.EqualFold(u.Sites[i].Code, name) {
			return &u.Sites[i]
		}
	}
	return nil
}

func containsFold(list []string, s string) bool {
	return slices.ContainsFunc(list, func(x string) bool { return strings.EqualFold(x, s) })
}

func joinMethods(m map[label.Method]bool) string {
	var out []string
	for k := range m {
		out = append(out, string(k))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func sitesOf(c label.Card, uses []int) string {
	var out []string
	for _, i := range uses {
		for _, s := range c.Uses[i].Sites {
			if !slices.Contains(out, s.Name) {
				out = append(out, s.Name)
			}
		}
	}
	return strings.Join(out, ", ")
}

func targetsOf(c label.Card, uses []int) string {
	var out []string
	for _, i := range uses {
		for _, t := range c.Uses[i].Targets {
			if !slices.Contains(out, t) {
				out = append(out, t)
			}
		}
	}
	return strings.Join(out, ", ")
}

// judgeBlock applies every rule of the card that concerns the block as a whole
// and does not depend on the doses.
func judgeBlock(r *Request, u label.Use, ref string, f *facts) {
	judgeCard(r, f)
	judgePeople(r, f)
	judgeTiming(r, u, ref, f)
	judgeHarvest(r, u, ref, f)
	if !u.Ports.SapwoodDepth.Known {
		f.need("sapwood-depth-unsaid", ref+".ports.sapwood_depth", finding.ByLabel, nil)
	}
	if !u.Ports.Hole.Known {
		f.need("hole-unsaid", ref+".ports.hole", finding.ByLabel, nil)
	}
	if r.LimbShare.Sign() > 0 && len(r.Limbs) == 0 {
		f.warn("limb-share-unused", ref+".ports.place", finding.ByEstimate, nil)
	}
}

// judgeCard checks registration, territory and the second person.
func judgeCard(r *Request, f *facts) {
	reg := r.Card.Product.Registration
	const ref = "product.registration"
	switch {
	case r.Territory == "":
		f.need("territory-needed", ref+".territory", finding.ByLabel, finding.Args{"territories": finding.Text(strings.Join(reg.Territory, ", "))})
	}
	if r.On.IsZero() {
		f.need("date-needed", ref+".valid", finding.ByLabel, finding.Args{"from": finding.Text(reg.Valid.From.String()), "to": finding.Text(reg.Valid.To.String())})
	}
	for _, c := range label.CheckOn(r.Card, r.On, r.Territory) {
		if c.Severity == finding.Refused {
			f.refusals = append(f.refusals, c)
		} else {
			f.notes = append(f.notes, c)
		}
	}
	if !r.Card.Product.RestrictedUse && !r.Card.Product.RestrictedStated {
		f.need("restricted-unsaid", "product.restricted_use", finding.ByLabel, nil)
	}
	if !r.Card.Verified.Complete() {
		f.warn("card-unchecked", "verified", finding.ByLabel, nil)
	}
}

// judgePeople checks the certificate a restricted-use product asks for.
func judgePeople(r *Request, f *facts) {
	if !r.Card.Product.RestrictedUse {
		return
	}
	const ref = "product.restricted_use"
	switch {
	case r.CertificateUntil.IsZero():
		f.need("certificate-needed", ref, finding.ByLabel, finding.Args{"on": finding.Text(r.On.String())})
	case !r.On.IsZero() && r.CertificateUntil.Before(r.On):
		f.refuse("certificate-expired", ref, finding.ByLaw, finding.Args{"until": finding.Text(r.CertificateUntil.String()), "on": finding.Text(r.On.String())})
	}
}

// judgeTiming checks month and bloom. Temperature and hours belong to the
// morning of the work and are asked there.
func judgeTiming(r *Request, u label.Use, ref string, f *facts) {
	t := u.Timing
	if len(t.Months) > 0 && !r.On.IsZero() && !slices.Contains(t.Months, int(r.On.Month)) {
		f.refuse("month-not-allowed", ref+".timing.months", finding.ByLabel, finding.Args{"on": finding.Text(r.On.String()), "months": finding.Text(joinInts(t.Months))})
	}
	if t.Bloom == label.BloomNone {
		return
	}
	args := finding.Args{"rule": finding.Text(string(t.Bloom)), "days": finding.Count(t.BloomDays)}
	switch {
	case r.Bloom == BloomUnknown:
		f.need("bloom-needed", ref+".timing.bloom", finding.ByLabel, args)
	case r.Bloom == InBloom,
		t.Bloom == label.AfterPetalFall && r.Bloom != PetalFall:
		f.refuse("bloom-forbids", ref+".timing.bloom", finding.ByLabel, args)
	case t.Bloom == label.DaysBeforeBloom && r.Bloom == NoBloom:
		f.note("bloom-days-before", ref+".timing.bloom", finding.ByLabel, args)
	}
}

// harvestDays is the pre-harvest interval in whole local days.
func harvestDays(h label.Harvest) int {
	return int(h.Interval.Value.In("d").Ceil())
}

// judgeHarvest checks the pre-harvest interval. The interval counts whole
// local days after the day of work, the careful reading.
func judgeHarvest(r *Request, u label.Use, ref string, f *facts) {
	food := false
	for _, s := range u.Sites {
		if r.Site == "" || siteOf(label.Use{Sites: []label.Site{s}}, r.Site) != nil {
			food = food || s.Food
		}
	}
	h := u.Harvest
	if h.NotFood && !r.HarvestFrom.IsZero() {
		f.refuse("not-for-food", ref+".phi", finding.ByLabel, finding.Args{"harvest": finding.Text(r.HarvestFrom.String())})
		return
	}
	if !h.Interval.Known || !food && r.HarvestFrom.IsZero() {
		return
	}
	days := harvestDays(h)
	args := finding.Args{"days": finding.Count(days)}
	if !r.On.IsZero() {
		args["earliest"] = finding.Text(r.On.AddDays(days).String())
	}
	switch {
	case r.HarvestFrom.IsZero():
		f.need("harvest-needed", ref+".phi", finding.ByLabel, args)
	case !r.On.IsZero() && r.HarvestFrom.Before(r.On.AddDays(days)):
		args["harvest"] = finding.Text(r.HarvestFrom.String())
		f.refuse("harvest-too-soon", ref+".phi", finding.ByLabel, args)
	}
}

// dates works out what follows from the day of work.
func dates(r *Request, u label.Use) Dates {
	var d Dates
	if u.Reentry.Interval.Known {
		d.ReentryH = u.Reentry.Interval.Value.Base().String()
	}
	if r.On.IsZero() {
		return d
	}
	if u.Harvest.Interval.Known {
		d.HarvestFrom = r.On.AddDays(harvestDays(u.Harvest)).String()
	}
	if u.Limits.Interval.Known {
		d.NextEarliest = r.On.AddDays(int(u.Limits.Interval.Value.In("d").Ceil())).String()
	}
	return d
}

// year returns the days that count together with on under a yearly limit:
// everything after the start, up to and including on.
func year(l label.Limits, on civil.Date) (after civil.Date) {
	switch l.Year {
	case label.YearCalendar:
		return civil.Date{Year: on.Year, Month: 1, Day: 1}.AddDays(-1)
	case label.YearSeason:
		if l.SeasonStarts >= 1 {
			start := civil.Date{Year: on.Year, Month: time.Month(l.SeasonStarts), Day: 1}
			if on.Before(start) {
				start = start.AddYears(-1)
			}
			return start.AddDays(-1)
		}
	}
	// Rolling, the strictest reading where the card is silent. The year before
	// 29 February reaches back to 28 February: what was done on 1 March of the
	// year before is still inside it.
	back := on.AddYears(-1)
	if back.Month != on.Month {
		back = back.AddDays(-1)
	}
	return back
}

// judgeArea checks the yearly mass of active ingredient per area, summed over
// every product and method of the history with the same active ingredient.
func judgeArea(r *Request, u label.Use, ref string, product exact.Rat, f *facts) []ActiveLine {
	var lines []ActiveLine
	for i, a := range r.Card.Product.Actives {
		content, ok := r.Card.Product.ActivePerVolume(i)
		if !ok {
			f.need("content-unknown", "product.active", finding.ByLabel, finding.Args{"active": finding.Text(a.Name)})
			continue
		}
		now := product.Mul(content.Base())
		before, unknown := earlier(r, u, a.Name)
		line := ActiveLine{Name: a.Name, Grams: now.Float(), History: before.Float()}
		if r.Area.Known && r.Area.Value.Sign() > 0 {
			perHa := now.Quo(r.Area.Value.In("ha")).Float()
			line.PerHa = &perHa
		}
		if u.Limits.ActivePerArea.Known {
			limit := u.Limits.ActivePerArea.Value
			perHa := limit.In("g/ha").Float()
			line.CapG = &perHa
			total := now.Add(before)
			args := finding.Args{
				"active": finding.Text(a.Name),
				"cap":    finding.Number(perHa, "g/ha"),
				"now":    finding.Number(now.Float(), "g"),
				"before": finding.Number(before.Float(), "g"),
				"needs":  finding.Number(upTo(total.Quo(limit.In("g/ha")), 100), "ha"),
			}
			if unknown > 0 {
				f.need("history-mass-needed", ref+".limits.active_per_area", finding.ByLabel, finding.Args{"active": finding.Text(a.Name), "count": finding.Count(unknown)})
			}
			switch {
			case !r.Area.Known:
				f.need("area-needed", ref+".limits.active_per_area", finding.ByLabel, args)
			case total.Cmp(limit.Base().Mul(r.Area.Value.Base())) > 0:
				args["area"] = finding.Number(r.Area.Value.In("ha").Float(), "ha")
				f.refuse("area-cap", ref+".limits.active_per_area", finding.ByLabel, args)
			}
		}
		lines = append(lines, line)
	}
	return lines
}

// upTo rounds up to 1/parts, so that a stated need is always enough.
func upTo(v exact.Rat, parts int64) float64 {
	return exact.Frac(v.Mul(exact.Int(parts)).Ceil(), parts).Float()
}

// earlier sums the history's grams of an active ingredient in the card's year
// and counts rows without a mass. A history without a date of work counts
// whole: the careful reading.
func earlier(r *Request, u label.Use, active string) (sum exact.Rat, unknown int) {
	content, known := contentOf(r.Card.Product, active)
	for _, h := range r.History {
		mine := strings.EqualFold(h.Product, r.Card.Product.Name)
		if _, onCard := contentOf(r.Card.Product, h.Active); !strings.EqualFold(h.Active, active) && !(mine && !onCard) {
			continue // another active; this product under a name the card does not know counts
		}
		if !r.On.IsZero() && !h.DateEnd.IsZero() && !year(u.Limits, r.On).Before(h.DateEnd) {
			continue
		}
		switch {
		case h.ActiveMass.Known:
			sum = sum.Add(h.ActiveMass.Value.Base())
		case mine && h.ProductVolume.Known && known:
			sum = sum.Add(h.ProductVolume.Value.Base().Mul(content.Base()))
		default:
			unknown++
		}
	}
	return sum, unknown
}

// contentOf returns grams of an active ingredient in one mL of the product.
func contentOf(p label.Product, active string) (q.Density, bool) {
	for i, a := range p.Actives {
		if strings.EqualFold(a.Name, active) {
			return p.ActivePerVolume(i)
		}
	}
	return q.Density{}, false
}

func joinInts(ns []int) string {
	out := make([]string, len(ns))
	for i, n := range ns {
		out[i] = exact.Int(int64(n)).String()
	}
	return strings.Join(out, ", ")
}
