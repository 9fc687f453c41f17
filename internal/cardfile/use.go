package cardfile

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// use reads one use of the label.
func (r *reader) use(m mapping) (u label.Use) {
	m.need("method")
	u.Method = r.method(m)
	nodes, paths := r.list(m.need("sites"), m.pathOf("sites"))
	for i, n := range nodes {
		u.Sites = append(u.Sites, r.site(r.mapping(n, "site", paths[i])))
	}
	m.need("targets")
	u.Targets = m.texts("targets")
	if n := m.get("measure"); n != nil {
		t := r.mapping(n, "measure", m.pathOf("measure"))
		u.Measure = label.Measure{At: quantity[q.LengthKind](t, "at"), Stems: label.StemRule(t.choice("stems", "each", "root-sum-square", "sum"))}
	}
	if n := m.get("tree"); n != nil {
		t := r.mapping(n, "tree", m.pathOf("tree"))
		u.Tree = label.TreeRule{Min: quantity[q.LengthKind](t, "min"), Max: quantity[q.LengthKind](t, "max"), CrownLossMax: quantity[q.PercentKind](t, "crown_loss_max")}
	}
	if n := m.fill("rate"); n != nil {
		u.Rate = r.rate(r.mapping(n, "rate", m.pathOf("rate")))
	}
	if n := m.fill("dilution"); n != nil {
		u.Dilution = r.dilution(r.mapping(n, "dilution", m.pathOf("dilution")))
	}
	if n := m.get("ports"); n != nil {
		u.Ports = r.ports(r.mapping(n, "ports", m.pathOf("ports")))
	}
	u.Timing.Force = finding.Mandatory // unless the card says otherwise
	u.Pressure = span[q.PressureKind](m, "pressure")
	if n := m.get("limits"); n != nil {
		u.Limits = r.limits(r.mapping(n, "limits", m.pathOf("limits")))
	}
	if n := m.get("timing"); n != nil {
		u.Timing = r.timing(r.mapping(n, "timing", m.pathOf("timing")))
	}
	u.Reentry, u.Harvest = r.reentry(m), r.harvest(m)
	u.WithoutDrilling = m.text("without_drilling")
	u.Page = m.count("page", 1, 9999)
	return u
}

// method reads the way of treating; any other way is refused by name (E14).
func (r *reader) method(m mapping) label.Method {
	n := m.get("method")
	s, ok := r.scalar(n, m.pathOf("method"))
	if !ok {
		return ""
	}
	methods := []string{string(label.Injection), string(label.Infusion)}
	if i := slices.Index(methods, lower(s)); i >= 0 {
		return label.Method(methods[i])
	}
	if nearest(s, methods) != "" {
		r.notOneOf(n, m.pathOf("method"), s, methods)
		return ""
	}
	r.fault("card-method-unknown", r.where(n), finding.Args{"path": finding.Text(m.pathOf("method")), "text": finding.Text(clip(s))})
	return ""
}

// dilution reads how product is carried in water.
func (r *reader) dilution(m mapping) (d q.Opt[label.Dilution]) {
	m.need("concentration")
	c := span[q.VolumePerVolumeKind](m, "concentration")
	d.Known = true
	d.Value = label.Dilution{
		MixPer: span[q.VolumePerLengthKind](m, "mix_per"), MixPerTree: span[q.VolumeKind](m, "mix_per_tree"),
		Concentration: c.Value, MixLife: quantity[q.DurationKind](m, "mix_life"),
	}
	if m.has("mix_per") && m.has("mix_per_tree") {
		r.fault("card-mix-twice", r.where(m.values["mix_per_tree"]), finding.Args{"path": finding.Text(m.pathOf("mix_per_tree"))})
	}
	return d
}

// ports reads how ports are set.
func (r *reader) ports(m mapping) (p label.PortRule) {
	places := []string{string(label.RootFlare), string(label.Trunk), string(label.OnLimb)}
	nodes, paths := r.items(m.get("place"), m.pathOf("place"))
	for i, n := range nodes {
		s, ok := r.scalar(n, paths[i])
		if !ok {
			continue
		}
		if j := slices.Index(places, lower(s)); j >= 0 {
			p.Places = append(p.Places, label.Place(places[j]))
			continue
		}
		r.notOneOf(n, paths[i], s, places)
	}
	p.Spacing = span[q.LengthKind](m, "spacing")
	p.Volume = span[q.VolumeKind](m, "volume")
	p.Min, p.Max = m.count("min", 1, 1000), m.count("max", 1, 1000)
	p.DensityMin, p.DensityMax = quantity[q.CountPerLengthKind](m, "density_min"), quantity[q.CountPerLengthKind](m, "density_max")
	p.Hole = quantity[q.LengthKind](m, "hole")
	p.SapwoodDepth, p.Height = span[q.LengthKind](m, "sapwood_depth"), span[q.LengthKind](m, "height")
	p.Stagger = quantity[q.LengthKind](m, "stagger")
	if n := m.get("keep_out"); n != nil {
		k := r.mapping(n, "keep_out", m.pathOf("keep_out"))
		p.KeepOut = label.KeepOut{Sideways: quantity[q.LengthKind](k, "sideways"), Below: quantity[q.LengthKind](k, "below"), Above: quantity[q.LengthKind](k, "above")}
	}
	p.WoundWarn, p.WoundMax = quantity[q.PercentKind](m, "wound_warn"), quantity[q.PercentKind](m, "wound_max")
	p.Plug = m.text("plug")
	p.DownSlopeDeg = r.degrees(m, "down_slope")
	return p
}

// degrees reads an angle from 0 to 90, as 10 or "10 deg" or "10°".
func (r *reader) degrees(m mapping, key string) float64 {
	n := m.get(key)
	s, ok := r.scalar(n, m.pathOf(key))
	if !ok {
		return 0
	}
	number := s
	for _, unit := range []string{"degrees", "degree", "deg", "°"} {
		number = strings.TrimSuffix(number, unit)
	}
	v, fault := q.Number(number)
	if fault != nil || v.Sign() < 0 || exact.Int(90).Less(v) {
		r.fault("card-angle", r.where(n), finding.Args{"path": finding.Text(m.pathOf(key)), "text": finding.Text(clip(s))})
		return 0
	}
	return v.Float()
}

var applications = regexp.MustCompile(`^([1-9][0-9]{0,2}) (?:per|a|each) (year|season|life)$`)

// limits reads the bounds over time.
func (r *reader) limits(m mapping) (l label.Limits) {
	if s := m.text("applications"); s != "" {
		if g := applications.FindStringSubmatch(lower(s)); g != nil {
			l.Applications, _ = strconv.Atoi(g[1])
			l.ApplicationsPer = g[2]
		} else {
			r.fault("card-applications", r.where(m.get("applications")), finding.Args{"path": finding.Text(m.pathOf("applications")), "text": finding.Text(clip(s))})
		}
	}
	l.Year = label.YearRule(m.choice("year", string(label.YearRolling), string(label.YearCalendar), string(label.YearSeason)))
	l.SeasonStarts = m.count("season_starts", 1, 12)
	l.Interval = quantity[q.DurationKind](m, "interval")
	l.PerApplication, l.PerYear = r.productVolume(m, "per_application"), r.productVolume(m, "per_year")
	l.ActivePerArea = r.activePerArea(m)
	return l
}

// productVolume reads a limit of product for one tree. A mass is refused with
// its own words: turning it into product is the label reader's sum to check.
func (r *reader) productVolume(m mapping, key string) (v q.Opt[q.Volume]) {
	n := m.get(key)
	s, ok := r.scalar(n, m.pathOf(key))
	if !ok {
		return v
	}
	if _, fault := q.Parse[q.MassKind](s); fault == nil {
		r.fault("card-limit-mass", r.where(n), finding.Args{"path": finding.Text(m.pathOf(key)), "text": finding.Text(clip(s))})
		return v
	}
	return quantity[q.VolumeKind](m, key)
}

// activePerArea reads a yearly cap such as "4000 g/ha per year". The year is
// asked for, because a cap per application is another rule.
func (r *reader) activePerArea(m mapping) (v q.Opt[q.MassPerArea]) {
	const key = "active_per_area"
	n := m.get(key)
	s, ok := r.scalar(n, m.pathOf(key))
	if !ok {
		return v
	}
	amount, found := s, false
	for _, end := range []string{" per year", " a year", "/year", " per yr", "/yr"} {
		if len(s) > len(end) && strings.EqualFold(s[len(s)-len(end):], end) {
			amount, found = s[:len(s)-len(end)], true
			break
		}
	}
	if !found {
		r.fault("card-per-year", r.where(n), finding.Args{"path": finding.Text(m.pathOf(key)), "text": finding.Text(clip(s))})
		return v
	}
	value, fault := q.Parse[q.MassPerAreaKind](amount)
	if fault != nil {
		r.quantityFault(fault, n, m.pathOf(key))
		return v
	}
	r.echoes = append(r.echoes, Echo{Path: m.pathOf(key), Written: s, Understood: label.Shown(value) + " per year", Note: EchoActive})
	return q.Known(value)
}

var (
	beforeBloom = regexp.MustCompile(`^([1-9][0-9]{0,2}) (?:days?|d) before bloom$`)
	hours       = regexp.MustCompile(`^((?:[01][0-9]|2[0-3]):[0-5][0-9]) ?(?:-|–|to) ?((?:[01][0-9]|2[0-3]):[0-5][0-9])$`)
)

// Temperatures that stand for an end the label does not give. No tree is worked
// on beyond them.
var (
	coldest = q.New[q.TemperatureKind](-100, "°C")
	hottest = q.New[q.TemperatureKind](100, "°C")
)

// timing reads when the work may be done.
func (r *reader) timing(m mapping) (t label.Timing) {
	nodes, paths := r.items(m.get("months"), m.pathOf("months"))
	for i, n := range nodes {
		month := r.countAt(n, paths[i], 1, 12)
		if slices.Contains(t.Months, month) {
			r.fault("card-month-twice", r.where(n), finding.Args{"path": finding.Text(paths[i]), "month": finding.Count(month)})
		} else if month > 0 {
			t.Months = append(t.Months, month)
		}
	}
	t.Temperature = r.temperature(m)
	t.Bloom, t.BloomDays = r.bloom(m)
	if n := m.get("hours"); n != nil {
		if s, ok := r.scalar(n, m.pathOf("hours")); ok {
			if g := hours.FindStringSubmatch(lower(s)); g != nil {
				t.From, t.To = g[1], g[2]
			} else {
				r.fault("card-hours", r.where(n), finding.Args{"path": finding.Text(m.pathOf("hours")), "text": finding.Text(clip(s))})
			}
		}
	}
	if t.Force = force(m, "force"); t.Force == "" {
		t.Force = finding.Mandatory
	}
	return t
}

// temperature reads a range of temperatures; either end may be absent.
func (r *reader) temperature(m mapping) (v q.Opt[q.Range[q.TemperatureKind]]) {
	n := m.get("temperature")
	if n == nil {
		return v
	}
	low, high, lowPath, highPath, ok := r.pairOf(n, m.pathOf("temperature"))
	if !ok {
		return v
	}
	v = q.Known(q.Range[q.TemperatureKind]{Low: coldest, High: hottest})
	if low != nil {
		v.Value.Low, ok = read[q.TemperatureKind](r, low, lowPath, "")
		v.Known = v.Known && ok
	}
	if high != nil {
		v.Value.High, ok = read[q.TemperatureKind](r, high, highPath, "")
		v.Known = v.Known && ok
	}
	return v
}

// bloom reads when flowering forbids the work.
func (r *reader) bloom(m mapping) (rule label.BloomRule, days int) {
	n := m.get("bloom")
	s, ok := r.scalar(n, m.pathOf("bloom"))
	if !ok {
		return label.BloomNone, 0
	}
	switch s := lower(s); {
	case s == string(label.NotInBloom):
		return label.NotInBloom, 0
	case s == string(label.AfterPetalFall):
		return label.AfterPetalFall, 0
	case beforeBloom.MatchString(s):
		days, _ = strconv.Atoi(beforeBloom.FindStringSubmatch(s)[1])
		return label.DaysBeforeBloom, days
	}
	r.notOneOf(n, m.pathOf("bloom"), s, []string{string(label.NotInBloom), string(label.AfterPetalFall), "10 days before bloom"})
	return label.BloomNone, 0
}

// reentry reads the restricted-entry interval: a time, until dry, or none.
func (r *reader) reentry(m mapping) (e label.Reentry) {
	e.Notify = m.choice("notify", "oral", "posted", "both")
	n := m.get("rei")
	s, ok := r.scalar(n, m.pathOf("rei"))
	if !ok {
		return e
	}
	e.Stated = true
	switch lower(s) {
	case "until dry":
		e.UntilDry = true
	case "none":
		e.None = true
	default:
		e.Interval.Value, e.Interval.Known = read[q.DurationKind](r, n, m.pathOf("rei"), "")
	}
	return e
}

// harvest reads the pre-harvest interval: a time, not for food, or none.
func (r *reader) harvest(m mapping) (h label.Harvest) {
	h.Grazing = m.text("grazing")
	n := m.get("phi")
	s, ok := r.scalar(n, m.pathOf("phi"))
	if !ok {
		return h
	}
	h.Stated = true
	switch lower(s) {
	case "not for food":
		h.NotFood = true
	case "none", "does not apply":
		h.None = true
	default:
		h.Interval.Value, h.Interval.Known = read[q.DurationKind](r, n, m.pathOf("phi"), "")
	}
	return h
}
