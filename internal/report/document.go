package report

import (
	"math"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/measure/civil"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// document is the plan with what its sections share.
type document struct {
	*sheet
	in     Input
	plan   plan.Plan
	use    label.Use // the card's use that was planned by
	season int
	mark   float64 // azimuth of the painted mark, degrees

	block     map[string]*tree.Tree
	wounds    map[string][]tree.Wound
	obstacles map[string][]tree.Obstacle
	limbs     map[string]tree.Limb // by the place of a port: tag and "limb" with its name
	trees     map[string][]int     // of the plan, by tag
	drawings  int
}

func newDocument(s *sheet, in Input) *document {
	d := &document{sheet: s, in: in, plan: in.Plan, block: map[string]*tree.Tree{}, wounds: map[string][]tree.Wound{},
		obstacles: map[string][]tree.Obstacle{}, limbs: map[string]tree.Limb{}, trees: map[string][]int{}}
	for i := range in.Block {
		d.block[in.Block[i].Tag] = &in.Block[i]
	}
	for _, w := range in.Wounds {
		d.wounds[w.Tree] = append(d.wounds[w.Tree], w)
	}
	for _, o := range in.Obstacles {
		d.obstacles[o.Tree] = append(d.obstacles[o.Tree], o)
	}
	for _, l := range in.Limbs {
		d.limbs[l.Tree+"\x00limb "+l.Name] = l
	}
	for i, t := range in.Plan.Trees {
		d.trees[t.Tag] = append(d.trees[t.Tag], i)
	}
	for _, u := range in.CardText.Uses {
		if string(u.Method) == in.Plan.Method {
			d.use = u
			break
		}
	}
	d.season = in.Created.Year()
	if on, err := civil.Parse(in.Plan.On); err == nil && in.Plan.On != "" {
		d.season = on.Year
	}
	d.mark = markAzimuth(in.Plan.Trees)
	return d
}

// markAzimuth is the azimuth of the painted mark, worked back from ports:
// azimuth - 360 along/girth, whose roundings average out. A whole degree is
// taken when it is that near.
func markAzimuth(trees []plan.Tree) float64 {
	var sin, cos float64
	n := 0
	for _, t := range trees {
		for _, q := range t.Ports {
			if n == 200 || t.GirthCM <= 0 || isLimb(q) || q.Stem != "" && len(t.Ports) > 0 && q.Stem != t.Ports[0].Stem {
				continue
			}
			a := (q.AzimuthDeg - 360*q.AlongCM/t.GirthCM) * math.Pi / 180
			sin += math.Sin(a)
			cos += math.Cos(a)
			n++
		}
	}
	if n == 0 {
		return 0
	}
	deg := math.Mod(math.Atan2(sin, cos)*180/math.Pi+360, 360)
	if r := math.Round(deg); math.Abs(r-deg) < 0.3 {
		deg = math.Mod(r, 360)
	}
	return deg
}

func isLimb(q plan.Port) bool { return strings.HasPrefix(q.Where, "limb ") }

// refused reports that no doses come out.
func (d *document) refused() bool { return d.plan.Verdict == plan.Refused || len(d.plan.Trees) == 0 }

func (d *document) t(id string) string { return d.say.T(id) }

func (d *document) runningHead() runningHead {
	p := d.plan
	h := runningHead{product: p.Card.Product, verdict: d.t("verdict-short-" + string(p.Verdict)), decides: d.t("report-decides"), refused: p.Verdict == plan.Refused}
	var parts []string
	for _, s := range []string{d.in.Name, p.Site, p.On} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	h.block = strings.Join(parts, "  ·  ")
	if p.Card.Invented {
		h.badges = append(h.badges, d.t("report-invented"))
	}
	if p.PracticeOnly {
		h.badges = append(h.badges, d.t("report-practice-only"))
	}
	hash := p.CardHash
	if len(hash) > 12 {
		hash = hash[:12]
	}
	h.origin = d.say.Say("report-origin", finding.Args{"engine": finding.Text(p.Engine), "seed": finding.Text(strconv.FormatUint(p.Seed, 10)), "hash": finding.Text(hash)})
	return h
}

// unitName is the name of the unit of a tape reading.
func (d *document) unitName() string {
	if d.say.US {
		return "in"
	}
	return "cm"
}

// tape writes a reading of the tape without its unit.
func (d *document) tape(cm float64) string {
	if d.say.US {
		return lang.Fixed(cm/2.54, 1)
	}
	return lang.Fixed(cm, 1)
}

// depth writes a drilling depth: in millimetres, as drill stops are set, with
// inches beside it for those who have no others. Inches are rounded down.
func (d *document) depth(mm *int) string {
	switch {
	case mm == nil:
		return d.t("report-depth-open")
	case d.say.US:
		return strconv.Itoa(*mm) + " mm (" + lang.Fixed(math.Floor(float64(*mm)/25.4*100)/100, 2) + " in)"
	}
	return strconv.Itoa(*mm) + " mm"
}

// vol writes a volume where it stands in a table: in the unit it is measured
// out in, without the other system's beside it.
func (d *document) vol(v plan.Microlitres) string {
	s, _, _ := strings.Cut(d.say.Volume(v.ML()), " (")
	return s
}

// clock writes a time of day.
func (d *document) clock(t time.Time) string {
	if d.say.US && d.say.Lang == "en" {
		return t.Format("3:04 PM")
	}
	return t.Format("15:04")
}

// name of a planned tree: its tag and stem.
func name(tag, stem string) string {
	if stem == "" {
		return tag
	}
	return tag + "/" + stem
}

// words for a drawing: the label words of its kind from the catalogue.
func (d *document) words(k draw.Kind) draw.Words {
	w := draw.Words{Lang: d.say.Lang, DecimalMark: ".", Label: map[string]string{}}
	for _, key := range draw.Keys(k) {
		switch key {
		case "length_unit":
			w.Label[key] = d.unitName()
		case "depth_unit":
			w.Label[key] = "mm"
		case "height_unit", "map_unit":
			w.Label[key] = "m"
			if d.say.US {
				w.Label[key] = "ft"
			}
		default:
			w.Label[key] = d.t("draw-" + strings.ReplaceAll(key, "_", "-"))
		}
	}
	return w
}

// frameOf is the frame of a drawing that will be placed width mm wide.
func (d *document) frameOf(k draw.Kind, width float64, heading string) draw.Frame {
	d.drawings++
	f := draw.Frame{WidthPx: width * pxPerMM, Heading: heading, Words: d.words(k)}
	f.ID = "d" + strconv.Itoa(d.drawings)
	return f
}

func (d *document) lengthUnit() draw.LengthUnit {
	if d.say.US {
		return draw.LengthUnit{PerCm: 1 / 2.54, Decimals: 1}
	}
	return draw.LengthUnit{PerCm: 1, Decimals: 1}
}

// whole writes a count.
func whole[T int | int64](n T) string { return strconv.FormatInt(int64(n), 10) }
