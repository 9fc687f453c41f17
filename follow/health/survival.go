package health

import (
	"errors"
	"sort"
	"strings"

	"sapward/finding"
)

// Death is one tree of DEATHS.csv: Days observed, and whether it Died then or
// was still alive or removed for another reason (censored).
type Death struct {
	Tree      string
	Treatment string
	Days      float64
	Died      bool
	Stratum   string
	Dated     bool // the days were worked out from a date
	Where     finding.Where
}

// SurvivalOptions of a report; zero values mean the defaults.
type SurvivalOptions struct {
	Confidence float64   // default 0.95
	Interval   Interval  // default log-log
	Versus     string    // the treatment others are compared with; default Reference
	Stratified bool      // compare within strata
	Ties       Ties      // default Efron
	RiskDays   []float64 // days for the numbers at risk; default five steps to the last day
}

// SurvivalReport is the answer to `sapward survival`.
type SurvivalReport struct {
	Versus     string            `json:"versus"`
	Confidence float64           `json:"confidence"`
	RiskDays   []float64         `json:"risk_days"`
	Groups     []Group           `json:"groups"`
	LogRank    *TestResult       `json:"logrank"`
	Stratified *TestResult       `json:"logrank_stratified"`
	PetoPeto   *TestResult       `json:"peto_peto"`
	Hazard     []Hazard          `json:"hazard"`
	Global     *Drift            `json:"proportional_global"`
	Notes      []finding.Finding `json:"notes"`
}

// Group is the curve of one treatment.
type Group struct {
	Treatment string `json:"treatment"`
	Curve
	AtRisk []int `json:"at_risk"` // on RiskDays
}

// TestResult is the outcome of a comparison.
type TestResult struct {
	Chi2     float64   `json:"chi2"`
	DF       int       `json:"df"`
	P        float64   `json:"p"`
	Observed []float64 `json:"observed"` // by group, in the order of groups
	Expected []float64 `json:"expected"`
}

// Hazard compares one treatment with the reference: Ratio under 1 means that
// its trees die more slowly. Low or High nil is unlimited. Method is the
// likelihood (efron, breslow, exact), or firth where one group has no deaths;
// ProfileLow and ProfileHigh are profile-likelihood limits, left out
// for more than 20,000 trees times coefficients; Firth's estimate gives way to
// them there.
type Hazard struct {
	Treatment   string   `json:"treatment"`
	Versus      string   `json:"versus"`
	Method      string   `json:"method"`
	Ratio       *float64 `json:"ratio"`
	Low         *float64 `json:"low"`
	High        *float64 `json:"high"`
	ProfileLow  *float64 `json:"profile_low"`
	ProfileHigh *float64 `json:"profile_high"`
	P           *float64 `json:"p"`
	Breslow     *float64 `json:"breslow_ratio"`
	Separated   bool     `json:"separated"`
	Drift       *Drift   `json:"proportional"`
}

// Reference chooses what treatments are compared with: the one named untreated,
// control or check (any case), else the first by name.
func Reference(treatments []string) string {
	sorted := append([]string(nil), treatments...)
	sort.Strings(sorted)
	for _, name := range []string{"untreated", "control", "check", "testigo", "sin tratar"} {
		for _, t := range sorted {
			if strings.EqualFold(strings.TrimSpace(t), name) {
				return t
			}
		}
	}
	if len(sorted) == 0 {
		return ""
	}
	return sorted[0]
}

func checkDeaths(rows []Death) finding.Faults {
	var fs finding.Faults
	add := func(id string, w finding.Where, a finding.Args) { fs = append(fs, finding.Bad(id, w, a)) }
	if len(rows) == 0 {
		add("survival-no-rows", finding.Where{}, nil)
		return fs
	}
	if len(rows) == 1 {
		add("survival-one-tree", rows[0].Where, finding.Args{"tree": finding.Text(rows[0].Tree)})
	}
	seen := map[string]bool{}
	zero, dated, mixed := 0, rows[0].Dated, false
	for _, r := range rows {
		tree := finding.Text(r.Tree)
		switch {
		case !finite(r.Days):
			add("survival-days-missing", r.Where, finding.Args{"tree": tree})
		case r.Days < 0:
			add("survival-days-negative", r.Where, finding.Args{"tree": tree, "days": finding.Number(r.Days, "d")})
		case r.Days == 0 && r.Died:
			zero++
		}
		if strings.TrimSpace(r.Treatment) == "" {
			add("survival-treatment-missing", r.Where, finding.Args{"tree": tree})
		}
		if r.Tree != "" && seen[r.Tree] {
			add("survival-tree-twice", r.Where, finding.Args{"tree": tree})
		}
		seen[r.Tree] = true
		if r.Dated != dated && !mixed {
			mixed = true
			add("days-and-dates-mixed", r.Where, finding.Args{"tree": tree})
		}
	}
	if zero == len(rows) {
		add("survival-all-dead-day-0", finding.Where{}, finding.Args{"count": finding.Count(zero)})
	}
	return fs
}

// Survival estimates the survival of each treatment and compares them.
// Treatments stand in the order of their names, the reference first.
//
// One treatment, or no death, gives the curves with a note in place of a
// comparison. Errors: finding.Faults, every fault of the rows at once.
func Survival(rows []Death, o SurvivalOptions) (SurvivalReport, error) {
	if fs := checkDeaths(rows); len(fs) > 0 {
		return SurvivalReport{}, fs
	}
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	if _, err := zQuantile(o.Confidence); err != nil {
		return SurvivalReport{}, finding.Faults{finding.Bad("confidence-out-of-range", finding.Where{}, finding.Args{"confidence": finding.Number(o.Confidence, "")})}
	}
	index, names := map[string]int{}, []string(nil)
	for _, r := range rows {
		if _, ok := index[r.Treatment]; !ok {
			index[r.Treatment] = 0
			names = append(names, r.Treatment)
		}
	}
	sort.Strings(names)
	if o.Versus == "" {
		o.Versus = Reference(names)
	}
	if _, ok := index[o.Versus]; !ok {
		return SurvivalReport{}, finding.Faults{finding.Bad("treatment-unknown", finding.Where{}, finding.Args{"treatment": finding.Text(o.Versus), "treatments": finding.Text(strings.Join(names, ", "))})}
	}
	sort.SliceStable(names, func(i, j int) bool { return names[i] == o.Versus && names[j] != o.Versus })
	for i, n := range names {
		index[n] = i
	}
	d := dataset{days: make([]float64, len(rows)), died: make([]bool, len(rows)), group: make([]int, len(rows)), names: names}
	strata := map[string]int{}
	last := 0.0
	for i, r := range rows {
		d.days[i], d.died[i], d.group[i] = r.Days, r.Died, index[r.Treatment]
		if o.Stratified {
			if _, ok := strata[r.Stratum]; !ok {
				strata[r.Stratum] = len(strata)
			}
			d.strata = append(d.strata, strata[r.Stratum])
		}
		last = max(last, r.Days)
		if r.Died {
			d.events++
		}
	}
	if o.RiskDays == nil {
		for i := 0; i <= 5; i++ {
			o.RiskDays = append(o.RiskDays, last*float64(i)/5)
		}
	}
	out := SurvivalReport{Versus: o.Versus, Confidence: o.Confidence, RiskDays: o.RiskDays, Hazard: []Hazard{}, Notes: []finding.Finding{}}
	for g, name := range names {
		var days []float64
		var died []bool
		for i := range d.days {
			if d.group[i] == g {
				days, died = append(days, d.days[i]), append(died, d.died[i])
			}
		}
		c, err := KaplanMeier(days, died, o.Confidence, o.Interval)
		if err != nil {
			return SurvivalReport{}, optionFault(err)
		}
		out.Groups = append(out.Groups, Group{Treatment: name, Curve: c, AtRisk: NumbersAtRisk(days, o.RiskDays)})
		if c.Died == 0 {
			out.Notes = append(out.Notes, note("survival-group-without-deaths", finding.Note, finding.Args{"treatment": finding.Text(name), "count": finding.Count(c.N)}))
		}
	}
	switch {
	case d.events == 0:
		out.Notes = append(out.Notes, note("survival-no-events", finding.Warning, finding.Args{"count": finding.Count(len(rows))}))
	case len(names) < 2:
		out.Notes = append(out.Notes, note("survival-one-treatment", finding.Warning, finding.Args{"treatment": finding.Text(names[0])}))
	default:
		if d.events < 5 {
			out.Notes = append(out.Notes, note("survival-few-events", finding.Warning, finding.Args{"count": finding.Count(d.events)}))
		}
		if err := out.compare(d, o); err != nil {
			return SurvivalReport{}, optionFault(err)
		}
	}
	return out, nil
}

type dataset struct {
	days          []float64
	died          []bool
	group, strata []int
	names         []string
	events        int
}

func optionFault(err error) error {
	if errors.Is(err, ErrOption) {
		return finding.Faults{finding.Bad("option-unknown", finding.Where{}, finding.Args{"option": finding.Text(err.Error())})}
	}
	return &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text(err.Error())}}
}

func (out *SurvivalReport) compare(d dataset, o SurvivalOptions) error {
	test := func(strata []int, rho float64) *TestResult {
		c, err := LogRank(d.days, d.died, d.group, strata, rho)
		if err != nil {
			return nil
		}
		return &TestResult{c.Chi2, c.DF, c.P, c.Observed, c.Expected}
	}
	out.LogRank, out.PetoPeto = test(nil, 0), test(nil, 1)
	if d.strata != nil {
		out.Stratified = test(d.strata, 0)
	}
	if out.LogRank == nil {
		out.Notes = append(out.Notes, note("survival-nothing-shared", finding.Warning, nil))
		return nil
	}
	x := make([][]float64, len(d.days))
	p := len(d.names) - 1
	for i := range x {
		x[i] = make([]float64, p)
		if g := d.group[i]; g > 0 {
			x[i][g-1] = 1
		}
	}
	in := CoxData{Days: d.days, Died: d.died, X: x, Strata: d.strata}
	f, err := Cox(in, o.Ties)
	if errors.Is(err, ErrOption) {
		return err
	}
	if err != nil {
		out.Notes = append(out.Notes, note("hazard-cannot-say", finding.Warning, finding.Args{"reason": finding.Text(err.Error())}))
		return nil
	}
	out.hazards(f, in, d, o)
	return nil
}

func (out *SurvivalReport) hazards(f CoxFit, in CoxData, d dataset, o SurvivalOptions) {
	z, _ := zQuantile(o.Confidence)
	var firth []Limits
	small := f.N*len(f.Coefficients) <= 20000
	if f.Stop == "separated" {
		if small {
			var err error
			if firth, err = f.Firth(o.Confidence); err != nil {
				firth = nil
			}
		}
		out.Notes = append(out.Notes, note("hazard-separated", finding.Warning, finding.Args{"versus": finding.Text(o.Versus)}))
	}
	breslow, errB := Cox(in, Breslow)
	drift, global, errD := f.Proportional()
	if errD == nil {
		out.Global = &global
		if global.P < 0.05 {
			out.Notes = append(out.Notes, note("hazard-not-proportional", finding.Warning, finding.Args{"p": finding.Number(global.P, "")}))
		}
	}
	for j := range f.Coefficients {
		h := Hazard{Treatment: d.names[j+1], Versus: o.Versus, Method: string(f.Ties), Separated: f.Separated[j]}
		if !small && !f.Separated[j] {
			// So many trees: profile and Wald limits agree, the search would cost minutes.
		} else if l, err := f.Profile(j, o.Confidence); err == nil {
			h.ProfileLow, h.ProfileHigh = exponent(l.Low), exponent(l.High)
		}
		switch {
		case firth != nil:
			h.Method = "firth"
			h.Ratio, h.Low, h.High = exponent(firth[j].Estimate), exponent(firth[j].Low), exponent(firth[j].High)
		case f.Separated[j]:
			h.Method = "profile"
			h.Low, h.High = h.ProfileLow, h.ProfileHigh
		default:
			b, se := f.Coefficients[j], f.SE[j]
			low, high := b-z*se, b+z*se
			h.Ratio, h.Low, h.High = exponent(&b), exponent(&low), exponent(&high)
			if se > 0 {
				h.P = some(chi2Tail(b/se*b/se, 1))
			}
		}
		if errB == nil && breslow.Stop == "converged" {
			b := breslow.Coefficients[j]
			h.Breslow = exponent(&b)
		}
		if errD == nil {
			dr := drift[j]
			h.Drift = &dr
		}
		out.Hazard = append(out.Hazard, h)
	}
}
