package cardfile

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// files returns the cards of a folder of testdata by name.
func files(t testing.TB, folder string) map[string][]byte {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join("testdata", folder, "*.yaml"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no cards in testdata/%s: %v", folder, err)
	}
	out := map[string][]byte{}
	for _, p := range paths {
		data, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		out[strings.TrimSuffix(filepath.Base(p), ".yaml")] = data
	}
	return out
}

// load parses a good card.
func load(t testing.TB, name string) Loaded {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", "good", name+".yaml"))
	if err != nil {
		t.Fatal(err)
	}
	l, err := Parse(data, name)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestParse_GoodCards(t *testing.T) {
	for name, data := range files(t, "good") {
		t.Run(name, func(t *testing.T) {
			l, err := Parse(data, name)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range label.Check(l.Card) {
				if f.Severity == finding.Refused {
					t.Errorf("refused: %s at %s", f.ID, f.Ref)
				}
				if _, ok := l.Positions[f.Ref]; f.Ref != "" && !ok && l.Place(f.Ref).Line < 2 {
					t.Errorf("%s: no place near %s", f.ID, f.Ref)
				}
			}
			if len(l.Hash) != 64 {
				t.Errorf("hash %q", l.Hash)
			}
		})
	}
}

// TestParse_BadCards holds every card of testdata/bad to the lines it names
// itself: what is found, and where. Places were counted when the cards were
// written, not by the parser.
func TestParse_BadCards(t *testing.T) {
	seen := map[string]bool{}
	for name, data := range files(t, "bad") {
		t.Run(name, func(t *testing.T) {
			var want []string
			for _, line := range strings.Split(string(data), "\n") {
				if s, ok := strings.CutPrefix(line, "# expect: "); ok {
					want = append(want, s)
				}
			}
			if len(want) == 0 {
				t.Fatal("the card says nothing about what to expect")
			}
			got := problems(t, data, name)
			slices.Sort(want)
			slices.Sort(got)
			if !slices.Equal(got, want) {
				t.Errorf("got  %q\nwant %q", got, want)
			}
			for _, w := range want {
				seen[strings.Fields(w)[1]] = true
			}
		})
	}
	t.Logf("%d identifiers in %d cards", len(seen), len(files(t, "bad")))
}

// problems lists faults, or else findings other than notes, as the cards write
// them.
func problems(t *testing.T, data []byte, name string) (got []string) {
	l, err := Parse(data, name)
	if err != nil {
		var fs finding.Faults
		if !errors.As(err, &fs) {
			t.Fatalf("not faults: %v", err)
		}
		for _, f := range fs {
			if f.Class != finding.BadInput || f.Where.File != name {
				t.Errorf("class %s in file %q", f.Class, f.Where.File)
			}
			got = append(got, fmt.Sprintf("fault %s %d:%d", f.ID, f.Where.Line, f.Where.Column))
		}
		return got
	}
	for _, f := range label.Check(l.Card) {
		if f.Severity == finding.Note {
			continue
		}
		w := l.Place(f.Ref)
		got = append(got, fmt.Sprintf("%s %s %d:%d", f.Severity, f.ID, w.Line, w.Column))
	}
	return got
}

func rat(t *testing.T, s string) exact.Rat {
	t.Helper()
	if n, d, ok := strings.Cut(s, "/"); ok {
		return rat(t, n).Quo(rat(t, d))
	}
	v, ok := exact.Decimal(s)
	if !ok {
		t.Fatalf("%q", s)
	}
	return v
}

// TestParse_RateForms checks every form of a rate against amounts worked out by
// hand: 1 US fl oz = 29.5735295625 mL and 1 in = 2.54 cm exactly.
func TestParse_RateForms(t *testing.T) {
	for _, c := range []struct {
		card           string
		per            label.Basis
		active, single bool
		low, high      string // base units; empty where the form has a table
	}{
		{"diameter", label.PerDiameter, false, false, "2", "3"},
		{"diameter_single", label.PerDiameter, false, true, "14.78676478125/2.54", "14.78676478125/2.54"},
		{"girth", label.PerGirth, false, false, "0.6", "1"},
		{"canopy_diameter", label.PerCanopyDiameter, false, true, "0.15", "0.15"},
		{"canopy_volume", label.PerCanopyVolume, false, false, "0.000001", "0.000002"},
		{"basal_area", label.PerBasalArea, false, false, "100", "200"},
		{"tree", label.PerTree, false, true, "15", "15"},
		{"tree_classes", label.PerTree, true, true, "", ""},
		{"port", label.PerPort, false, true, "20", "20"},
		{"bands", label.PerBand, false, true, "", ""},
		{"bands_range", label.PerBand, false, false, "", ""},
		{"active_single", label.PerDiameter, true, true, "0.032", "0.032"},
		{"active_range", label.PerDiameter, true, false, "0.15/2.54", "0.3/2.54"},
		{"infusion_mix_per_tree", label.PerTree, true, true, "0.55", "0.55"},
	} {
		t.Run(c.card, func(t *testing.T) {
			u := load(t, c.card).Card.Uses[0]
			r := u.Rate.Value
			if !u.Rate.Known || r.Per != c.per || r.Active != c.active || r.Single != c.single {
				t.Fatalf("got %+v", r)
			}
			if c.low != "" && (r.Low.Cmp(rat(t, c.low)) != 0 || r.High.Cmp(rat(t, c.high)) != 0) {
				t.Errorf("got %s to %s, want %s to %s", r.Low, r.High, c.low, c.high)
			}
		})
	}
}

func TestParse_Tables(t *testing.T) {
	b := load(t, "bands").Card.Uses[0].Rate.Value.Bands
	if len(b) != 3 || b[1].From.Cmp(q.New[q.LengthKind](20, "cm")) != 0 || b[1].To.Cmp(q.New[q.LengthKind](40, "cm")) != 0 ||
		b[1].High.Cmp(exact.Int(30)) != 0 || b[1].Low.Cmp(exact.Int(30)) != 0 || b[1].Ports != 5 {
		t.Errorf("bands %+v", b)
	}
	b = load(t, "bands_range").Card.Uses[0].Rate.Value.Bands
	if len(b) != 2 || b[0].Low.Cmp(exact.Int(10)) != 0 || b[1].High.Cmp(exact.Int(30)) != 0 {
		t.Errorf("bands with ranges %+v", b)
	}
	k := load(t, "tree_classes").Card.Uses[0].Rate.Value.Classes
	if len(k) != 2 || k[0].Name != "young" || k[0].High.Cmp(exact.Frac(55, 100)) != 0 || k[1].High.Cmp(exact.Frac(165, 100)) != 0 {
		t.Errorf("classes %+v", k)
	}
	if s := load(t, "canopy_volume").Card.Uses[0].Rate.Value.Shape; s.Cmp(exact.Frac(52, 100)) != 0 {
		t.Errorf("shape %s", s)
	}
}

// TestParse_EveryKey checks the card that uses every key.
func TestParse_EveryKey(t *testing.T) {
	l := load(t, "every_key")
	c, u := l.Card, l.Card.Uses[0]
	check := func(what string, ok bool) {
		t.Helper()
		if !ok {
			t.Error(what)
		}
	}
	check("registration", c.Product.Registration.Number == "0123" && c.Product.Registration.Supplement == "DEMO-L-02" && c.Product.Registration.Type == "local-need" && slices.Equal(c.Product.Registration.Territory, []string{"DEMO"}))
	check("validity", c.Product.Registration.Valid.From.String() == "2026-01-01" && c.Product.Registration.Valid.To.IsZero() && c.Product.Registration.UseUpBy.String() == "2031-06-30")
	check("truths", c.Product.Invented && c.Product.RestrictedUse && c.Product.Agricultural && c.Product.RestrictedStated && c.Product.AgriculturalStated)
	check("content by volume", c.Product.Actives[0].Content.Value.Base().Cmp(exact.Frac(1, 10)) == 0)
	check("content by mass", c.Product.Actives[1].Share.Value.Base().Cmp(exact.Frac(5, 1000)) == 0 && c.Product.Actives[0].As == "acid equivalent")
	check("source", c.Source.Kind == "container" && c.Source.Date.String() == "2026-01-15")
	check("method and page", u.Method == label.Injection && u.Page == 3)
	check("sites", u.Sites[0].Food && u.Sites[0].Bearing == "nonbearing" && !u.Sites[1].Food && u.Sites[1].FoodStated)
	check("measure", u.Measure.At.Value.Cmp(q.New[q.LengthKind](54, "in")) == 0 && u.Measure.Stems == label.StemsRootSumSquare)
	check("tree", u.Tree.CrownLossMax.Value.Base().Cmp(exact.Int(30)) == 0 && u.Tree.Min.Value.Cmp(q.New[q.LengthKind](4, "in")) == 0)
	p := u.Ports
	check("places", slices.Equal(p.Places, []label.Place{label.RootFlare, label.Trunk, label.OnLimb}))
	check("single spacing and volume", p.Spacing.Value.Single && p.Volume.Value.Single && p.Volume.Value.High.Cmp(q.New[q.VolumeKind](20, "mL")) == 0)
	check("counts", p.Min == 2 && p.Max == 12 && p.DensityMin.Value.In("/m").Cmp(exact.Int(4)) == 0 && p.DensityMax.Value.In("/m").Cmp(exact.Int(16)) == 0)
	check("depth and height", p.SapwoodDepth.Value.Low.Cmp(q.New[q.LengthKind](12, "mm")) == 0 && p.Height.Value.Low.Sign() == 0 && p.Height.Value.High.Cmp(q.New[q.LengthKind](120, "cm")) == 0)
	check("keep-out", p.KeepOut.Above.Value.Cmp(q.New[q.LengthKind](2, "m")) == 0 && p.KeepOut.Sideways.Known && p.KeepOut.Below.Known)
	check("wounds, plug, slope", p.WoundWarn.Value.Base().Cmp(exact.Int(15)) == 0 && p.WoundMax.Value.Base().Cmp(exact.Int(25)) == 0 && p.Plug == "leave open" && p.DownSlopeDeg == 10 && p.Stagger.Known)
	check("pressure", u.Pressure.Value.Low.Base().Cmp(exact.Int(100)) == 0 && !u.Pressure.Value.Single)
	m := u.Limits
	check("limits", m.Applications == 2 && m.ApplicationsPer == "season" && m.Year == label.YearSeason && m.SeasonStarts == 9 && m.Interval.Value.In("d").Cmp(exact.Int(112)) == 0)
	check("volumes", m.PerApplication.Value.Base().Cmp(exact.Int(120)) == 0 && m.PerYear.Value.Base().Cmp(exact.Int(240)) == 0)
	// 0.4 lb is 181.436948 g (RULES 2.6 vector 5), an acre 4046.8564224 m2.
	check("area cap", m.ActivePerArea.Value.Base().Cmp(rat(t, "181.436948/4046.8564224")) == 0)
	w := u.Timing
	check("timing", slices.Equal(w.Months, []int{11, 12, 1}) && w.Bloom == label.DaysBeforeBloom && w.BloomDays == 10 && w.From == "06:00" && w.To == "10:00" && w.Force == finding.Advisory)
	check("temperature in F", w.Temperature.Value.Low.Base().Cmp(exact.Int(5)) == 0 && w.Temperature.Value.High.Base().Cmp(rat(t, "290/9")) == 0)
	check("people", u.Reentry.UntilDry && u.Reentry.Stated && u.Reentry.Notify == "both" && u.Harvest.Interval.Value.In("d").Cmp(exact.Int(180)) == 0 && u.Harvest.Grazing != "")
	v := c.Uses[1]
	check("second use", v.Method == label.Infusion && !v.Rate.Known && v.Dilution.Known && v.Dilution.Value.Concentration.Single && v.Dilution.Value.Concentration.High.In("mL/L").Cmp(exact.Int(3)) == 0)
	check("open end", v.Timing.Temperature.Value.Low.Base().Cmp(exact.Int(5)) == 0 && v.Timing.Temperature.Value.High.Cmp(hottest) == 0 && v.Timing.Bloom == label.AfterPetalFall && v.Timing.Force == finding.Mandatory)
	check("none", v.Reentry.None && v.Harvest.None && v.Reentry.Stated && v.Harvest.Stated)
	check("safety", slices.Equal(c.Safety.Mix, []string{"gloves", "goggles"}) && slices.Equal(c.Safety.Apply, []string{"gloves"}) && c.Safety.FirstAid == "Rinse with water for fifteen minutes." && c.Safety.EmergencyNumber == "0800 000")
	check("statements", len(c.Statements) == 2 && c.Statements[0].Force == finding.Mandatory && c.Statements[0].Page == 4 && c.Statements[1].Page == 0)

	for kind, list := range keys { // the card leaves no key out
		for _, k := range list {
			if kind == "band" || kind == "class" || kind == "range" || slices.Contains([]string{"amount", "active", "bands", "classes", "shape", "mix_per"}, k) {
				continue // in the cards of the rate forms
			}
			found := false
			for p := range l.Positions {
				found = found || p == k || strings.HasSuffix(p, "."+k)
			}
			if !found {
				t.Errorf("key %s of %s is not in the card", k, kind)
			}
		}
	}
}

// TestParse_Temperatures: every spelling of a degree is the same degree.
func TestParse_Temperatures(t *testing.T) {
	base, err := os.ReadFile("testdata/good/diameter.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]int64{"10 °C": 10, "10 Cel": 10, "10 C": 10, "10°C": 10, "50 degF": 10, "50 °F": 10, "50 F": 10} {
		data := strings.Replace(string(base), "      months:", "      temperature: ["+text+", 40 °C]\n      months:", 1)
		l, err := Parse([]byte(data), "card")
		if err != nil {
			t.Fatal(err)
		}
		if v := l.Card.Uses[0].Timing.Temperature.Value.Low.Base(); v.Cmp(exact.Int(want)) != 0 {
			t.Errorf("%s is %s", text, v)
		}
	}
}

func TestParse_Understood(t *testing.T) {
	l := load(t, "diameter_single")
	want := Echo{Path: "uses[0].rate.high", Written: "0.5 fl oz/in", Understood: "5.82 mL/cm", Note: EchoMaximum}
	if !slices.Contains(l.Understood, want) {
		t.Errorf("%+v not in %+v", want, l.Understood)
	}
	want = Echo{Path: "uses[0].rate.classes[0].amount", Written: "0.55 g", Understood: "0.55 g", Note: EchoActive}
	if got := load(t, "tree_classes").Understood; !slices.Contains(got, want) {
		t.Errorf("%+v not in %+v", want, got)
	}
	for i := 1; i < len(l.Understood); i++ {
		if earlier(l.Place(l.Understood[i].Path), l.Place(l.Understood[i-1].Path)) {
			t.Errorf("%s stands before %s", l.Understood[i].Path, l.Understood[i-1].Path)
		}
	}
}

func TestPlace(t *testing.T) {
	l := load(t, "diameter")
	for path, want := range map[string]string{
		"uses[0].ports.spacing":    "diameter:30:16",
		"uses[0].ports.spacing[1]": "diameter:30:24",
		"uses[0].ports.stagger":    "diameter:29:7", // absent: the ports
		"uses[7].rate":             "diameter:18:3",
		"nothing":                  "diameter:1:1",
	} {
		if got := l.Place(path).String(); got != want {
			t.Errorf("%s: %s, want %s", path, got, want)
		}
	}
}
