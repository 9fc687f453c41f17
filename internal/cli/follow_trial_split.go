package cli

import (
	"context"
	"os"
	"os/signal"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/lang"
	q "sapward/measure/quantity"
)

type trialSplitPowerDocument struct {
	followHead
	Names    []string `json:"names"`
	SubNames []string `json:"sub_names"`
	trial.SplitPowerReport
	Notes []saidNote `json:"notes"`
}

// split works out the power of a split plot.
func (c trialPowerCmd) split(e *env) error {
	var means [][]float64
	var faults finding.Faults
	for _, row := range strings.Split(c.SplitMeans, ";") {
		var r []float64
		for _, cell := range strings.Split(row, ",") {
			v, fault := q.Number(strings.TrimSpace(cell))
			if fault != nil {
				faults = finding.AsFaults(usage("trial-split-means", nil))
				continue
			}
			r = append(r, v.Float())
		}
		means = append(means, r)
	}
	if len(c.Means) > 0 {
		faults = append(faults, finding.AsFaults(usage("trial-split-means", nil))...)
	}
	if err := faults.OrNil(); err != nil {
		return faults[:1]
	}
	names, subs := trimmed(c.Names), trimmed(c.SubNames)
	if len(names) > 0 && len(names) != len(means) {
		return usage("trial-names-count", finding.Args{"names": finding.Count(len(names)), "means": finding.Count(len(means))})
	}
	if len(subs) > 0 && len(subs) != len(means[0]) {
		return usage("trial-names-count", finding.Args{"names": finding.Count(len(subs)), "means": finding.Count(len(means[0]))})
	}
	for i := len(names); i < len(means); i++ {
		names = append(names, e.say.Say("trial-treatment-n", finding.Args{"n": finding.Count(i)}))
	}
	for i := len(subs); i < len(means[0]); i++ {
		subs = append(subs, strconv.Itoa(i+1))
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	sims, to := c.Sims, c.To
	if c.Loss > 0 && sims == 2000 { // each trial is fitted by restricted likelihood
		sims = 0
	}
	bar := newProgress(e, e.say.T("progress-trial-power"), int64(max(0, to-c.From+1)*max(sims, 400)))
	before := 0
	report, err := trial.SplitPower(ctx, trial.SplitPowerRequest{
		Outcome: trial.Outcome(strings.ToLower(c.Outcome)), Means: means, BlockSD: c.BlockSD, MainSD: c.MainSD, PlotSD: c.PlotSD, TreeSD: c.TreeSD, TreesPerPlot: c.TreesPerPlot, Loss: c.Loss,
		Alpha: c.Alpha, Target: c.Target, From: c.From, To: to, Sims: sims, Effect: strings.ToLower(c.Effect), Seed: c.Seed,
		Progress: func(done, _ int) {
			bar.add(done - before)
			before = done
		},
	})
	bar.end()
	if ctx.Err() != nil {
		return usage("trial-stopped", nil)
	}
	if err != nil {
		return err
	}
	doc := trialSplitPowerDocument{Names: names, SubNames: subs, SplitPowerReport: report, Notes: e.saidNotes(report.Notes)}
	doc.followHead = followHead{Schema: "sapward/trial-split-power/1", Engine: Version, Meaning: []string{}}
	doc.mean(e)
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	doc.print(e)
	return nil
}

func (d *trialSplitPowerDocument) mean(e *env) {
	say := func(id string, a finding.Args) { d.Meaning = append(d.Meaning, e.say.Say(id, a)) }
	a := finding.Args{"target": finding.Number(100*d.Target, "pct"), "sims": finding.Count(d.Sims), "seed": finding.Text(strconv.FormatUint(d.Seed, 10)), "effect": finding.Text(e.say.T("trial-split-effect-" + d.Effect))}
	if d.Needed == nil {
		say("trial-split-mean-none", a)
	} else {
		a["replicates"], a["trees"] = finding.Count(*d.Needed), finding.Count(*d.NeedTrees)
		say("trial-split-mean", a)
	}
	say("trial-split-assumes", nil)
	say(d.Assumption, nil)
	say("trial-power-sims", a)
}

func (d *trialSplitPowerDocument) print(e *env) {
	say := e.say
	e.println(say.Say("trial-split-head", finding.Args{"n": finding.Count(len(d.Means)), "m": finding.Count(len(d.Means[0]))}))
	heads := []string{say.T("col-treatment")}
	for _, n := range d.SubNames {
		heads = append(heads, ">"+n)
	}
	t := newTable(heads...)
	for i, row := range d.Means {
		cells := []string{d.Names[i]}
		for _, m := range row {
			cells = append(cells, lang.Figure(m, 3))
		}
		t.row(cells...)
	}
	e.printf("%s", t)
	e.title(say.T("trial-head-power"))
	t = e.heads(">trial-col-replicates", ">col-trees", ">trial-split-col-main", ">trial-split-col-plot", ">trial-split-col-treatment", "col-interval", ">trial-split-col-sub", "col-interval", ">trial-split-col-interaction", "col-interval")
	pct := func(x float64) string { return lang.Fixed(100*x, 1) + " %" }
	span := func(p trial.EffectPower) string {
		low, high := 100*p.Low, 100*p.High
		return e.between(&low, &high, func(x *float64) string { return lang.Fixed(*x, 1) })
	}
	for _, p := range d.Points {
		t.row(strconv.Itoa(p.Replicates), strconv.Itoa(p.Trees), strconv.Itoa(p.MainDF), strconv.Itoa(p.PlotDF), pct(p.Treatment.Power), span(p.Treatment), pct(p.Sub.Power), span(p.Sub), pct(p.Interaction.Power), span(p.Interaction))
	}
	e.printf("%s", t)
	e.wrapped(say.T("trial-split-columns"), "")
	e.printMeaning(d.followHead, d.Notes)
}
