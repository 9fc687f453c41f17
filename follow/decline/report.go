package decline

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/finding"
	"sapward/numeric/describe"
)

// Assay is one row of ASSAYS.csv. A non-detect has Detected false and its
// DetectionLimit; a detected one its MgKg.
type Assay struct {
	Tree           string
	Day            float64
	MgKg           float64
	Detected       bool
	DetectionLimit float64
	Tissue         string
	HeightM        *float64
	AzimuthDeg     *float64 // where the sample was taken, clockwise from north
	Limb           string
	Dated          bool // the day was worked out from a date
	Where          finding.Where
}

// Options; zero values mean the defaults.
type Options struct {
	Model      Model   // "" or "auto" chooses
	Errors     Errors  // default constant
	Confidence float64 // default 0.95
	// EffectiveMgKg, if above 0, is the level under which the tree is to be
	// treated again. MinIntervalD is the card's least interval between
	// treatments, NotBeforeD the first day its yearly limit allows; days from day 0.
	EffectiveMgKg, MinIntervalD, NotBeforeD float64
}

// Report holds one series for each tissue and height; they are never pooled.
type Report struct {
	Errors     Errors            `json:"errors"`
	Confidence float64           `json:"confidence"`
	Series     []Series          `json:"series"`
	Notes      []finding.Finding `json:"notes"`
}

// Interval of a figure; nil is unlimited or not determined.
type Interval struct {
	Low  *float64 `json:"low"`
	High *float64 `json:"high"`
}

// Parameter is an estimate with its standard error.
type Parameter struct {
	Value float64  `json:"value"`
	SE    *float64 `json:"se"`
}

// Fit is one model. StartDay is the day of the observed maximum: DT50 and DT90
// count from it. Collapsed names why a model says no more than a simpler one.
type Fit struct {
	Model      Model                `json:"model"`
	Parameters map[string]Parameter `json:"parameters"`
	C0         float64              `json:"c0"`
	DT50       *float64             `json:"dt50_d"`
	DT90       *float64             `json:"dt90_d"`
	DT50Delta  Interval             `json:"dt50_delta_d"`
	DT90Delta  Interval             `json:"dt90_delta_d"`
	DT50Range  *Interval            `json:"dt50_profile_d"` // of the chosen model
	DT90Range  *Interval            `json:"dt90_profile_d"`
	RSS        float64              `json:"rss"`
	Sigma      float64              `json:"sigma"`
	AIC        float64              `json:"aic"`
	Chi2Error  *float64             `json:"chi2_error_pct"`
	Chi2DF     int                  `json:"chi2_df"`
	Collapsed  string               `json:"collapsed,omitempty"`
	Stop       string               `json:"stop"`

	out   outcome
	quant float64     // quantile of the intervals
	cov   [][]float64 // used for errors: by tree where trees repeat
	c     float64     // widening of the profile by clustering, >= 1
}

// Series is one tissue at one height.
type Series struct {
	Tissue    string            `json:"tissue"`
	HeightM   *float64          `json:"height_m"`
	N         int               `json:"n"`
	NonDetect int               `json:"non_detects"`
	StartDay  float64           `json:"start_day"`
	LastDay   float64           `json:"last_day"`
	Trees     int               `json:"trees"`
	Clustered bool              `json:"errors_by_tree"`
	Chosen    *Fit              `json:"chosen"`
	Models    []Fit             `json:"models"`
	Again     *Again            `json:"again"`
	Notes     []finding.Finding `json:"notes"`
}

// Again says when to treat again. LowerDay, CurveDay and UpperDay are the days
// on which the lower limit, the curve and the upper limit fall under the
// effective level; nil: not within ten times the days observed. Treat between
// FromDay (the card) and ByDay (LowerDay); GapD are days uncovered because the
// card does not allow it sooner.
type Again struct {
	EffectiveMgKg float64  `json:"effective_mg_kg"`
	LowerDay      *float64 `json:"lower_crosses_d"`
	CurveDay      *float64 `json:"curve_crosses_d"`
	UpperDay      *float64 `json:"upper_crosses_d"`
	FromDay       float64  `json:"from_d"`
	ByDay         *float64 `json:"by_d"`
	GapD          float64  `json:"gap_d"`
	Extrapolated  bool     `json:"extrapolated"`
}

func note(id string, s finding.Severity, a finding.Args) finding.Finding {
	return finding.Finding{ID: id, Severity: s, Authority: finding.ByEstimate, Args: a}
}

func some(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func isFinite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func check(rows []Assay, o Options) (fs finding.Faults) {
	add := func(id string, w finding.Where, a finding.Args) { fs = append(fs, finding.Bad(id, w, a)) }
	if len(rows) == 0 {
		add("decline-no-rows", finding.Where{}, nil)
	}
	mixed := false
	for _, r := range rows {
		a := finding.Args{"tree": finding.Text(r.Tree)}
		switch {
		case !isFinite(r.Day):
			add("decline-day-missing", r.Where, a)
		case r.Day < 0:
			a["day"] = finding.Number(r.Day, "d")
			add("decline-day-negative", r.Where, a)
		}
		if r.Dated != rows[0].Dated && !mixed {
			mixed = true
			add("days-and-dates-mixed", r.Where, a)
		}
		switch {
		case r.Detected && (!isFinite(r.MgKg) || r.MgKg < 0):
			add("decline-residue-negative", r.Where, a)
		case r.Detected && r.MgKg == 0 && o.Errors == Proportional:
			add("decline-zero-needs-limit", r.Where, a)
		case !r.Detected && !(r.DetectionLimit > 0 && isFinite(r.DetectionLimit)):
			add("decline-limit-missing", r.Where, a)
		}
		if r.HeightM != nil && !isFinite(*r.HeightM) {
			add("decline-height", r.Where, a)
		}
	}
	if o.Model != "" && o.Model != "auto" && names[o.Model] == nil {
		add("decline-model-unknown", finding.Where{}, finding.Args{"model": finding.Text(string(o.Model))})
	}
	if o.Errors != "" && o.Errors != Constant && o.Errors != Proportional {
		add("decline-errors-unknown", finding.Where{}, finding.Args{"errors": finding.Text(string(o.Errors))})
	}
	if o.Confidence != 0 && !(o.Confidence > 0 && o.Confidence < 1) {
		add("confidence-out-of-range", finding.Where{}, finding.Args{"confidence": finding.Number(o.Confidence, "")})
	}
	for _, v := range []float64{o.EffectiveMgKg, o.MinIntervalD, o.NotBeforeD} {
		if !isFinite(v) || v < 0 {
			add("decline-option-negative", finding.Where{}, finding.Args{"value": finding.Text(fmt.Sprintf("%g", v))})
		}
	}
	return fs
}

// Decline fits each series from its observed maximum. Fewer than three later
// dates give a note in place of a half-life. Samples that repeat a tree get
// errors by tree. Errors: finding.Faults.
func Decline(rows []Assay, o Options) (Report, error) {
	if fs := check(rows, o); len(fs) > 0 {
		return Report{}, fs
	}
	if o.Errors == "" {
		o.Errors = Constant
	}
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	key := func(r Assay) string {
		h := ""
		if r.HeightM != nil {
			h = fmt.Sprintf("%.6f", *r.HeightM)
		}
		return strings.ToLower(strings.TrimSpace(r.Tissue)) + "\x00" + h
	}
	groups, order := map[string][]Assay{}, []string(nil)
	for _, r := range rows {
		k := key(r)
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], r)
	}
	sort.Strings(order)
	out := Report{Errors: o.Errors, Confidence: o.Confidence, Series: []Series{}, Notes: []finding.Finding{}}
	if len(order) > 1 {
		out.Notes = append(out.Notes, note("decline-not-pooled", finding.Note, finding.Args{"count": finding.Count(len(order))}))
	}
	for _, k := range order {
		out.Series = append(out.Series, series(groups[k], o))
	}
	return out, nil
}

// fromMaximum cuts the series at the date of the largest mean; a non-detect
// counts half its limit there.
func fromMaximum(rows []Assay) (start float64, ps []point, later, detectedLater int) {
	sum, n := map[float64]float64{}, map[float64]float64{}
	for _, r := range rows {
		v := r.MgKg
		if !r.Detected {
			v = r.DetectionLimit / 2
		}
		sum[r.Day] += v
		n[r.Day]++
	}
	top := math.Inf(-1)
	for d := range sum {
		if m := sum[d] / n[d]; m > top || m == top && d < start {
			top, start = m, d
		}
	}
	after, seen := map[float64]bool{}, map[float64]bool{}
	for _, r := range rows {
		if r.Day < start {
			continue
		}
		p := point{t: r.Day - start, y: r.MgKg, censored: !r.Detected, tree: r.Tree}
		if p.censored {
			p.y = r.DetectionLimit
		}
		ps = append(ps, p)
		if r.Day > start {
			after[r.Day] = true
			if r.Detected && r.MgKg > 0 {
				seen[r.Day] = true
			}
		}
	}
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].t < ps[j].t })
	return start, ps, len(after), len(seen)
}

func series(rows []Assay, o Options) Series {
	s := Series{Tissue: rows[0].Tissue, HeightM: rows[0].HeightM, Models: []Fit{}, Notes: []finding.Finding{}}
	say := func(id string, v finding.Severity, a finding.Args) { s.Notes = append(s.Notes, note(id, v, a)) }
	start, ps, later, seen := fromMaximum(rows)
	s.StartDay, s.N = start, len(ps)
	trees := map[string]int{}
	detected := 0
	for _, p := range ps {
		s.LastDay = math.Max(s.LastDay, start+p.t)
		if p.censored {
			s.NonDetect++
		} else {
			detected++
		}
		if p.tree != "" {
			trees[p.tree]++
		}
	}
	s.Trees = len(trees)
	repeats := false
	for _, n := range trees {
		repeats = repeats || n > 1
	}
	if len(ps) < len(rows) {
		say("decline-from-maximum", finding.Note, finding.Args{"day": finding.Number(start, "d"), "count": finding.Count(len(rows) - len(ps))})
	}
	if later < 3 || seen < 2 {
		say("decline-few-dates", finding.Warning, finding.Args{"count": finding.Count(later), "detected": finding.Count(seen)})
		return s
	}
	s.Clustered = repeats && len(trees) > 1
	if repeats && len(trees) == 1 {
		say("decline-one-tree", finding.Warning, nil)
	}
	if s.Clustered && len(trees) < 5 {
		say("decline-few-trees", finding.Warning, finding.Args{"count": finding.Count(len(trees))})
	}
	models := []Model{SFO, FOMC, DFOP, HS}
	auto := o.Model == "" || o.Model == "auto"
	if !auto && o.Model != SFO {
		models = []Model{SFO, o.Model}
	} else if !auto {
		models = models[:1]
	}
	var simple outcome
	for _, m := range models {
		p := len(names[m])
		if detected <= p || later+1 <= p {
			say("decline-too-few-for-model", finding.Note, finding.Args{"model": finding.Text(string(m))})
			continue
		}
		out, err := fitModel(m, ps, o.Errors)
		if err != nil {
			say("decline-no-fit", finding.Warning, finding.Args{"model": finding.Text(string(m))})
			continue
		}
		if m == SFO {
			simple = out
		}
		s.Models = append(s.Models, describeFit(m, ps, out, simple, s.Clustered, trees, o))
	}
	s.choose(auto, o, say)
	if s.Chosen == nil {
		return s
	}
	f := s.Chosen
	if f.DT50 == nil || *f.DT50 > 1000*(s.LastDay-start) {
		say("decline-not-falling", finding.Warning, nil)
	} else {
		f.DT50Range, f.DT90Range = f.profile(ps, o, 0.5, f.DT50), f.profile(ps, o, 0.9, f.DT90)
	}
	if f.DT90 != nil && *f.DT90 > s.LastDay-start {
		say("decline-beyond-data", finding.Note, finding.Args{"day": finding.Number(s.LastDay, "d")})
	}
	if s.NonDetect > 0 {
		say("decline-non-detects", finding.Note, finding.Args{"count": finding.Count(s.NonDetect)})
	}
	if o.EffectiveMgKg > 0 {
		s.again(o, say)
	}
	return s
}

// choose takes, among models that have not collapsed, the least AIC; a model
// with fewer parameters wins within 2 of it (a program default after Burnham
// and Anderson 2002, from memory), the smaller chi-square error among equals.
func (s *Series) choose(auto bool, o Options, say func(string, finding.Severity, finding.Args)) {
	best := math.Inf(1)
	for i := range s.Models {
		if m := &s.Models[i]; m.Collapsed == "" {
			best = math.Min(best, m.AIC)
		} else {
			say("decline-collapsed", finding.Note, finding.Args{"model": finding.Text(string(m.Model)), "reason": finding.Text(m.Collapsed)})
		}
	}
	pick := -1
	for i, m := range s.Models {
		if !auto {
			if m.Model == o.Model {
				pick = i
			}
			continue
		}
		if m.Collapsed != "" || m.AIC > best+2 {
			continue
		}
		if pick >= 0 {
			q := s.Models[pick]
			fewer := len(m.Parameters) < len(q.Parameters)
			closer := len(m.Parameters) == len(q.Parameters) && m.Chi2Error != nil && q.Chi2Error != nil && *m.Chi2Error < *q.Chi2Error
			if !fewer && !closer {
				continue
			}
		}
		pick = i
	}
	if pick < 0 {
		return
	}
	f := s.Models[pick]
	s.Chosen = &f
	for _, m := range s.Models {
		if auto && m.Collapsed == "" && m.Chi2Error != nil && f.Chi2Error != nil && *m.Chi2Error < *f.Chi2Error {
			say("decline-criteria-disagree", finding.Note, finding.Args{"model": finding.Text(string(f.Model)), "other": finding.Text(string(m.Model))})
		}
	}
	if f.Chi2Error != nil && *f.Chi2Error > 15 { // guide value, FOCUS (2006), from memory
		say("decline-poor-fit", finding.Warning, finding.Args{"error": finding.Number(*f.Chi2Error, "pct")})
	}
}

// chi2Error is the FOCUS error level: the smallest error, in percent of the
// mean, at which the chi-square test at 5 % would still pass,
// 100 sqrt(sum (mean - predicted)^2 / chi2(0.95, df))/mean, df = dates -
// parameters. Dates with a non-detect are left out.
func chi2Error(m Model, params []float64, ps []point) (*float64, int) {
	sum, n, skip := map[float64]float64{}, map[float64]float64{}, map[float64]bool{}
	for _, p := range ps {
		sum[p.t] += p.y
		n[p.t]++
		skip[p.t] = skip[p.t] || p.censored
	}
	ss, mean, k := 0.0, 0.0, 0
	for _, t := range dates(ps) {
		if skip[t] {
			continue
		}
		e := sum[t]/n[t] - Concentration(m, params, t)
		ss += e * e
		mean += sum[t] / n[t]
		k++
	}
	df := k - len(params)
	if df < 1 || mean <= 0 {
		return nil, df
	}
	mean /= float64(k)
	return some(100 * math.Sqrt(ss/distuv.ChiSquared{K: float64(df)}.Quantile(0.95)) / mean), df
}

func tQuantile(confidence float64, df int) float64 {
	if q, err := describe.StudentQuantile(0.5+confidence/2, float64(df)); err == nil && df > 0 {
		return q
	}
	q, _ := describe.NormalQuantile(0.5 + confidence/2)
	return q
}
