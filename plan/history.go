package plan

import (
	"strings"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

// related returns the earlier treatments of a tree with an active ingredient
// of this card, rows for the whole block (no tree named) included.
func (j *Job) related(tag string) []tree.Treatment {
	var out []tree.Treatment
	for _, rows := range [][]tree.Treatment{j.history[tag], j.history[""]} {
		for _, h := range rows {
			if h.Product != "" && strings.EqualFold(h.Product, j.r.Card.Product.Name) {
				out = append(out, h)
				continue
			}
			for _, a := range j.r.Card.Product.Actives {
				if strings.EqualFold(h.Active, a.Name) {
					out = append(out, h)
					break
				}
			}
		}
	}
	return out
}

// intervalDays is the card's interval after an earlier treatment: of the two
// methods' intervals the longer one applies.
func (j *Job) intervalDays(earlier string) int {
	days := 0
	for i, u := range j.r.Card.Uses {
		mine := useRef(i) == j.ref
		if (mine || earlier == "" || strings.EqualFold(string(u.Method), earlier)) && u.Limits.Interval.Known {
			days = max(days, int(u.Limits.Interval.Value.In("d").Ceil()))
		}
	}
	return days
}

// judgeHistory checks the interval, counted from the end of the last
// treatment, and the number of applications. Both need the day of work; when
// it is not given the day is already open for the block.
func (j *Job) judgeHistory(t *tree.Tree, said, refused *[]finding.Finding) {
	if len(j.history) == 0 || j.r.On.IsZero() {
		return
	}
	unnamed := false
	for _, rows := range [][]tree.Treatment{j.history[t.Tag], j.history[""]} {
		for _, h := range rows {
			if h.Active == "" && !strings.EqualFold(h.Product, j.r.Card.Product.Name) {
				unnamed = true
			}
		}
	}
	if unnamed {
		*said = append(*said, open("history-active-needed", j.ref+".limits", nil))
	}
	rows := j.related(t.Tag)
	var days = map[civil.Date]bool{}
	l := j.use.Limits
	after := year(l, j.r.On)
	undated, later := false, false
	var last, earliest civil.Date // of the treatment that keeps this one waiting longest
	wait := 0
	for _, h := range rows {
		if h.DateEnd.IsZero() {
			undated = true
			continue
		}
		if !h.DateEnd.Before(j.r.On) && h.DateEnd != j.r.On {
			later = true
			continue
		}
		w := j.intervalDays(h.Method)
		if next := h.DateEnd.AddDays(w); w > 0 && (next.After(earliest) || next == earliest && h.DateEnd.After(last)) {
			last, wait, earliest = h.DateEnd, w, next
		}
		if l.ApplicationsPer == "life" || after.Before(h.DateEnd) {
			days[h.DateEnd] = true
		}
	}
	if undated {
		*said = append(*said, open("history-date-needed", j.ref+".limits.interval", nil))
	}
	if later {
		*said = append(*said, finding.Finding{ID: "history-later", Severity: finding.Open, Authority: finding.ByLabel, Ref: j.ref + ".limits.interval"})
	}
	if earliest.After(j.r.On) {
		*refused = append(*refused, mandatory("interval-too-short", j.ref+".limits.interval", finding.Args{
			"last": finding.Text(last.String()), "days": finding.Count(wait), "earliest": finding.Text(earliest.String()),
		}))
	}
	if l.Applications > 0 && len(days)+1 > l.Applications {
		*refused = append(*refused, mandatory("applications-used", j.ref+".limits.applications", finding.Args{
			"allowed": finding.Count(l.Applications), "per": finding.Text(l.ApplicationsPer), "done": finding.Count(len(days)),
		}))
	}
}

// capTree lowers the limits of a tree's units to what one application and the
// year still allow the tree. Several stems share a limit in proportion to what
// each could take, so that the tree's total never passes it.
func (j *Job) capTree(t *tree.Tree, units []unit) []finding.Finding {
	cap, why, known := j.treeCap(t)
	if why != nil || !known {
		return why
	}
	total := exact.Rat{}
	for i := range units {
		total = total.Add(units[i].limits.High)
	}
	for i := range units {
		l := &units[i].limits
		if l.PerPort { // the number of ports is not known yet: equal shares
			share := cap.Quo(exact.Int(int64(len(units))))
			units[i].cap = q.Known(share)
			continue
		}
		if cap.Less(total) {
			l.High = cap.Mul(l.High).Quo(total)
			l.Target = exact.Min(l.Target, l.High)
		}
		if l.Soft {
			l.Low = exact.Max(l.Floor, exact.Min(l.Low, l.High))
		}
		if l.High.Less(l.Floor) {
			return []finding.Finding{mandatory("mix-clash", j.ref+".dilution", finding.Args{"diameter": finding.Number(units[i].size.Diameter.Float(), "cm")})}
		}
		if l.High.Less(l.Low) {
			f := finding.Finding{
				ID: "dose-below-rate", Severity: finding.Refused, Force: finding.Advisory, Authority: finding.ByLabel, Ref: j.ref + ".limits",
				Args: finding.Args{"left": finding.Number(cap.Float(), "mL"), "low": finding.Number(l.Low.Float(), "mL")},
			}
			if f.Reason = j.r.Overrides[f.ID]; f.Reason == "" || l.High.Sign() <= 0 {
				return []finding.Finding{f}
			}
			f.Severity = finding.Warning
			units[i].findings = append(units[i].findings, f)
			l.Low = l.Floor
		}
	}
	return nil
}

// treeCap returns how much a tree may still get, in mL of what goes into the
// ports. known is false when the card sets no limit a tree.
func (j *Job) treeCap(t *tree.Tree) (cap exact.Rat, why []finding.Finding, known bool) {
	if c := j.use.Limits.PerApplication; c.Known {
		cap, known = c.Value.Base(), true
	}
	yearly := j.use.Limits.PerYear
	if yearly.Known {
		used, why := j.usedThisYear(t)
		if why != nil {
			return cap, why, true
		}
		left := yearly.Value.Base().Sub(used)
		if left.Sign() <= 0 {
			return cap, []finding.Finding{mandatory("yearly-limit", j.ref+".limits.per_year", finding.Args{
				"limit": finding.Number(yearly.Value.Float(), "mL"), "used": finding.Number(used.Float(), "mL"),
			})}, true
		}
		if !known || left.Less(cap) {
			cap, known = left, true
		}
	}
	return cap.Quo(j.concentration), nil, known
}

// usedThisYear returns the mL of product a tree has had in the card's year.
func (j *Job) usedThisYear(t *tree.Tree) (used exact.Rat, why []finding.Finding) {
	after := civil.Date{}
	if !j.r.On.IsZero() {
		after = year(j.use.Limits, j.r.On)
	}
	for _, h := range j.related(t.Tag) {
		if !h.DateEnd.IsZero() && !after.Before(h.DateEnd) {
			continue
		}
		switch {
		case h.ProductVolume.Known:
			used = used.Add(h.ProductVolume.Value.Base())
		case h.ActiveMass.Known && j.content.Known && j.content.Value.Sign() > 0:
			used = used.Add(h.ActiveMass.Value.Base().Quo(j.content.Value.Base()))
		default:
			return used, []finding.Finding{open("history-amount-needed", j.ref+".limits.per_year", nil)}
		}
	}
	return used, nil
}
