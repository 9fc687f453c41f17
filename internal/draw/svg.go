package draw

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Hatch geometry shared by both back ends: distance of lines, line width and
// spot radius in px.
const (
	hatchStep  = 5.0
	hatchWidth = 0.9
	spotRadius = 0.9
)

// Stylesheet is the style sheet of every drawing, for a page that serves it
// once as a file. A page may override the custom properties --sw-*; the dark
// colours apply by prefers-color-scheme unless an ancestor says
// data-theme="light" or "dark"; print is always light.
func Stylesheet() string {
	var b strings.Builder
	light, dark := LightTheme(), DarkTheme()
	vars := func(t Theme) string {
		var v strings.Builder
		for _, r := range roleOrder {
			fmt.Fprintf(&v, "--sw-%s:%s;", r, t[r].Hex())
		}
		return v.String()
	}
	fmt.Fprintf(&b, ".sw{%smax-width:100%%;height:auto}\n", vars(light))
	fmt.Fprintf(&b, "@media (prefers-color-scheme:dark){.sw{%s}}\n", vars(dark))
	fmt.Fprintf(&b, "[data-theme=light] .sw{%s}\n[data-theme=dark] .sw{%s}\n", vars(light), vars(dark))
	fmt.Fprintf(&b, "@media print{.sw,[data-theme=dark] .sw{%s}}\n", vars(light))
	for _, r := range rampRoles { // no seams between the cells of a heat map
		fmt.Fprintf(&b, ".sw .f-%s{shape-rendering:crispEdges}", r)
	}
	b.WriteString("\n")
	for _, r := range roleOrder {
		h := light[r].Hex()
		fmt.Fprintf(&b, ".sw .f-%[1]s{fill:%[2]s;fill:var(--sw-%[1]s)}.sw .s-%[1]s{stroke:%[2]s;stroke:var(--sw-%[1]s)}\n", r, h)
	}
	fmt.Fprintf(&b, ".sw text{font-family:'Liberation Sans',Arimo,Arial,Helvetica,sans-serif;font-size:%gpx}\n", float64(Small))
	fmt.Fprintf(&b, ".sw .t-l{font-size:%gpx}.sw .t-b{font-weight:700}\n", float64(Large))
	b.WriteString(".sw .t-h{paint-order:stroke;stroke:#fff;stroke:var(--sw-paper);stroke-width:3px;stroke-linejoin:round}\n")
	return b.String()
}

// SVG writes the scene as a document of its own, style sheet inside.
func (s Scene) SVG() []byte { return s.svg(true) }

// SVGInline writes the scene without the style sheet, for a page that links
// Stylesheet itself (a strict content security policy allows it: no style
// attributes are used).
func (s Scene) SVGInline() []byte { return s.svg(false) }

func (s Scene) id() string {
	if s.ID == "" {
		return "sw"
	}
	return s.ID
}

type svgWriter struct {
	bytes.Buffer
	id    string
	links int
}

// linked reports whether something in a drawing is a link.
func linked(items []Element) bool {
	for _, it := range items {
		if g, ok := it.(Group); ok && (g.Href != "" || linked(g.Items)) {
			return true
		}
	}
	return false
}

func (s Scene) svg(standalone bool) []byte {
	w := &svgWriter{id: escape(s.id())}
	lang := ""
	if s.Lang != "" {
		lang = fmt.Sprintf(` lang="%s" xml:lang="%[1]s"`, escape(s.Lang))
	}
	role := "img"
	if linked(s.Items) { // what is inside an image is hidden from screen readers
		role = "group"
	}
	fmt.Fprintf(w, `<svg xmlns="http://www.w3.org/2000/svg" class="sw" width="%[1]s" height="%[2]s" viewBox="0 0 %[1]s %[2]s" fill="none" role="%[5]s" aria-labelledby="%[3]s-t %[3]s-d"%[4]s>`,
		num(s.Width), num(s.Height), w.id, lang, role)
	fmt.Fprintf(w, "\n<title id=\"%s-t\">%s</title>\n<desc id=\"%[1]s-d\">%[3]s</desc>\n", w.id, escape(s.Title), escape(s.Desc))
	if standalone {
		fmt.Fprintf(w, "<style>\n%s</style>\n", Stylesheet())
	}
	w.patterns(s.Items)
	if standalone { // its own paper: a viewer's canvas need not follow the theme of the ink
		fmt.Fprintf(w, "<rect class=\"f-paper\" width=\"%s\" height=\"%s\"/>\n", num(s.Width), num(s.Height))
	}
	w.items(s.Items)
	w.WriteString("</svg>\n")
	return w.Bytes()
}

type hatchUse struct {
	h Hatch
	r Role
}

func hatchUses(items []Element, seen map[hatchUse]bool) {
	note := func(st Style) {
		if st.Hatch != NoHatch {
			seen[hatchUse{st.Hatch, st.hatchRole()}] = true
		}
	}
	for _, it := range items {
		switch e := it.(type) {
		case Path:
			note(e.Style)
		case Circle:
			note(e.Style)
		case Rect:
			note(e.Style)
		case Group:
			hatchUses(e.Items, seen)
		}
	}
}

func (w *svgWriter) patternID(h Hatch, r Role) string {
	return w.id + "-" + hatchNames[h] + "-" + string(r)
}

func (w *svgWriter) patterns(items []Element) {
	seen := map[hatchUse]bool{}
	hatchUses(items, seen)
	if len(seen) == 0 {
		return
	}
	var uses []hatchUse
	for u := range seen {
		uses = append(uses, u)
	}
	slices.SortFunc(uses, func(a, b hatchUse) int {
		return strings.Compare(w.patternID(a.h, a.r), w.patternID(b.h, b.r))
	})
	w.WriteString("<defs>\n")
	for _, u := range uses {
		// a diagonal tile repeats one line, with its ends in the corners
		t := tile(u.h)
		rising := fmt.Sprintf("M-1 1L1 -1M0 %[1]sL%[1]s 0M%[2]s %[3]sL%[3]s %[2]s", num(t), num(t-1), num(t+1))
		falling := fmt.Sprintf("M-1 %[2]sL1 %[3]sM0 0L%[1]s %[1]sM%[2]s -1L%[3]s 1", num(t), num(t-1), num(t+1))
		var d string
		switch u.h {
		case Rising, Sparse:
			d = rising
		case Falling:
			d = falling
		case Crossed:
			d = rising + falling
		case Level:
			d = fmt.Sprintf("M0 %sH%s", num(t/2), num(t))
		case Upright:
			d = fmt.Sprintf("M%s 0V%s", num(t/2), num(t))
		}
		fmt.Fprintf(w, `<pattern id="%s" width="%[2]s" height="%[2]s" patternUnits="userSpaceOnUse">`, w.patternID(u.h, u.r), num(t))
		if u.h == Spots {
			fmt.Fprintf(w, `<circle class="f-%s" cx="%s" cy="%[2]s" r="%[3]s"/>`, u.r, num(hatchStep/2), num(spotRadius))
		} else {
			fmt.Fprintf(w, `<path class="s-%s" stroke-width="%s" d="%s"/>`, u.r, num(hatchWidth), d)
		}
		w.WriteString("</pattern>\n")
	}
	w.WriteString("</defs>\n")
}

// tile is the side of the square a hatch repeats in.
func tile(h Hatch) float64 {
	switch h {
	case Level, Upright, Spots:
		return hatchStep
	case Sparse:
		return 2 * hatchStep * math.Sqrt2
	}
	return hatchStep * math.Sqrt2
}

func (w *svgWriter) items(items []Element) {
	for _, it := range items {
		switch e := it.(type) {
		case Path:
			w.shape("path", `d="`+pathData(e.D)+`"`, e.Style)
		case Circle:
			w.shape("circle", fmt.Sprintf(`cx="%s" cy="%s" r="%s"`, num(e.C.X), num(e.C.Y), num(e.R)), e.Style)
		case Rect:
			w.shape("rect", fmt.Sprintf(`x="%s" y="%s" width="%s" height="%s"`, num(e.X), num(e.Y), num(e.W), num(e.H)), e.Style)
		case Text:
			w.text(e)
		case Group:
			w.group(e)
		}
	}
}

func (w *svgWriter) shape(name, geometry string, st Style) {
	var class []string
	attrs := ""
	if st.Fill != "" {
		class = append(class, "f-"+string(st.Fill))
	}
	if st.Stroke != "" && st.Hatch == NoHatch {
		class, attrs = append(class, "s-"+string(st.Stroke)), strokeAttrs(st)
	}
	if len(class) > 0 {
		fmt.Fprintf(w, "<%s class=\"%s\" %s%s/>\n", name, strings.Join(class, " "), geometry, attrs)
	}
	if st.Hatch == NoHatch {
		return
	}
	cls := ""
	if st.Stroke != "" {
		cls, attrs = fmt.Sprintf(` class="s-%s"`, st.Stroke), strokeAttrs(st)
	}
	fmt.Fprintf(w, "<%s%s fill=\"url(#%s)\" %s%s/>\n", name, cls, w.patternID(st.Hatch, st.hatchRole()), geometry, attrs)
}

func strokeAttrs(st Style) string {
	a := ""
	if st.width() != 1 {
		a = fmt.Sprintf(` stroke-width="%s"`, num(st.width()))
	}
	if d := st.Dash.lengths(); d != nil {
		parts := make([]string, len(d))
		for i, v := range d {
			parts[i] = num(v)
		}
		a += fmt.Sprintf(` stroke-dasharray="%s"`, strings.Join(parts, " "))
	}
	return a
}

func (w *svgWriter) text(t Text) {
	role := t.Role
	if role == "" {
		role = Ink
	}
	class := "f-" + string(role)
	if t.Size == Large {
		class += " t-l"
	}
	if t.Bold {
		class += " t-b"
	}
	if t.Halo {
		class += " t-h"
	}
	attrs := [...]string{"", ` text-anchor="middle"`, ` text-anchor="end"`}[t.Anchor]
	if t.Size != Small && t.Size != Large {
		attrs += fmt.Sprintf(` font-size="%s"`, num(float64(t.Size)))
	}
	if t.TurnDeg != 0 {
		attrs += fmt.Sprintf(` transform="rotate(%s %s %s)"`, num(t.TurnDeg), num(t.At.X), num(t.At.Y))
	}
	fmt.Fprintf(w, "<text class=\"%s\" x=\"%s\" y=\"%s\"%s>%s</text>\n", class, num(t.At.X), num(t.At.Y), attrs, escape(t.S))
}

func (w *svgWriter) group(g Group) {
	name := "g"
	if g.Href != "" {
		name = "a"
	}
	w.WriteString("<" + name)
	if g.Href != "" {
		stop := -1
		if w.links == 0 {
			stop = 0
		}
		w.links++
		fmt.Fprintf(w, ` href="%s" tabindex="%d"`, escape(g.Href), stop)
	}
	if g.Move != (Point{}) || g.TurnDeg != 0 || (g.Scale != 0 && g.Scale != 1) {
		var parts []string
		if g.Move != (Point{}) {
			parts = append(parts, fmt.Sprintf("translate(%s %s)", num(g.Move.X), num(g.Move.Y)))
		}
		if g.TurnDeg != 0 {
			parts = append(parts, fmt.Sprintf("rotate(%s)", num(g.TurnDeg)))
		}
		if g.Scale != 0 && g.Scale != 1 {
			parts = append(parts, fmt.Sprintf("scale(%s)", strconv.FormatFloat(g.Scale, 'g', 6, 64)))
		}
		fmt.Fprintf(w, ` transform="%s"`, strings.Join(parts, " "))
	}
	w.WriteString(">")
	if g.Label != "" {
		fmt.Fprintf(w, "<title>%s</title>", escape(g.Label))
	}
	w.WriteString("\n")
	w.items(g.Items)
	w.WriteString("</" + name + ">\n")
}

func pathData(d []Segment) string {
	var b strings.Builder
	pt := func(p Point) { b.WriteString(num(p.X) + " " + num(p.Y)) }
	for _, s := range d {
		b.WriteByte(s.Op)
		switch s.Op {
		case 'M', 'L':
			pt(s.P[0])
		case 'C':
			pt(s.P[0])
			b.WriteByte(' ')
			pt(s.P[1])
			b.WriteByte(' ')
			pt(s.P[2])
		}
	}
	return b.String()
}

// num writes a length to a hundredth of a pixel.
func num(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	v = math.Round(v*100) / 100
	if v == 0 {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func escape(s string) string {
	var b bytes.Buffer
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		return ""
	}
	return b.String()
}
