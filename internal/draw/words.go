package draw

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Words carries everything a drawing says. Label holds one text a key; Keys
// lists what each drawing needs. A key may be given and empty: then nothing is
// written there.
type Words struct {
	Lang        string // BCP 47, of the texts
	DecimalMark string // "." or ","; empty means "."
	Label       map[string]string
}

// Kind names a drawing.
type Kind string

// The drawings.
const (
	KindRing      Kind = "ring"
	KindUnrolled  Kind = "unrolled"
	KindLimbs     Kind = "limbs"
	KindBlockMap  Kind = "block_map"
	KindDayBars   Kind = "day_bars"
	KindDotPlot   Kind = "dot_plot"
	KindHeatMap   Kind = "heat_map"
	KindBandChart Kind = "band_chart"
	KindHours     Kind = "hours"
)

// Keys is the list of label words a drawing needs, in the order it uses them;
// nil for an unknown kind.
func Keys(k Kind) []string {
	switch k {
	case KindRing:
		return []string{"length_unit", "depth_unit", "north", "mark", "bark", "sapwood", "heartwood", "port", "old_hole",
			"keep_out", "unusable", "each_port", "deep", "ports", "port_one", "clockwise"}
	case KindUnrolled:
		return []string{"length_unit", "north", "east", "south", "west", "mark", "port", "old_hole", "keep_out", "unusable",
			"height", "ground", "tape", "outside_view"}
	case KindLimbs:
		return []string{"length_unit", "height_unit", "north", "east", "south", "west", "ports", "port_one", "trunk", "ground", "climb", "limb_port", "behind"}
	case KindBlockMap:
		return []string{"map_unit", "north", "parking", "trees", "done", "return", "refused", "suspect", "walk", "outline", "pilot"}
	case KindDayBars:
		return []string{"am", "pm", "break"}
	case KindDotPlot:
		return []string{"length_unit", "diameter", "mean", "interval", "trees"}
	case KindHeatMap:
		return []string{"north", "east", "south", "west", "height_unit", "height", "effective"}
	case KindBandChart:
		return []string{"median", "band"}
	case KindHours:
		return []string{"treatable"}
	}
	return nil
}

// say is the text of a key.
func (w Words) say(key string) string { return w.Label[key] }

// num writes a number with a fixed count of decimals, the language's decimal
// mark and a true minus sign.
func (w Words) num(v float64, decimals int) string {
	p := math.Pow(10, float64(decimals))
	if r := math.Round(v*p) / p; r == 0 {
		v = 0
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if w.DecimalMark != "" && w.DecimalMark != "." {
		s = strings.Replace(s, ".", w.DecimalMark, 1)
	}
	return strings.Replace(s, "-", "\u2212", 1)
}

// short writes a number with at most three significant figures and no
// trailing zeros.
func (w Words) short(v float64) string {
	if v == 0 {
		return "0"
	}
	d := 2 - int(math.Floor(math.Log10(math.Abs(v))+1e-9))
	d = min(max(d, 0), 6)
	s := strconv.FormatFloat(v, 'f', d, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if w.DecimalMark != "" && w.DecimalMark != "." {
		s = strings.Replace(s, ".", w.DecimalMark, 1)
	}
	return strings.Replace(s, "-", "\u2212", 1)
}

// ports is the word for a count of ports.
func (w Words) ports(n int) string {
	if n == 1 {
		return w.say("port_one")
	}
	return w.say("ports")
}

// with joins a number and its unit by a space that does not break.
func with(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + "\u00a0" + unit
}

// LengthUnit is the unit in which lengths along the tape are written; its name
// is the word length_unit.
type LengthUnit struct {
	PerCm    float64 // how many units are one centimetre: 1 for cm, 1/2.54 for inches
	Decimals int
}

func (u LengthUnit) perCm() float64 {
	if u.PerCm <= 0 {
		return 1
	}
	return u.PerCm
}

// Frame is what every drawing has: its width, what it is called and its words.
type Frame struct {
	WidthPx float64 // 280 to 4000
	ID      string  // unique in a page
	Title   string  // for screen readers
	Desc    string  // for screen readers: what the picture shows, in a sentence
	Heading string  // printed above the picture; empty prints none
	Words   Words
}

// margin round every drawing in px.
const margin = 10.0

// begin checks the frame, prints the heading and returns the scene and the
// height at which the drawing may start.
func (f Frame) begin(k Kind) (*Scene, float64, error) {
	if !(f.WidthPx >= 280 && f.WidthPx <= 4000) {
		return nil, 0, fmt.Errorf("draw: %s: width %g px is outside 280 to 4000", k, f.WidthPx)
	}
	var missing []string
	for _, key := range Keys(k) {
		if _, ok := f.Words.Label[key]; !ok {
			missing = append(missing, key)
		}
	}
	if len(missing) > 0 {
		return nil, 0, fmt.Errorf("draw: %s: words missing: %s", k, strings.Join(missing, ", "))
	}
	s := &Scene{ID: f.ID, Lang: f.Words.Lang, Title: f.Title, Desc: f.Desc, Width: f.WidthPx}
	y := margin
	if f.Heading != "" {
		for _, line := range wrapText(f.Heading, Large, true, f.WidthPx-2*margin) {
			y += 15
			s.add(Text{At: Point{margin, y}, S: line, Size: Large, Bold: true, Role: Ink})
			y += 3
		}
		y += 8
	}
	return s, y, nil
}

// finite reports whether all values are numbers.
func finite(v ...float64) bool {
	return !slices.ContainsFunc(v, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
}
