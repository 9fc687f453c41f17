package report_test

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"sapward/internal/app"
	"sapward/internal/lang"
	"sapward/internal/report"
	"sapward/measure/civil"
)

// The season of a block nobody followed and treated is one page in both
// languages and on both papers.
func TestSeason_IsOnePage(t *testing.T) {
	in := app.SeasonFacts{From: "2025-11-25", To: "2026-11-25", FollowResult: app.FollowResult{Zero: civil.Date{Year: 2025, Month: 6, Day: 10}}}
	in.Block.Facts.Name, in.Estate.Facts.Name = "Invented block", "Invented estate"
	many := in
	for i := range 40 {
		many.Applications = append(many.Applications, app.Application{Facts: app.ApplicationFacts{Product: "Invented Product " + strconv.Itoa(i), Method: "injection", DateEnd: "2026-06-01"}})
		many.Due = append(many.Due, app.DueItem{Kind: "rate", On: "2027-05-06"})
	}
	days := []float64{0, 30, 60, 90}
	for _, name := range []string{"untreated", "injection", "infusion"} {
		many.Curves = append(many.Curves, app.FollowCurve{Treatment: name, Days: days, Index: []float64{0, 5, 10, 40}, N: []int{3, 3, 3, 3}})
	}
	pages := regexp.MustCompile(`/Type /Page\b[^s]`)
	for name, facts := range map[string]app.SeasonFacts{"empty": in, "much": many} {
		for _, l := range lang.Languages {
			for _, paper := range []string{"a4", "letter"} {
				var b bytes.Buffer
				if err := report.Season(&b, report.SeasonInput{Facts: facts, Say: lang.New(l, "metric"), Paper: paper, Engine: "test", Created: time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)}); err != nil {
					t.Fatal(name, l, paper, err)
				}
				if n := len(pages.FindAll(b.Bytes(), -1)); n != 1 {
					t.Errorf("%s, %s, %s: %d pages", name, l, paper, n)
				}
				if dir := os.Getenv("SAPWARD_PAPERS"); dir != "" {
					_ = os.WriteFile(filepath.Join(dir, "season-"+name+"-"+l+"-"+paper+".pdf"), b.Bytes(), 0o644)
				}
			}
		}
	}
	if err := report.Season(&bytes.Buffer{}, report.SeasonInput{Facts: in, Paper: "a4"}); err == nil {
		t.Error("no language was taken")
	}
	if err := report.Season(&bytes.Buffer{}, report.SeasonInput{Facts: in, Say: lang.New("en", "metric"), Paper: "a5"}); err == nil {
		t.Error("an unknown paper was taken")
	}
}
