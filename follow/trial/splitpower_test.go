package trial

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"sapward/finding"
)

// The F values of a simulated split plot are those of Analyse, which equals R's
// aov with Error strata (TestAnalyse_EqualsR).
func TestSplitPower_AnalysesAsPlanned(t *testing.T) {
	worst := 0.0
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 3))
		nt, ns, nb := 2+rng.IntN(4), 2+rng.IntN(3), 2+rng.IntN(5)
		y := make([]float64, nt*ns*nb)
		var rows []Observation
		for i := range y {
			y[i] = 50 + 10*rng.NormFloat64()
			rows = append(rows, Observation{Block: fmt.Sprint("b", i/(nt*ns)), Treatment: fmt.Sprint("t", i/ns%nt), Sub: fmt.Sprint("s", i%ns), Value: &y[i]})
		}
		f, ok := splitF(y, nb, nt, ns)
		a := analysed(t, rows, Options{Design: SplitPlot, Permutations: -1})
		for k, source := range []string{"treatment", "sub", "treatment:sub"} {
			for _, l := range a.Table {
				if l.Source == source {
					d := math.Abs(f[k] / *l.F - 1)
					worst = math.Max(worst, d)
					if !ok || d > 1e-9 {
						t.Errorf("%d %s: %v, Analyse %v", seed, source, f[k], *l.F)
					}
				}
			}
		}
	}
	t.Logf("largest deviation %.1e", worst)
}

func splitAsked() SplitPowerRequest {
	return SplitPowerRequest{Outcome: NumberOutcome, Means: [][]float64{{60, 55}, {50, 47}, {45, 30}}, BlockSD: 6, MainSD: 4, PlotSD: 5, TreeSD: 6, TreesPerPlot: 3, From: 2, To: 6, Sims: 2000, Seed: 5}
}

// Simulated power against the noncentral F, four standard errors; the same answer
// on any number of cores.
func TestSplitPower_ExactWhereItHolds(t *testing.T) {
	q := splitAsked()
	r, err := SplitPower(context.Background(), q)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range r.Points {
		for k, e := range []EffectPower{p.Treatment, p.Sub, p.Interaction} {
			if e.Exact == nil {
				t.Fatal("no exact figure")
			}
			se := math.Sqrt(*e.Exact * (1 - *e.Exact) / float64(p.Sims))
			t.Logf("%d blocks, effect %d: %.3f, exact %.4f", p.Replicates, k, e.Power, *e.Exact)
			if math.Abs(e.Power-*e.Exact) > 4*se+1e-4 {
				t.Errorf("%d blocks, effect %d: %v, exact %v", p.Replicates, k, e.Power, *e.Exact)
			}
		}
	}
	if r.Needed == nil {
		t.Error("no number of blocks is enough")
	}
	q.To, q.Workers = 3, 1
	one, err := SplitPower(context.Background(), q)
	q.Workers = 7
	seven, err2 := SplitPower(context.Background(), q)
	a, _ := json.Marshal(one)
	b, _ := json.Marshal(seven)
	if err != nil || err2 != nil || string(a) != string(b) {
		t.Errorf("one core and seven differ: %v %v", err, err2)
	}
	// Nothing differs: 5 % are found.
	q = splitAsked()
	q.Means, q.To, q.From = [][]float64{{50, 50}, {50, 50}}, 5, 5
	r, err = SplitPower(context.Background(), q)
	if err != nil || math.Abs(*r.Points[0].Treatment.Exact-0.05) > 1e-12 || math.Abs(r.Points[0].Sub.Power-0.05) > 0.02 {
		t.Errorf("%+v %v", r.Points, err)
	}
}

// With plots lost the trials are fitted as Analyse fits gaps; percents and shares
// give powers too.
func TestSplitPower_GapsAndPercents(t *testing.T) {
	q := splitAsked()
	q.From, q.To, q.Sims, q.Loss = 5, 5, 100, 0.08
	full := q
	full.Loss = 0
	r, err := SplitPower(context.Background(), q)
	f, err2 := SplitPower(context.Background(), full)
	if err != nil || err2 != nil || r.Points[0].Treatment.Exact != nil || r.Points[0].Sims < 80 || r.Points[0].Treatment.Power > f.Points[0].Treatment.Power+0.15 || r.Points[0].Treatment.Power < f.Points[0].Treatment.Power-0.3 {
		t.Errorf("%+v, without loss %+v, %v %v", r.Points, f.Points, err, err2)
	}
	for _, o := range []Outcome{PercentRated, ShareOfTrees} {
		q = splitAsked()
		q.Outcome, q.From, q.To, q.Sims, q.TreesPerPlot = o, 6, 6, 200, 10
		r, err = SplitPower(context.Background(), q)
		if err != nil || r.Points[0].Sims != 200 || !(r.Points[0].Treatment.Power > 0.2) {
			t.Errorf("%s: %+v %v", o, r.Points, err)
		}
	}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := SplitPower(ctx, splitAsked()); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	for id, q := range map[string]SplitPowerRequest{
		"trial-split-means":    {Means: [][]float64{{1, 2}, {3}}, PlotSD: 1},
		"trial-option-range":   {Means: [][]float64{{1, 2}, {3, 4}}, PlotSD: 1, MainSD: -1},
		"trial-option-unknown": {Means: [][]float64{{1, 2}, {3, 4}}, PlotSD: 1, Effect: "x"},
		"trial-no-spread":      {Means: [][]float64{{1, 2}, {3, 4}}},
	} {
		_, err := SplitPower(context.Background(), q)
		found := false
		for _, f := range finding.AsFaults(err) {
			found = found || f.ID == id
		}
		if !found {
			t.Errorf("%s: %v", id, err)
		}
	}
}

// Another program: R's noncentral F, and a simulation of the same trial analysed
// by aov with Error strata and by nlme::lme.
func TestSplitPower_EqualsR(t *testing.T) {
	path := rscript(t, "nlme")
	sims := 120
	if soak() {
		sims = 2000
	}
	q := splitAsked()
	q.From, q.To = 4, 4
	r, err := SplitPower(context.Background(), q)
	if err != nil {
		t.Fatal(err)
	}
	script := fmt.Sprintf(`suppressMessages(library(nlme)); set.seed(9); M <- matrix(c(60,55,50,47,45,30),3,byrow=TRUE); r <- 4; hit <- c(0,0,0); lm <- c(0,0,0); nl <- 0
d <- expand.grid(s=1:2,t=1:3,b=1:r); d$mu <- M[cbind(d$t,d$s)]; d$T <- factor(d$t); d$S <- factor(d$s); d$B <- factor(d$b); d$W <- factor(paste(d$b,d$t))
for (i in 1:%d) { d$y <- d$mu + 6*rnorm(r)[d$b] + 4*rnorm(3*r)[as.integer(d$W)] + 5*rnorm(nrow(d)) + 6/sqrt(3)*rnorm(nrow(d))
 z <- summary(aov(y ~ T*S + Error(B/T), d)); A <- z[["Error: B:T"]][[1]]; C <- z[["Error: Within"]][[1]]
 hit <- hit + c(A[1,"Pr(>F)"]<.05, C[1,"Pr(>F)"]<.05, C[2,"Pr(>F)"]<.05)
 if (i <= 30) { m <- try(lme(y ~ T*S, random=~1|B/T, d), silent=TRUE); if (!inherits(m,"try-error")) { nl <- nl+1; a <- anova(m); lm <- lm + (c(a["T","p-value"],a["S","p-value"],a["T:S","p-value"])<.05) } } }
cat(hit/%d, "\n"); cat(lm/nl, nl, "\n")
for (i in 1:60) { f <- runif(1,.1,8); a <- sample(1:6,1); b <- sample(2:40,1); l <- runif(1,0,60); cat(sprintf("%%.15g %%g %%g %%.15g %%.15g\n", f, a, b, l, pf(f,a,b,l))) }`, sims, sims)
	file := filepath.Join(t.TempDir(), "s.R")
	if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	raw, err := exec.Command(path, file).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(raw)), "\n")
	ours := []EffectPower{r.Points[0].Treatment, r.Points[0].Sub, r.Points[0].Interaction}
	var aov, lme [3]float64
	var fitted float64
	if _, err := fmt.Sscan(lines[0], &aov[0], &aov[1], &aov[2]); err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscan(lines[1], &lme[0], &lme[1], &lme[2], &fitted); err != nil {
		t.Fatal(err)
	}
	for k, e := range ours {
		p := *e.Exact
		t.Logf("effect %d: %.3f, exact %.4f, R aov %.3f of %d, lme %.3f of %.0f", k, e.Power, p, aov[k], sims, lme[k], fitted)
		if math.Abs(aov[k]-p) > 4*math.Sqrt(p*(1-p)/float64(sims))+1e-3 || math.Abs(lme[k]-p) > 4*math.Sqrt(p*(1-p)/fitted)+0.05 { // lme's F can use other degrees of freedom where a variance is 0
			t.Errorf("effect %d: %v, R %v and %v", k, p, aov[k], lme[k])
		}
	}
	worst := 0.0
	for _, l := range lines[2:] {
		var f, a, b, lambda, want float64
		if _, err := fmt.Sscan(l, &f, &a, &b, &lambda, &want); err != nil {
			t.Fatal(err)
		}
		d := math.Abs(noncentralF(f, a, b, lambda) - want)
		worst = math.Max(worst, d)
		if d > 2e-9 { // R adds terms until an error bound of 1e-9
			t.Errorf("pf(%v, %v, %v, %v): %v, R %v", f, a, b, lambda, noncentralF(f, a, b, lambda), want)
		}
	}
	t.Logf("noncentral F: largest deviation %.1e", worst)
}
