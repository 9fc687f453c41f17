package exchange

import (
	"bytes"
	"strings"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
)

// widest is the bound on a value that the core judges.
const widest = 1e9

var (
	alsoTree      = []string{"tag", "arbol"}
	alsoTreatment = []string{"tratamiento", "trt"}
	alsoDay       = []string{"dia", "days", "dias"}
	alsoDate      = []string{"fecha"}
)

const (
	ratingTree = iota
	ratingTreatment
	ratingDay
	ratingDate
	ratingPct
	ratingClass
	ratingStatus
	ratingPort
	ratingClosure
	ratingClosed
	ratingCause
	ratingClassMax
)

var ratingSpec = Spec{What: "ratings", Columns: []Column{
	ratingTree:      {Name: "tree", Need: true, Also: alsoTree},
	ratingTreatment: {Name: "treatment", Need: true, Also: alsoTreatment},
	ratingDay:       {Name: "day", Kind: Number, Also: alsoDay},
	ratingDate:      {Name: "date", Also: alsoDate},
	ratingPct:       {Name: "rating_pct", Kind: Number, Also: []string{"severity_pct", "nota_pct", "severidad_pct"}},
	ratingClass:     {Name: "class", Kind: Number, Also: []string{"clase"}},
	ratingStatus:    {Name: "status", Also: []string{"estado"}},
	ratingPort:      {Name: "port", Also: []string{"puerto", "agujero"}},
	ratingClosure:   {Name: "closure_pct", Kind: Number, Also: []string{"cierre_pct"}},
	ratingClosed:    {Name: "closed", Also: []string{"cerrado", "cerrada"}},
	ratingCause:     {Name: "cause", Also: []string{"causa"}},
	ratingClassMax:  {Name: "class_max", Kind: Number, Also: []string{"clase_max"}},
}, OneOf: [][]int{{ratingDay, ratingDate}, {ratingPct, ratingClass, ratingClosure, ratingClosed}}}

var ratingStates = map[string]health.Status{
	"seen": health.Seen, "missed": health.Missed, "dead": health.Died, "removed": health.Removed,
	"visto": health.Seen, "perdido": health.Missed, "muerto": health.Died, "retirado": health.Removed,
}

// causeWords are the causes as tables name them, in plain form.
var causeWords = map[string]health.Cause{
	"disease": health.CauseDisease, "enfermedad": health.CauseDisease,
	"other_disease": health.CauseOtherIll, "otra_enfermedad": health.CauseOtherIll,
	"insects": health.CauseInsects, "insect": health.CauseInsects, "insectos": health.CauseInsects,
	"animals": health.CauseAnimals, "animal": health.CauseAnimals, "animales": health.CauseAnimals,
	"drought": health.CauseDrought, "sequia": health.CauseDrought,
	"waterlogging": health.CauseWaterlogged, "encharcamiento": health.CauseWaterlogged,
	"frost": health.CauseFrost, "helada": health.CauseFrost,
	"wind": health.CauseWind, "viento": health.CauseWind,
	"fire": health.CauseFire, "fuego": health.CauseFire,
	"machine": health.CauseMachine, "maquina": health.CauseMachine,
	"treatment": health.CauseTreatment, "tratamiento": health.CauseTreatment,
	"unknown": health.CauseUnknown, "desconocida": health.CauseUnknown,
	"other": health.CauseOther, "otra": health.CauseOther,
}

// cause reads the cell of the cause: a word of the list, or other: and words.
func (r *Row) cause() (health.Cause, string) {
	if !r.Has(ratingCause) {
		return health.CauseNone, ""
	}
	text := r.Text(ratingCause)
	if word, note, told := strings.Cut(text, ":"); told && causeWords[plain(word)] == health.CauseOther {
		return health.CauseOther, strings.TrimSpace(note)
	}
	c, ok := Choice(r, ratingCause, causeWords)
	if !ok {
		return health.CauseNone, ""
	}
	return c, ""
}

// CauseText is a cause as a table carries it.
func CauseText(c health.Cause, note string) string {
	if c == health.CauseOther && note != "" {
		return string(c) + ": " + note
	}
	return string(c)
}

// ReadRatings reads RATINGS.csv: tree, treatment, day or date, and rating_pct
// or class; status and cause are optional. Dates are counted from zero, or from the first
// date of the file.
func ReadRatings(path string, zero civil.Date) (*Followed[health.Rating], error) {
	f, _, err := woundedRatings(input{name: path}, zero)
	return f, err
}

// ReadWoundedRatings is ReadRatings for a file that may tell of wounds too:
// port, and closure_pct or closed. A row with a wound and no rating is no
// missed visit. The closures are nil for a file without such columns.
func ReadWoundedRatings(path string, zero civil.Date) (*Followed[health.Rating], []health.Closure, error) {
	return woundedRatings(input{name: path}, zero)
}

func woundedRatings(in input, zero civil.Date) (*Followed[health.Rating], []health.Closure, error) {
	f, err := readFollowed(in, &ratingSpec, zero, true, woundedRating, func(x *ratedPort, day float64, dated bool, w finding.Where) {
		x.rating.Day, x.rating.Dated, x.rating.Where = day, dated, w
		x.closure.Day, x.closure.Dated, x.closure.Where = day, dated, w
	})
	if err != nil {
		return nil, nil, err
	}
	out := &Followed[health.Rating]{Summary: f.Summary, Dated: f.Dated, DayZero: f.DayZero, ZeroFrom: f.ZeroFrom, places: f.places}
	var wounds []health.Closure
	for _, r := range f.Rows {
		if r.wound {
			wounds = append(wounds, r.closure)
		}
		if !r.wound || r.rated {
			out.Rows = append(out.Rows, r.rating)
		}
	}
	out, err = alike(out, nil, func(x health.Rating) string { return x.Treatment })
	return out, wounds, err
}

// ratedPort is a row that may hold a rating, a wound or both.
type ratedPort struct {
	rating       health.Rating
	closure      health.Closure
	rated, wound bool
}

func woundedRating(r *Row) followedRow[ratedPort] {
	f := rating(r)
	x := ratedPort{rating: f.row, rated: r.Has(ratingPct) || r.Has(ratingClass) || r.Has(ratingStatus), wound: r.Has(ratingClosure) || r.Has(ratingClosed)}
	x.closure = health.Closure{Tree: f.row.Tree, Treatment: f.row.Treatment, Port: r.Text(ratingPort), Pct: r.some(ratingClosure, -widest)}
	if v, ok := r.YesNo(ratingClosed); ok {
		x.closure.Closed = &v
	}
	return followedRow[ratedPort]{row: x, day: f.day, from: f.from, places: f.places}
}

// alike notes treatments whose names differ only in capitals, accents or
// blanks: one treatment written in two ways would be compared with itself.
func alike[T any](f *Followed[T], err error, treatment func(T) string) (*Followed[T], error) {
	if err != nil {
		return nil, err
	}
	first, said := map[string]string{}, map[string]bool{}
	for _, r := range f.Rows {
		name := treatment(r)
		if said[name] {
			continue
		}
		said[name] = true
		if other, ok := first[plain(name)]; ok {
			f.Notes = append(f.Notes, finding.Finding{ID: "treatments-alike", Severity: finding.Warning, Authority: finding.ByEstimate, Args: finding.Args{"treatment": finding.Text(name), "other": finding.Text(other)}})
		} else {
			first[plain(name)] = name
		}
	}
	return f, nil
}

func rating(r *Row) followedRow[health.Rating] {
	x := health.Rating{Tree: r.Tag(ratingTree), Treatment: r.Text(ratingTreatment)}
	x.Pct, x.Class = r.some(ratingPct, -widest), r.some(ratingClass, -widest)
	if top, ok := r.Float(ratingClassMax, 0, widest); ok {
		x.ClassMax = top
	}
	x.Status, _ = Choice(r, ratingStatus, ratingStates)
	x.Cause, x.CauseNote = r.cause()
	if x.Pct == nil && x.Class == nil && !r.Has(ratingPct) && !r.Has(ratingClass) && !r.Has(ratingStatus) {
		x.Status = health.Missed // an empty cell is a visit without a rating
	}
	day, _ := r.dayOrDate(ratingDay, ratingDate)
	return followedRow[health.Rating]{row: x, day: day, places: r.placesOf([atCells]Col{
		r.either(ratingDay, ratingDate), ratingTree, ratingTreatment, r.either(ratingPct, ratingClass, ratingClosure, ratingClosed), ratingStatus})}
}

// some is a number that may be left out.
func (r *Row) some(c Col, low float64) *float64 {
	if x, ok := r.Float(c, low, widest); ok {
		return &x
	}
	return nil
}

const (
	deathTree = iota
	deathTreatment
	deathDays
	deathDate
	deathFrom
	deathDied
	deathStratum
)

// ReadDeaths reads DEATHS.csv: tree, treatment, died, and days under watch, or
// the date of death or of the last look. Dates need zero, or a column
// from_date with each tree's own day 0. strata names one more column.
func ReadDeaths(path string, zero civil.Date, strata string) (*Followed[health.Death], error) {
	return deaths(input{name: path}, zero, strata)
}

func deaths(in input, zero civil.Date, strata string) (*Followed[health.Death], error) {
	spec := Spec{What: "deaths", Columns: []Column{
		deathTree:      {Name: "tree", Need: true, Also: alsoTree},
		deathTreatment: {Name: "treatment", Need: true, Also: alsoTreatment},
		deathDays:      {Name: "days", Kind: Number, Also: []string{"day", "dias", "dia"}},
		deathDate:      {Name: "date", Also: alsoDate},
		deathFrom:      {Name: "from_date", Also: []string{"start_date", "treated_on", "desde"}},
		deathDied:      {Name: "died", Need: true, Also: []string{"dead", "murio", "muerto"}},
	}, OneOf: [][]int{{deathDays, deathDate}}}
	if strata != "" {
		name := plain(strata)
		taken := name == ""
		for _, c := range spec.Columns {
			taken = taken || c.Name == name
			for _, a := range c.Also {
				taken = taken || a == name
			}
		}
		if taken {
			return nil, finding.Faults{{Class: finding.Usage, ID: "strata-column", Args: finding.Args{"column": finding.Text(strata)}}}
		}
		spec.Columns = append(spec.Columns, Column{Name: name, Need: true})
	}
	f, err := readFollowed(in, &spec, zero, false, func(r *Row) followedRow[health.Death] {
		x := health.Death{Tree: r.Tag(deathTree), Treatment: r.Text(deathTreatment)}
		x.Died, _ = r.YesNo(deathDied)
		if strata != "" {
			x.Stratum = r.Text(deathStratum)
		}
		day, _ := r.dayOrDate(deathDays, deathDate)
		from := civil.Date{}
		if r.at[deathFrom] >= 0 {
			if r.Has(deathFrom) {
				from, _ = r.Date(deathFrom)
			} else {
				r.Fault(deathFrom, "cell-empty", nil)
			}
		}
		at := r.either(deathDays, deathDate)
		return followedRow[health.Death]{row: x, day: day, from: from, places: r.placesOf([atCells]Col{at, deathTree, deathTreatment, at, deathDied})}
	}, func(x *health.Death, day float64, dated bool, w finding.Where) {
		x.Days, x.Dated, x.Where = day, dated, w
	})
	return alike(f, err, func(x health.Death) string { return x.Treatment })
}

const (
	countRole = iota
	countBefore
	countAfter
	countDead
	countTotal
	countBlock
)

var countSpec = Spec{What: "counts", Columns: []Column{
	countRole:   {Name: "role", Need: true, Also: []string{"papel"}},
	countBefore: {Name: "before", Kind: Number, Also: []string{"antes"}},
	countAfter:  {Name: "after", Kind: Number, Also: []string{"despues"}},
	countDead:   {Name: "dead", Kind: Number, Also: []string{"muertos", "diseased", "enfermos"}},
	countTotal:  {Name: "total", Kind: Number, Also: []string{"n"}},
	countBlock:  {Name: "block", Also: []string{"bloque"}},
}, OneOf: [][]int{{countAfter, countDead}}}

var countRoles = map[string]string{
	"treated": "treated", "untreated": "untreated", "tratado": "treated", "tratados": "treated", "no_tratado": "untreated", "no_tratados": "untreated",
	"control": "untreated", "check": "untreated", "testigo": "untreated",
}

// ReadCounts reads COUNTS.csv: role, and before and after, or after alone, or
// dead and total; block is optional.
func ReadCounts(path string) (*Followed[health.Count], error) {
	return counts(input{name: path})
}

func counts(in input) (*Followed[health.Count], error) {
	return readFollowed(in, &countSpec, civil.Date{}, true, func(r *Row) followedRow[health.Count] {
		x := health.Count{Block: r.Text(countBlock)}
		x.Role, _ = Choice(r, countRole, countRoles)
		x.Before, x.After = r.some(countBefore, 0), r.some(countAfter, 0)
		x.Dead, x.Total = r.some(countDead, 0), r.some(countTotal, 0)
		return followedRow[health.Count]{row: x, places: r.placesOf([atCells]Col{-1, -1, countRole, r.either(countDead, countAfter, countTotal, countBefore), -1})}
	}, func(x *health.Count, _ float64, _ bool, w finding.Where) { x.Where = w })
}

const (
	assayTree = iota
	assayDay
	assayDate
	assayMgKg
	assayLimit
	assayHeight
	assayTissue
	assayAzimuth
	assayLimb
)

var assaySpec = Spec{What: "assays", Columns: []Column{
	assayTree:    {Name: "tree", Need: true, Also: alsoTree},
	assayDay:     {Name: "day", Kind: Number, Also: alsoDay},
	assayDate:    {Name: "date", Also: alsoDate},
	assayMgKg:    {Name: "mg_kg", Need: true, Also: []string{"residue_mg_kg", "residuo_mg_kg", "ppm"}},
	assayLimit:   {Name: "detection_limit", Kind: Number, Also: []string{"detection_limit_mg_kg", "lod_mg_kg", "lod", "limite_deteccion", "limite_de_deteccion"}},
	assayHeight:  {Name: "height", Kind: Length, Unit: "m", Also: []string{"altura"}},
	assayTissue:  {Name: "tissue", Also: []string{"tejido"}},
	assayAzimuth: {Name: "azimuth_deg", Kind: Number, Also: []string{"azimut_deg"}},
	assayLimb:    {Name: "limb", Also: []string{"rama"}},
}, OneOf: [][]int{{assayDay, assayDate}}}

// notDetected are the words laboratories write for a non-detect, in plain form.
var notDetected = map[string]bool{"nd": true, "n_d": true, "not_detected": true, "no_detectado": true, "bld": true, "bdl": true, "lod": true}

// ReadAssays reads ASSAYS.csv: tree, day or date, mg_kg; detection_limit,
// height_m, tissue, azimuth_deg and limb are optional. A non-detect is written
// nd or 0 with its detection limit, or as <0.01, which gives the limit itself.
func ReadAssays(path string, zero civil.Date) (*Followed[decline.Assay], error) {
	return assays(input{name: path}, zero)
}

func assays(in input, zero civil.Date) (*Followed[decline.Assay], error) {
	return readFollowed(in, &assaySpec, zero, true, assay, func(x *decline.Assay, day float64, dated bool, w finding.Where) {
		x.Day, x.Dated, x.Where = day, dated, w
	})
}

func assay(r *Row) followedRow[decline.Assay] {
	x := decline.Assay{Tree: r.Tag(assayTree), Tissue: r.Text(assayTissue)}
	if h, ok := r.LengthCm(assayHeight, 20_000); ok {
		m := h.Float() / 100
		x.HeightM = &m
	}
	if a, ok := r.Azimuth(assayAzimuth); ok {
		x.AzimuthDeg = &a
	}
	x.Limb = r.Text(assayLimb)
	limit, given := r.Float(assayLimit, 0, widest)
	if given && limit == 0 {
		r.Fault(assayLimit, "assay-limit-zero", nil)
	}
	unread := r.Has(assayLimit) && (!given || limit == 0) // one fault is enough
	r.residue(&x, limit, given, unread)
	day, _ := r.dayOrDate(assayDay, assayDate)
	return followedRow[decline.Assay]{row: x, day: day, places: r.placesOf([atCells]Col{r.either(assayDay, assayDate), assayTree, -1, assayMgKg, -1})}
}

// residue reads the cell of the residue, a number or a non-detect.
func (r *Row) residue(x *decline.Assay, limit float64, given, unread bool) {
	b := r.cell(assayMgKg)
	if len(b) == 0 {
		return // said already
	}
	number := func(s string) finding.Args {
		return finding.Args{"tree": finding.Text(x.Tree), "limit": finding.Text(s)}
	}
	below, less := bytes.CutPrefix(b, []byte("<"))
	below = trim(below)
	word := plain(string(below))
	switch {
	case less && len(below) > 0 && !notDetected[word]:
		v, fault := q.Number(string(below))
		if fault != nil || v.Sign() <= 0 {
			r.Fault(assayMgKg, "assay-below-unclear", number(""))
			return
		}
		if bytes.IndexByte(below, ',') >= 0 {
			r.see(&r.comma, assayMgKg)
		} else if bytes.IndexByte(below, '.') >= 0 && !r.sheet {
			r.see(&r.dot, assayMgKg)
		}
		x.DetectionLimit = v.Float()
		if given && limit > 0 && limit != x.DetectionLimit {
			r.Fault(assayMgKg, "assay-limits-differ", number(strings.TrimSpace(string(r.cell(assayLimit)))))
		}
	case less || notDetected[word]:
		x.DetectionLimit = limit
		if !given && !unread {
			r.Fault(assayMgKg, "assay-needs-limit", number(""))
		}
	default:
		v, ok := r.Float(assayMgKg, -widest, widest)
		switch {
		case !ok:
		case v == 0:
			x.DetectionLimit = limit
			if !given && !unread {
				r.Fault(assayMgKg, "assay-needs-limit", number(""))
			}
		case v > 0 && given && v < limit:
			r.Fault(assayMgKg, "assay-under-limit", number(strings.TrimSpace(string(r.cell(assayLimit)))))
		default:
			x.MgKg, x.Detected = v, true
		}
	}
}
