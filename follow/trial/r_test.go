package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"sapward/numeric/describe"
)

func soak() bool { return os.Getenv("SAPWARD_SOAK") == "1" }

// rscript finds R with the packages named, or skips with the reason.
func rscript(t *testing.T, packages ...string) string {
	t.Helper()
	path, err := exec.LookPath("Rscript")
	if err == nil {
		for _, p := range packages {
			if err = exec.Command(path, "-e", "library("+p+")").Run(); err != nil {
				err = fmt.Errorf("package %s: %w", p, err)
				break
			}
		}
	}
	if err != nil {
		t.Skipf("skipped: R with %s is not there (%v)", strings.Join(packages, ", "), err)
	}
	return path
}

// set is one invented data set.
type set struct {
	name string
	o    Options
	rows []Observation
}

// invented makes data sets of every design, small and larger, with ties and
// with plots missing.
func invented(n int, seed uint64) (out []set) {
	rng := rand.New(rand.NewPCG(seed, 7))
	kinds := []string{"crd", "crd-uneven", "rcbd", "rcbd-gaps", "covariate", "split", "split-gaps"}
	for i := range n {
		kind := kinds[i%len(kinds)]
		nt, nb, ns := 2+rng.IntN(5), 3+rng.IntN(4), 1
		o := Options{Design: RCBD, Control: "t0", Compare: "both", Unit: "plot", Permutations: -1}
		switch {
		case strings.HasPrefix(kind, "crd"):
			o.Design = CRD
		case strings.HasPrefix(kind, "split"):
			o.Design, ns, nt = SplitPlot, 2+rng.IntN(3), 2+rng.IntN(3)
		case kind == "covariate":
			o.Covariate = true
		}
		s := set{name: fmt.Sprint(kind, "-", i), o: o}
		rounded := i%3 == 0 // ties
		effect := make([]float64, nt)
		for k := range effect {
			effect[k] = 4 * rng.NormFloat64()
		}
		for b := range nb {
			block := 3 * rng.NormFloat64()
			for k := range nt {
				main := 2 * rng.NormFloat64()
				for j := range ns {
					v := 40 + effect[k] + 2*float64(j) + 4*rng.NormFloat64()
					if o.Design != CRD {
						v += block
					}
					if ns > 1 {
						v += main
					}
					x := 10 + 3*rng.NormFloat64()
					if o.Covariate {
						v += 0.8 * x
					}
					if rounded {
						v = math.Round(v)
					}
					r := Observation{Block: fmt.Sprint("b", b), Treatment: fmt.Sprint("t", k), Value: &v, Covariate: &x}
					if ns > 1 {
						r.Sub = fmt.Sprint("s", j)
					}
					// The gaps: a third of the way, never a whole treatment or block.
					gap := (kind == "crd-uneven" && b > 1 && rng.IntN(3) == 0) || (kind == "rcbd-gaps" && b == k%nb && k%2 == 1) || (kind == "split-gaps" && (b+k+j)%5 == 0 && b > 0)
					if gap {
						r.Value = nil
					}
					s.rows = append(s.rows, r)
				}
			}
		}
		out = append(out, s)
	}
	return out
}

const rAnalyses = `
suppressMessages({library(nlme); library(multcomp)})
set.seed(1)
d0 <- read.csv(commandArgs(TRUE)[1], stringsAsFactors=FALSE)
out <- function(...) cat(..., "\n")
g <- function(x) sprintf("%.15g", x)
options(contrasts=c("contr.treatment","contr.poly"))
for (s in unique(d0$set)) {
  d <- d0[d0$set==s & !is.na(d0$y),]
  kind <- sub("-[0-9]+$", "", s)
  d$trt <- factor(d$trt); d$block <- factor(d$block); d$sub <- factor(d$sub)
  if (kind %in% c("crd","crd-uneven")) m <- lm(y ~ trt, d)
  if (kind %in% c("rcbd","rcbd-gaps")) m <- lm(y ~ block + trt, d)
  if (kind == "covariate") m <- lm(y ~ block + x + trt, d)
  if (kind %in% c("crd","crd-uneven","rcbd","rcbd-gaps","covariate")) {
    a <- anova(m)
    out(s, "ss", g(a["trt","Sum Sq"]), "rss", g(a["Residuals","Sum Sq"]), "f", g(a["trt","F value"]), "p", g(a["trt","Pr(>F)"]))
    nd <- expand.grid(block=levels(d$block), trt=levels(d$trt)); nd$x <- mean(d$x)
    X <- model.matrix(delete.response(terms(m)), nd)
    for (k in levels(d$trt)) { L <- colMeans(X[nd$trt==k,,drop=FALSE]); e <- sum(L*coef(m)); se <- sqrt(t(L)%*%vcov(m)%*%L); q <- qt(.975, m$df.residual)
      out(s, paste0("mean.", k), g(e), "se", g(se), "low", g(e-q*se)) }
    gl <- summary(glht(m, linfct=mcp(trt="Dunnett")), test=adjusted("single-step", abseps=1e-4, maxpts=3e4))$test
    for (i in seq_along(gl$coefficients)) out(s, paste0("dunnett.", sub(" - .*", "", names(gl$coefficients)[i])), g(gl$coefficients[i]), "t", g(gl$tstat[i]), "padj", g(gl$pvalues[i]))
    st <- rstandard(m); out(s, "rstandard", g(sum(abs(st[hatvalues(m) < 1-1e-9]))))
  }
  if (kind %in% c("crd","crd-uneven","rcbd")) {
    tk <- TukeyHSD(aov(formula(m), d), "trt")$trt
    for (i in seq_len(nrow(tk))) out(s, paste0("tukey.", rownames(tk)[i]), g(tk[i,"diff"]), "low", g(tk[i,"lwr"]), "padj", g(tk[i,"p adj"]))
  }
  if (kind %in% c("crd","crd-uneven")) { k <- kruskal.test(y ~ trt, d); out(s, "kw", g(k$statistic), "p", g(k$p.value)) }
  if (kind == "rcbd") { k <- friedman.test(y ~ trt | block, d); out(s, "fr", g(k$statistic), "p", g(k$p.value)) }
  if (kind == "split") {
    z <- summary(aov(y ~ trt*sub + Error(block/trt), d))
    A <- z[["Error: block:trt"]][[1]]; B <- z[["Error: Within"]][[1]]
    out(s, "main", g(A[1,"F value"]), "p", g(A[1,"Pr(>F)"]), "ea", g(A[2,"Mean Sq"]), "sub", g(B[1,"F value"]), "inter", g(B[2,"F value"]), "pi", g(B[2,"Pr(>F)"]), "eb", g(B[3,"Mean Sq"]))
  }
  if (kind %in% c("split","split-gaps")) {
    d$main <- factor(paste(d$block, d$trt))
    l <- try(lme(y ~ block + trt*sub, random=~1|main, data=d, control=lmeControl(opt="nlminb", msTol=1e-14, tolerance=1e-12, niterEM=200, maxIter=500, msMaxIter=500)), silent=TRUE)
    if (!inherits(l, "try-error")) { a <- anova(l)
    out(s, "lme", g(a["trt","F-value"]), "dfa", a["trt","denDF"], "sub", g(a["sub","F-value"]), "dfb", a["sub","denDF"], "inter", g(a["trt:sub","F-value"]), "pi", g(a["trt:sub","p-value"]), "sigma2", g(l$sigma^2), "smain2", g(getVarCov(l)[1,1])) }
  }
}`

// R on invented data sets: stats (aov, lm, TukeyHSD, kruskal.test,
// friedman.test), multcomp (glht, whose multivariate t is a simulation asked for
// an error of 1e-4) and nlme (lme, whose search ends at about 1e-5).
func TestAnalyse_EqualsR(t *testing.T) {
	path := rscript(t, "nlme", "multcomp")
	n := 50
	if soak() {
		n = 500
	}
	sets := invented(n, 11)
	dir := t.TempDir()
	var b strings.Builder
	b.WriteString("set,block,trt,sub,y,x\n")
	for _, s := range sets {
		for _, r := range s.rows {
			y := "NA"
			if r.Value != nil {
				y = fmt.Sprintf("%.17g", *r.Value)
			}
			fmt.Fprintf(&b, "%s,%s,%s,%s,%s,%.17g\n", s.name, r.Block, r.Treatment, r.Sub, y, *r.Covariate)
		}
	}
	file, script := filepath.Join(dir, "d.csv"), filepath.Join(dir, "s.R")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(script, []byte(rAnalyses), 0o600); err != nil {
		t.Fatal(err)
	}
	raw, err := exec.Command(path, script, file).Output()
	if err != nil {
		t.Fatal(err)
	}
	byName := map[string]Analysis{}
	for _, s := range sets {
		a, err := Analyse(s.rows, s.o)
		if err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		byName[s.name] = a
	}
	worst, lines := map[string]float64{}, 0
	for _, line := range strings.Split(strings.TrimSpace(string(raw)), "\n") {
		f := strings.Fields(line)
		a, key := byName[f[0]], f[1]
		v := map[string]float64{"": number(t, f[2])}
		for i := 3; i+1 < len(f); i += 2 {
			v[f[i]] = number(t, f[i+1])
		}
		lines++
		see := func(what string, got *float64, want, tol float64) {
			worst[what] = math.Max(worst[what], near(t, f[0]+" "+key+" "+what, got, want, tol))
		}
		kind, name, _ := strings.Cut(key, ".")
		switch kind {
		case "ss":
			tr, rest := lineOf(t, a, "", "treatment"), lineOf(t, a, "", "residual")
			see("anova", tr.F, v["f"], 1e-9)
			see("anova", tr.P, v["p"], 1e-8)
			see("anova", rest.SS, v["rss"], 1e-9)
		case "mean":
			for _, m := range a.Means {
				if m.Treatment == name {
					see("mean", &m.Mean, v[""], 1e-10)
					see("mean", m.SE, v["se"], 1e-9)
					see("mean", m.Low, v["low"], 1e-9)
				}
			}
		case "rstandard":
			sum := 0.0
			for _, r := range a.Residuals {
				if r.Standard != nil {
					sum += math.Abs(*r.Standard)
				}
			}
			see("residuals", &sum, v[""], 1e-8)
		case "dunnett":
			for _, c := range a.Comparisons {
				if c.Method == "dunnett" && c.A == name {
					see("contrast", &c.Difference, v[""], 1e-9)
					see("contrast", &c.T, v["t"], 1e-9)
					if d := math.Abs(*c.P - v["padj"]); d > 1e-3 {
						t.Errorf("%s %s: p %v, R %v", f[0], key, *c.P, v["padj"])
					} else {
						worst["dunnett p, absolute"] = math.Max(worst["dunnett p, absolute"], d)
					}
				}
			}
		case "tukey":
			one, two, _ := strings.Cut(name, "-")
			for _, c := range a.Comparisons {
				if c.Method == "tukey" && c.A == one && c.B == two {
					see("tukey", &c.Difference, v[""], 1e-9)
					// R's qtukey is rough under 5 degrees of freedom: two treatments are
					// Student's t, which says which of us is off.
					tol := 2e-4
					if c.DF < 5 {
						tol = 5e-3
					}
					if len(a.Treatments) == 2 {
						q, err := describe.StudentQuantile(0.975, float64(c.DF))
						if err != nil {
							t.Fatal(err)
						}
						low := c.Difference - q*c.SE
						see("tukey of two, Student", &c.Low, low, 1e-9)
					}
					see(fmt.Sprintf("tukey limits, df under 5 %v", c.DF < 5), &c.Low, v["low"], tol)
					if d := math.Abs(*c.P - v["padj"]); d > 1e-4 { // R's ptukey with few degrees of freedom
						t.Errorf("%s %s: p %v, R %v", f[0], key, *c.P, v["padj"])
					} else {
						worst["tukey p, absolute"] = math.Max(worst["tukey p, absolute"], d)
					}
				}
			}
		case "kw", "fr":
			see("ranks", &a.Ranks.Chi2, v[""], 1e-9)
			see("ranks", &a.Ranks.P, v["p"], 1e-9)
		case "main":
			see("strata", lineOf(t, a, "main-plots", "treatment").F, v[""], 1e-9)
			see("strata", lineOf(t, a, "main-plots", "treatment").P, v["p"], 1e-8)
			see("strata", lineOf(t, a, "main-plots", "residual").MS, v["ea"], 1e-9)
			see("strata", lineOf(t, a, "plots", "sub").F, v["sub"], 1e-9)
			see("strata", lineOf(t, a, "plots", "treatment:sub").F, v["inter"], 1e-9)
			see("strata", lineOf(t, a, "plots", "treatment:sub").P, v["pi"], 1e-8)
			see("strata", lineOf(t, a, "plots", "residual").MS, v["eb"], 1e-9)
		case "lme":
			if a.Method == "strata" && *lineOf(t, a, "main-plots", "residual").MS <= *lineOf(t, a, "plots", "residual").MS {
				continue // the variance of the main plots is at its bound 0 in lme
			}
			see("lme", lineOf(t, a, "main-plots", "treatment").F, v[""], 1e-4)
			see("lme", lineOf(t, a, "plots", "sub").F, v["sub"], 1e-4)
			see("lme", lineOf(t, a, "plots", "treatment:sub").F, v["inter"], 1e-4)
			see("lme", lineOf(t, a, "plots", "residual").MS, v["sigma2"], 1e-4)
			if l := lineOf(t, a, "main-plots", "residual"); a.Method == "reml" && v["smain2"] > 1e-6 {
				see("lme", l.MS, v["smain2"], 1e-3)
			}
			// lme counts the denominators by the same rule.
			if a.Method == "reml" && (float64(lineOf(t, a, "main-plots", "residual").DF) != v["dfa"] || float64(lineOf(t, a, "plots", "residual").DF) != v["dfb"]) {
				t.Errorf("%s: degrees of freedom %+v, R %v", f[0], a.Table, v)
			}
		}
	}
	t.Logf("%d sets, %d lines of R, largest deviations %v", n, lines, worst)
	if lines < 4*n {
		t.Error("too few lines of R")
	}
}
