package cli

import (
	"errors"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/measure/sample"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/dose"
	"sapward/plan/label"
)

type sampleCmd struct {
	File       string  `arg:"" optional:"" help:"TREES.csv or .xlsx of the taped trees."`
	BlockTrees int     `name:"block-trees" help:"Trees in the block."`
	Confidence float64 `help:"Confidence of the intervals." default:"0.95"`
	Tolerance  float64 `help:"Half width wanted, per cent of the mean." default:"10"`
	Card       string  `help:"Label card, to see what a mean dose does."`
	Method     string  `help:"injection or infusion." enum:",injection,infusion" default:""`
	Pick       int     `help:"Draw this many trees to tape, at random."`
	Rows       string  `help:"With --pick: trees in each row, such as 82,82; the draw then goes evenly along the rows."`
	Seed       uint64  `help:"Seed of the draw." default:"1"`
}

// sampleDocument is the JSON of the command.
type sampleDocument struct {
	Schema string `json:"schema"`
	Engine string `json:"engine"`
	Seed   uint64 `json:"seed"`
	*sample.Summary
	*sample.DoseSummary
	Prediction *sample.Prediction `json:"untaped_tree,omitempty"`
	Slips      []namedSlip        `json:"slips"`
	Odd        []namedOutlier     `json:"outliers"`
	CardHash   string             `json:"card_hash,omitempty"`
	Method     string             `json:"method,omitempty"`
	Picked     []any              `json:"picked"`
	Algorithm  string             `json:"algorithm,omitempty"`
}

type namedSlip struct {
	Tree string `json:"tree"`
	sample.Slip
}

type namedOutlier struct {
	Tree string `json:"tree"`
	sample.Outlier
}

func (c sampleCmd) Run(e *env) error {
	doc := sampleDocument{Schema: "sapward/sample/1", Engine: Version, Seed: c.Seed, Slips: []namedSlip{}, Odd: []namedOutlier{}, Picked: []any{}}
	var tags []string
	var diameters []float64
	if c.File != "" {
		var err error
		if tags, diameters, err = readDiameters(c.File); err != nil {
			return err
		}
	}
	switch {
	case c.Pick > 0:
		if err := c.draw(&doc, tags); err != nil {
			return err
		}
	case c.File == "":
		return usage("sample-needs", nil)
	}
	if c.File != "" && (c.Pick == 0 || len(diameters) > 1) {
		if err := c.summarise(e, &doc, tags, diameters); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	c.print(e, doc)
	return nil
}

// readDiameters reads the diameters of trees with one stem, in cm.
func readDiameters(path string) (tags []string, cm []float64, err error) {
	err = exchange.Each(path, func(trees []tree.Tree) error {
		for _, t := range trees {
			for _, s := range t.Stems {
				name := t.Tag
				if s.Name != "" {
					name += "/" + s.Name
				}
				tags, cm = append(tags, strings.Clone(name)), append(cm, s.Diameter.Float())
			}
		}
		return nil
	})
	return tags, cm, err
}

// draw picks trees to tape: by tag when a file is given, evenly along rows, or
// by number.
func (c sampleCmd) draw(doc *sampleDocument, tags []string) error {
	bad := func(err error) error {
		return usage("pick-range", finding.Args{"reason": finding.Text(err.Error()), "count": finding.Count(c.Pick)})
	}
	switch {
	case len(tags) > 0:
		p, err := sample.PickTags(c.Pick, tags, c.Seed)
		if err != nil {
			return bad(err)
		}
		for _, t := range p.Picked {
			doc.Picked = append(doc.Picked, t)
		}
		doc.Algorithm = p.Algorithm
	case c.Rows != "":
		var rows []int
		for _, r := range strings.Split(c.Rows, ",") {
			n, err := strconv.Atoi(strings.TrimSpace(r))
			if err != nil {
				return usage("rows-unclear", finding.Args{"text": finding.Text(c.Rows)})
			}
			rows = append(rows, n)
		}
		total := 0
		for _, n := range rows {
			total += n
		}
		if c.BlockTrees > 0 && total != c.BlockTrees {
			return usage("rows-block", finding.Args{"rows": finding.Count(total), "block": finding.Count(c.BlockTrees)})
		}
		p, err := sample.PickRows(c.Pick, rows, c.Seed)
		if err != nil {
			return bad(err)
		}
		for _, t := range p.Picked {
			doc.Picked = append(doc.Picked, t)
		}
		doc.Algorithm = p.Algorithm
	default:
		p, err := sample.Pick(c.Pick, c.BlockTrees, c.Seed)
		if err != nil {
			return bad(err)
		}
		for _, n := range p.Picked {
			doc.Picked = append(doc.Picked, n)
		}
		doc.Algorithm = p.Algorithm
	}
	return nil
}

func (c sampleCmd) summarise(e *env, doc *sampleDocument, tags []string, cm []float64) error {
	o := sample.Options{BlockTrees: c.BlockTrees, Confidence: c.Confidence, TolerancePct: c.Tolerance}
	s, err := sample.Summarise(cm, o)
	if err != nil {
		id := "sample-unusable"
		for sentinel, name := range map[error]string{sample.ErrTooFew: "sample-too-few", sample.ErrBlock: "sample-block", sample.ErrConfidence: "sample-confidence", sample.ErrTolerance: "sample-tolerance"} {
			if errors.Is(err, sentinel) {
				id = name
			}
		}
		return finding.Faults{finding.Bad(id, finding.Where{File: c.File}, finding.Args{"count": finding.Count(len(cm)), "block": finding.Count(c.BlockTrees), "reason": finding.Text(err.Error())})}
	}
	doc.Summary = &s
	for _, x := range s.Outliers {
		doc.Odd = append(doc.Odd, namedOutlier{tags[x.Index], x})
	}
	if p, err := sample.Predict(cm, c.Confidence); err == nil && c.BlockTrees != len(cm) {
		doc.Prediction = &p
	}
	if found, err := sample.Slips(cm); err == nil {
		for _, x := range found {
			doc.Slips = append(doc.Slips, namedSlip{tags[x.Index], x})
		}
	}
	if c.Card == "" {
		return nil
	}
	loaded, findings, err := e.loadCard(c.Card)
	if err != nil {
		return err
	}
	if fs := refusing(loaded, findings); len(fs) > 0 {
		return fs
	}
	doc.CardHash = loaded.Hash
	method := label.Method(c.Method)
	if method == "" && len(loaded.Card.Uses) > 0 { // a comparison, no plan: the card's first method will do, and is named
		method = loaded.Card.Uses[0].Method
	}
	doc.Method = string(method)
	rule, ok := plan.DoseRule(plan.Request{Card: loaded.Card, Method: method, Level: dose.Target})
	if !ok {
		return usage("sample-card-rule", finding.Args{"product": finding.Text(loaded.Card.Product.Name)})
	}
	d, err := sample.DoseBias(cm, rule, o)
	if errors.Is(err, sample.ErrNoDose) {
		return finding.Faults{finding.Bad("sample-no-dose", finding.Where{File: c.File}, finding.Args{"diameter": finding.Number(s.MeanCM, "cm")})}
	}
	if err != nil {
		return err
	}
	doc.DoseSummary = &d
	return nil
}

func (c sampleCmd) print(e *env, doc sampleDocument) {
	say := e.say
	pct := func(x float64) finding.Value { return finding.Number(x, "pct") }
	cm := func(x float64) finding.Value { return finding.Number(x, "cm") }
	if s := doc.Summary; s != nil {
		args := finding.Args{
			"n": finding.Count(s.N), "mean": cm(s.MeanCM), "half": cm(s.HalfWidthCM), "pct": pct(s.HalfWidthPct), "confidence": pct(100 * c.Confidence),
			"low": cm(s.CILowCM), "high": cm(s.CIHighCM), "qmd": cm(s.QuadraticMeanCM), "sd": cm(s.SDCM), "cv": pct(s.CVPct), "tolerance": pct(c.Tolerance), "needed": finding.Count(s.Trees), "block": finding.Count(c.BlockTrees),
		}
		e.wrapped(say.Say("sample-mean", args), "")
		switch {
		case s.Enough:
			e.wrapped(say.Say("sample-enough", args), "")
		case !s.Reachable:
			e.wrapped(say.Say("sample-unreachable", args), "")
		default:
			e.wrapped(say.Say("sample-more", args), "")
		}
		e.wrapped(say.Say("sample-spread", args), "")
		if c.BlockTrees == 0 {
			e.wrapped(say.T("sample-block-unknown"), "")
		}
		if p := doc.Prediction; p != nil {
			e.wrapped(say.Say("sample-untaped", finding.Args{"low": cm(p.LowCM), "high": cm(p.HighCM), "confidence": pct(100 * c.Confidence)}), "")
		}
		for _, o := range doc.Odd {
			e.wrapped(say.Say("sample-outlier", finding.Args{"tree": finding.Text(o.Tree), "diameter": cm(o.DiameterCM), "z": finding.Text(lang.Fixed(o.RobustZ, 1))}), "")
		}
		for _, o := range doc.Slips {
			e.println(say.Say("sample-slip-"+string(o.Code), finding.Args{"tree": finding.Text(o.Tree), "diameter": cm(o.DiameterCM), "would": cm(o.CorrectedCM)}))
		}
	}
	if d := doc.DoseSummary; d != nil {
		ml := func(x float64) finding.Value { return finding.Number(x, "mL") }
		args := finding.Args{
			"atmean": ml(d.DoseAtMeanML), "mean": ml(d.MeanOfDosesML), "bias": finding.Text(lang.Fixed(d.BiasPct, 1) + " %"),
			"above": finding.Count(len(d.AboveOwnMax)), "below": finding.Count(len(d.BelowOwnMin)), "none": finding.Count(len(d.NoDose)),
			"abovepct": pct(d.AboveOwnMaxPct), "belowpct": pct(d.BelowOwnMinPct),
		}
		e.title(say.Say("head-mean-dose", finding.Args{"method": finding.Text(say.T("method-" + doc.Method))}))
		e.wrapped(say.Say("sample-dose", args), "")
		e.wrapped(say.Say("sample-mean-dose", args), "")
		if d.Need != nil {
			e.wrapped(say.Say("sample-need", finding.Args{"total": ml(d.Need.TotalML), "low": ml(d.Need.LowML), "high": ml(d.Need.HighML), "block": finding.Count(c.BlockTrees)}), "")
		}
	}
	if len(doc.Picked) > 0 {
		var out []string
		for _, p := range doc.Picked {
			switch v := p.(type) {
			case string:
				out = append(out, v)
			case int:
				out = append(out, strconv.Itoa(v))
			case sample.Place:
				out = append(out, say.Say("row-place", finding.Args{"row": finding.Count(v.Row), "place": finding.Count(v.Place)}))
			}
		}
		e.wrapped(say.Say("sample-picked", finding.Args{"count": finding.Count(len(out)), "seed": finding.Text(strconv.FormatUint(doc.Seed, 10)), "list": finding.Text(strings.Join(out, ", "))}), "")
		e.wrapped(say.Say("sample-algorithm", finding.Args{"text": finding.Text(doc.Algorithm)}), "")
	}
}
