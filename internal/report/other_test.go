package report

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"sapward/plan"
)

// program returns the path of a program, or skips the test and says why.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		reason := name + " is not installed; the document is not read by another program"
		fmt.Println(reason)
		t.Skip(reason)
	}
	return path
}

func save(t *testing.T, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "plan.pdf")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Another program finds the file sound, and the plan inside it as it was.
func TestOther_QPDF(t *testing.T) {
	qpdf := program(t, "qpdf")
	for _, w := range []want{{}, {block: "chestnut", lang: "es", paper: "letter"}} {
		in := estate(t, w)
		data, _ := render(t, in)
		path := save(t, data)
		if out, err := exec.Command(qpdf, "--check", path).CombinedOutput(); err != nil {
			t.Errorf("qpdf --check: %v\n%s", err, out)
		}
		out, err := exec.Command(qpdf, "--list-attachments", path).CombinedOutput()
		if err != nil {
			t.Fatalf("qpdf: %v\n%s", err, out)
		}
		key, _, _ := strings.Cut(string(out), " ->")
		got, err := exec.Command(qpdf, "--show-attachment="+key, path).Output()
		if err != nil {
			t.Fatalf("attachment %q: %v", key, err)
		}
		var doc struct {
			Schema string            `json:"schema"`
			Trees  []json.RawMessage `json:"trees"`
			Hash   string            `json:"card_hash"`
		}
		if err := json.Unmarshal(got, &doc); err != nil || doc.Schema != plan.Schema || len(doc.Trees) != len(in.Plan.Trees) || doc.Hash != in.Plan.CardHash {
			t.Errorf("attached plan: %v, %s with %d trees", err, doc.Schema, len(doc.Trees))
		}
	}
}

// Another program reads every planned tree, with every tape distance, and
// every tree without a dose.
func TestOther_TextHasEveryTree(t *testing.T) {
	pdftotext := program(t, "pdftotext")
	for _, w := range []want{{}, {lang: "es", units: "us", paper: "letter"}, {change: limbs, crew: climbers()}} {
		in := estate(t, w)
		data, _ := render(t, in)
		out, err := exec.Command(pdftotext, "-raw", save(t, data), "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		words := map[string]int{}
		for _, f := range strings.Fields(string(out)) {
			words[f]++
		}
		d := newDocument(&sheet{say: in.Say}, in)
		need := map[string]int{}
		ports := 0
		for _, tr := range in.Plan.Trees {
			need[tr.Tag] += 2 // in the list and on the field sheet
			ports += len(tr.Ports)
			for _, p := range tr.Ports {
				need[d.tape(p.AlongCM)]++
			}
		}
		for _, r := range in.Plan.RefusedTrees {
			need[r.Tree]++
		}
		for word, n := range need {
			if words[word] < n {
				t.Errorf("%+v: %q stands %d times, wanted %d", w.lang, word, words[word], n)
			}
		}
		if ports != int(in.Plan.Totals.Ports) || len(in.Plan.Trees) == 0 {
			t.Errorf("%d ports in the trees, %d in the totals", ports, in.Plan.Totals.Ports)
		}
	}
}

// All fonts are in the file.
func TestOther_FontsAreEmbedded(t *testing.T) {
	pdffonts := program(t, "pdffonts")
	data, _ := render(t, estate(t, want{block: "chestnut"}))
	out, err := exec.Command(pdffonts, save(t, data)).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")[2:]
	if len(lines) != 2 {
		t.Errorf("%d fonts", len(lines))
	}
	for _, l := range lines {
		if !strings.Contains(l, "Liberation") && !strings.Contains(l, "liberation") || !regexp.MustCompile(`\byes +(yes|no) +yes`).MatchString(l) {
			t.Errorf("not embedded: %s", l)
		}
	}
}

var bbox = regexp.MustCompile(`<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">([^<]*)</word>`)

// By another program's boxes, words stay on the page and do not run over one
// another: shared area at most 2 points wide and high (line boxes are higher
// than letters). Words of pictures are left to the drawings' own tests.
func TestOther_WordsStandApart(t *testing.T) {
	pdftotext := program(t, "pdftotext")
	ws := []want{{}, {lang: "es", paper: "letter", units: "us"}, {block: "chestnut", lang: "es"}}
	if os.Getenv("SAPWARD_SOAK") == "1" {
		ws = append(ws, want{lang: "es", units: "us", paper: "letter", change: openInfusion, crew: publicCrew()})
	}
	for _, w := range ws {
		in := estate(t, w)
		data, seen := render(t, in)
		pictured := map[int]bool{}
		for _, p := range seen.scenes {
			pictured[p.page] = true
		}
		out, err := exec.Command(pdftotext, "-bbox", save(t, data), "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		pages := strings.Split(string(out), "<page ")[1:]
		size := papers[in.Paper]
		for i, page := range pages {
			type box struct {
				v [4]float64
				s string
			}
			var all []box
			for _, m := range bbox.FindAllStringSubmatch(page, -1) {
				var b box
				for k := range 4 {
					b.v[k], _ = strconv.ParseFloat(m[k+1], 64)
				}
				b.s = m[5]
				if b.v[0] < 12/mmPerPt || b.v[2] > (size.w-12)/mmPerPt || b.v[1] < 6/mmPerPt || b.v[3] > (size.h-4)/mmPerPt {
					t.Errorf("page %d: %q lies in the margin", i+1, b.s)
				}
				all = append(all, b)
			}
			if len(all) < 20 {
				t.Errorf("page %d has %d words", i+1, len(all))
			}
			if pictured[i+1] {
				continue
			}
			for a := range all {
				for b := a + 1; b < len(all); b++ {
					x := min(all[a].v[2], all[b].v[2]) - max(all[a].v[0], all[b].v[0])
					y := min(all[a].v[3], all[b].v[3]) - max(all[a].v[1], all[b].v[1])
					if x > 2 && y > 2 {
						t.Errorf("page %d: %q runs over %q by %.1f x %.1f pt", i+1, all[a].s, all[b].s, x, y)
					}
				}
			}
		}
	}
}
