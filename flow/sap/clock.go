package sap

import (
	"math"
	"sort"
)

// Day is the weather and the state of the leaves on one day.
type Day struct {
	ET0Mm  float64 // reference evapotranspiration, mm/d
	Stress float64 // water stress Ks, 0..1 (1: none)
	MeanC  float64 // mean air temperature, degrees Celsius
	// Leafless: the crown does not transpire (dormancy).
	Leafless bool
	// LeafOut: the new ring's conduits open at the start of this day.
	LeafOut bool
	// LeafFall: the leaves, with what they hold, fall at the start of this day.
	LeafFall bool
	// SunriseH and SunsetH bound the flow within the day by half a sine wave;
	// both zero: the flow is spread evenly over the 24 hours.
	SunriseH, SunsetH float64
}

// Tree is what the clock needs to know of a tree.
type Tree struct {
	CropCoefficient float64 // per crown projection
	CrownM2         float64 // crown projection
	SapwoodM2       float64 // conducting area
	MaxFluxMPerD    float64 // cap on the flux density
	// LeaflessShare of the season's peak flux flows on a leafless day: 0 is
	// strict dormancy, MODEL 1.1 gives 0.03.
	LeaflessShare float64
}

// Medium is how the sapwood holds an active back.
type Medium struct {
	WaterFraction float64 // theta, m3 water per m3 wood
	Retardation   float64 // Rbar >= 1
}

// Loss is first-order loss with temperature.
type Loss struct {
	HalfLifeD float64 // at 20 degrees Celsius; +Inf or 0: no loss
	Q10       float64 // factor per 10 K; 0 means the default 2.2
}

// DefaultQ10 is the factor by which losses grow over 10 K (MODEL 1.2: 2.0 to
// 2.6, from memory).
const DefaultQ10 = 2.2

// Rate returns the loss rate at a temperature in 1/d (MODEL 1.2):
//
//	mu = ln 2/half-life * Q10^((T-20)/10)
func (l Loss) Rate(meanC float64) float64 {
	if l.HalfLifeD == 0 || math.IsInf(l.HalfLifeD, 1) {
		return 0
	}
	q := l.Q10
	if q == 0 {
		q = DefaultQ10
	}
	return math.Ln2 / l.HalfLifeD * math.Pow(q, (meanC-20)/10)
}

// Moment is the state of the clock at a time.
type Moment struct {
	TimeD     float64 // days since the start of the series
	DistanceM float64 // sap distance X since the start
	Loss      float64 // Lambda, the integral of the loss rate since the start
	WaterM3   float64 // sap that has passed the stem since the start
	Springs   int     // leaf-outs passed
	LeafFalls int     // leaf falls passed
}

// Since returns m counted from an earlier moment, the time of application.
func (m Moment) Since(start Moment) Moment {
	return Moment{
		TimeD: m.TimeD - start.TimeD, DistanceM: m.DistanceM - start.DistanceM, Loss: m.Loss - start.Loss,
		WaterM3: m.WaterM3 - start.WaterM3, Springs: m.Springs - start.Springs, LeafFalls: m.LeafFalls - start.LeafFalls,
	}
}

// Clock is the sap distance of a tree over a series of days:
//
//	X(t) = integral of q(t')/(theta Rbar) dt'
//
// It stands still at night and in dormancy (MODEL 1.2). Use NewClock.
type Clock struct {
	bounds []Moment // at the start of each day, and at the end of the last
	days   []Day
	flux   []float64
}

// NewClock lays a clock over consecutive days. A warning FluxCapped carries the
// largest flux wanted, the cap and the number of days on which it bound.
// Errors: *InputError for an impossible value; no days.
func NewClock(t Tree, m Medium, l Loss, days []Day) (*Clock, []Warning, error) {
	err := Check(
		NotNegative("crop_coefficient", t.CropCoefficient), NotNegative("crown_m2", t.CrownM2),
		Positive("sapwood_m2", t.SapwoodM2), Positive("max_flux_m_d", t.MaxFluxMPerD), Fraction("leafless_share", t.LeaflessShare),
		Need{"water_fraction", m.WaterFraction, m.WaterFraction > 0 && m.WaterFraction <= 1, "above 0 and at most 1"},
		Need{"retardation", m.Retardation, m.Retardation >= 1 && !math.IsInf(m.Retardation, 1), "1 or more"},
		Need{"half_life_d", l.HalfLifeD, l.HalfLifeD >= 0, "0 or more"},
		Need{"q10", l.Q10, l.Q10 >= 0 && !math.IsInf(l.Q10, 1), "a finite number of 0 or more"},
		Need{"days", float64(len(days)), len(days) > 0, "at least one day"},
	)
	if err != nil {
		return nil, nil, err
	}
	c := &Clock{days: append([]Day(nil), days...), flux: make([]float64, len(days)), bounds: make([]Moment, len(days)+1)}
	capped := Warning{Code: FluxCapped, Limit: t.MaxFluxMPerD}
	peak := 0.0
	for i, d := range days {
		if err := d.check(); err != nil {
			return nil, nil, err
		}
		if d.Leafless {
			continue
		}
		water, err := Transpiration(d.ET0Mm, t.CropCoefficient, t.CrownM2, d.Stress)
		if err != nil {
			return nil, nil, err
		}
		q, w, err := Flux(water, t.SapwoodM2, t.MaxFluxMPerD)
		if err != nil {
			return nil, nil, err
		}
		if w != nil {
			capped.Count++
			capped.Value = max(capped.Value, w.Value)
		}
		c.flux[i] = q
		peak = max(peak, q)
	}
	for i, d := range days {
		if d.Leafless {
			c.flux[i] = t.LeaflessShare * peak
		}
		b := &c.bounds[i]
		if d.LeafOut {
			b.Springs++
		}
		if d.LeafFall {
			b.LeafFalls++
		}
		c.bounds[i+1] = Moment{
			TimeD:     float64(i + 1),
			DistanceM: b.DistanceM + c.flux[i]/(m.WaterFraction*m.Retardation),
			Loss:      b.Loss + l.Rate(d.MeanC),
			WaterM3:   b.WaterM3 + float64(c.flux[i]*t.SapwoodM2),
			Springs:   b.Springs, LeafFalls: b.LeafFalls,
		}
	}
	var warnings []Warning
	if capped.Count > 0 {
		warnings = append(warnings, capped)
	}
	return c, warnings, nil
}

func (d Day) check() error {
	return Check(
		NotNegative("et0_mm_d", d.ET0Mm), Fraction("stress", d.Stress), Finite("mean_c", d.MeanC),
		Need{"sunrise_h", d.SunriseH, d.SunriseH >= 0 && d.SunriseH <= d.SunsetH, "0 or more and no later than sunset"},
		Need{"sunset_h", d.SunsetH, d.SunsetH <= 24, "24 or less"},
	)
}

// passed returns the share of a day's flow that has passed at a fraction of the
// day: half a sine wave over daylight, or even flow.
func (d Day) passed(fraction float64) float64 {
	if d.SunsetH <= d.SunriseH {
		return fraction
	}
	phase := (24*fraction - d.SunriseH) / (d.SunsetH - d.SunriseH)
	return (1 - math.Cos(math.Pi*min(1, max(0, phase)))) / 2
}

// LengthD returns the number of days the clock covers.
func (c *Clock) LengthD() float64 { return float64(len(c.days)) }

// FluxMPerD returns the mean sap flux density of day i (0-based), or 0 outside
// the series.
func (c *Clock) FluxMPerD(i int) float64 {
	if i < 0 || i >= len(c.flux) {
		return 0
	}
	return c.flux[i]
}

// Bounds returns the moments at the start of every day and at the end of the
// last; the caller owns the slice.
func (c *Clock) Bounds() []Moment { return append([]Moment(nil), c.bounds...) }

// At returns the moment at a time in days from the start of the series.
// Error: a time outside 0..LengthD.
func (c *Clock) At(timeD float64) (Moment, error) {
	if err := Check(Need{"time_d", timeD, timeD >= 0 && timeD <= c.LengthD(), "a time inside the series"}); err != nil {
		return Moment{}, err
	}
	i := min(int(timeD), len(c.days)-1)
	a, b := c.bounds[i], c.bounds[i+1]
	if timeD == b.TimeD {
		return b, nil
	}
	fraction := timeD - a.TimeD
	share := c.days[i].passed(fraction)
	return Moment{
		TimeD:     timeD,
		DistanceM: a.DistanceM + float64(share*(b.DistanceM-a.DistanceM)),
		Loss:      a.Loss + float64(fraction*(b.Loss-a.Loss)),
		WaterM3:   a.WaterM3 + float64(share*(b.WaterM3-a.WaterM3)),
		Springs:   a.Springs, LeafFalls: a.LeafFalls,
	}, nil
}

// Path returns the moments from a time of application to the end of the series,
// at the application and then at every day boundary, counted from the
// application: what package plume follows. Error: a time outside the series.
func (c *Clock) Path(fromD float64) ([]Moment, error) {
	start, err := c.At(fromD)
	if err != nil {
		return nil, err
	}
	path := []Moment{{}}
	for _, b := range c.bounds {
		if b.TimeD > fromD {
			path = append(path, b.Since(start))
		}
	}
	return path, nil
}

// Reaches returns the first time, in days, at which the sap distance is at
// least the one asked for; false if the series ends before.
func (c *Clock) Reaches(distanceM float64) (float64, bool) {
	if distanceM <= 0 {
		return 0, true
	}
	i := sort.Search(len(c.bounds), func(i int) bool { return c.bounds[i].DistanceM >= distanceM })
	if i == len(c.bounds) {
		return 0, false
	}
	a, b, d := c.bounds[i-1], c.bounds[i], c.days[i-1]
	share := (distanceM - a.DistanceM) / (b.DistanceM - a.DistanceM)
	if d.SunsetH <= d.SunriseH {
		return a.TimeD + share, true
	}
	hour := d.SunriseH + (d.SunsetH-d.SunriseH)*math.Acos(1-2*share)/math.Pi
	return a.TimeD + hour/24, true
}
