package app

import (
	"math"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

// TreeFacts are the facts of a tree. Figures are exact decimals as text in the
// unit their name says; on the way in a figure may carry another unit ("12.5
// in"), which is converted exactly. Empty is unknown.
type TreeFacts struct {
	Tag          string          `json:"tag"`
	Species      string          `json:"species,omitempty"`
	Wood         string          `json:"wood,omitempty"` // ring-porous, diffuse-porous, conifer, palm
	AgeClass     string          `json:"age_class,omitempty"`
	HeightM      string          `json:"height_m,omitempty"`
	CrownM       string          `json:"crown_m,omitempty"`
	Status       string          `json:"status,omitempty"` // healthy, suspect, symptomatic, dead
	CrownLossPct string          `json:"rating_pct,omitempty"`
	RatedOn      string          `json:"rated_on,omitempty"`
	Bearing      *bool           `json:"bearing,omitempty"`
	XM           *float64        `json:"x_m,omitempty"`
	YM           *float64        `json:"y_m,omitempty"`
	Lat          *float64        `json:"lat,omitempty"`
	Lon          *float64        `json:"lon,omitempty"`
	AccuracyM    *float64        `json:"accuracy_m,omitempty"` // of lat and lon
	Stems        []StemFacts     `json:"stems,omitempty"`
	Limbs        []LimbFacts     `json:"limbs,omitempty"`
	Obstacles    []ObstacleFacts `json:"obstacles,omitempty"`
	Note         string          `json:"note,omitempty"`
}

// StemFacts are one trunk with its last tape reading. One of DiameterCM and
// GirthCM is what the tape read.
type StemFacts struct {
	Name         string `json:"stem,omitempty"`
	DiameterCM   string `json:"diameter_cm,omitempty"`
	GirthCM      string `json:"girth_cm,omitempty"`
	MeasuredAtM  string `json:"measured_at_m,omitempty"`
	BarkMM       string `json:"bark_mm,omitempty"`
	FlareGirthCM string `json:"flare_girth_cm,omitempty"`
	On           string `json:"on,omitempty"`
	Taker        string `json:"taker,omitempty"` // who held the tape, where not who enters it
	Instrument   string `json:"instrument,omitempty"`
}

// Measured reports that the stem has a tape reading.
func (s StemFacts) Measured() bool { return s.DiameterCM != "" || s.GirthCM != "" }

// SameReading reports that two stems carry the same reading.
func (s StemFacts) SameReading(o StemFacts) bool { return s == o }

// Diameter is the stem's diameter in cm for display, 0 if it is not measured.
func (s StemFacts) Diameter() float64 {
	if v, ok := exact.Decimal(s.DiameterCM); ok && s.DiameterCM != "" {
		return v.Float()
	}
	if v, ok := exact.Decimal(s.GirthCM); ok && s.GirthCM != "" {
		return v.Float() / math.Pi
	}
	return 0
}

// Diameter is the thickest stem's diameter in cm for display, 0 if none is
// measured.
func (f TreeFacts) Diameter() float64 {
	d := 0.0
	for _, s := range f.Stems {
		d = max(d, s.Diameter())
	}
	return d
}

// LimbFacts are a limb that may take ports.
type LimbFacts struct {
	Name       string  `json:"limb"`
	AzimuthDeg float64 `json:"azimuth_deg"`
	HeightM    string  `json:"height_m"`
	DiameterCM string  `json:"diameter_cm"`
}

// ObstacleFacts are an arc where no port may go.
type ObstacleFacts struct {
	Stem    string  `json:"stem,omitempty"`
	FromDeg float64 `json:"from_deg"`
	ToDeg   float64 `json:"to_deg"`
	Kind    string  `json:"kind"`
}

// figure reads an exact number in a unit, bare or with another unit of length,
// and leaves it as a decimal. Outside low to high it is a typing error.
func figure(faults *finding.Faults, field string, text *string, unit string, low, high float64) {
	*text = strings.TrimSpace(*text)
	if *text == "" {
		return
	}
	if x, plain := plainDecimal(*text); plain && x > low && x <= high {
		return // as it would be written
	}
	v, fault := q.Number(*text)
	if fault != nil {
		var l q.Length
		if l, fault = q.Parse[q.LengthKind](*text); fault == nil {
			v = l.In(unit)
		}
	}
	if fault != nil {
		*faults = append(*faults, usage("field-number", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(clip(*text)), "example": finding.Text("39.4 " + unit)}))
		return
	}
	if x := v.Float(); !(x > low && x <= high) {
		*faults = append(*faults, usage("field-range", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(clip(*text)), "low": finding.Number(low, ""), "high": finding.Number(high, "")}))
		return
	}
	s := v.String()
	if _, ok := exact.Decimal(s); !ok {
		*faults = append(*faults, usage("field-number", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(clip(*text)), "example": finding.Text("39.4 " + unit)}))
		return
	}
	*text = s
}

// plainDecimal reads a decimal that stands as exact numbers are written: no sign,
// no zero too many, few enough digits that a float tells it from its neighbours.
func plainDecimal(s string) (float64, bool) {
	dot := -1
	for i := range len(s) {
		switch c := s[i]; {
		case c >= '0' && c <= '9':
		case c == '.' && dot < 0 && i > 0:
			dot = i
		default:
			return 0, false
		}
	}
	whole := dot
	if dot < 0 {
		whole = len(s)
	}
	if len(s) > 15 || whole > 1 && s[0] == '0' || dot >= 0 && (dot == len(s)-1 || s[len(s)-1] == '0') {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil
}

// share reads a percentage of 0 to 100, with or without its sign.
func share(faults *finding.Faults, field string, text *string) {
	*text = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(*text), "%"))
	if *text == "" {
		return
	}
	v, fault := q.Number(*text)
	if fault != nil || v.Sign() < 0 || exact.Int(100).Less(v) {
		*faults = append(*faults, usage("field-number", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(clip(*text)), "example": finding.Text("10")}))
		return
	}
	*text = v.String()
}

// day checks a date.
func day(faults *finding.Faults, field string, text *string) {
	*text = strings.TrimSpace(*text)
	if *text == "" {
		return
	}
	d, err := civil.Parse(*text)
	if err != nil {
		*faults = append(*faults, usage("field-date", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(clip(*text))}))
		return
	}
	*text = d.String()
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}

// choice checks a word against those allowed; empty is unknown.
func choice(faults *finding.Faults, field string, text *string, allowed ...string) {
	*text = strings.TrimSpace(*text)
	if *text == "" {
		return
	}
	for _, w := range allowed {
		if *text == w {
			return
		}
	}
	*faults = append(*faults, usage("field-choice", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(clip(*text)), "words": finding.Text(strings.Join(allowed, ", "))}))
}

func azimuth(faults *finding.Faults, field string, deg float64, upTo bool) {
	if !(deg >= 0 && (deg < 360 || upTo && deg == 360)) {
		*faults = append(*faults, usage("field-azimuth", finding.Args{"field_by": finding.Text("field-" + field)}))
	}
}

// Bounds of belief, as in tables of trees (common practice, no source).
const (
	maxTag     = 64
	maxHeightM = 130
	maxCrownM  = 80
	maxBarkMM  = 200
	maxFlareCM = 2600
	maxGridM   = 1e8
	maxStems   = 40
)

func (f *TreeFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "tag", &f.Tag, maxTag)
	need(&faults, "tag", f.Tag)
	words(&faults, "species", &f.Species, 200)
	words(&faults, "age-class", &f.AgeClass, 200)
	words(&faults, "note", &f.Note, 4000)
	choice(&faults, "wood", &f.Wood, string(tree.RingPorous), string(tree.DiffusePorous), string(tree.Conifer), string(tree.Palm))
	choice(&faults, "status", &f.Status, string(tree.Healthy), string(tree.Suspect), string(tree.Symptomatic), string(tree.Dead))
	figure(&faults, "height", &f.HeightM, "m", 0, maxHeightM)
	figure(&faults, "crown", &f.CrownM, "m", 0, maxCrownM)
	share(&faults, "rating", &f.CrownLossPct)
	day(&faults, "rated-on", &f.RatedOn)
	half := func(a, b *float64, most1, most2 float64) {
		if (a == nil) != (b == nil) || a != nil && !(math.Abs(*a) <= most1 && math.Abs(*b) <= most2) {
			faults = append(faults, usage("field-place", nil))
		}
	}
	half(f.XM, f.YM, maxGridM, maxGridM)
	half(f.Lat, f.Lon, 90, 180)
	if f.AccuracyM != nil && !(*f.AccuracyM >= 0 && *f.AccuracyM < 1e6) {
		faults = append(faults, usage("field-place", nil))
	}
	seen := map[string]bool{}
	if len(f.Stems) > maxStems {
		faults = append(faults, usage("stems-many", finding.Args{"most": finding.Count(maxStems)}))
	}
	for i := range f.Stems {
		f.Stems[i].tidy(&faults)
		if n := f.Stems[i].Name; seen[n] {
			faults = append(faults, usage("stem-twice", finding.Args{"stem": finding.Text(n)}))
		}
		seen[f.Stems[i].Name] = true
	}
	limbs := map[string]bool{}
	for i := range f.Limbs {
		l := &f.Limbs[i]
		words(&faults, "limb", &l.Name, maxTag)
		need(&faults, "limb", l.Name)
		azimuth(&faults, "azimuth", l.AzimuthDeg, false)
		figure(&faults, "height", &l.HeightM, "m", 0, maxHeightM)
		figure(&faults, "diameter", &l.DiameterCM, "cm", 0, 400)
		need(&faults, "height", l.HeightM)
		need(&faults, "diameter", l.DiameterCM)
		if limbs[l.Name] {
			faults = append(faults, usage("limb-twice-here", finding.Args{"limb": finding.Text(l.Name)}))
		}
		limbs[l.Name] = true
	}
	for i := range f.Obstacles {
		o := &f.Obstacles[i]
		words(&faults, "stem", &o.Stem, maxTag)
		words(&faults, "obstacle", &o.Kind, 200)
		need(&faults, "obstacle", o.Kind)
		azimuth(&faults, "azimuth", o.FromDeg, false)
		azimuth(&faults, "azimuth", o.ToDeg, true)
	}
	return faults.OrNil()
}

func (s *StemFacts) tidy(faults *finding.Faults) {
	words(faults, "stem", &s.Name, maxTag)
	words(faults, "taker", &s.Taker, 80)
	words(faults, "instrument", &s.Instrument, 80)
	day(faults, "measured-on", &s.On)
	figure(faults, "diameter", &s.DiameterCM, "cm", 0, 400)
	figure(faults, "girth", &s.GirthCM, "cm", 0, 1257)
	figure(faults, "measured-at", &s.MeasuredAtM, "m", 0, 10)
	figure(faults, "bark", &s.BarkMM, "mm", -1e-9, maxBarkMM)
	figure(faults, "flare", &s.FlareGirthCM, "cm", 0, maxFlareCM)
	if s.DiameterCM != "" && s.GirthCM != "" {
		*faults = append(*faults, usage("reading-two", nil))
	}
	if d := s.Diameter(); s.Measured() && (d < 1 || d > 400) {
		*faults = append(*faults, usage("field-range", finding.Args{"field_by": finding.Text("field-diameter"), "text": finding.Text(clip(s.DiameterCM + s.GirthCM)), "low": finding.Number(1, ""), "high": finding.Number(400, "")}))
	}
}

// decimal reads a figure that tidy has checked.
func decimal(s string) (exact.Rat, bool) {
	if s == "" {
		return exact.Rat{}, false
	}
	return exact.Decimal(s)
}

func lengthOf(s, unit string) (out q.Opt[q.Length]) {
	if v, ok := decimal(s); ok {
		switch unit {
		case "m":
			v = v.Mul(exact.Int(100))
		case "mm":
			v = v.Quo(exact.Int(10))
		}
		out = q.Known(q.Cm(v))
	}
	return out
}

func known[T any](p *T) (out q.Opt[T]) {
	if p != nil {
		out = q.Known(*p)
	}
	return out
}

// Tree turns the facts into the core's tree, with stems that were measured.
func (f TreeFacts) Tree() tree.Tree {
	t := tree.Tree{
		Tag: f.Tag, Species: f.Species, Wood: tree.Wood(f.Wood), AgeClass: f.AgeClass, Status: tree.Status(f.Status),
		Height: lengthOf(f.HeightM, "m"), Crown: lengthOf(f.CrownM, "m"), Bearing: known(f.Bearing),
		X: known(f.XM), Y: known(f.YM), Lat: known(f.Lat), Lon: known(f.Lon),
	}
	if v, ok := decimal(f.CrownLossPct); ok {
		t.CrownLoss = q.Known(q.Of[q.PercentKind](v))
	}
	for _, s := range f.Stems {
		var stem tree.Stem
		if v, ok := decimal(s.DiameterCM); ok {
			stem = tree.FromDiameter(q.Cm(v))
		} else if v, ok := decimal(s.GirthCM); ok {
			stem = tree.FromGirth(q.Cm(v))
		} else {
			continue
		}
		stem.Name = s.Name
		stem.MeasuredAt, stem.Bark, stem.Flare = lengthOf(s.MeasuredAtM, "m"), lengthOf(s.BarkMM, "mm"), lengthOf(s.FlareGirthCM, "cm")
		t.Stems = append(t.Stems, stem)
	}
	return t
}

// limbs and obstacles for the core.
func (f TreeFacts) limbs() (out []tree.Limb) {
	for _, l := range f.Limbs {
		out = append(out, tree.Limb{Tree: f.Tag, Name: l.Name, AzimuthDeg: l.AzimuthDeg, Height: lengthOf(l.HeightM, "m").Value, Diameter: lengthOf(l.DiameterCM, "cm").Value})
	}
	return out
}

func (f TreeFacts) obstacles() (out []tree.Obstacle) {
	for _, o := range f.Obstacles {
		out = append(out, tree.Obstacle{Tree: f.Tag, Stem: o.Stem, FromDeg: o.FromDeg, ToDeg: o.ToDeg, Kind: o.Kind})
	}
	return out
}

func textOf(l q.Opt[q.Length], unit string) string {
	if !l.Known {
		return ""
	}
	v := l.Value.Base()
	switch unit {
	case "m":
		v = v.Quo(exact.Int(100))
	case "mm":
		v = v.Mul(exact.Int(10))
	}
	return v.String()
}

func pointer[T any](o q.Opt[T]) *T {
	if !o.Known {
		return nil
	}
	return &o.Value
}

// FactsOf turns a tree of a table into facts.
func FactsOf(t tree.Tree) TreeFacts {
	f := TreeFacts{
		Tag: t.Tag, Species: t.Species, Wood: string(t.Wood), AgeClass: t.AgeClass, Status: string(t.Status),
		HeightM: textOf(t.Height, "m"), CrownM: textOf(t.Crown, "m"), Bearing: pointer(t.Bearing),
		XM: pointer(t.X), YM: pointer(t.Y), Lat: pointer(t.Lat), Lon: pointer(t.Lon),
	}
	if t.CrownLoss.Known {
		f.CrownLossPct = t.CrownLoss.Value.Base().String()
	}
	for _, s := range t.Stems {
		x := StemFacts{Name: s.Name, MeasuredAtM: textOf(s.MeasuredAt, "m"), BarkMM: textOf(s.Bark, "mm"), FlareGirthCM: textOf(s.Flare, "cm")}
		switch {
		case s.Diameter.High.Sign() <= 0: // not taped yet
			if x == (StemFacts{}) {
				continue
			}
		case s.FromGirth:
			x.GirthCM = s.Girth.Low.Base().String()
		default:
			x.DiameterCM = s.Diameter.Low.Base().String()
		}
		f.Stems = append(f.Stems, x)
	}
	return f
}
