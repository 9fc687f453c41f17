package draw

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// RingPort is one port of a ring.
type RingPort struct {
	Number      int
	AzimuthDeg  float64 // clockwise from north, seen from above
	TapeCm      float64 // along the girth from the mark, clockwise seen from above
	DepthMm     float64 // from the bark surface
	HoleMm      float64
	VolumeLabel string // number and unit as printed
}

// OldHole is a hole of an earlier season.
type OldHole struct {
	AzimuthDeg float64
	HeightCm   float64 // used by the unrolled trunk
	DepthMm    float64 // 0 means as deep as the sapwood
	HoleMm     float64
	KeepOutCm  float64 // to each side along the girth
	BelowCm    float64 // keep-out below the hole, unrolled trunk
	AboveCm    float64 // keep-out above the hole, unrolled trunk
	Label      string  // for example the year
	Closed     bool
}

// Blocked is an arc of the girth no port may use.
type Blocked struct {
	FromDeg, ToDeg float64 // clockwise
	FromCm, ToCm   float64 // heights, unrolled trunk; both 0 means all
	Label          string
}

// Ring is a trunk cut across at the ports, to scale, seen from above.
type Ring struct {
	Frame
	DiameterCm float64 // outside bark, at the ports
	GirthCm    float64 // 0 means pi times the diameter
	BarkMm     float64
	SapwoodMm  float64 // 0: unknown, no heartwood is drawn
	MarkDeg    float64 // azimuth of the painted mark
	Unit       LengthUnit
	Ports      []RingPort
	OldHoles   []OldHole
	Blocked    []Blocked
}

// ringLabel is one text beside the ring with the azimuth it belongs to.
type ringLabel struct {
	az     float64
	foot   float64 // radius in px from the bark surface at which the leader starts
	number string
	lines  []string // after the number; the second line stands below
	mark   bool
	role   Role
}

func (l ringLabel) width() float64 {
	w := 0.0
	for i := range l.lines {
		w = max(w, l.lineWidth(i))
	}
	return w
}

func (l ringLabel) height() float64 { return 13*float64(len(l.lines)) + 2 }

func (r Ring) check() error {
	switch {
	case !finite(r.DiameterCm, r.GirthCm, r.BarkMm, r.SapwoodMm, r.MarkDeg) || r.DiameterCm <= 0:
		return fmt.Errorf("draw: ring: diameter %g cm must be above 0", r.DiameterCm)
	case r.BarkMm < 0 || r.SapwoodMm < 0 || r.BarkMm*2 >= r.DiameterCm*10:
		return fmt.Errorf("draw: ring: bark %g mm and sapwood %g mm do not fit a diameter of %g cm", r.BarkMm, r.SapwoodMm, r.DiameterCm)
	case r.GirthCm < 0:
		return fmt.Errorf("draw: ring: girth %g cm is negative", r.GirthCm)
	}
	for _, p := range r.Ports {
		if !finite(p.AzimuthDeg, p.TapeCm, p.DepthMm, p.HoleMm) || p.DepthMm < 0 || p.HoleMm < 0 {
			return fmt.Errorf("draw: ring: port %d has no usable position, depth or hole", p.Number)
		}
	}
	for _, h := range r.OldHoles {
		if !finite(h.AzimuthDeg, h.DepthMm, h.HoleMm, h.KeepOutCm) {
			return fmt.Errorf("draw: ring: an old hole has no usable position")
		}
	}
	for _, b := range r.Blocked {
		if !finite(b.FromDeg, b.ToDeg) {
			return fmt.Errorf("draw: ring: a blocked arc has no usable ends")
		}
	}
	return nil
}

// portGroups joins the numbers of ports that share depth and volume.
func (r Ring) portGroups() (texts []string, same bool) {
	type key struct{ depth, volume string }
	var order []key
	numbers := map[key][]int{}
	for _, p := range r.Ports {
		k := key{r.Words.num(p.DepthMm, 0), p.VolumeLabel}
		if _, ok := numbers[k]; !ok {
			order = append(order, k)
		}
		numbers[k] = append(numbers[k], p.Number)
	}
	for _, k := range order {
		what := with(k.depth, r.Words.say("depth_unit")) + " " + r.Words.say("deep")
		if k.volume != "" {
			what = k.volume + ", " + what
		}
		if len(order) == 1 {
			texts = append(texts, fmt.Sprintf("%d %s, %s %s", len(r.Ports), r.Words.ports(len(r.Ports)), r.Words.say("each_port"), what))
		} else {
			texts = append(texts, fmt.Sprintf("%s: %s %s", what, r.Words.ports(len(numbers[k])), ranges(numbers[k])))
		}
	}
	return texts, len(order) <= 1
}

// ranges writes 1, 2, 3, 7 as 1-3, 7 with en dashes.
func ranges(n []int) string {
	n = slices.Sorted(slices.Values(n))
	var parts []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		switch {
		case j == i:
			parts = append(parts, fmt.Sprint(n[i]))
		case j == i+1:
			parts = append(parts, fmt.Sprint(n[i]), fmt.Sprint(n[j]))
		default:
			parts = append(parts, fmt.Sprintf("%d\u2013%d", n[i], n[j]))
		}
		i = j + 1
	}
	return strings.Join(parts, ", ")
}

// labels lists what stands beside the ring. detail 2 gives each port two
// lines with depth and volume, 1 one line with them, 0 number and tape only.
func (r Ring) labels(detail int) []ringLabel {
	w := r.Words
	cut := func(s string, bold bool) []string {
		return []string{shorten(s, Small, bold, max(70, 0.22*r.WidthPx))}
	}
	out := []ringLabel{{az: wrapDeg(r.MarkDeg), foot: 13, lines: cut(w.say("mark"), true), mark: true, role: Bark}}
	for _, p := range r.Ports {
		tape := with(w.num(p.TapeCm*r.Unit.perCm(), r.Unit.Decimals), w.say("length_unit"))
		more := with(w.num(p.DepthMm, 0), w.say("depth_unit"))
		if p.VolumeLabel != "" {
			more = p.VolumeLabel + ", " + more
		}
		l := ringLabel{az: wrapDeg(p.AzimuthDeg), number: fmt.Sprint(p.Number), lines: []string{tape}, role: Ink}
		switch detail {
		case 1:
			l.lines[0] += "  " + more
		case 2:
			l.lines = append(l.lines, more)
		}
		out = append(out, l)
	}
	for _, h := range r.OldHoles {
		if h.Label != "" {
			out = append(out, ringLabel{az: wrapDeg(h.AzimuthDeg), foot: 7, lines: cut(h.Label, false), role: Warn})
		}
	}
	for _, b := range r.Blocked {
		if b.Label != "" {
			out = append(out, ringLabel{az: wrapDeg(b.FromDeg + sweep(b.FromDeg, b.ToDeg)/2), lines: cut(b.Label, false), role: Muted})
		}
	}
	slices.SortStableFunc(out, func(a, b ringLabel) int {
		switch {
		case a.az < b.az:
			return -1
		case a.az > b.az:
			return 1
		}
		return 0
	})
	return out
}

// column is the labels of one side from top to bottom.
type column struct {
	labels        []ringLabel
	width, height float64
}

func columns(labels []ringLabel) (left, right column) {
	for _, l := range labels {
		c := &left
		if l.az < 180 {
			c = &right
		}
		c.labels = append(c.labels, l)
		c.width, c.height = max(c.width, l.width()), c.height+l.height()
	}
	slices.Reverse(left.labels)
	return left, right
}

// leader lengths beside the ring in px: out from the bark, and to the text.
const (
	ringElbow = 16.0
	ringGap   = 34.0
)

// DrawRing returns the ring drawing. Labels stand in two columns beside the
// ring, kept apart without overlap; with many ports the labels keep number and
// tape distance and a line below says depth and volume.
func DrawRing(r Ring) (Scene, error) {
	s, top, err := r.begin(KindRing)
	if err == nil {
		err = r.check()
	}
	if err != nil {
		return Scene{}, err
	}
	groups, same := r.portGroups()
	details := []int{2, 1, 0}
	if same {
		details = []int{0}
	}
	var left, right column
	var radius float64
	short := false
	for _, d := range details {
		left, right = columns(r.labels(d))
		side := max(left.width, right.width) // both sides alike keep the ring in the middle
		radius = min((r.WidthPx-2*margin-2*side-2*ringGap)/2, 230)
		short = d == 0
		tall := max(left.height, right.height)
		if radius >= min(0.2*r.WidthPx, 120) && (d != 2 || tall <= max(2*radius+60, 380)) {
			break
		}
	}
	if radius < 20 {
		return Scene{}, fmt.Errorf("draw: ring: %g px is too narrow for its labels", r.WidthPx)
	}
	height := max(2*(radius+46), left.height, right.height)
	c := Point{r.WidthPx / 2, top + height/2}
	r.wood(s, c, radius)
	r.side(s, c, radius, right, height, 1)
	r.side(s, c, radius, left, height, -1)
	y := top + height + 8
	if short {
		for _, g := range groups {
			y = s.paragraph(g, y, Ink)
		}
	}
	y = s.paragraph(r.Words.say("clockwise"), y, Muted)
	y = r.scale(s, radius, y+6)
	y = r.key(s, y)
	s.Height = y + margin
	return *s, nil
}

// wood draws the section itself.
func (r Ring) wood(s *Scene, c Point, radius float64) {
	k := radius / (r.DiameterCm * 5) // px per mm
	wood := radius - r.BarkMm*k
	s.add(Circle{c, radius, Style{Fill: BarkSoft, Stroke: Bark, WidthPx: 1.6}})
	s.add(Circle{c, wood, Style{Fill: Sapwood, Stroke: Bark, WidthPx: 0.8}})
	if heart := wood - r.SapwoodMm*k; r.SapwoodMm > 0 && heart > 2 {
		s.add(Circle{c, heart, Style{Fill: Heart, Stroke: Bark, WidthPx: 0.7, Dash: Dotted}})
	}
	s.add(Circle{c, 1.6, Style{Fill: Bark}})
	for _, b := range r.Blocked {
		s.add(Group{Label: b.Label, Items: []Element{
			Band(c, radius-max(r.BarkMm*k, 7), radius+3, b.FromDeg, b.ToDeg, Style{Fill: Paper, Stroke: Ink, WidthPx: 0.8, Hatch: Crossed, HatchRole: Ink})}})
	}
	girth := r.GirthCm
	if girth == 0 {
		girth = math.Pi * r.DiameterCm
	}
	for _, h := range r.OldHoles {
		depth := h.DepthMm
		if depth <= 0 {
			depth = r.BarkMm + max(r.SapwoodMm, 20)
		}
		half := h.KeepOutCm / girth * 360
		items := []Element{}
		if half >= 180 {
			half = 179.9
		}
		if half > 0 {
			items = append(items, Band(c, radius+2, radius+7, h.AzimuthDeg-half, h.AzimuthDeg+half, Style{Fill: WarnSoft, Stroke: Warn, WidthPx: 0.8, Hatch: Rising, HatchRole: Warn}))
		}
		in := max(radius-depth*k, 2)
		st := Style{Stroke: Warn, WidthPx: 1.1, Fill: Paper}
		if h.Closed {
			st.Dash = Dotted
		}
		items = append(items, slot(c, h.AzimuthDeg, in, radius, max(h.HoleMm*k, 3), st))
		s.add(Group{Label: h.Label, Items: items})
	}
	for _, p := range r.Ports {
		in := max(radius-p.DepthMm*k, 0)
		s.add(slot(c, p.AzimuthDeg, in, radius, max(p.HoleMm*k, 1.3), Style{Fill: Ink}))
	}
	// the mark, and an arrow in the sense of the tape
	m := wrapDeg(r.MarkDeg)
	s.add(arrow(polar(c, radius+2, m), m+180, 11, Bark))
	turn := min(30, 34/radius*180/math.Pi)
	s.add(Arc(c, radius+11, m+8, m+8+turn, Style{Stroke: Bark, WidthPx: 1.1}))
	s.add(arrow(polar(c, radius+11, m+8+turn+4), m+8+turn+90, 7, Bark))
	// north, in the middle where nothing else is
	h := min(24, radius*0.22)
	s.add(northArrow(Point{c.X, c.Y + h*0.3 + 2}, h, 0, r.Words.say("north"))...)
}

// slot is a straight hole of a given width between two radii.
func slot(c Point, azDeg, r0, r1, width float64, st Style) Path {
	a, b := polar(c, r0, azDeg), polar(c, r1, azDeg)
	return Polygon([]Point{polar(a, width/2, azDeg-90), polar(b, width/2, azDeg-90), polar(b, width/2, azDeg+90), polar(a, width/2, azDeg+90)}, st)
}

// side sets one column of labels; dir is 1 on the right and -1 on the left.
func (r Ring) side(s *Scene, c Point, radius float64, col column, height, dir float64) {
	if len(col.labels) == 0 {
		return
	}
	stretch := 1.0
	if col.height > 1.2*radius {
		stretch = max(1, min(col.height, height-8)/(2*(radius+ringElbow)))
	}
	want, heights := make([]float64, len(col.labels)), make([]float64, len(col.labels))
	for i, l := range col.labels {
		want[i] = -(radius + ringElbow) * math.Cos(l.az*math.Pi/180) * stretch
		heights[i] = l.height()
		if i > 0 {
			want[i] = max(want[i], want[i-1])
		}
	}
	ys := spread(want, heights, -height/2, height/2)
	for i, l := range col.labels {
		y := c.Y + ys[i]
		x := c.X + dir*(radius+ringGap)
		foot, elbow := polar(c, radius+l.foot, l.az), polar(c, radius+ringElbow, l.az)
		s.add(Polyline([]Point{foot, elbow, {x - dir*10, y}, {x - dir*3, y}}, Style{Stroke: l.role, WidthPx: 0.6}))
		for j, t := range l.lines {
			base := y + 4 + 13*(float64(j)-float64(len(l.lines)-1)/2)
			tx := x
			if dir < 0 {
				tx = x - l.lineWidth(j)
			}
			if j == 0 && l.number != "" {
				s.add(Text{At: Point{tx, base}, S: l.number, Size: Small, Bold: true, Role: l.role})
				tx += TextWidth(l.number, Small, true) + 5
			}
			s.add(Text{At: Point{tx, base}, S: t, Size: Small, Bold: l.mark, Role: l.role})
		}
	}
}

func (l ringLabel) lineWidth(j int) float64 {
	w := TextWidth(l.lines[j], Small, l.mark)
	if j == 0 && l.number != "" {
		w += TextWidth(l.number, Small, true) + 5
	}
	return w
}

// scale draws a bar of a round length.
func (r Ring) scale(s *Scene, radius, y float64) float64 {
	perUnit := radius / (r.DiameterCm / 2) / r.Unit.perCm() // px per unit
	length := niceStep(radius*0.6/perUnit, 1)
	if length*perUnit > radius {
		length /= 2
	}
	s.add(scaleBar(Point{margin, y + 8}, length*perUnit, with(r.Words.short(length), r.Words.say("length_unit")))...)
	return y + 20
}

func (r Ring) key(s *Scene, y float64) float64 {
	w := r.Words
	items := []legendItem{{swatch(Style{Fill: BarkSoft, Stroke: Bark}), w.say("bark")},
		{swatch(Style{Fill: Sapwood, Stroke: Bark, WidthPx: 0.8}), w.say("sapwood")}}
	if r.SapwoodMm > 0 {
		items = append(items, legendItem{swatch(Style{Fill: Heart, Stroke: Bark, WidthPx: 0.7, Dash: Dotted}), w.say("heartwood")})
	}
	if len(r.Ports) > 0 {
		items = append(items, legendItem{func(c Point) []Element {
			return []Element{Rect{c.X - 7, c.Y - 1.5, 14, 3, Style{Fill: Ink}}}
		}, w.say("port")})
	}
	if len(r.OldHoles) > 0 {
		items = append(items, legendItem{func(c Point) []Element {
			return []Element{Rect{c.X - 7, c.Y - 2, 14, 4, Style{Fill: Paper, Stroke: Warn, WidthPx: 1.1}}}
		}, w.say("old_hole")},
			legendItem{swatch(Style{Fill: WarnSoft, Stroke: Warn, WidthPx: 0.8, Hatch: Rising, HatchRole: Warn}), w.say("keep_out")})
	}
	if len(r.Blocked) > 0 {
		items = append(items, legendItem{swatch(Style{Fill: Paper, Stroke: Ink, WidthPx: 0.8, Hatch: Crossed}), w.say("unusable")})
	}
	return s.legend(items, y)
}
