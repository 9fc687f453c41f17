package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/flow/sap"
	"sapward/internal/brief"
	"sapward/measure/tree"
)

// movementArgs model tree E001 of the demo avenue.
func movementArgs(dir string, more ...string) []string {
	avenue := func(name string) string { return filepath.Join(dir, "avenue", name) }
	wx := func(name string) string { return filepath.Join("testdata", "weather", name) }
	return append([]string{"movement", avenue("trees.csv"), "--card=" + avenue("card.yaml"), "--site=elm", "--target=vascular wilt", "--territory=DEMO", "--on=2026-06-02", "--area_ha=1.2", "--bloom=no",
		"--certificate-valid-to=2027-12-31", "--wounds=" + avenue("wounds.csv"), "--weather=" + wx("day.csv"), "--climate=" + wx("monthly.csv"), "--active=" + wx("active.yaml"),
		"--lat=40.4", "--lon=-3.7", "--elevation_m=650", "--zone=Europe/Madrid", "--foliage=4-10", "--tree=E001"}, more...)
}

func movementDoc(t *testing.T, dir string, more ...string) movementDocument {
	t.Helper()
	stdout, stderr, status := run(t, movementArgs(dir, append([]string{"--json"}, more...)...)...)
	if status != 0 {
		t.Fatalf("exit %d: %s", status, stderr)
	}
	var doc movementDocument
	if err := json.Unmarshal([]byte(stdout), &doc); err != nil {
		t.Fatal(err)
	}
	return doc
}

// value is the value of a parameter of a document.
func (d movementDocument) value(t *testing.T, name string) float64 {
	t.Helper()
	for _, p := range d.Parameters {
		if p.Name == name {
			return p.Value
		}
	}
	t.Fatalf("no parameter %s", name)
	return 0
}

// Figures worked by hand from the table's own inputs: log K = -0.27 + 0.632
// log Kow (Trapp et al. 2001), Rbar = 1 + 0.3 x 0.6 kg/L K/0.5, saturation 57 x
// 400/57, sapwood area L s (1 - s/(2r)), crown pi/4 9.5^2. 1e-9 relative.
func TestMovement_ByHand(t *testing.T) {
	d := movementDoc(t, estate(t), "--method=injection")
	k := math.Pow(10, -0.27+0.632*3.7)
	perimeter := d.value(t, "girth_at_ports") - 2*math.Pi*0.0156
	radius := perimeter / (2 * math.Pi)
	for name, want := range map[string]float64{
		"wood_water_partition": k, "retardation": 1 + 0.3*0.6*k/0.5, "saturation_in_sap": 400, "crown_projection": math.Pi / 4 * 9.5 * 9.5,
		"sapwood_area": 1e4 * perimeter * 0.01 * (1 - 0.01/(2*radius)), "bark": 15.6, "crown_base": 18.6 / 3, "stem_capacity": 25 * 0.394 * 0.394 / 0.2025,
	} {
		if got := d.value(t, name); math.Abs(got-want) > 1e-9*want {
			t.Errorf("%s %.12g, want %.12g", name, got, want)
		}
	}
	// every port's product times 200 g/L
	stdout, _, _ := run(t, "plan", filepath.Join(estate(t), "avenue", "trees.csv"), "--json", "--card="+filepath.Join(estate(t), "avenue", "card.yaml"), "--method=injection", "--site=elm", "--target=vascular wilt", "--on=2026-06-02", "--area_ha=1.2", "--bloom=no")
	var p struct {
		Trees []struct {
			Tree    string  `json:"tree"`
			Product float64 `json:"product_ml"`
			Ports   []any   `json:"ports"`
		} `json:"trees"`
	}
	if err := json.Unmarshal([]byte(stdout), &p); err != nil {
		t.Fatal(err)
	}
	if p.Trees[0].Tree != "E001" || math.Abs(d.DoseG-p.Trees[0].Product*0.2) > 1e-9 || d.Ports != len(p.Trees[0].Ports) {
		t.Errorf("%g g in %d ports, plan says %g mL in %d", d.DoseG, d.Ports, p.Trees[0].Product, len(p.Trees[0].Ports))
	}
}

// The parts of every day add up to the dose; nothing comes back from the leaves
// or from decay; shares lie between 0 and 100.
func TestMovement_Balances(t *testing.T) {
	dir := estate(t)
	for _, method := range []string{"injection", "infusion"} {
		d := movementDoc(t, dir, "--method="+method, "--days=0.5,1,3,7,30,90,200,400")
		last := balanceLine{}
		for i, b := range d.Balance {
			sum := b.DepotPct + b.WoodPct + b.BelowPct + b.LeavesPct + b.DecayedPct + b.RetiredPct
			if math.Abs(sum-100) > 1e-4 || math.Abs(b.Relative) > 1e-6 {
				t.Errorf("%s day %g: %.9f %%", method, b.Day, sum)
			}
			if b.LeavesPct < last.LeavesPct || b.DecayedPct < last.DecayedPct || b.DepotPct > last.DepotPct && i > 0 {
				t.Errorf("%s day %g: mass runs backwards: %+v after %+v", method, b.Day, b, last)
			}
			c := d.Coverage[i]
			if c.TrunkPct < 0 || c.TrunkPct > 100 || c.CrownPct < 0 || c.CrownPct > 100 {
				t.Errorf("%s: %+v", method, c)
			}
			last = b
		}
		if last.RetiredPct == 0 {
			t.Errorf("%s: a spring passed within 400 days and no old ring holds anything", method)
		}
	}
}

// A lower level is passed no later and in no less of the tree; a tenth of the
// level too low to matter: everywhere above nothing.
func TestMovement_LevelOrdersAnswers(t *testing.T) {
	dir := estate(t)
	text, err := os.ReadFile(filepath.Join("testdata", "weather", "active.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var before *movementDocument
	for _, level := range []string{"0.03", "0.3", "3", "30"} {
		path := written(t, "active.yaml", strings.Replace(string(text), "value: 0.3,", "value: "+level+",", 1))
		d := movementDoc(t, dir, "--method=infusion", "--active="+path)
		if before != nil {
			for i := range d.Coverage {
				if d.Coverage[i].CrownPct > before.Coverage[i].CrownPct || d.Coverage[i].TrunkPct > before.Coverage[i].TrunkPct {
					t.Errorf("level %s covers more than a tenth of it on day %g", level, d.Days[i])
				}
			}
			for i := range d.Arrival {
				a, b := d.Arrival[i].InLineD, before.Arrival[i].InLineD
				if a != nil && (b == nil || *b > *a) {
					t.Errorf("level %s arrives earlier than a tenth of it at %g m", level, d.Arrival[i].AbovePortsM)
				}
				if math.Abs(d.Arrival[i].InLineTop-before.Arrival[i].InLineTop) > 1e-12 {
					t.Error("the highest value depends on the level")
				}
			}
		}
		before = &d
	}
}

// Residue as the metric: at R = 43.1 and one balance of sorption, 1 mg/L in the
// sap goes with theta R/rho_b x 1000 = 35.9 mg/kg where tubes do not differ. A
// level a thousand times below what reaches the crown (0.3 ug/kg, read as such)
// is passed in nearly all of it by day 30.
func TestMovement_Residue(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("testdata", "weather", "active.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	path := written(t, "active.yaml", strings.Replace(string(text), "unit: mg/L, metric: sap", "unit: ug/kg, metric: residue", 1))
	d := movementDoc(t, estate(t), "--method=injection", "--active="+path)
	if d.LevelUnit != "mg/kg" || math.Abs(d.Level-0.3e-3) > 1e-15 || d.Coverage[2].CrownPct < 90 {
		t.Errorf("%g %s, %+v", d.Level, d.LevelUnit, d.Coverage)
	}
}

// The screen fits 80 columns, says what it is at top and bottom, and never that
// a tree is protected or safe.
func TestMovement_Screen(t *testing.T) {
	dir := estate(t)
	for _, c := range [][]string{{"movement_en", "--method=injection"}, {"movement_es", "--method=infusion", "--lang=es", "--units=us"}} {
		stdout, stderr, status := run(t, movementArgs(dir, c[1:]...)...)
		if status != 0 || stderr != "" {
			t.Fatalf("exit %d: %s", status, stderr)
		}
		for _, line := range strings.Split(stdout, "\n") {
			if n := len([]rune(line)); n > 80 {
				t.Errorf("%d columns: %s", n, line)
			}
		}
		low := strings.ToLower(stdout)
		for _, word := range []string{"protected", " safe", "protegid", "segur", "<no value>", "movement-", "nan"} {
			if strings.Contains(low, word) {
				t.Errorf("%s: %q is on the screen", c[0], word)
			}
		}
		first, last := "model estimate with typical values", "model estimate with typical values"
		if c[0] == "movement_es" {
			first, last = "modelo con valores típicos", "modelo con valores típicos"
		}
		if i := strings.Index(stdout, first); i < 0 || i > 200 || strings.LastIndex(stdout, last) < len(stdout)-400 {
			t.Errorf("%s does not say at both ends that it is an estimate", c[0])
		}
		golden(t, c[0]+".txt", stdout)
	}
}

// The folder: one picture a day, the same bytes twice, each saying what it is.
func TestMovement_Folder(t *testing.T) {
	dir := estate(t)
	var first map[string][]byte
	for range 2 {
		out := filepath.Join(t.TempDir(), "out")
		if _, stderr, status := run(t, movementArgs(dir, "--method=injection", "--days=1,7.5", "--out="+out)...); status != 0 {
			t.Fatal(stderr)
		}
		files := map[string][]byte{}
		for _, name := range []string{"movement.json", "day-1.svg", "day-7.5.svg"} {
			data, err := os.ReadFile(filepath.Join(out, name))
			if err != nil {
				t.Fatal(err)
			}
			files[name] = data
			if strings.HasSuffix(name, ".svg") && (!bytes.Contains(data, []byte("model estimate with typical values")) || !bytes.Contains(data, []byte("Effective level you entered"))) {
				t.Errorf("%s does not say what it is", name)
			}
		}
		if first != nil {
			for name := range files {
				if !bytes.Equal(first[name], files[name]) {
					t.Errorf("%s differs the second time", name)
				}
			}
		}
		first = files
	}
}

// What cannot be used: exact texts in both languages, exit status 2, or 1 where
// a rule refuses the tree.
func TestMovement_BadInput(t *testing.T) {
	dir := estate(t)
	trees := "tree,species,wood,diameter_cm,measured_at_m,height_m,crown_m,status,rating_pct\n"
	good, err := os.ReadFile(filepath.Join("testdata", "weather", "active.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	active := func(from, to string) string {
		if !strings.Contains(string(good), from) {
			t.Fatalf("%q is not in the file", from)
		}
		return "--active=" + written(t, "active.yaml", strings.Replace(string(good), from, to, 1))
	}
	var b strings.Builder
	for _, c := range []struct {
		name, trees string
		options     []string
	}{
		{"crown wider than tall by more than ten", trees + "E001,Ulmus minor,ring-porous,39.4,1.37,2.0,21,healthy,5\n", nil},
		{"no wood, height, crown", trees + "E001,Ulmus minor,,39.4,1.37,,,healthy,5\n", nil},
		{"unknown tree", "", []string{"--tree=E999"}},
		{"weather shorter than the days, no climate", "", []string{"--climate="}},
		{"day of work outside the weather", "", []string{"--on=2026-07-01"}},
		{"days", "", []string{"--days=1,x"}},
		{"too many days", "", []string{"--days=1,2,3,4,5,6,7,8,9,10,11,12,13"}},
		{"refused tree", trees + "E001,Ulmus minor,ring-porous,8,1.37,6,3,healthy,5\n", nil},
		{"no source", "", []string{active(", source: \"invented data sheet, table 2\"", "")}},
		{"no metric", "", []string{active(", metric: sap", "")}},
		{"ppm", "", []string{active("unit: mg/L", "unit: ppm")}},
		{"leaf", "", []string{active("metric: sap", "metric: leaf")}},
		{"missing", "", []string{active("log_kow: {value: 3.7, source: \"invented data sheet, table 1\"}", "")}},
		{"unknown key", "", []string{active("log_kow:", "logkow:")}},
		{"twice", "", []string{active("name:", "class: triazole\nname:")}},
		{"not a number", "", []string{active("value: 300", "value: long")}},
		{"out of range", "", []string{active("value: 57", "value: -57")}},
		{"unknown class", "", []string{active("class: triazole", "class: magic")}},
		{"not a list", "", []string{"--active=" + written(t, "active.yaml", "- 1\n")}},
		{"head above the card", "", []string{"--method=infusion", "--head_kpa=400"}},
	} {
		args := movementArgs(dir, c.options...)
		if len(c.options) == 0 || c.options[0] != "--method=infusion" {
			args = append(args, "--method=injection")
		}
		if c.trees != "" {
			args[1] = written(t, "trees.csv", c.trees)
		}
		fmt.Fprintf(&b, "== %s\n", c.name)
		for _, language := range []string{"en", "es"} {
			stdout, stderr, status := run(t, append(args, "--lang="+language)...)
			if status == exitBad && stdout != "" {
				t.Errorf("%s: bad input, and yet %q came out", c.name, stdout)
			}
			text := stdout + stderr
			for _, a := range args {
				a = strings.TrimPrefix(a, "--active=")
				if filepath.IsAbs(a) {
					text = strings.ReplaceAll(text, a, filepath.Base(a))
				}
			}
			fmt.Fprintf(&b, "exit %d\n%s", status, text)
		}
	}
	golden(t, "movement_bad.txt", b.String())
}

// A port of an elm, by hand: before the stem fills, its flow is G0 (h - psi),
// 180 mL/min/MPa and psi = -0.1 MPa in the night; 1 mL at 150 kPa takes
// 1/(180 x 0.25) = 0.0222 min. The stem has hardly moved by then: 1 %.
func TestUptakeMinutes_ByHand(t *testing.T) {
	wood, _ := brief.Wood(tree.RingPorous)
	d := sap.Drinking{Wood: wood, Species: "Ulmus minor", DiameterM: 0.45, Ports: 1, HeadMPa: 0.15, DailyL: 100, SunriseH: 6, SunsetH: 20, StartH: 2}
	got, stop, ok, err := d.Minutes(1)
	if err != nil || !ok || stop != sap.Filled {
		t.Fatal(got, stop, ok, err)
	}
	if want := 1 / (180 * 0.25); math.Abs(got-want) > 0.01*want {
		t.Errorf("%g min, want %g", got, want)
	}
}

// Night is slower than day, ash than elm, a palm is not known, nothing takes no
// time, more takes longer, and pressure helps.
func TestUptakeMinutes_Order(t *testing.T) {
	wood, _ := brief.Wood(tree.RingPorous)
	d := sap.Drinking{Wood: wood, Species: "Ulmus minor", DiameterM: 0.45, Ports: 20, HeadMPa: 0.015, DailyL: 120, SunriseH: 6, SunsetH: 20, StartH: 9}
	minutes := func(d sap.Drinking, v float64) float64 {
		t.Helper()
		m, _, ok, err := d.Minutes(v)
		if err != nil || !ok {
			t.Fatal(err, ok)
		}
		return m
	}
	base := minutes(d, 2000)
	night, ash, pressed := d, d, d
	night.StartH, ash.Species, pressed.HeadMPa = 21, "Fraxinus excelsior", 0.1
	if !(minutes(night, 2000) > base && minutes(ash, 2000) > base && minutes(d, 3000) > base && minutes(pressed, 2000) < base) {
		t.Errorf("base %g, night %g, ash %g, more %g, pressure %g", base, minutes(night, 2000), minutes(ash, 2000), minutes(d, 3000), minutes(pressed, 2000))
	}
	if minutes(d, 0) != 0 {
		t.Error("nothing takes time")
	}
	palm, _ := brief.Wood(tree.Palm)
	if _, _, ok, err := (sap.Drinking{Wood: palm, DiameterM: 0.4, Ports: 2}).Minutes(10); ok || err != nil {
		t.Error("a palm's port has a figure", err)
	}
	for _, bad := range []sap.Drinking{{Wood: wood, DiameterM: 0.4}, {Wood: wood, Ports: 1}, {Wood: wood, Ports: 1, DiameterM: 0.4, DailyL: -1}, {Wood: wood, Ports: 1, DiameterM: math.NaN()}} {
		if _, _, _, err := bad.Minutes(1); err == nil {
			t.Errorf("no error for %+v", bad)
		}
	}
}

// No file of facts makes the reader panic, and what it accepts is complete.
func TestReadActive_AnyText(t *testing.T) {
	good, err := os.ReadFile(filepath.Join("testdata", "weather", "active.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "active.yaml")
	accepted := 0
	rapid.Check(t, func(r *rapid.T) {
		text := append([]byte(nil), good...)
		for range rapid.IntRange(0, 4).Draw(r, "edits") {
			at := rapid.IntRange(0, len(text)-1).Draw(r, "at")
			switch rapid.IntRange(0, 2).Draw(r, "kind") {
			case 0:
				text[at] = rapid.Byte().Draw(r, "byte")
			case 1:
				text = append(text[:at], text[min(len(text), at+rapid.IntRange(1, 30).Draw(r, "cut")):]...)
			default:
				text = append(text[:at], append([]byte(rapid.SampledFrom([]string{"{", "}", ": ", "- ", "&a ", "*a", "!!int ", "\n", "NaN", "1e999", "\""}).Draw(r, "put")), text[at:]...)...)
			}
			if len(text) == 0 {
				text = []byte("x")
			}
		}
		if err := os.WriteFile(path, text, 0o644); err != nil {
			r.Fatal(err)
		}
		e := &env{}
		a, err := e.readActive(path)
		if err != nil {
			return
		}
		accepted++
		if !(a.Level > 0) || math.IsInf(a.Level, 0) || a.Metric == "" {
			r.Fatalf("accepted with level %g %q: %s", a.Level, a.Metric, text)
		}
		for _, k := range []string{"log_kow", "half_life_d", "solubility_mg_l", "effective_level"} {
			if f, ok := a.Values[k]; !ok || f.source == "" || math.IsNaN(f.value) {
				r.Fatalf("accepted without %s: %s", k, text)
			}
		}
	})
	if accepted == 0 {
		t.Error("nothing was accepted: the edits are too harsh to test anything")
	}
}
