package cli

import (
	"context"
	"os"
	"os/signal"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/lang"
	"sapward/internal/report"
)

type trialPowerCmd struct {
	Means        []float64 `help:"Expected means, the control first: 60,30,20." sep:","`
	Names        []string  `help:"Names of the treatments in the same order." sep:","`
	Outcome      string    `help:"number, percent (rated on each tree) or share (of trees that fall ill)." default:"percent"`
	Design       string    `help:"crd, rcbd or split-plot." default:"rcbd"`
	SplitMeans   string    `help:"Means of a split plot, a treatment after another, the levels of the second factor by commas: '60,55;50,47;45,30'."`
	SubNames     []string  `help:"Names of the levels of the second factor." sep:","`
	MainSD       float64   `name:"main-sd" help:"Split plot: standard deviation between main plots of a block."`
	Effect       string    `help:"Split plot: what must be found, treatment, sub or interaction." default:"treatment"`
	BlockSD      float64   `name:"block-sd" help:"Standard deviation between blocks."`
	PlotSD       float64   `name:"plot-sd" help:"Standard deviation between plots of a block."`
	TreeSD       float64   `name:"tree-sd" help:"Standard deviation between trees of a plot."`
	TreesPerPlot int       `help:"Trees of one plot." default:"1"`
	Loss         float64   `help:"Share of plots that will give no value, such as 0.05."`
	Alpha        float64   `help:"Level of the test." default:"0.05"`
	Target       float64   `help:"Power wanted." default:"0.8"`
	From         int       `help:"Fewest replicates tried." default:"2"`
	To           int       `help:"Most replicates tried." default:"20"`
	Sims         int       `help:"Simulated trials at each number of replicates." default:"2000"`
	Compare      string    `help:"Test that must find it: dunnett (each against the control) or f (any difference)." default:"dunnett"`
	Seed         uint64    `help:"Seed; the same seed gives the same answer on any number of cores." default:"1"`
}

func (c trialPowerCmd) Run(e *env) error {
	if trial.Design(strings.ToLower(c.Design)) == trial.SplitPlot {
		return c.split(e)
	}
	if c.SplitMeans != "" || c.MainSD != 0 {
		return usage("trial-split-options", nil)
	}
	names := trimmed(c.Names)
	if len(names) > 0 && len(names) != len(c.Means) {
		return usage("trial-names-count", finding.Args{"names": finding.Count(len(names)), "means": finding.Count(len(c.Means))})
	}
	if len(c.Means) > 1 && slices.Min(c.Means) == slices.Max(c.Means) {
		return usage("trial-means-alike", nil)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	bar := newProgress(e, e.say.T("progress-trial-power"), int64(max(0, c.To-c.From+1)*c.Sims))
	before := 0
	found, err := trial.Power(ctx, trial.PowerRequest{
		Design: trial.Design(strings.ToLower(c.Design)), Outcome: trial.Outcome(strings.ToLower(c.Outcome)), Means: c.Means, BlockSD: c.BlockSD, PlotSD: c.PlotSD, TreeSD: c.TreeSD,
		TreesPerPlot: c.TreesPerPlot, Loss: c.Loss, Alpha: c.Alpha, Target: c.Target, From: c.From, To: c.To, Sims: c.Sims, Compare: strings.ToLower(c.Compare), Seed: c.Seed,
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
	doc := e.trials().Power(names, found)
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	e.printTrialPower(doc)
	return nil
}

func (e *env) printTrialPower(d report.TrialPowerDocument) {
	say := e.say
	e.println(say.Say("trial-power-head", finding.Args{"design": finding.Text(say.T("trial-design-" + string(d.Design))), "means": finding.Text(d.MeansText())}))
	e.title(say.T("trial-head-power"))
	t := e.heads(">trial-col-replicates", ">col-trees", ">col-df", ">trial-col-f", ">trial-col-all", "col-interval", ">trial-col-any")
	pct := func(x float64) string { return lang.Fixed(100*x, 1) + " %" }
	for _, p := range d.Points {
		low, high := 100*p.AllLow, 100*p.AllHigh
		t.row(strconv.Itoa(p.Replicates), strconv.Itoa(p.Trees), strconv.Itoa(p.ResidualDF), pct(p.FPower), pct(p.All), e.between(&low, &high, func(x *float64) string { return lang.Fixed(*x, 1) }), pct(p.Any))
	}
	e.printf("%s", t)
	e.wrapped(say.T("trial-power-columns"), "")
	if len(d.Names) > 2 {
		e.title(say.T("trial-head-each"))
		heads := []string{">" + say.T("trial-col-replicates")}
		for _, n := range d.Names[1:] {
			heads = append(heads, ">"+n)
		}
		t = newTable(heads...)
		for _, p := range d.Points {
			cells := []string{strconv.Itoa(p.Replicates)}
			for _, v := range p.Each {
				cells = append(cells, pct(v))
			}
			t.row(cells...)
		}
		e.printf("%s", t)
	}
	e.printMeaning(followHead{Meaning: d.Meaning}, d.Notes)
}
