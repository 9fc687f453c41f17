package cli

import (
	"io"

	"sapward/follow/health"
	"sapward/internal/app"
	"sapward/internal/exchange"
)

// Ratings writes RATINGS.csv of all visits: one row a tree and visit, then one
// for each port looked at. A tree of no treatment stands with "-".
func (tablesOut) Ratings(w io.Writer, f app.FollowFacts, visits []app.VisitFacts) error {
	by := map[string]string{}
	for _, g := range f.Groups {
		for _, t := range g.Trees {
			by[t] = g.Treatment
		}
	}
	out := tableRows(w, "tree", "treatment", "date", "rating_pct", "class", "class_max", "status", "cause", "port", "closure_pct", "closed")
	for _, v := range visits {
		for _, r := range v.Rows {
			treatment, there := by[r.Tree]
			if !there {
				treatment = app.NoTreatment
			}
			pct, class, top := optionalNumber(r.Rating), "", ""
			if v.Scale == app.ScaleClass && r.Rating != nil {
				pct, class = "", pct
				if v.TopClass > 0 {
					top = optionalNumber(&v.TopClass)
				}
			}
			status := r.Status
			if status == app.TreeAlive {
				status = "seen"
			}
			tableRow(out, r.Tree, treatment, v.On, pct, class, top, status, exchange.CauseText(health.Cause(r.Cause), r.CauseNote), "", "", "")
			for _, p := range r.Ports {
				shut := ""
				if p.Closed != nil {
					shut = yes(*p.Closed)
				}
				tableRow(out, r.Tree, treatment, v.On, "", "", "", "", "", p.Port, optionalNumber(p.Pct), shut)
			}
		}
	}
	return out.Close()
}

// Deaths writes DEATHS.csv.
func (tablesOut) Deaths(w io.Writer, deaths []app.DeathRow) error {
	out := tableRows(w, "tree", "treatment", "from_date", "date", "died")
	for _, d := range deaths {
		died := "0"
		if d.Died {
			died = "1"
		}
		tableRow(out, d.Tree, d.Treatment, d.From, d.On, died)
	}
	return out.Close()
}

// Assays writes ASSAYS.csv; a non-detect is nd with its limit.
func (tablesOut) Assays(w io.Writer, assays []app.AssayFacts) error {
	out := tableRows(w, "tree", "date", "mg_kg", "detection_limit", "height_m", "azimuth_deg", "limb", "tissue")
	for _, x := range assays {
		value := "nd"
		if x.MgKg != nil {
			value = optionalNumber(x.MgKg)
		}
		tableRow(out, x.Tree, x.On, value, optionalNumber(x.LimitMgKg), optionalNumber(x.HeightM), optionalNumber(x.AzimuthDeg), x.Limb, x.Tissue)
	}
	return out.Close()
}

// Counts writes COUNTS.csv with the columns that are used.
func (tablesOut) Counts(w io.Writer, counts []app.CountFacts) error {
	columns := []struct {
		name string
		of   func(app.CountFacts) *float64
	}{
		{"before", func(c app.CountFacts) *float64 { return c.Before }}, {"after", func(c app.CountFacts) *float64 { return c.After }},
		{"dead", func(c app.CountFacts) *float64 { return c.Dead }}, {"total", func(c app.CountFacts) *float64 { return c.Total }},
	}
	used := columns[:0:0]
	head := []string{"role", "block"}
	for _, k := range columns {
		for _, c := range counts {
			if k.of(c) != nil {
				used, head = append(used, k), append(head, k.name)
				break
			}
		}
	}
	out := tableRows(w, head...)
	for _, c := range counts {
		cells := []string{c.Role, c.Block}
		for _, k := range used {
			cells = append(cells, optionalNumber(k.of(c)))
		}
		tableRow(out, cells...)
	}
	return out.Close()
}
