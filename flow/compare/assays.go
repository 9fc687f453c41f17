package compare

import (
	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/plan/label"
)

// AssaysLine is what the assays did to the answer.
type AssaysLine struct {
	Trees          int            `json:"trees"`
	NotDetected    int            `json:"not_detected"`
	EffectiveDraws float64        `json:"effective_draws"`
	Recentred      bool           `json:"recentred"`
	Poor           bool           `json:"few_draws_carry_it"`
	Contradicting  bool           `json:"contradicting"`
	Widened        float64        `json:"error_widened"`
	Points         []AssayPoint   `json:"points"`
	Parameters     []AssayedInput `json:"parameters"`
}

// AssayPoint is one assay with what was expected there.
type AssayPoint struct {
	Tree        string       `json:"tree"`
	DayD        float64      `json:"day_d"`
	HeightM     float64      `json:"height_m"`
	AzimuthDeg  float64      `json:"azimuth_deg"`
	MgKg        float64      `json:"mg_kg"`
	NotDetected bool         `json:"not_detected"`
	LimitMgKg   float64      `json:"detection_limit_mg_kg"`
	Prior       protect.Band `json:"prior_mg_kg"`
	Posterior   protect.Band `json:"posterior_mg_kg"`
}

// AssayedInput is an input before and after the assays.
type AssayedInput struct {
	Name      string       `json:"name"`
	Prior     protect.Band `json:"prior"`
	Posterior protect.Band `json:"posterior"`
}

// assaysLine tells what the assays did. The assays stand in the order of the
// trees, as sampled gathered them.
func (x *setting) assaysLine(p *protect.Posterior) *AssaysLine {
	a := &AssaysLine{EffectiveDraws: p.ESS, Recentred: p.Recentred, Contradicting: p.Contradiction.Found(), Widened: p.Contradiction.Scale, Points: []AssayPoint{}, Parameters: []AssayedInput{}}
	for _, w := range p.Warnings {
		a.Poor = a.Poor || w.Code == protect.WeightsPoor
	}
	tags := x.sampledTags()
	a.Trees = len(tags)
	for _, f := range p.Assays {
		if f.Assay.NotDetected {
			a.NotDetected++
		}
		a.Points = append(a.Points, AssayPoint{
			Tree: tags[f.Tree], DayD: f.Assay.DayD, HeightM: f.Assay.HeightM, AzimuthDeg: f.Assay.AzimuthDeg, MgKg: f.Assay.Value, NotDetected: f.Assay.NotDetected,
			LimitMgKg: f.Assay.Limit, Prior: f.Prior, Posterior: f.After,
		})
	}
	for _, c := range p.Parameters {
		a.Parameters = append(a.Parameters, AssayedInput{c.Name, c.Prior, c.After})
	}
	return a
}

// sampledTags are the assayed trees in the order of their first assay.
func (x *setting) sampledTags() (tags []string) {
	seen := map[string]bool{}
	for _, a := range x.r.Assays {
		if !seen[a.Tree] {
			seen[a.Tree] = true
			tags = append(tags, a.Tree)
		}
	}
	return tags
}

// NotPlanned: an assayed tree has no ports in the plan of the method it was
// treated by, so that nothing is known of where its active went in.
type NotPlanned struct {
	Tree   string
	Method label.Method
}

// Error names tree and method.
func (e *NotPlanned) Error() string {
	return "assayed tree " + e.Tree + " is not planned by " + string(e.Method)
}

// sampled turns the request's assays into trees with ports and assays.
func (x *setting) sampled() ([]protect.Sampled, error) {
	r := x.r
	if len(r.Assays) == 0 {
		return nil, nil
	}
	var by *planned
	for _, p := range x.ways {
		if p.method == r.AssayMethod {
			by = p
		}
	}
	tags := map[string]int{}
	for i, t := range r.Block {
		tags[t.Tag] = i
	}
	grams, _ := r.grams()
	at := map[string]int{}
	var out []protect.Sampled
	for _, a := range r.Assays {
		k, seen := at[a.Tree]
		if !seen {
			if by == nil || by.first(a.Tree) == nil || lacks(r.Block[tags[a.Tree]]) != "" {
				return nil, &NotPlanned{a.Tree, r.AssayMethod}
			}
			t := by.first(a.Tree)
			s := r.stemOf(*t, tags)
			tree, err := s.Trunk(*t, x.wood, x.season.PeakMm())
			if err != nil {
				return nil, err
			}
			treatment, _, _, err := r.gearOf(by, s, x.wood, t.DiameterCM, grams).Treatment(*t)
			if err != nil {
				return nil, err
			}
			k = len(out)
			at[a.Tree] = k
			out = append(out, protect.Sampled{Tree: tree, Treatment: treatment})
		}
		out[k].Assays = append(out[k].Assays, protect.Assay{
			DayD: a.DayD, HeightM: a.HeightM, AzimuthDeg: a.AzimuthDeg, Metric: plume.InWood, Value: a.MgKg, Limit: a.LimitMgKg, NotDetected: a.NotDetected,
		})
	}
	return out, nil
}
