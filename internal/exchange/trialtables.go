package exchange

import (
	"io"
	"math"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/measure/tree"
)

// Columns of the trees of a trial.
const (
	siteTree Col = iota
	siteDiameter
	siteGirth
	siteCrown
	siteDistance
	siteStatus
	siteX
	siteY
	siteBlock
)

// ReadSites reads the trees a trial may use: tree; diameter_cm or girth_cm,
// crown_class, distance_m (to the nearest infected tree), status, x_m and y_m
// are optional. block names one more column, whose text is the block.
func ReadSites(path, block string) ([]trial.Site, Summary, error) {
	own := func(c Col) Column { return treeSpec.Columns[c] }
	spec := Spec{What: "trees", Columns: []Column{
		siteTree: own(treeTag), siteDiameter: own(treeDiameter), siteGirth: own(treeGirth),
		siteCrown:    {Name: "crown_class", Kind: Number, Also: []string{"clase_de_copa"}},
		siteDistance: {Name: "distance", Kind: Length, Unit: "m", Also: []string{"distancia"}},
		siteStatus:   own(treeStatus), siteX: own(treeX), siteY: own(treeY),
	}}
	if err := oneMore(&spec, block, false); err != nil {
		return nil, Summary{File: path}, err
	}
	return ReadTableFile(path, &spec, func(r *Row) trial.Site {
		s := trial.Site{Tree: r.Tag(siteTree), Where: r.Where(siteTree)}
		if d, ok := r.LengthCm(siteDiameter, 1000); ok {
			s.SizeCM = floatOf(d.Float())
		} else if g, ok := r.LengthCm(siteGirth, 3200); ok {
			s.SizeCM = floatOf(g.Float() / math.Pi)
		}
		s.CrownClass = r.some(siteCrown, 0)
		if v, ok := r.sized(siteDistance, 0, 1e7, false, "cm"); ok {
			s.DistanceM = floatOf(v.Float() / 100)
		}
		if v, ok := r.sized(siteX, -1e9, 1e9, false, "cm"); ok {
			s.X = floatOf(v.Float() / 100)
		}
		if v, ok := r.sized(siteY, -1e9, 1e9, false, "cm"); ok {
			s.Y = floatOf(v.Float() / 100)
		}
		status, _ := Choice(r, siteStatus, statusWords)
		s.Infected = status == tree.Symptomatic || status == tree.Dead
		s.Unfit = s.Infected || status == tree.Suspect
		if block != "" {
			s.Block = r.Text(siteBlock)
		}
		return s
	})
}

func floatOf(x float64) *float64 { return &x }

// oneMore adds a column that the user named; it must not be one of the table's
// own.
func oneMore(spec *Spec, name string, numeric bool) error {
	if name == "" {
		return nil
	}
	as := plain(name)
	taken := as == ""
	for _, c := range spec.Columns {
		taken = taken || c.Name == as || c.full() == as
		for _, a := range c.Also {
			taken = taken || a == as
		}
	}
	if taken {
		return finding.Faults{{Class: finding.Usage, ID: "trial-column-taken", Args: finding.Args{"column": finding.Text(name)}}}
	}
	c := Column{Name: as}
	if numeric {
		c.Kind = Number // cells may be empty: a value is missing
		spec.OneOf = append(spec.OneOf, []int{len(spec.Columns)})
	} else {
		c.Need = true
	}
	spec.Columns = append(spec.Columns, c)
	return nil
}

// Columns of the results of a trial.
const (
	resultPlot Col = iota
	resultTree
	resultBlock
	resultTreatment
	resultSub
	resultReason
	resultValue
	resultCovariate
)

// ReadResults reads the results of a trial: the column named by value, and plot
// or tree or treatment; block, sub and reason are optional. An empty value is a
// missing one. covariate names one more column of numbers.
func ReadResults(path, value, covariate string) ([]trial.Observation, Summary, error) {
	spec, err := resultSpec(value, covariate)
	if err != nil {
		return nil, Summary{File: path}, err
	}
	return ReadTableFile(path, spec, observation(covariate))
}

// ReadResultsFrom is ReadResults on a stream.
func ReadResultsFrom(r io.Reader, name, value string) ([]trial.Observation, Summary, error) {
	spec, err := resultSpec(value, "")
	if err != nil {
		return nil, Summary{File: name}, err
	}
	return ReadTable(r, name, spec, observation(""))
}

func resultSpec(value, covariate string) (*Spec, error) {
	spec := Spec{What: "results", Columns: []Column{
		resultPlot:      {Name: "plot", Also: []string{"parcela"}},
		resultTree:      {Name: "tree", Also: alsoTree},
		resultBlock:     {Name: "block", Also: []string{"bloque", "rep", "replicate", "repeticion"}},
		resultTreatment: {Name: "treatment", Also: alsoTreatment},
		resultSub:       {Name: "sub", Also: []string{"subplot_treatment", "subtratamiento"}},
		resultReason:    {Name: "reason", Also: []string{"motivo"}},
	}, OneOf: [][]int{{resultPlot, resultTree, resultTreatment}}}
	if err := oneMore(&spec, value, true); err != nil {
		return nil, err
	}
	if err := oneMore(&spec, covariate, true); err != nil {
		return nil, err
	}
	return &spec, nil
}

func observation(covariate string) func(*Row) trial.Observation {
	return func(r *Row) trial.Observation {
		o := trial.Observation{Plot: strings.TrimSpace(r.Text(resultPlot)), Tree: r.Tag(resultTree), Block: r.Text(resultBlock),
			Treatment: r.Text(resultTreatment), Sub: r.Text(resultSub), Reason: r.Text(resultReason), Where: r.Where(resultValue)}
		o.Value = r.some(resultValue, -widest)
		if covariate != "" {
			o.Covariate = r.some(resultCovariate, -widest)
		}
		return o
	}
}

// ReadAbout reads what a trial's report tells of the place: two columns, field
// and text.
func ReadAbout(path string) (map[string]string, error) {
	spec := Spec{What: "about", Columns: []Column{{Name: "field", Need: true, Also: []string{"campo"}}, {Name: "text", Need: true, Also: []string{"texto"}}}}
	rows, _, err := ReadTableFile(path, &spec, func(r *Row) [2]string { return [2]string{plain(r.Text(0)), r.Text(1)} })
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, r := range rows {
		out[r[0]] = r[1]
	}
	return out, nil
}
