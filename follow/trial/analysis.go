package trial

import (
	"math"

	"sapward/finding"
)

// Scale says what was rated.
type Scale string

// The scales: any number; percent, 0 to 100; classes in order.
const (
	Number  Scale = "number"
	Percent Scale = "percent"
	Class   Scale = "class"
)

// Transform is done to each plot's value before the analysis.
type Transform string

// The transformations: none; arcsine, 2 asin sqrt(y/100) in radians, of
// percents; log, ln(y + 1), and square root, of counts from 0 on.
const (
	Plain   Transform = "none"
	Arcsine Transform = "arcsine"
	Log     Transform = "log"
	Root    Transform = "sqrt"
)

// Observation is one row of results. A row without a value is a missing one and
// Reason may say why (dead, removed, lost). Rows of one Plot are sub-samples.
type Observation struct {
	Plot      string
	Tree      string
	Block     string
	Treatment string
	Sub       string // level of the second factor of a split plot
	Value     *float64
	Covariate *float64 // rated before the treatment
	Reason    string
	Where     finding.Where
}

// Options of Analyse. Zero values: no control, scale number, no
// transformation, Dunnett where there is a control and Tukey else, 95 %.
type Options struct {
	Design       Design
	Control      string
	Scale        Scale
	Transform    Transform
	Compare      string // dunnett, tukey, both, or empty
	Confidence   float64
	Unit         string   // tree or plot: what got a treatment of its own; empty: not declared
	Covariate    bool     // adjust for the covariate
	Permutations int      // 0: 9,999; negative: none
	Order        []string // of the treatments and levels in the answer; others follow as in the file
	Seed         uint64
}

// Analysis is the answer to `sapward trial analyse`.
type Analysis struct {
	Design       Design            `json:"design"`
	Unit         string            `json:"unit"`
	Control      string            `json:"control,omitempty"`
	Scale        Scale             `json:"scale"`
	Transform    Transform         `json:"transform"`
	Confidence   float64           `json:"confidence"`
	Method       string            `json:"method"` // least-squares, strata, reml
	Treatments   []string          `json:"treatments"`
	Subs         []string          `json:"subs,omitempty"`
	Blocks       []string          `json:"blocks"`
	Plots        int               `json:"plots"` // with a value
	Trees        int               `json:"trees"` // rows with a value
	Missing      []string          `json:"missing"`
	Table        []Line            `json:"table"`
	CVPct        *float64          `json:"cv_pct"`
	Slope        *float64          `json:"covariate_slope,omitempty"`
	Means        []Mean            `json:"means"`
	SubMeans     []Mean            `json:"sub_means,omitempty"`
	CellMeans    []Mean            `json:"cell_means,omitempty"`
	Comparisons  []Comparison      `json:"comparisons"`
	Effects      []Effect          `json:"effects"`
	Permutations []PermutationTest `json:"permutations"`
	Ranks        *RankTest         `json:"ranks,omitempty"`
	Spread       *SpreadTest       `json:"spread,omitempty"`
	Residuals    []Residual        `json:"residuals"`
	Verdict      string            `json:"verdict"` // differ, not-shown, none
	Why          string            `json:"verdict_why,omitempty"`
	Seed         uint64            `json:"seed"`
	Notes        []finding.Finding `json:"notes"`
}

// Line is a row of the analysis of variance. F and P stand where the source is
// tested, by the residual of its own stratum.
type Line struct {
	Stratum string   `json:"stratum"` // plots, blocks, main-plots
	Source  string   `json:"source"`  // block, covariate, treatment, sub, treatment:sub, residual
	DF      int      `json:"df"`
	SS      *float64 `json:"ss"`
	MS      *float64 `json:"ms"`
	F       *float64 `json:"f"`
	P       *float64 `json:"p"`
}

// Mean of a treatment by the model, with its interval; on the scale of the
// transformation, and turned back beside it.
type Mean struct {
	Treatment string   `json:"treatment,omitempty"`
	Sub       string   `json:"sub,omitempty"`
	N         int      `json:"n"` // plots
	Mean      float64  `json:"mean"`
	SE        *float64 `json:"se"`
	DF        *float64 `json:"df"`
	Low       *float64 `json:"low"`
	High      *float64 `json:"high"`
	Back      *float64 `json:"back"`
	BackLow   *float64 `json:"back_low"`
	BackHigh  *float64 `json:"back_high"`
}

// Comparison of two means: A minus B, with the interval and probability that
// hold for all comparisons of the family at once.
type Comparison struct {
	Method     string   `json:"method"` // dunnett, tukey
	Factor     string   `json:"factor"` // treatment, sub
	A          string   `json:"a"`
	B          string   `json:"b"`
	Difference float64  `json:"difference"`
	SE         float64  `json:"se"`
	T          float64  `json:"t"`
	DF         int      `json:"df"`
	Critical   float64  `json:"critical"`
	Low        float64  `json:"low"`
	High       float64  `json:"high"`
	P          *float64 `json:"p"`
}

// Shown reports whether the interval leaves 0 out.
func (c Comparison) Shown() bool { return c.Low > 0 || c.High < 0 }

// Effect is 100 (1 - mean/control mean) in percent, by Fieller's interval
// (1954): what the treatment took off the untreated.
type Effect struct {
	Treatment string   `json:"treatment"`
	Pct       *float64 `json:"effect_pct"`
	Low       *float64 `json:"low_pct"`
	High      *float64 `json:"high_pct"`
}

// PermutationTest: treatments dealt anew inside their blocks, the share of
// deals whose treatment sum of squares is at least the one seen.
type PermutationTest struct {
	Factor string  `json:"factor"`
	P      float64 `json:"p"`
	Runs   int     `json:"runs"`
	Exact  bool    `json:"exact"` // all deals were tried
}

// RankTest is Kruskal and Wallis' or Friedman's.
type RankTest struct {
	Test string  `json:"test"`
	Chi2 float64 `json:"chi2"`
	DF   int     `json:"df"`
	P    float64 `json:"p"`
}

// SpreadTest is Brown and Forsythe's (1974): do the residuals scatter alike in
// all treatments.
type SpreadTest struct {
	F   float64 `json:"f"`
	DF1 int     `json:"df1"`
	DF2 int     `json:"df2"`
	P   float64 `json:"p"`
}

// Residual of a plot: what the pictures need. Standard is residual/sqrt(MS (1 -
// h)); Normal is the normal value of its rank, (rank - 3/8)/(n + 1/4) (Blom
// 1958).
type Residual struct {
	Plot      string   `json:"plot"`
	Block     string   `json:"block,omitempty"`
	Treatment string   `json:"treatment"`
	Sub       string   `json:"sub,omitempty"`
	Fitted    float64  `json:"fitted"`
	Residual  float64  `json:"residual"`
	Standard  *float64 `json:"standard"`
	Normal    float64  `json:"normal"`
}

// apply transforms a value.
func (t Transform) apply(y float64) float64 {
	switch t {
	case Arcsine:
		return 2 * math.Asin(math.Sqrt(y/100))
	case Log:
		return math.Log1p(y)
	case Root:
		return math.Sqrt(y)
	}
	return y
}

// back turns a value of the transformed scale back; beyond the scale's ends the
// end itself is meant.
func (t Transform) back(z float64) float64 {
	switch t {
	case Arcsine:
		s := math.Sin(math.Min(math.Max(z, 0), math.Pi) / 2)
		return 100 * s * s
	case Log:
		return math.Expm1(math.Max(z, 0))
	case Root:
		z = math.Max(z, 0)
		return z * z
	}
	return z
}
