package protect

import (
	"encoding/json"
	"math"
	"sort"
)

// Outcome is what one draw says of one treatment. Days count from the
// treatment; +Inf means not within the horizon.
type Outcome struct {
	FirstD   float64   // first day at which coverage is at the target
	LastD    float64   // last such day; the horizon if it ends there
	Days     float64   // days with coverage at the target
	AreaDays float64   // coverage integrated over the days
	Peak     float64   // largest coverage
	Coverage []float64 // at the days of the report
	// The same of the trunk's sapwood, if it was asked for.
	TrunkPeak, TrunkDays, TrunkAreaDays float64
	TrunkCoverage                       []float64
}

// Evaluate returns the outcome of a treatment for every draw, in the order of
// the draws. workers is how many run at once (0: as many as processors); it
// does not change the result. Errors: a value that cannot be used.
func Evaluate(c Case, t Treatment, draws []Draw, workers int) ([]Outcome, error) {
	c, err := c.complete()
	if err != nil {
		return nil, err
	}
	e, err := newEngine(c, t)
	if err != nil {
		return nil, err
	}
	return e.evaluate(draws, workers)
}

func (e *engine) evaluate(draws []Draw, workers int) ([]Outcome, error) {
	out, errs := make([]Outcome, len(draws)), make([]error, len(draws))
	report := make([]float64, 2*len(draws)*len(e.c.ReportD))
	k := len(e.c.ReportD)
	each(len(draws), workers, e.scratch, func(s *scratch, i int) {
		if errs[i] = e.run(s, &draws[i]); errs[i] != nil {
			return
		}
		o := &out[i]
		o.FirstD, o.LastD, o.Days, o.AreaDays, o.Peak = e.follow(s.crown)
		o.Coverage = report[2*i*k : (2*i+1)*k : (2*i+1)*k]
		e.sample(o.Coverage, s.crown)
		if e.c.Trunk {
			_, _, o.TrunkDays, o.TrunkAreaDays, o.TrunkPeak = e.follow(s.trunk)
			o.TrunkCoverage = report[(2*i+1)*k : (2*i+2)*k : (2*i+2)*k]
			e.sample(o.TrunkCoverage, s.trunk)
		}
	})
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// follow reads a coverage curve, straight between nodes.
func (e *engine) follow(f []float64) (first, last, days, area, peak float64) {
	first, last = math.Inf(1), math.Inf(1)
	const slack = 1e-12 // sums of shares
	target := e.c.Target - slack
	for n, now := range f {
		peak = math.Max(peak, math.Min(1, now))
		t := e.nodes[n].time
		if now >= target {
			if math.IsInf(first, 1) {
				first = t
				if n > 0 && f[n-1] < target {
					before := e.nodes[n-1].time
					first = before + (t-before)*(target-f[n-1])/(now-f[n-1])
				}
			}
			last = t
		}
		if n == 0 {
			continue
		}
		before, step := f[n-1], t-e.nodes[n-1].time
		area += step * (before + now) / 2
		switch {
		case before >= target && now >= target:
			days += step
		case now >= target:
			days += step * (now - target) / (now - before)
		case before >= target:
			part := (before - target) / (before - now)
			days += step * part
			last = e.nodes[n-1].time + step*part
		}
	}
	return first, last, days, area, peak
}

// sample fills dst with coverage on the days of the report.
func (e *engine) sample(dst, f []float64) {
	n := 0
	for i, d := range e.c.ReportD {
		for n+1 < len(e.nodes) && e.nodes[n+1].time <= d {
			n++
		}
		dst[i] = f[n]
		if n+1 < len(e.nodes) {
			if step := e.nodes[n+1].time - e.nodes[n].time; step > 0 {
				dst[i] += (f[n+1] - f[n]) * (d - e.nodes[n].time) / step
			}
		}
		dst[i] = math.Min(1, dst[i])
	}
}

// Band is the 10, 50 and 90 % points of a quantity. A point that lies beyond
// the horizon is +Inf, and null in JSON.
type Band struct{ P10, P50, P90 float64 }

// MarshalJSON writes {"p10":...,"p50":...,"p90":...}, null for an infinite
// point.
func (b Band) MarshalJSON() ([]byte, error) {
	p := func(x float64) *float64 {
		if math.IsInf(x, 0) || math.IsNaN(x) {
			return nil
		}
		return &x
	}
	return json.Marshal(struct {
		P10 *float64 `json:"p10"`
		P50 *float64 `json:"p50"`
		P90 *float64 `json:"p90"`
	}{p(b.P10), p(b.P50), p(b.P90)})
}

// UnmarshalJSON reads what MarshalJSON writes.
func (b *Band) UnmarshalJSON(data []byte) error {
	var p struct {
		P10 *float64 `json:"p10"`
		P50 *float64 `json:"p50"`
		P90 *float64 `json:"p90"`
	}
	if err := json.Unmarshal(data, &p); err != nil {
		return err
	}
	read := func(v *float64) float64 {
		if v == nil {
			return math.Inf(1)
		}
		return *v
	}
	*b = Band{read(p.P10), read(p.P50), read(p.P90)}
	return nil
}

// Span returns the ratio of the 90 to the 10 % point; +Inf where one of them is
// 0 or beyond the horizon and the other is not, 1 where both are alike.
func (b Band) Span() float64 {
	switch {
	case b.P10 == b.P90:
		return 1
	case b.P10 <= 0 || math.IsInf(b.P90, 1):
		return math.Inf(1)
	}
	return b.P90 / b.P10
}

// CannotSay tells whether the band spans more than SpanLimit, so that the
// number would mislead (SCIENCE S13).
func (b Band) CannotSay() bool { return b.Span() > SpanLimit }

// BandOf returns the 10, 50 and 90 % points of values (type 7, Hyndman and Fan
// 1996, from memory), where a point next to an infinite value is infinite. The
// values are not changed. No value gives zeros.
func BandOf(values []float64) Band {
	sorted := append([]float64(nil), values...)
	sort.Float64s(sorted)
	return Band{quantile(sorted, 0.1), quantile(sorted, 0.5), quantile(sorted, 0.9)}
}

// quantile is the p quantile of sorted values.
func quantile(sorted []float64, p float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	h := p * float64(len(sorted)-1)
	i := int(h)
	if i+1 >= len(sorted) || h == float64(i) {
		return sorted[min(i, len(sorted)-1)]
	}
	if math.IsInf(sorted[i+1], 1) {
		return sorted[i+1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// BandAt is the band of coverage on one day, in percent of the crown.
type BandAt struct {
	Day      float64 `json:"day_d"`
	Coverage Band    `json:"coverage_pct"`
}

// Summary is what all draws say of one treatment.
type Summary struct {
	FirstD   Band // first day at the target
	LastD    Band
	Days     Band // days at the target
	AreaDays Band
	PeakPct  Band
	Reaches  float64 // share of draws that reach the target within the horizon
	Coverage []BandAt
	// Of the trunk's sapwood, if asked for.
	TrunkPeakPct, TrunkDays Band
	Trunk                   []BandAt
}

// Summarise reduces outcomes to bands. The days of the report are those of the
// case. Errors: a case that cannot be used.
func Summarise(c Case, outcomes []Outcome) (Summary, error) {
	c, err := c.complete()
	if err != nil {
		return Summary{}, err
	}
	of := func(get func(o *Outcome) float64) Band {
		values := make([]float64, len(outcomes))
		for i := range outcomes {
			values[i] = get(&outcomes[i])
		}
		return BandOf(values)
	}
	s := Summary{
		FirstD: of(func(o *Outcome) float64 { return o.FirstD }), LastD: of(func(o *Outcome) float64 { return o.LastD }),
		Days: of(func(o *Outcome) float64 { return o.Days }), AreaDays: of(func(o *Outcome) float64 { return o.AreaDays }),
		PeakPct:      of(func(o *Outcome) float64 { return 100 * o.Peak }),
		TrunkPeakPct: of(func(o *Outcome) float64 { return 100 * o.TrunkPeak }), TrunkDays: of(func(o *Outcome) float64 { return o.TrunkDays }),
	}
	for _, o := range outcomes {
		if !math.IsInf(o.FirstD, 1) {
			s.Reaches += 1 / float64(len(outcomes))
		}
	}
	for i, d := range c.ReportD {
		s.Coverage = append(s.Coverage, BandAt{d, of(func(o *Outcome) float64 { return 100 * o.Coverage[i] })})
		if c.Trunk {
			s.Trunk = append(s.Trunk, BandAt{d, of(func(o *Outcome) float64 { return 100 * o.TrunkCoverage[i] })})
		}
	}
	return s, nil
}

// Chances compares two treatments draw by draw, in whole days: the shares of
// draws in which the first reaches the target on an earlier day than the
// second, a later one, the same one, or neither reaches it; and in which it
// stays at the target for more, or fewer, days. Finer differences than a day
// are no difference to anyone at the tree.
type Chances struct {
	Earlier, Later, Same, Neither float64 // sum to 1
	Longer, Shorter               float64
}

// Compare returns the chances of outcomes a against b, which must come from the
// same draws; draws beyond the shorter list are left out.
func Compare(a, b []Outcome) Chances {
	var earlier, later, same, neither, longer, shorter int
	n := min(len(a), len(b))
	for i := range n {
		switch x, y := math.Ceil(a[i].FirstD), math.Ceil(b[i].FirstD); {
		case math.IsInf(x, 1) && math.IsInf(y, 1):
			neither++
		case x < y:
			earlier++
		case x > y:
			later++
		default:
			same++
		}
		switch x, y := math.Round(a[i].Days), math.Round(b[i].Days); {
		case x > y:
			longer++
		case x < y:
			shorter++
		}
	}
	if n == 0 {
		return Chances{}
	}
	share := func(k int) float64 { return float64(k) / float64(n) }
	return Chances{share(earlier), share(later), share(same), share(neither), share(longer), share(shorter)}
}
