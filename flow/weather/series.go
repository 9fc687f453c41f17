package weather

import (
	"sort"
	"time"
)

// Row is one line of a weather table. A daily row has a Date, an hourly row a
// Time; nil means no value. SolarMJM2 is of the whole day or period.
type Row struct {
	Date Date      `json:"date,omitzero"`
	Time time.Time `json:"time,omitzero"`

	TminC     *float64 `json:"tmin_c,omitempty"`
	TmaxC     *float64 `json:"tmax_c,omitempty"`
	TmeanC    *float64 `json:"tmean_c,omitempty"`
	RHMinPct  *float64 `json:"rhmin_pct,omitempty"`
	RHMaxPct  *float64 `json:"rhmax_pct,omitempty"`
	RHMeanPct *float64 `json:"rhmean_pct,omitempty"`
	TdewC     *float64 `json:"tdew_c,omitempty"`
	VapourKPa *float64 `json:"vapour_kpa,omitempty"`
	WindMS    *float64 `json:"wind_ms,omitempty"`
	SolarMJM2 *float64 `json:"solar_mj_m2,omitempty"`
	SunshineH *float64 `json:"sunshine_h,omitempty"`
	RainMM    *float64 `json:"rain_mm,omitempty"`
	TempC     *float64 `json:"temp_c,omitempty"`
	RHPct     *float64 `json:"rh_pct,omitempty"`
}

// columns lists the value columns in the order of the table's description.
var columns = []struct {
	name  string
	field func(*Row) **float64
}{
	{"tmin_c", func(r *Row) **float64 { return &r.TminC }},
	{"tmax_c", func(r *Row) **float64 { return &r.TmaxC }},
	{"tmean_c", func(r *Row) **float64 { return &r.TmeanC }},
	{"rhmin_pct", func(r *Row) **float64 { return &r.RHMinPct }},
	{"rhmax_pct", func(r *Row) **float64 { return &r.RHMaxPct }},
	{"rhmean_pct", func(r *Row) **float64 { return &r.RHMeanPct }},
	{"tdew_c", func(r *Row) **float64 { return &r.TdewC }},
	{"vapour_kpa", func(r *Row) **float64 { return &r.VapourKPa }},
	{"wind_ms", func(r *Row) **float64 { return &r.WindMS }},
	{"solar_mj_m2", func(r *Row) **float64 { return &r.SolarMJM2 }},
	{"sunshine_h", func(r *Row) **float64 { return &r.SunshineH }},
	{"rain_mm", func(r *Row) **float64 { return &r.RainMM }},
	{"temp_c", func(r *Row) **float64 { return &r.TempC }},
	{"rh_pct", func(r *Row) **float64 { return &r.RHPct }},
}

// Columns returns the names of the value columns a weather table may have.
func Columns() []string {
	out := make([]string, len(columns))
	for i, c := range columns {
		out[i] = c.name
	}
	return out
}

// Set puts a value into the column of that name and reports whether there is one.
func (r *Row) Set(column string, value float64) bool {
	for _, c := range columns {
		if c.name == column {
			*c.field(r) = &value
			return true
		}
	}
	return false
}

// Get returns the value of a column, nil if it has none.
func (r Row) Get(column string) *float64 {
	for _, c := range columns {
		if c.name == column {
			return *c.field(&r)
		}
	}
	return nil
}

// Kind tells daily from hourly data.
type Kind string

// The kinds of series.
const (
	KindDaily  Kind = "daily"
	KindHourly Kind = "hourly"
)

// SeriesOptions say how the table's stamps are meant.
type SeriesOptions struct {
	// Location is the time zone of the site; nil means UTC.
	Location *time.Location
	// StampsEnd says that the time of an hourly row is the end of its period, as
	// many loggers write it. Otherwise it is the start.
	StampsEnd bool
}

// Series is a checked weather record: sorted, one row a date or period, values
// that cannot be true taken out. Make it with NewSeries.
type Series struct {
	Kind Kind
	Loc  *time.Location
	// StepH is the length of an hourly row's period in hours, 24 for a day.
	StepH float64
	// Rows are in order. The Time of an hourly row is the start of its period.
	Rows []Row
	// Source holds for each of Rows its place in the rows as given.
	Source []int
}

// NewSeries checks rows and puts them in order. It returns what can be used and
// everything found wrong; the caller decides, by Problems.Err, whether errors
// stop the work. The given rows are not changed. A table with both dates and
// times, or no rows, gives an empty series.
func NewSeries(rows []Row, o SeriesOptions) (Series, Problems) {
	loc := o.Location
	if loc == nil {
		loc = time.UTC
	}
	s := Series{Kind: KindDaily, Loc: loc, StepH: 24}
	var ps Problems
	if len(rows) == 0 {
		ps.add(Problem{Row: NoRow, Code: CodeEmpty})
		return s, ps
	}
	dates, times := 0, 0
	for i, r := range rows {
		switch {
		case !r.Time.IsZero():
			times++
		case r.Date.Valid():
			dates++
		case r.Date.IsZero():
			ps.add(Problem{Row: i, Code: CodeNoStamp})
			continue
		default:
			ps.add(Problem{Row: i, Column: "date", Code: CodeDateInvalid, Args: map[string]any{"text": r.Date.String()}})
			continue
		}
		r.Time = inZone(r.Time, loc)
		s.Rows = append(s.Rows, r)
		s.Source = append(s.Source, i)
	}
	if dates > 0 && times > 0 {
		ps.add(Problem{Row: NoRow, Code: CodeMixed, Args: map[string]any{"dates": dates, "times": times}})
		s.Rows, s.Source = nil, nil
		return s, ps
	}
	if times > 0 {
		s.Kind = KindHourly
	}
	s.order(&ps)
	if s.Kind == KindHourly {
		s.step(&ps)
		if o.StampsEnd {
			for i := range s.Rows {
				s.Rows[i].Time = s.Rows[i].Time.Add(-s.step1())
			}
		}
	}
	s.gaps(&ps)
	s.values(&ps)
	sort.SliceStable(ps, func(a, b int) bool { return ps[a].Row < ps[b].Row })
	return s, ps
}

func inZone(t time.Time, loc *time.Location) time.Time {
	if t.IsZero() {
		return t
	}
	return t.In(loc)
}

// instant orders rows of both kinds.
func (s Series) instant(i int) time.Time {
	if s.Kind == KindHourly {
		return s.Rows[i].Time
	}
	return s.Rows[i].Date.utc()
}

func (s Series) stampColumn() string {
	if s.Kind == KindHourly {
		return "time"
	}
	return "date"
}

func (s Series) stampText(i int) string {
	if s.Kind == KindHourly {
		return s.Rows[i].Time.Format(time.RFC3339)
	}
	return s.Rows[i].Date.String()
}

// order sorts the rows and drops repeated stamps, keeping the row given first.
func (s *Series) order(ps *Problems) {
	reported := false
	for i := 1; i < len(s.Rows) && !reported; i++ {
		if s.instant(i).Before(s.instant(i - 1)) {
			ps.add(Problem{Row: s.Source[i], Column: s.stampColumn(), Code: CodeUnordered, Severity: SeverityWarning, Args: map[string]any{"stamp": s.stampText(i)}})
			reported = true
		}
	}
	index := make([]int, len(s.Rows))
	for i := range index {
		index[i] = i
	}
	sort.SliceStable(index, func(a, b int) bool { return s.instant(index[a]).Before(s.instant(index[b])) })
	sorted := Series{Kind: s.Kind, Loc: s.Loc, StepH: s.StepH}
	for _, i := range index {
		if n := len(sorted.Rows); n > 0 && sorted.instant(n-1).Equal(s.instant(i)) {
			ps.add(Problem{Row: s.Source[i], Column: s.stampColumn(), Code: CodeDuplicate, Args: map[string]any{"stamp": s.stampText(i), "kept_row": sorted.Source[n-1] + 1}})
			continue
		}
		sorted.Rows = append(sorted.Rows, s.Rows[i])
		sorted.Source = append(sorted.Source, s.Source[i])
	}
	*s = sorted
}

// step finds the commonest distance between rows, the shortest on a tie.
func (s *Series) step(ps *Problems) {
	s.StepH = 1
	count := map[time.Duration]int{}
	for i := 1; i < len(s.Rows); i++ {
		count[s.Rows[i].Time.Sub(s.Rows[i-1].Time)]++
	}
	var best time.Duration
	for d, n := range count {
		if best == 0 || n > count[best] || (n == count[best] && d < best) {
			best = d
		}
	}
	if best == 0 {
		return
	}
	if best < 15*time.Minute || best > time.Hour {
		ps.add(Problem{Row: NoRow, Column: "time", Code: CodeStep, Args: map[string]any{"step_min": best.Minutes()}})
		return
	}
	s.StepH = best.Hours()
}

func (s Series) step1() time.Duration { return hoursToDuration(s.StepH) }

// gaps reports missing rows and, in hourly data, changes of the clock.
func (s Series) gaps(ps *Problems) {
	for i := 1; i < len(s.Rows); i++ {
		missing := 0
		if s.Kind == KindDaily {
			missing = s.Rows[i-1].Date.daysUntil(s.Rows[i].Date) - 1
		} else {
			step := s.step1()
			missing = int((s.Rows[i].Time.Sub(s.Rows[i-1].Time) - step/2) / step)
			_, before := s.Rows[i-1].Time.Zone()
			_, after := s.Rows[i].Time.Zone()
			if before != after {
				ps.add(Problem{Row: s.Source[i], Column: "time", Code: CodeClockChange, Severity: SeverityNote, Args: map[string]any{
					"before_h": float64(before) / 3600, "after_h": float64(after) / 3600}})
			}
		}
		if missing > 0 {
			ps.add(Problem{Row: s.Source[i], Column: s.stampColumn(), Code: CodeGap, Severity: SeverityWarning, Args: map[string]any{
				"missing_rows": missing, "after": s.stampText(i - 1), "before": s.stampText(i)}})
		}
	}
}
