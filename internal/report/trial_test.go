package report

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"sapward/follow/trial"
	"sapward/internal/lang"
)

// inventedTrial is a made-up trial, laid out and analysed.
func inventedTrial(t *testing.T, design trial.Design, located bool, language, units, paper string) TrialInput {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 2))
	var sites []trial.Site
	for i := range 140 {
		size := 20 + 40*rng.Float64()
		s := trial.Site{Tree: fmt.Sprintf("North avenue %d", i+1), SizeCM: &size}
		if located {
			x, y := float64(i%14)*8+rng.Float64(), float64(i/14)*9+rng.Float64()
			s.X, s.Y = &x, &y
		}
		sites = append(sites, s)
	}
	q := trial.Request{Design: design, Treatments: []string{"untreated", "injection at the higher rate of the invented card", "infusion"}, Control: "untreated", Replicates: 5, TreesPerPlot: 2, Seed: 3}
	if design == trial.SplitPlot {
		q.Subs = []string{"treated in spring", "treated in summer"}
	}
	l, err := trial.LayOut(sites, q)
	if err != nil {
		t.Fatal(err)
	}
	var rows []trial.Observation
	for _, p := range l.Plots {
		v := 30 + 40*rng.Float64()
		if p.Treatment == "untreated" {
			v = 80 + 10*rng.Float64()
		}
		rows = append(rows, trial.Observation{Plot: strconv.Itoa(p.Plot), Block: p.Block, Treatment: p.Treatment, Sub: p.Sub, Value: &v})
	}
	a, err := trial.Analyse(rows, trial.Options{Design: design, Control: "untreated", Compare: "both", Scale: trial.Percent, Transform: trial.Arcsine, Unit: "plot"})
	if err != nil {
		t.Fatal(err)
	}
	say := lang.New(language, units)
	in := TrialInput{Layout: &l, Analysis: &a, Name: "Invented trial", Value: "wilt_pct", About: map[string]string{"purpose": strings.Repeat("Invented purpose of many words. ", 8)},
		Meaning: []string{"Invented meaning."}, Engine: "0", Say: say, Paper: paper, Created: created, seen: &placings{}}
	return in
}

// Nothing is cut off or runs out of the page, on either paper, in either
// language; the same trial gives the same bytes; and neither labels nor the
// assessor's sheet name a treatment.
func TestTrialPapers(t *testing.T) {
	papersOf := map[string]func(io.Writer, TrialInput) error{"map": TrialMap, "labels": TrialLabels, "assessor": TrialAssessor, "report": TrialReport}
	for _, c := range []struct {
		design                trial.Design
		located               bool
		language, units, size string
	}{{trial.RCBD, true, "en", "metric", "a4"}, {trial.SplitPlot, true, "es", "us", "letter"}, {trial.CRD, false, "es", "metric", "a4"}, {trial.SplitPlot, false, "en", "us", "letter"}} {
		for name, write := range papersOf {
			in := inventedTrial(t, c.design, c.located, c.language, c.units, c.size)
			var a, b bytes.Buffer
			if err := write(&a, in); err != nil {
				t.Fatalf("%s %+v: %v", name, c, err)
			}
			seen := in.seen
			again := inventedTrial(t, c.design, c.located, c.language, c.units, c.size)
			if err := write(&b, again); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Errorf("%s: the same trial gives other bytes (%v)", name, err)
			}
			size := papers[c.size]
			for _, x := range seen.boxed {
				if x.got > x.room+0.05 {
					t.Errorf("%s %s: %q takes %.1f mm of %.1f", name, c.language, x.s, x.got, x.room)
				}
			}
			for _, x := range seen.texts {
				if x.y > size.h-3 || x.x < side-1 || x.y < 3 {
					t.Errorf("%s: %q stands at %.1f, %.1f mm", name, x.s, x.x, x.y)
				}
				if (name == "labels" || name == "assessor") && (strings.Contains(x.s, "infusion") || strings.Contains(x.s, "untreated")) {
					t.Errorf("%s names a treatment: %q", name, x.s)
				}
			}
			for _, x := range seen.scenes {
				bottom := x.y + x.sc.Height/x.sc.Width*x.w
				if bottom > size.h-foot+1 || x.x+x.w > size.w-side+1 {
					t.Errorf("%s: a picture ends at %.1f mm", name, bottom)
				}
				for _, text := range x.sc.Texts() {
					if text.Box.X0 < -0.5 || text.Box.X1 > x.sc.Width+0.5 || text.Box.Y0 < -0.5 || text.Box.Y1 > x.sc.Height+0.5 {
						t.Errorf("%s: %q runs out of its picture", name, text.S)
					}
				}
			}
			if len(seen.texts) < 10 {
				t.Errorf("%s is empty", name)
			}
		}
	}
	if err := TrialMap(io.Discard, TrialInput{}); err == nil {
		t.Error("no language was taken")
	}
	in := inventedTrial(t, trial.CRD, false, "en", "metric", "a4")
	in.Paper = "a5"
	if err := TrialReport(io.Discard, in); err == nil {
		t.Error("a5 was taken")
	}
}
