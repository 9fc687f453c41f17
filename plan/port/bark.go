package port

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// FlareWidening is by how much an estimated range of bark is widened at the
// root flare, where relations found at breast height do not hold: its half
// width grows by a half. Program default, judgement (SCIENCE S7).
const FlareWidening = 0.5

// LeastSpread is the least half width of an estimated range, as a share of its
// middle. The tables' ratios carry no error, while single trees scatter about
// the fitted lines of 14 species by a residual standard error of 0.06 to 0.53
// cm. Program default, judgement.
const LeastSpread = 0.2

// The Southern variant keeps its ratio of diameters between these (source
// fvs-sn); 0.99 is also its ratio for a diameter of 0 or less.
const (
	ratioLeast = 0.80
	ratioMost  = 0.99
)

// BarkRow is one row of the tables of inside-bark diameter.
type BarkRow struct {
	Source  string   `json:"source"`
	Code    string   `json:"code"`    // species code of the source
	FIA     string   `json:"fia"`     // code of the forest inventory of the United States
	Species string   `json:"species"` // Latin name, empty where the source gives a code only
	Ratio   *float64 `json:"ratio"`   // diameter inside / outside bark
	A       float64  `json:"a_in"`    // else inside diameter = A + B * diameter, inches
	B       float64  `json:"b"`
}

// InsideRatio returns the ratio of the diameters inside and outside bark at
// the diameter d in cm: the row's ratio, or (A + B d)/d in inches kept within
// 0.80..0.99, and 0.99 for d <= 0.
func (r BarkRow) InsideRatio(d float64) float64 {
	if r.Ratio != nil {
		return *r.Ratio
	}
	if !(d > 0) {
		return ratioMost
	}
	in := d / 2.54
	return min(max((r.A+float64(r.B*in))/in, ratioLeast), ratioMost)
}

// BarkLine is a fitted line of the thickness of one layer of bark.
type BarkLine struct {
	Source   string  `json:"source"`
	Species  string  `json:"species"`
	N        int     `json:"n"`
	From     float64 `json:"from_cm"` // range of diameters it was fitted on, cm
	To       float64 `json:"to_cm"`
	A        float64 `json:"a_cm"` // thickness = A + B * diameter, cm
	B        float64 `json:"b"`
	Residual float64 `json:"residual_cm"` // residual standard error, cm
}

// BarkTable is what is known of bark by species. It is not changed after it is
// read and may be shared.
type BarkTable struct {
	Inside []BarkRow
	Lines  []BarkLine

	sources map[string]finding.Source
}

//go:embed data/bark.json
var barkJSON []byte

// Barks returns the program's table of bark. The error is a mistake in the
// table itself, which the tests exclude.
var Barks = sync.OnceValues(func() (*BarkTable, error) { return readBark(barkJSON) })

func readBark(data []byte) (*BarkTable, error) {
	var file struct {
		Sources map[string]struct{ Text, Mark string }
		Inside  []BarkRow
		Lines   []BarkLine
	}
	if err := json.Unmarshal(data, &file); err != nil {
		return nil, fmt.Errorf("port: table of bark: %w", err)
	}
	t := &BarkTable{Inside: file.Inside, Lines: file.Lines, sources: map[string]finding.Source{}}
	for k, s := range file.Sources {
		t.sources[k] = finding.Source{Key: k, Text: s.Text, Mark: s.Mark}
	}
	for _, r := range t.Inside {
		if _, ok := t.sources[r.Source]; !ok {
			return nil, fmt.Errorf("port: table of bark: unknown source %q", r.Source)
		}
	}
	for _, l := range t.Lines {
		if _, ok := t.sources[l.Source]; !ok {
			return nil, fmt.Errorf("port: table of bark: unknown source %q", l.Source)
		}
	}
	return t, nil
}

// BarkEstimate is an estimated range of bark and what it rests on.
type BarkEstimate struct {
	Bark
	Of      string // the species, genus or wood group whose rows were used
	Level   string // species, genus or wood
	Widened bool   // widened for the root flare
	Sources []finding.Source
}

// Estimate returns the range of one layer of bark of a trunk of diameter d
// (cm, over bark, breast height). For a ratio row the thickness is
// d (1 - ratio)/2; a fitted line gives its value plus and minus its residual
// standard error, and is used only inside the diameters it was fitted on
// unless there is nothing else. The range is the envelope of all rows of the
// species; of its genus if the species has none; of its wood group if the
// genus has none. Its half width is at least LeastSpread of its middle, and
// grows by FlareWidening at the root flare. Ends are rounded outward to 0.1
// mm; the thin end is at least 0.
//
// species may be a Latin name, a genus, or a common name in English or
// Spanish. It reports false for palms, which have no bark of this kind, for d
// not in (0, 400] cm, and where neither species nor wood is known.
func (t *BarkTable) Estimate(species string, wood tree.Wood, d float64, place label.Place) (BarkEstimate, bool) {
	if !(d > 0 && d <= 400) || wood == tree.Palm {
		return BarkEstimate{}, false
	}
	name, genus := latin(species)
	for _, level := range []struct {
		name, of string
		match    func(string) bool
	}{
		{"species", name, func(s string) bool { return name != "" && speciesOf(s) == name }},
		{"genus", genus, func(s string) bool { return genus != "" && genusOf(s) == genus }},
		{"wood", string(wood), func(s string) bool { return wood != tree.WoodUnknown && woodOf[genusOf(s)] == wood }},
	} {
		if level.of == "" {
			continue
		}
		thin, thick, keys := t.envelope(level.match, d)
		if len(keys) == 0 {
			continue
		}
		e := BarkEstimate{Of: level.of, Level: level.name, Widened: place == label.RootFlare}
		mid := (thin + thick) / 2
		half := max((thick-thin)/2, LeastSpread*mid)
		if e.Widened {
			half *= 1 + FlareWidening
		}
		e.Thin = tenthsMm(math.Floor(max(0, mid-half)*100 + 1e-9))
		e.Thick = tenthsMm(math.Ceil((mid+half)*100 - 1e-9))
		for _, k := range keys {
			e.Sources = append(e.Sources, t.sources[k])
		}
		return e, true
	}
	return BarkEstimate{}, false
}

func tenthsMm(x float64) q.Length { return q.Cm(exact.Frac(int64(x), 100)) }

// envelope returns the least and greatest thickness of the matching rows at d
// and the sources used, sorted.
func (t *BarkTable) envelope(match func(string) bool, d float64) (thin, thick float64, keys []string) {
	thin, thick = math.Inf(1), math.Inf(-1)
	use := func(lo, hi float64, key string) {
		thin, thick = min(thin, max(lo, 0)), max(thick, hi)
		if !slices.Contains(keys, key) {
			keys = append(keys, key)
		}
	}
	for _, r := range t.Inside {
		if match(r.named()) {
			b := d * (1 - r.InsideRatio(d)) / 2
			use(b, b, r.Source)
		}
	}
	for _, inside := range []bool{true, false} {
		if len(keys) > 0 && !inside {
			break
		}
		for _, l := range t.Lines {
			if match(l.Species) && (l.From <= d && d <= l.To) == inside {
				b := l.A + float64(l.B*d)
				use(b-l.Residual, b+l.Residual, l.Source)
			}
		}
	}
	slices.Sort(keys)
	return thin, thick, keys
}

// Finding says that a depth rests on estimated bark.
func (e BarkEstimate) Finding() finding.Finding {
	keys := make([]string, len(e.Sources))
	for i, s := range e.Sources {
		keys[i] = s.Key
	}
	return finding.Finding{
		ID: "port-bark-estimated", Severity: finding.Note, Authority: finding.ByEstimate,
		Args: finding.Args{
			"of": finding.Text(e.Of), "sources": finding.Text(strings.Join(keys, ", ")),
			"thin": finding.Number(e.Thin.Float()*10, "mm"), "thick": finding.Number(e.Thick.Float()*10, "mm"),
		},
	}
}
