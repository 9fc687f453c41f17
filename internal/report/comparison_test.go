package report

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/flow/sap"
	"sapward/internal/lang"
)

// Every source in the parameter tables is said in both languages.
func TestSourceText_AllTables(t *testing.T) {
	en, es := lang.New("en", "metric"), lang.New("es", "metric")
	woods, err := sap.Woods()
	if err != nil {
		t.Fatal(err)
	}
	actives, err := plume.Actives()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	check := func(named map[string]sap.Parameter) {
		for name, p := range named {
			n++
			if got := SourceText(en, p.Source); got != p.Source {
				t.Errorf("%s: %q became %q", name, p.Source, got)
			}
			if got := SourceText(es, p.Source); got == p.Source && !strings.HasPrefix(got, "--") {
				t.Errorf("%s: no Spanish for %q", name, p.Source)
			}
		}
	}
	for _, w := range woods {
		check(w.Named())
	}
	for _, a := range actives {
		check(a.Named())
	}
	if n < 60 {
		t.Errorf("only %d parameters looked at", n)
	}
}

func band(a, b, c float64) protect.Band { return protect.Band{P10: a, P50: b, P90: c} }

// comparisonOf is a made-up document with all parts.
func comparisonOf(sooner, longer compare.Side) *compare.Document {
	trunk, some := band(30, 60, 90), band(0, 30, 80)
	line := &compare.Line{FirstDayD: band(3, 20, math.Inf(1)), DaysAboveD: band(0, 12, 60), PeakCoveragePct: band(40, 80, 100), TrunkPeakPct: &trunk, ReachesPct: 54}
	d := &compare.Document{
		Schema: compare.Schema, Engine: "0", Product: "Invented Product A", Invented: true, On: "2026-06-17", Days: 365, Draws: 200, TargetPct: 80, Class: "triazole",
		Tree:        compare.ModelTree{Tree: "E1", Wood: "ring-porous", DiameterCM: 40, GirthCM: 126, HeightM: 17, CrownM: 9, CrownBaseM: 6},
		Level:       compare.LevelLine{Value: 0.5, Low: 0.5, High: 0.5, Metric: plume.InSap, Source: "--effective"},
		Probability: &compare.Probability{Earlier: 0.52, Later: 0.01, Same: 0.01, Neither: 0.46, Longer: 0.5, Shorter: 0.03},
		Verdict:     compare.VerdictLine{Sooner: sooner, Longer: longer, DayOpen: []plume.Method{plume.Infusion}},
		Drivers:     []compare.DriverLine{{Input: "retardation", Share: 0.4, Half: 0.1}},
		Advice:      []compare.AdviceLine{{Method: "infusion", DayD: 30, HeightM: 12, Between: true, Settles: 0.2, Expect: band(0.1, 3, 90)}},
		Layouts:     []compare.LayoutLine{{Method: "injection", Pays: 13, Planned: 9}},
		Equal:       &compare.EqualLine{Ports: 14, Permitted: []string{"injection"}, Probability: &compare.Probability{Earlier: 0.5, Neither: 0.5}},
	}
	for _, m := range []string{"injection", "infusion"} {
		d.Methods = append(d.Methods, compare.MethodLine{Method: m, Labelled: true, Verdict: "allowed", Planned: 10, Ports: 90, Tree: &compare.TreeLine{Ports: 9, ActiveG: 20, WoundPct: 9, Known: true}, Line: line})
		for _, day := range []float64{1, 30, 365} {
			d.Coverage = append(d.Coverage, compare.CoverageLine{Method: m, DayD: day, Crown: band(0, 40, 90), Trunk: &some})
		}
	}
	return d
}

// The sentence names the side it found, gives the figures as so many of 100,
// claims nothing of a disease, and never calls a tree protected or safe.
func TestComparisonSentence_SaysNoMore(t *testing.T) {
	for _, l := range []string{"en", "es"} {
		say := lang.New(l, "metric")
		for _, sooner := range []compare.Side{compare.Infusion, compare.Injection, compare.Alike, compare.Neither, compare.CannotSay} {
			for _, longer := range []compare.Side{compare.Infusion, compare.Injection, compare.Alike, compare.Neither, compare.CannotSay} {
				s := ComparisonSentence(say, comparisonOf(sooner, longer))
				for _, claim := range []string{"protected", "safe", "proteg", "segur", "{{", "<no value>", "compare-"} {
					if strings.Contains(strings.ToLower(s), claim) {
						t.Errorf("%s %s %s: %q in %q", l, sooner, longer, claim, s)
					}
				}
				if !strings.HasSuffix(s, say.T("compare-no-claim")) {
					t.Errorf("%s %s %s: the sentence does not end with what it does not say: %q", l, sooner, longer, s)
				}
				if sooner == compare.CannotSay && !strings.Contains(s, "52") {
					t.Errorf("%s: 52 of 100 is not said: %q", l, s)
				}
				if sooner == compare.Infusion != strings.Contains(s, say.T("compare-days-open")) && sooner != compare.Injection && sooner != compare.Alike && sooner != compare.Neither {
					t.Errorf("%s %s: open days: %q", l, sooner, s)
				}
			}
		}
	}
}

// The level is yours only where you entered it.
func TestLevelText_WhoseLevel(t *testing.T) {
	say := lang.New("en", "metric")
	d := comparisonOf(compare.Infusion, compare.Infusion)
	if s := LevelText(say, d.Level); !strings.Contains(s, "you entered") || !strings.Contains(s, "0.5 mg/L") {
		t.Error(s)
	}
	d.Level.Low, d.Level.High = 0.1, 1
	if s := LevelText(say, d.Level); strings.Contains(s, "you entered") || !strings.Contains(s, "0.1 to 1") {
		t.Error(s)
	}
}

func TestBandText_Never(t *testing.T) {
	say := lang.New("en", "metric")
	for _, c := range []struct {
		b    protect.Band
		want string
	}{{band(3, 20, math.Inf(1)), "20 (3 to never)"}, {band(0, 0, 0), "0"}, {band(math.Inf(1), math.Inf(1), math.Inf(1)), "never"}} {
		if got := BandText(say, c.b, 0); got != c.want {
			t.Errorf("%q, not %q", got, c.want)
		}
	}
}

// The paper is made in both languages and papers, the same bytes every time,
// with the document attached, also of a document without any doses.
func TestComparison_Paper(t *testing.T) {
	empty := &compare.Document{Schema: compare.Schema, Engine: "0", Product: "Invented Product A", Methods: []compare.MethodLine{{Method: "injection", Verdict: "refused", Refusals: []finding.Finding{{ID: "month-not-on-card", Severity: finding.Refused}}}}}
	for _, l := range []string{"en", "es"} {
		for _, p := range []string{"a4", "letter"} {
			for _, d := range []*compare.Document{comparisonOf(compare.CannotSay, compare.CannotSay), empty} {
				d.Verdict.Sentence = ComparisonSentence(lang.New(l, "metric"), d)
				in := ComparisonInput{Document: d, Say: lang.New(l, "metric"), Paper: p, Created: time.Date(2026, 6, 17, 0, 0, 0, 0, time.UTC)}
				var a, b bytes.Buffer
				if err := Comparison(&a, in); err != nil {
					t.Fatal(err)
				}
				if err := Comparison(&b, in); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
					t.Errorf("%s %s: two runs differ (%v)", l, p, err)
				}
				if !bytes.Contains(a.Bytes(), []byte("/EmbeddedFile")) {
					t.Errorf("%s %s: the document is not attached", l, p)
				}
			}
		}
	}
	if err := Comparison(&bytes.Buffer{}, ComparisonInput{Document: empty, Say: lang.New("en", "metric"), Paper: "a3"}); err == nil {
		t.Error("a3 is taken")
	}
}

// Five lines at most, with the ends, the plan and the number that pays.
func TestShownLayouts_KeepsWhatMatters(t *testing.T) {
	l := compare.LayoutLine{Planned: 9, Pays: 13}
	for n := 7; n <= 30; n++ {
		l.Tried = append(l.Tried, compare.TriedLine{Ports: n})
	}
	got := map[int]bool{}
	for _, x := range ShownLayouts(l) {
		got[x.Ports] = true
	}
	if len(got) > mostLayouts || !got[7] || !got[30] || !got[9] || !got[13] {
		t.Error(got)
	}
}
