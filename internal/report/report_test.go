package report

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"codeberg.org/go-pdf/fpdf"
	"pgregory.net/rapid"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// The documents that the layout tests look at: every language, system of units
// and paper on both blocks, and plans of other shapes.
func documents() map[string]want {
	out := map[string]want{}
	for _, block := range []string{"avenue", "chestnut"} {
		for _, l := range lang.Languages {
			for _, u := range []string{"metric", "us"} {
				for _, p := range []string{"a4", "letter"} {
					if (l == "en") == (u == "metric") != (p == "a4") && os.Getenv("SAPWARD_SOAK") != "1" {
						continue // every pair of the three, not every triple
					}
					out[block+"-"+l+"-"+u+"-"+p] = want{block: block, lang: l, units: u, paper: p}
				}
			}
		}
	}
	for _, l := range lang.Languages {
		out["infusion-"+l] = want{lang: l, units: "us", paper: "letter", change: openInfusion, crew: publicCrew()}
		out["limbs-"+l] = want{lang: l, change: limbs, crew: climbers()}
		out["allowed-chestnut-"+l] = want{block: "chestnut", lang: l, change: func(r *plan.Request) { r.HarvestFrom = civil.Date{Year: 2026, Month: 11, Day: 20} }}
	}
	return out
}

func openInfusion(r *plan.Request) {
	r.Method, r.Bloom, r.Area.Known, r.CertificateUntil = label.Infusion, plan.BloomUnknown, false, civil.Date{}
}

func publicCrew() *plan.Crew {
	return &plan.Crew{People: []crew.Person{{ID: "Adviser"}, {ID: "Crew lead"}, {ID: "3"}}, Devices: 20, Public: true, Kicks: -1, Currency: "EUR",
		Prices: []crew.Price{{Item: crew.CostProduct, Minor: 12000, Per: 1_000_000}, {Item: crew.CostLabour, Minor: 2000, Per: 3600}}}
}

func limbs(r *plan.Request) {
	uses := append([]label.Use(nil), r.Card.Uses...)
	for i := range uses {
		uses[i].Ports.Places = append(append([]label.Place(nil), uses[i].Ports.Places...), label.OnLimb)
	}
	r.Card.Uses = uses
	r.LimbShare, r.Climber, r.Basis = exact.Frac(1, 4), true, plan.ByTree
}

func climbers() *plan.Crew {
	return &plan.Crew{People: []crew.Person{{ID: "1", Climber: true}, {ID: "2", AloftTrained: true}, {ID: "3"}}, Delivery: crew.Spring, Devices: 10, Kicks: -1}
}

// widths measures text by fpdf itself, not by the code under test.
func widths() func(s string, t text) float64 {
	pdf := fpdf.New("P", "mm", "A4", "")
	draw.AddFonts(pdf)
	pdf.AddPage()
	return func(s string, t text) float64 {
		style := ""
		if t.bold {
			style = "B"
		}
		pdf.SetFont(draw.FontFamily, style, t.size)
		return pdf.GetStringWidth(s)
	}
}

// fits reports everything that is wider than its box, off the page, cut in
// two, or drawn beyond its picture. Tolerances: 0.05 mm for text, whose glyph
// widths fpdf rounds to a thousandth of the type size.
func fits(seen *placings, in Input, width func(string, text) float64) []string {
	var bad []string
	page := papers[in.Paper]
	for _, b := range seen.boxed {
		if b.got > b.room+0.05 {
			bad = append(bad, fmt.Sprintf("page %d: %q is %.2f mm wide, the box %.2f", b.page, b.s, b.got, b.room))
		}
	}
	for _, t := range seen.texts {
		right := t.x + width(t.s, t.text)
		if t.x < side-0.05 || right > page.w-side+0.05 || t.y < 9 || t.y > page.h-5 {
			bad = append(bad, fmt.Sprintf("page %d: %q runs from %.1f to %.1f at %.1f", t.page, t.s, t.x, right, t.y))
		}
	}
	for _, p := range seen.scenes {
		k := p.w / p.sc.Width
		if p.x < side-0.05 || p.x+p.w > page.w-side+0.05 || p.y < top-0.05 || p.y+p.sc.Height*k > page.h-foot+0.05 {
			bad = append(bad, fmt.Sprintf("page %d: picture %q from (%.1f, %.1f), %.1f wide, %.1f high", p.page, p.sc.Title, p.x, p.y, p.w, p.sc.Height*k))
		}
		if 11*k*72/25.4 < 7 {
			bad = append(bad, fmt.Sprintf("page %d: picture %q has type of %.1f pt", p.page, p.sc.Title, 11*k*72/25.4))
		}
		for _, t := range p.sc.Texts() {
			if t.Box.X0 < -1 || t.Box.X1 > p.sc.Width+1 || t.Box.Y0 < -1 || t.Box.Y1 > p.sc.Height+1 {
				bad = append(bad, fmt.Sprintf("page %d: %q lies outside its picture", p.page, t.S))
			}
		}
	}
	return bad
}

func TestPlan_NothingIsCutOffAndAllIsSaid(t *testing.T) {
	width := widths()
	for name, w := range documents() {
		in := estate(t, w)
		_, seen := render(t, in)
		if len(seen.texts) < 50 {
			t.Errorf("%s: only %d texts", name, len(seen.texts))
		}
		speaks(t, name, in, seen)
		promises(t, name, seen)
		for _, b := range fits(seen, in, width) {
			t.Errorf("%s: %s", name, b)
		}
		for _, b := range seen.broken {
			t.Errorf("%s: page %d: %q is cut in two, %.1f mm of room", name, b.page, b.s, b.room)
		}
		for _, p := range seen.scenes {
			for _, s := range p.sc.Texts() {
				if strings.HasSuffix(s.S, "…") {
					t.Errorf("%s: page %d: %q is shortened in the picture %q", name, p.page, s.S, p.sc.Title)
				}
			}
		}
		for _, s := range seen.texts { // the head may shorten what page 1 has in full
			if strings.HasSuffix(s.s, "…") && s.y > top {
				t.Errorf("%s: page %d: %q is shortened", name, s.page, s.s)
			}
		}
	}
}

// An identifier on paper is a text that the catalogue lacks; a hole is an
// argument that a sentence misses. Sentences of the plan's own findings are
// the plan's to fill.
func speaks(t *testing.T, name string, in Input, seen *placings) {
	id := regexp.MustCompile(`^(report|crew|kit|draw|cost|return|obstacle|verdict|step|head|col)(-[a-z0-9]+)+$`)
	findings := ""
	for _, fs := range [][]finding.Finding{in.Plan.Open, in.Plan.Refusals, in.Plan.Findings} {
		for _, f := range fs {
			s, mend := in.Say.Finding(f)
			findings += s + " " + mend + " "
		}
	}
	check := func(page int, s string) {
		for _, word := range strings.Fields(s) {
			if id.MatchString(strings.Trim(word, "().,:;")) {
				t.Errorf("%s: page %d says %q", name, page, word)
			}
		}
		if strings.Contains(s, "<no value>") && !strings.Contains(findings, s) {
			t.Errorf("%s: page %d: %q", name, page, s)
		}
	}
	for _, x := range seen.texts {
		check(x.page, x.s)
	}
	for _, p := range seen.scenes {
		for _, x := range p.sc.Texts() {
			check(p.page, x.S)
		}
	}
}

// Nothing promises more than the card allows.
func promises(t *testing.T, name string, seen *placings) {
	for _, x := range seen.texts {
		if tooMuch.MatchString(x.s) {
			t.Errorf("%s: page %d promises %q", name, x.page, x.s)
		}
	}
}

var tooMuch = regexp.MustCompile(`(?i)\b(safe|protected|protegid\w*|segur[oa])\b`)

func TestPlan_SameBytesTwice(t *testing.T) {
	for _, block := range []string{"avenue", "chestnut"} {
		a, _ := render(t, estate(t, want{block: block, lang: "es"}))
		b, _ := render(t, estate(t, want{block: block, lang: "es"}))
		if !bytes.Equal(a, b) {
			t.Errorf("%s: two documents of the same plan differ", block)
		}
	}
}

func TestPlan_RefusesWhatItCannotWrite(t *testing.T) {
	in := estate(t, want{block: "chestnut"})
	var b bytes.Buffer
	in.Paper = "a3"
	if err := Plan(&b, in); err == nil {
		t.Error("paper a3 was accepted")
	}
	in.Paper, in.Say = "a4", nil
	if err := Plan(&b, in); err == nil {
		t.Error("a document without a language was made")
	}
	if b.Len() != 0 {
		t.Error("something was written all the same")
	}
}

// A refused block carries no doses: no ports, no fills, nothing to take along.
func TestPlan_RefusedHasNoDoses(t *testing.T) {
	for _, l := range lang.Languages {
		in := estate(t, want{block: "chestnut", lang: l})
		if in.Plan.Verdict != plan.Refused {
			t.Fatalf("the chestnuts are %s", in.Plan.Verdict)
		}
		_, seen := render(t, in)
		text := strings.Join(texts(seen), "\n")
		if !strings.Contains(text, in.Say.T("verdict-short-refused")) || !strings.Contains(text, "2026-10-13") {
			t.Errorf("%s: the verdict or its reason is missing", l)
		}
		for _, id := range []string{"head-class-card", "report-field-sheet", "report-kit", "report-crew", "report-first-aid", "report-sign-allowed"} {
			if strings.Contains(text, in.Say.T(id)) {
				t.Errorf("%s: a refused plan has %q", l, in.Say.T(id))
			}
		}
		if regexp.MustCompile(`\d mL`).MatchString(text) {
			t.Errorf("%s: a refused plan states a volume", l)
		}
	}
}

func texts(seen *placings) []string {
	var out []string
	for _, x := range seen.texts {
		out = append(out, x.s)
	}
	return out
}

func TestPlan_ZeroTrees(t *testing.T) {
	in := estate(t, want{block: "chestnut"})
	in.Plan.Trees, in.Block, in.Outfit, in.Plan.RefusedTrees = nil, nil, nil, nil
	in.Plan.Verdict, in.Plan.Totals, in.Plan.Refusals = plan.Allowed, plan.Totals{}, nil
	data, seen := render(t, in)
	if len(data) == 0 || len(fits(seen, in, widths())) > 0 {
		t.Error(fits(seen, in, widths()))
	}
	render(t, Input{Paper: "letter", Say: lang.New("en", "us")})
}

// Without an outfit the crew's pages are left out and the rest stays.
func TestPlan_WithoutOutfit(t *testing.T) {
	in := estate(t, want{})
	in.Outfit = nil
	_, seen := render(t, in)
	text := strings.Join(texts(seen), "\n")
	for id, there := range map[string]bool{"report-kit": false, "report-crew": false, "report-field-sheet": true, "report-map": true, "report-pocket": true} {
		if strings.Contains(text, in.Say.T(id)) != there {
			t.Errorf("%q: want %v", in.Say.T(id), there)
		}
	}
}

// The painted mark is worked back from azimuths and tape distances.
func TestMarkAzimuth(t *testing.T) {
	for _, mark := range []float64{0, 37, 180.5, 359} {
		in := estate(t, want{change: func(r *plan.Request) { r.MarkAzimuthDeg = mark }})
		d := newDocument(&sheet{say: in.Say}, in)
		if diff := d.mark - mark; diff > 0.11 || diff < -0.11 { // figures have one decimal
			t.Errorf("mark at %g found at %g", mark, d.mark)
		}
	}
}

// The drawing puts the ports where the plan has them, with the depth open where
// it is open.
func TestRing_OpenDepth(t *testing.T) {
	in := estate(t, want{})
	tr := in.Plan.Trees[0]
	tr.Ports = append([]plan.Port(nil), tr.Ports...)
	for i := range tr.Ports {
		tr.Ports[i].DepthMM = nil
	}
	d := newDocument(&sheet{say: in.Say, pdf: fpdf.New("P", "mm", "A4", "")}, in)
	sc, err := d.ring(&tr, 86, "")
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, x := range sc.Texts() {
		found = found || strings.Contains(x.S, in.Say.T("report-depth-open"))
		if strings.Contains(x.S, "0\u00a0mm") || strings.Contains(x.S, "\u00a4") {
			t.Errorf("the ring says %q", x.S)
		}
	}
	if !found {
		t.Error("the ring does not say that the depth is open")
	}
}

// The bars of a day cover the person's steps and never overlap.
func TestDayBars(t *testing.T) {
	in := estate(t, want{change: limbs, crew: climbers()})
	for _, day := range in.Outfit.Schedule.Days {
		for _, p := range day.People {
			at, sum, steps := 0.0, 0.0, 0.0
			for _, b := range dayBars(p, 0) {
				if b.FromMin < at-1e-9 || b.ToMin <= b.FromMin {
					t.Fatalf("bar %+v begins before %g", b, at)
				}
				at = b.ToMin
				sum += b.ToMin - b.FromMin
			}
			for _, b := range p.Bars {
				steps += float64(b.EndS-b.StartS) / 60
			}
			if sum-steps > 1e-6 || steps-sum > 1e-6 {
				t.Errorf("person %s: bars %g min, steps %g min", p.Person, sum, steps)
			}
		}
	}
}

// Whatever the card and the tags say, nothing is cut off and nothing panics.
func TestProp_AnyWordsFit(t *testing.T) {
	width := widths()
	base := estate(t, want{})
	rapid.Check(t, func(r *rapid.T) {
		in := base
		words := rapid.StringOfN(rapid.RuneFrom([]rune("aiWm mñÁ-_.·…\u00a0\n\t漢😀(‹")), 0, 200, -1)
		in.Name = words.Draw(r, "name")
		in.Plan.Card.Product = words.Draw(r, "product")
		in.CardText.Safety.FirstAid = words.Draw(r, "first aid")
		in.CardText.Safety.EmergencyNumber = words.Draw(r, "number")
		in.Plan.Cautions = append([]plan.Caution{{Step: "plan", ID: "statement-mandatory", Authority: finding.ByLabel, Text: words.Draw(r, "text"), Page: 3}}, base.Plan.Cautions...)
		n := rapid.IntRange(0, 8).Draw(r, "trees")
		in.Plan.Trees = append([]plan.Tree(nil), base.Plan.Trees[:n]...)
		for i := range in.Plan.Trees {
			in.Plan.Trees[i].Tag = words.Draw(r, "tag")
		}
		in.Outfit, in.Plan.Outfit = nil, nil
		in.Paper = rapid.SampledFrom([]string{"a4", "letter"}).Draw(r, "paper")
		in.Say = lang.New(rapid.SampledFrom(lang.Languages).Draw(r, "lang"), rapid.SampledFrom([]string{"metric", "us"}).Draw(r, "units"))
		seen := &placings{}
		var b bytes.Buffer
		if err := write(&b, in, seen); err != nil {
			r.Fatal(err)
		}
		for _, bad := range fits(seen, in, width) {
			r.Error(bad)
		}
	})
}

func TestPlan_FiveThousandTrees(t *testing.T) {
	trees, wounds := grid(5000)
	in := estate(t, want{trees: trees, wounds: wounds, change: func(r *plan.Request) { r.Area = hectares(60, 1) }})
	if in.Plan.Totals.Planned < 4500 {
		t.Fatalf("only %d trees are planned", in.Plan.Totals.Planned)
	}
	data, seen := render(t, in)
	there := map[string]bool{}
	for _, s := range texts(seen) {
		there[strings.SplitN(s, " ", 2)[0]] = true
	}
	for _, tr := range in.Plan.Trees {
		if !there[tr.Tag] {
			t.Fatalf("tree %s is missing", tr.Tag)
		}
	}
	if pages := bytes.Count(data, []byte("/Type /Page\n")); pages < 500 {
		t.Errorf("%d pages", pages)
	}
}

// The pocket card is one page, in every language and on both papers.
func TestPocket_OnePage(t *testing.T) {
	for _, l := range lang.Languages {
		for p, u := range map[string]string{"a4": "metric", "letter": "us"} {
			in := estate(t, want{lang: l, units: u, paper: p})
			data, seen := render(t, in)
			last := bytes.Count(data, []byte("/Type /Page\n"))
			at := map[string]int{}
			for _, x := range seen.texts {
				for _, id := range []string{"report-emergency", "report-class-card", "report-pocket-steps", "head-cautions"} {
					if x.s == in.Say.T(id) {
						at[id] = x.page
					}
				}
			}
			for id, page := range at {
				if page != last {
					t.Errorf("%s %s: %s stands on page %d of %d", l, p, id, page, last)
				}
			}
			if len(at) != 4 {
				t.Errorf("%s %s: panels missing: %v", l, p, at)
			}
		}
	}
}

// Several stems of one tree are named apart everywhere.
func TestPlan_Stems(t *testing.T) {
	trees, _ := grid(12)
	second := trees[4].Stems[0]
	trees[4].Stems[0].Name, second.Name = "a", "b"
	trees[4].Stems = append(trees[4].Stems, second)
	in := estate(t, want{trees: trees})
	_, seen := render(t, in)
	text := "\n" + strings.Join(texts(seen), "\n") + "\n"
	for _, s := range []string{"G00005/a", "G00005/b"} {
		if strings.Count(text, "\n"+s+"\n") < 2 {
			t.Errorf("%s is not in list and field sheet", s)
		}
	}
}

// Trees given by latitude and longitude come onto the map: a block 0.001
// degrees wide and high at 40 degrees north is 85.2 m by 111.2 m
// (R = 6371008.8 m: R pi/180 0.001, times cos 40 degrees).
func TestPosition_Degrees(t *testing.T) {
	a := tree.Tree{Lat: q.Known(40.0), Lon: q.Known(-3.0)}
	b := tree.Tree{Lat: q.Known(40.001), Lon: q.Known(-2.999)}
	x, y, ok := position(&b, &a)
	if !ok || x < 85.17 || x > 85.19 || y < 111.18 || y > 111.21 {
		t.Errorf("got %g, %g", x, y)
	}
}

func BenchmarkPlan_Avenue(b *testing.B)       { bench(b, want{}) }
func BenchmarkPlan_FiveThousand(b *testing.B) { bench5000(b) }

func bench(b *testing.B, w want) {
	in := estate(b, w)
	for b.Loop() {
		render(b, in)
	}
}

func bench5000(b *testing.B) {
	trees, wounds := grid(5000)
	bench(b, want{trees: trees, wounds: wounds, change: func(r *plan.Request) { r.Area = hectares(60, 1) }})
}
