package weather

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Status is the verdict on an hour or a window.
type Status string

// In order of weight: a mandatory label rule forbids; nothing is known; practice
// (or an advisory label rule) speaks against it; a fact the label needs is
// missing; all is well.
const (
	Forbidden  Status = "forbidden"
	NoData     Status = "no_data"
	Unsuitable Status = "unsuitable"
	Open       Status = "open"
	Suitable   Status = "suitable"
)

// HourVerdict is what the rules say about one period.
type HourVerdict struct {
	Start  time.Time `json:"start"`
	End    time.Time `json:"end"`
	Status Status    `json:"status"`
	// Best says that the period lies in the hours to take first.
	Best      bool     `json:"best"`
	TempC     *float64 `json:"temp_c,omitempty"`
	RHPct     *float64 `json:"rh_pct,omitempty"`
	VPDKPa    *float64 `json:"vpd_kpa,omitempty"`
	RainMM    *float64 `json:"rain_mm,omitempty"`
	Estimated bool     `json:"estimated,omitempty"`
	Reasons   []Reason `json:"reasons"`
}

// longestGap is the longest gap that is filled period by period.
const longestGap = 366 * 24 * time.Hour

// Assess gives every period of the series a verdict with the say of every rule,
// gaps included. A daily series is spread over hours by EstimateHours first. Where
// an hourly series lacks humidity, the day's least temperature stands for the dew
// point (Eq. 48) and the reason is marked estimated. The problems are those of the
// rules, the site and the estimate; with wrong rules or site there is no verdict.
func Assess(s Series, site Site, rules Rules, sit Situation, o Options) ([]HourVerdict, Problems) {
	ps := slices.Concat(site.Check(), o.Check(), rules.Check())
	if len(ps) > 0 {
		return nil, ps
	}
	estimated := s.Kind == KindDaily
	rainDay := map[Date]*float64{}
	if estimated {
		for _, r := range s.Rows {
			rainDay[r.Date] = r.RainMM
		}
		s, ps = EstimateHours(s, site, o)
	}
	extremes := s.dayExtremes()
	step := s.step1()
	var out []HourVerdict
	for i, row := range s.Rows {
		if i > 0 {
			out = append(out, emptyVerdicts(s.Rows[i-1].Time.Add(step), row.Time, step)...)
		}
		p := period{start: row.Time, end: row.Time.Add(step), temp: row.TempC, rain: row.RainMM, estimated: estimated}
		date := DateOf(row.Time)
		j := date.YearDay()
		angle := SolarHourAngle(row.Time.Add(step/2), siteLongitude(site, s.Loc, date.Year), j)
		p.daylight = DaylightShare(radians(site.LatitudeDeg), j, angle, s.StepH)
		if estimated {
			p.rainDay = rainDay[date]
		}
		p.moisture(row, extremes[date], o)
		out = append(out, rules.verdict(p, sit))
	}
	return out, ps
}

// moisture fills humidity and deficit from whichever column has them.
func (p *period) moisture(row Row, extremes [2]float64, o Options) {
	if row.TempC == nil {
		p.rh = row.RHPct
		return
	}
	var ea float64
	switch {
	case row.VapourKPa != nil:
		ea = *row.VapourKPa
	case row.TdewC != nil:
		ea = VapourFromDewPoint(*row.TdewC)
	case row.RHPct != nil:
		ea = SaturationPressure(*row.TempC) * *row.RHPct / 100
	case extremes != [2]float64{}:
		ea = VapourFromDewPoint(extremes[0] - o.DewPointOffsetC)
		p.humidityByTmin = true
	default:
		return
	}
	vpd, rh := deficit(*row.TempC, ea)
	p.vpd, p.rh = &vpd, &rh
}

// emptyVerdicts fills a gap; one longer than a year gives a single verdict.
func emptyVerdicts(from, to time.Time, step time.Duration) []HourVerdict {
	var out []HourVerdict
	length := step
	if to.Sub(from) > longestGap {
		length = to.Sub(from)
	}
	for t := from; to.Sub(t) >= step/2; t = t.Add(length) {
		end := t.Add(length)
		if end.After(to) {
			end = to
		}
		out = append(out, HourVerdict{Start: t, End: end, Status: NoData, Reasons: []Reason{{Code: RuleNoData, Authority: AuthorityPractice, Effect: EffectUnknown}}})
	}
	return out
}

// verdict weighs the reasons for one period.
func (r Rules) verdict(p period, sit Situation) HourVerdict {
	v := HourVerdict{
		Start: p.start, End: p.end, TempC: p.temp, RHPct: p.rh, VPDKPa: p.vpd, RainMM: p.rain,
		Estimated: p.estimated, Best: r.best(p), Reasons: r.reasons(p, sit), Status: Suitable,
	}
	if p.estimated {
		v.RainMM = nil
	}
	var forbidden, unsuitable, open bool
	for _, reason := range v.Reasons {
		switch {
		case reason.Effect == EffectBlocks && reason.Authority == AuthorityLabel && !r.Label.Advisory:
			forbidden = true
		case reason.Effect == EffectBlocks:
			unsuitable = true
		case reason.Effect == EffectOpen:
			open = true
		}
	}
	switch {
	case forbidden:
		v.Status = Forbidden
	case p.temp == nil && p.rh == nil:
		v.Status = NoData
		v.Reasons = append(v.Reasons, Reason{Code: RuleNoData, Authority: AuthorityPractice, Effect: EffectUnknown})
	case unsuitable:
		v.Status = Unsuitable
	case open:
		v.Status = Open
	}
	return v
}

// WindowReason is a rule's say over a whole window, with the range of its values.
type WindowReason struct {
	Code      string    `json:"code"`
	Authority Authority `json:"authority"`
	Effect    Effect    `json:"effect"`
	Estimated bool      `json:"estimated,omitempty"`
	Low       *float64  `json:"low,omitempty"`
	High      *float64  `json:"high,omitempty"`
	Limit     *float64  `json:"limit,omitempty"`
}

// Window is a run of periods with the same verdict for the same reasons.
type Window struct {
	Start  time.Time `json:"start"`
	End    time.Time `json:"end"`
	HoursH float64   `json:"hours_h"`
	Status Status    `json:"status"`
	// Rank counts the suitable windows from 1, the one to take first; 0 is none.
	Rank int `json:"rank,omitempty"`
	// BestStart and BestEnd bound the hours of the window to take first; BestH is
	// how many they are.
	BestStart *time.Time     `json:"best_start,omitempty"`
	BestEnd   *time.Time     `json:"best_end,omitempty"`
	BestH     float64        `json:"best_h"`
	Estimated bool           `json:"estimated,omitempty"`
	Why       []WindowReason `json:"why"`
}

// Windows joins verdicts, in order of time, into windows: a new one begins where
// time breaks off, the status changes, or what stands against treatment changes.
// Suitable windows are ranked by how many of their hours are in the hours to take
// first, then by length, then by time. The verdicts are not changed.
func Windows(verdicts []HourVerdict) []Window {
	var out []Window
	previous := ""
	for _, v := range verdicts {
		key := v.against()
		if n := len(out); n == 0 || key != previous || !out[n-1].End.Equal(v.Start) {
			out = append(out, Window{Start: v.Start, End: v.Start, Status: v.Status})
			previous = key
		}
		out[len(out)-1].take(v)
	}
	var suitable []int
	for i, w := range out {
		if w.Status == Suitable {
			suitable = append(suitable, i)
		}
	}
	slices.SortStableFunc(suitable, func(a, b int) int {
		return cmp.Or(cmp.Compare(out[b].BestH, out[a].BestH), cmp.Compare(out[b].HoursH, out[a].HoursH), out[a].Start.Compare(out[b].Start))
	})
	for rank, i := range suitable {
		out[i].Rank = rank + 1
	}
	return out
}

// against names the status and what blocks the period or leaves it open.
func (v HourVerdict) against() string {
	parts := []string{string(v.Status)}
	for _, r := range v.Reasons {
		if r.Effect == EffectBlocks || r.Effect == EffectOpen {
			parts = append(parts, r.Code)
		}
	}
	return strings.Join(parts, " ")
}

func (w *Window) take(v HourVerdict) {
	w.End = v.End
	w.HoursH += v.End.Sub(v.Start).Hours()
	w.Estimated = w.Estimated || v.Estimated
	if v.Best && v.Status == Suitable {
		if w.BestStart == nil {
			w.BestStart = new(v.Start)
		}
		w.BestEnd = new(v.End)
		w.BestH += v.End.Sub(v.Start).Hours()
	}
	for _, r := range v.Reasons {
		i := slices.IndexFunc(w.Why, func(x WindowReason) bool { return x.Code == r.Code && x.Effect == r.Effect })
		if i < 0 {
			i = len(w.Why)
			w.Why = append(w.Why, WindowReason{Code: r.Code, Authority: r.Authority, Effect: r.Effect, Limit: r.Limit})
		}
		x := &w.Why[i]
		x.Estimated = x.Estimated || r.Estimated
		if r.Value != nil {
			if x.Low == nil || *r.Value < *x.Low {
				x.Low = new(*r.Value)
			}
			if x.High == nil || *r.Value > *x.High {
				x.High = new(*r.Value)
			}
		}
	}
}
