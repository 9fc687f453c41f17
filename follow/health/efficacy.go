package health

import (
	"fmt"
	"math"
	"strings"

	"sapward/finding"
)

// Formula names the way efficacy is worked out.
type Formula string

// The formulas, in percent.
const (
	FormulaAbbott          Formula = "abbott"           // after only, equal start
	FormulaHendersonTilton Formula = "henderson-tilton" // before and after, both groups
	FormulaSunShepard      Formula = "sun-shepard"      // mortality, untreated numbers changing
	FormulaSchneiderOrelli Formula = "schneider-orelli" // percent mortality in both groups
	FormulaRiskRatio       Formula = "risk-ratio"       // 1 - share of trees diseased, treated over untreated
)

func counts(x ...float64) error {
	for _, v := range x {
		if !finite(v) || v < 0 {
			return fmt.Errorf("%w: %g", ErrNumber, v)
		}
	}
	return nil
}

// Abbott returns 100 (1 - treated/untreated) of the numbers alive after
// treatment, for groups of equal size before it (Abbott 1925). Negative where
// the treated fared worse: it is reported, not cut. Errors: ErrNumber,
// ErrUntreated where nothing is left among the untreated.
func Abbott(untreatedAfter, treatedAfter float64) (float64, error) {
	if err := counts(untreatedAfter, treatedAfter); err != nil {
		return 0, err
	}
	if untreatedAfter == 0 {
		return 0, ErrUntreated
	}
	return 100 * (1 - treatedAfter/untreatedAfter), nil
}

// SchneiderOrelli returns 100 (mt - mu)/(100 - mu) of the percent mortalities
// treated and untreated (Schneider-Orelli 1947): Abbott's formula on survival.
func SchneiderOrelli(treatedPct, untreatedPct float64) (float64, error) {
	if err := counts(treatedPct, untreatedPct); err != nil {
		return 0, err
	}
	if treatedPct > 100 || untreatedPct > 100 {
		return 0, ErrNumber
	}
	if untreatedPct == 100 {
		return 0, ErrUntreated
	}
	return 100 * (treatedPct - untreatedPct) / (100 - untreatedPct), nil
}

// HendersonTilton returns 100 (1 - Ta/Tb Ub/Ua) of the counts before and after
// among treated and untreated (Henderson and Tilton 1955).
func HendersonTilton(treatedBefore, treatedAfter, untreatedBefore, untreatedAfter float64) (float64, error) {
	if err := counts(treatedBefore, treatedAfter, untreatedBefore, untreatedAfter); err != nil {
		return 0, err
	}
	if treatedBefore == 0 || untreatedBefore == 0 || untreatedAfter == 0 {
		return 0, ErrUntreated
	}
	return 100 * (1 - treatedAfter/treatedBefore*(untreatedBefore/untreatedAfter)), nil
}

// SunShepard returns 100 (m + c)/(100 + c), m the percent mortality of the
// treated and c the signed percent change of the untreated, an increase
// positive (Sun and Shepard 1947). With m and c from the same counts it equals
// HendersonTilton.
func SunShepard(treatedMortalityPct, untreatedChangePct float64) (float64, error) {
	if !finite(treatedMortalityPct) || treatedMortalityPct > 100 || !finite(untreatedChangePct) {
		return 0, ErrNumber
	}
	if untreatedChangePct <= -100 {
		return 0, ErrUntreated
	}
	return 100 * (treatedMortalityPct + untreatedChangePct) / (100 + untreatedChangePct), nil
}

// Count is one row of COUNTS.csv, a tree, plot or group: Before and After, or
// Dead and Total. Block, if given, is a stratum of the bootstrap.
type Count struct {
	Role                       string // treated, untreated
	Block                      string
	Before, After, Dead, Total *float64
	Where                      finding.Where
}

// EfficacyOptions; zero values mean the defaults.
type EfficacyOptions struct {
	Formula    Formula // default: by what the data hold
	Confidence float64 // default 0.95
	Resamples  int     // default 2000; bootstrap
	Seed       uint64  // of the PCG generator
}

// Span is an interval in percent with the way it was found; nil is unlimited.
type Span struct {
	Method string   `json:"method"`
	Low    *float64 `json:"low_pct"`
	High   *float64 `json:"high_pct"`
}

// Verdict of a comparison.
type Verdict string

// The interval lies above 0, below 0, holds 0; or too little disease to tell.
const (
	Works     Verdict = "works"
	Worse     Verdict = "worse"
	NotShown  Verdict = "not-shown"
	NoVerdict Verdict = "no-verdict"
)

// EfficacyReport is the answer to `sapward efficacy`. Low and High are those of
// the first of Intervals.
type EfficacyReport struct {
	Formula    Formula           `json:"formula"`
	Efficacy   *float64          `json:"efficacy_pct"`
	Low        *float64          `json:"low_pct"`
	High       *float64          `json:"high_pct"`
	Method     string            `json:"interval_method"`
	Intervals  []Span            `json:"intervals"`
	Verdict    Verdict           `json:"verdict"`
	Confidence float64           `json:"confidence"`
	Seed       uint64            `json:"seed"`
	Treated    Side              `json:"treated"`
	Untreated  Side              `json:"untreated"`
	RiskRatio  *float64          `json:"risk_ratio"`
	Notes      []finding.Finding `json:"notes"`
}

// Side sums one role.
type Side struct {
	Rows   int      `json:"rows"`
	Before *float64 `json:"before"`
	After  *float64 `json:"after"`
	Dead   *float64 `json:"dead"`
	Total  *float64 `json:"total"`
}

// cell is a row with numbers a (numerator) and b (base).
type cell struct {
	a, b  float64
	block string
}

// sample is what a formula needs of both roles.
type sample struct {
	formula            Formula
	treated, untreated []cell
}

// ratio is the risk left by the treatment: efficacy = 100 (1 - ratio).
func (s sample) ratio(treated, untreated []cell) (float64, bool) {
	ta, tb, ua, ub := 0.0, 0.0, 0.0, 0.0
	for _, c := range treated {
		ta, tb = ta+c.a, tb+c.b
	}
	for _, c := range untreated {
		ua, ub = ua+c.a, ub+c.b
	}
	if tb == 0 || ub == 0 || ua == 0 {
		return 0, false
	}
	return ta / tb * (ub / ua), true
}

func checkCounts(rows []Count, o EfficacyOptions) (s sample, fs finding.Faults) {
	add := func(id string, w finding.Where, a finding.Args) { fs = append(fs, finding.Bad(id, w, a)) }
	if len(rows) == 0 {
		add("efficacy-no-rows", finding.Where{}, nil)
		return
	}
	kinds := map[string]bool{}
	have := map[string]int{}
	for _, r := range rows {
		a := finding.Args{"role": finding.Text(r.Role)}
		role := strings.ToLower(strings.TrimSpace(r.Role))
		if role != "treated" && role != "untreated" {
			add("efficacy-role-unknown", r.Where, a)
			continue
		}
		have[role]++
		bad := false
		for name, p := range map[string]*float64{"before": r.Before, "after": r.After, "dead": r.Dead, "total": r.Total} {
			if p != nil && (!finite(*p) || *p < 0) {
				bad = true
				add("efficacy-number", r.Where, finding.Args{"column": finding.Text(name), "value": finding.Text(fmt.Sprintf("%g", *p))})
			}
		}
		switch {
		case bad:
		case (r.Before != nil || r.After != nil) && (r.Dead != nil || r.Total != nil):
			add("efficacy-columns-mixed", r.Where, a)
		case r.Dead != nil && r.Total != nil:
			kinds["dead"] = true
			if *r.Total == 0 || *r.Dead > *r.Total {
				add("efficacy-dead-over-total", r.Where, finding.Args{"dead": finding.Number(*r.Dead, ""), "total": finding.Number(*r.Total, "")})
			}
			if *r.Dead != math.Trunc(*r.Dead) || *r.Total != math.Trunc(*r.Total) {
				add("efficacy-not-whole", r.Where, a)
			}
		case r.After != nil && r.Before != nil:
			kinds["both"] = true
		case r.After != nil:
			kinds["after"] = true
		default:
			add("efficacy-numbers-missing", r.Where, a)
		}
	}
	if len(fs) == 0 && len(kinds) > 1 {
		add("efficacy-columns-mixed", finding.Where{}, finding.Args{"role": finding.Text("")})
	}
	for _, role := range []string{"treated", "untreated"} {
		if have[role] == 0 && len(fs) == 0 {
			add("efficacy-role-missing", finding.Where{}, finding.Args{"role": finding.Text(role)})
		}
	}
	if len(fs) > 0 {
		return
	}
	natural := map[string]Formula{"both": FormulaHendersonTilton, "after": FormulaAbbott, "dead": FormulaRiskRatio}
	allowed := map[string][]Formula{"both": {FormulaHendersonTilton, FormulaSunShepard}, "after": {FormulaAbbott}, "dead": {FormulaRiskRatio, FormulaSchneiderOrelli}}
	for kind := range kinds {
		s.formula = o.Formula
		if s.formula == "" {
			s.formula = natural[kind]
		}
		fits := false
		for _, f := range allowed[kind] {
			fits = fits || f == s.formula
		}
		if !fits {
			add("efficacy-formula-does-not-fit", finding.Where{}, finding.Args{"formula": finding.Text(string(o.Formula)), "fits": finding.Text(string(natural[kind]))})
			return
		}
	}
	for _, r := range rows {
		c := cell{block: r.Block}
		switch s.formula {
		case FormulaHendersonTilton, FormulaSunShepard:
			c.a, c.b = *r.After, *r.Before
		case FormulaAbbott:
			c.a, c.b = *r.After, 1
		case FormulaRiskRatio:
			c.a, c.b = *r.Dead, *r.Total
		case FormulaSchneiderOrelli: // pests: the survivors are counted
			c.a, c.b = *r.Total-*r.Dead, *r.Total
		}
		if strings.EqualFold(strings.TrimSpace(r.Role), "treated") {
			s.treated = append(s.treated, c)
		} else {
			s.untreated = append(s.untreated, c)
		}
	}
	return s, nil
}

// Efficacy compares treated with untreated. The formula follows from the
// columns unless it is given: counts before and after, Henderson-Tilton; after
// only, Abbott; dead and total (trees), 1 - risk ratio. Schneider-Orelli (pests
// dead of a total) and Sun-Shepard must be asked for.
//
// Intervals: for shares of trees the log-normal interval of the risk ratio, or
// the score interval where a cell is 0; for counts the delta method on the
// logarithm of the ratio; beside them the stratified bootstrap (BCa). Fewer
// than 5 diseased, or under 5 %, among the untreated: no verdict (SCIENCE S18).
//
// Errors: finding.Faults.
func Efficacy(rows []Count, o EfficacyOptions) (EfficacyReport, error) {
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	if o.Resamples == 0 {
		o.Resamples = 2000
	}
	z, err := zQuantile(o.Confidence)
	if err != nil {
		return EfficacyReport{}, finding.Faults{finding.Bad("confidence-out-of-range", finding.Where{}, finding.Args{"confidence": finding.Number(o.Confidence, "")})}
	}
	s, fs := checkCounts(rows, o)
	if len(fs) > 0 {
		return EfficacyReport{}, fs
	}
	out := EfficacyReport{Formula: s.formula, Confidence: o.Confidence, Seed: o.Seed, Verdict: NoVerdict, Intervals: []Span{}, Notes: []finding.Finding{}}
	out.Treated, out.Untreated = sides(rows)
	r, ok := s.ratio(s.treated, s.untreated)
	if ok {
		out.Efficacy = some(100 * (1 - r))
		if s.formula == FormulaRiskRatio {
			out.RiskRatio = some(r)
		}
		out.intervals(s, r, z, o)
		if len(out.Intervals) > 0 {
			out.Low, out.High, out.Method = out.Intervals[0].Low, out.Intervals[0].High, out.Intervals[0].Method
		}
	} else {
		out.Notes = append(out.Notes, note("efficacy-nothing-untreated", finding.Warning, nil))
	}
	out.judge(s, ok)
	return out, nil
}

func sides(rows []Count) (treated, untreated Side) {
	sum := func(p **float64, v *float64) {
		if v == nil {
			return
		}
		if *p == nil {
			*p = new(float64)
		}
		**p += *v
	}
	for _, r := range rows {
		s := &untreated
		if strings.EqualFold(strings.TrimSpace(r.Role), "treated") {
			s = &treated
		}
		s.Rows++
		sum(&s.Before, r.Before)
		sum(&s.After, r.After)
		sum(&s.Dead, r.Dead)
		sum(&s.Total, r.Total)
	}
	return
}

// judge gives the verdict, or says why there is none.
func (out *EfficacyReport) judge(s sample, ok bool) {
	events, base := 0.0, 0.0
	for _, c := range s.untreated {
		events, base = events+c.a, base+c.b
	}
	silent := !ok
	if events < 5 {
		silent = true
		out.Notes = append(out.Notes, note("efficacy-few-events", finding.Warning, finding.Args{"count": finding.Number(events, "")}))
	}
	if s.formula == FormulaRiskRatio && base > 0 && events < 0.05*base {
		silent = true
		out.Notes = append(out.Notes, note("efficacy-little-disease", finding.Warning, finding.Args{"share": finding.Number(100*events/base, "pct")}))
	}
	if len(out.Intervals) > 1 {
		a, b := out.Intervals[0], out.Intervals[1]
		if crosses(a) != crosses(b) {
			out.Notes = append(out.Notes, note("efficacy-intervals-disagree", finding.Warning, finding.Args{"first": finding.Text(a.Method), "second": finding.Text(b.Method)}))
		}
	}
	switch {
	case silent || len(out.Intervals) == 0:
		out.Verdict = NoVerdict
	case out.Low != nil && *out.Low > 0:
		out.Verdict = Works
	case out.High != nil && *out.High < 0:
		out.Verdict = Worse
	default:
		out.Verdict = NotShown
	}
}

// crosses reports whether 0 lies within the interval.
func crosses(s Span) bool {
	return (s.Low == nil || *s.Low <= 0) && (s.High == nil || *s.High >= 0)
}
