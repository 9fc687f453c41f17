package weather

import (
	"math"
	"slices"
	"time"
)

// Authority says on whose word a reason rests.
type Authority string

// A label reason is the label's; a practice reason is published advice or common
// practice and may be edited; an estimate reason rests on values this package
// made up for hours from a day.
const (
	AuthorityLabel    Authority = "label"
	AuthorityPractice Authority = "practice"
	AuthorityEstimate Authority = "estimate"
)

// Label is what the product's label says about the hour of treatment. Nil and
// empty mean the label is silent.
type Label struct {
	TempMinC *float64     `json:"temp_min_c,omitempty"`
	TempMaxC *float64     `json:"temp_max_c,omitempty"`
	Months   []time.Month `json:"months,omitempty"`
	// HourFromH and HourToH bound the local clock, 0 to 24; from above to means
	// across midnight. A period must lie wholly inside.
	HourFromH      *float64 `json:"hour_from_h,omitempty"`
	HourToH        *float64 `json:"hour_to_h,omitempty"`
	BloomForbidden bool     `json:"bloom_forbidden,omitempty"`
	// Advisory says that the label only advises these: an hour against them is
	// unsuitable, not forbidden.
	Advisory bool `json:"advisory,omitempty"`
}

// Practice is published advice and common practice, editable. Nil and empty turn
// a rule off.
type Practice struct {
	// Daylight asks for the sun to be up for at least half of the period.
	Daylight bool `json:"daylight"`
	// RainMaxMM is the most rain in the period itself.
	RainMaxMM *float64 `json:"rain_max_mm,omitempty"`
	// RainDayMaxMM is the most rain in a day of which only the total is known.
	RainDayMaxMM *float64 `json:"rain_day_max_mm,omitempty"`
	// FogRHPct is the humidity from which the air counts as fog or wet leaf.
	FogRHPct  *float64 `json:"fog_rh_pct,omitempty"`
	VPDMinKPa *float64 `json:"vpd_min_kpa,omitempty"`
	VPDMaxKPa *float64 `json:"vpd_max_kpa,omitempty"`
	TempMaxC  *float64 `json:"temp_max_c,omitempty"`
	// FoliageMonths are the months with leaves out at the site.
	FoliageMonths []time.Month `json:"foliage_months,omitempty"`
	// SoilMoist asks for soil that is neither dry nor waterlogged.
	SoilMoist bool `json:"soil_moist"`
	// BestFromH and BestToH bound the hours of the local clock to take first.
	BestFromH *float64 `json:"best_from_h,omitempty"`
	BestToH   *float64 `json:"best_to_h,omitempty"`
}

// DefaultPractice returns the program's defaults, none of them label or law:
//
//   - daylight, no rain or fog, soil moist, 9 to 12 h first, not above 32 C: advice
//     of extension guides for citrus (University of Florida) and for oaks
//     (California), as collected in the project's rules for timing;
//   - deficit 0.5 to 2 kPa: from memory;
//   - fog from 97 % humidity, and 1 mm as a wet day: program defaults, no source.
//
// The months with foliage are left open: they are the site's.
func DefaultPractice() Practice {
	return Practice{
		Daylight: true, RainMaxMM: new(0.0), RainDayMaxMM: new(1.0), FogRHPct: new(97.0),
		VPDMinKPa: new(0.5), VPDMaxKPa: new(2.0), TempMaxC: new(32.0), SoilMoist: true,
		BestFromH: new(9.0), BestToH: new(12.0),
	}
}

// Rules are all rules for the hour of treatment.
type Rules struct {
	Label    Label    `json:"label"`
	Practice Practice `json:"practice"`
}

// Check lists what is wrong with the rules.
func (r Rules) Check() Problems {
	var ps Problems
	l, p := r.Label, r.Practice
	for _, c := range []struct {
		name   string
		v      *float64
		lo, hi float64
	}{
		{"label.temp_min_c", l.TempMinC, -80, 60}, {"label.temp_max_c", l.TempMaxC, -80, 60},
		{"label.hour_from_h", l.HourFromH, 0, 24}, {"label.hour_to_h", l.HourToH, 0, 24},
		{"practice.rain_max_mm", p.RainMaxMM, 0, 1000}, {"practice.rain_day_max_mm", p.RainDayMaxMM, 0, 1000},
		{"practice.fog_rh_pct", p.FogRHPct, 0, 100}, {"practice.vpd_min_kpa", p.VPDMinKPa, 0, 15},
		{"practice.vpd_max_kpa", p.VPDMaxKPa, 0, 15}, {"practice.temp_max_c", p.TempMaxC, -80, 60},
		{"practice.best_from_h", p.BestFromH, 0, 24}, {"practice.best_to_h", p.BestToH, 0, 24},
	} {
		ps.within(c.name, c.v, c.lo, c.hi)
	}
	for _, c := range []struct {
		name   string
		lo, hi *float64
	}{
		{"label.temp_min_c", l.TempMinC, l.TempMaxC}, {"practice.vpd_min_kpa", p.VPDMinKPa, p.VPDMaxKPa},
	} {
		if c.lo != nil && c.hi != nil && *c.lo > *c.hi {
			ps.add(Problem{Row: NoRow, Column: c.name, Code: CodeOutOfRange, Args: map[string]any{"value": *c.lo, "high": *c.hi}})
		}
	}
	if (l.HourFromH == nil) != (l.HourToH == nil) {
		ps.missing("label.hour_from_h, label.hour_to_h")
	}
	for _, m := range slices.Concat(l.Months, p.FoliageMonths) {
		if m < time.January || m > time.December {
			ps.add(Problem{Row: NoRow, Column: "months", Code: CodeOutOfRange, Args: map[string]any{"value": int(m), "low": 1, "high": 12}})
		}
	}
	return ps
}

// Bloom is the state of flower of the trees.
type Bloom string

// Soil is the state of the soil at the roots.
type Soil string

// States a person reports. Empty means nobody said, which is never taken for an
// answer.
const (
	InBloom         Bloom = "in_bloom"
	NotInBloom      Bloom = "not_in_bloom"
	SoilMoist       Soil  = "moist"
	SoilDry         Soil  = "dry"
	SoilWaterlogged Soil  = "waterlogged"
)

// Situation is what the weather record does not hold.
type Situation struct {
	Bloom Bloom `json:"bloom,omitempty"`
	// BloomFrom and BloomTo, both given, say on which days the trees bloom; they
	// then decide in place of Bloom.
	BloomFrom Date `json:"bloom_from,omitzero"`
	BloomTo   Date `json:"bloom_to,omitzero"`
	Soil      Soil `json:"soil,omitempty"`
}

func (s Situation) bloomOn(d Date) Bloom {
	if s.BloomFrom.Valid() && s.BloomTo.Valid() {
		if d.Before(s.BloomFrom) || s.BloomTo.Before(d) {
			return NotInBloom
		}
		return InBloom
	}
	return s.Bloom
}

// Effect is what a reason does to an hour.
type Effect string

// A rule allows or blocks; a label rule whose fact nobody gave leaves the hour
// open; a practice rule whose fact nobody gave is unknown and does not stop the
// hour; a note informs.
const (
	EffectAllows  Effect = "allows"
	EffectBlocks  Effect = "blocks"
	EffectOpen    Effect = "open"
	EffectUnknown Effect = "unknown"
	EffectNote    Effect = "note"
)

// Codes of the rules. With the effect they make the sentence.
const (
	RuleLabelTempMin   = "label.temperature_min"
	RuleLabelTempMax   = "label.temperature_max"
	RuleLabelMonths    = "label.months"
	RuleLabelHours     = "label.hours"
	RuleLabelBloom     = "label.bloom"
	RuleDaylight       = "practice.daylight"
	RuleRain           = "practice.rain"
	RuleRainDay        = "practice.rain_day"
	RuleFog            = "practice.fog"
	RuleVPDMin         = "practice.vpd_min"
	RuleVPDMax         = "practice.vpd_max"
	RuleTempMax        = "practice.temperature_max"
	RuleFoliage        = "practice.foliage"
	RuleSoil           = "practice.soil"
	RuleNoData         = "data.none"
	RuleHoursEstimated = "hours.estimated_from_day"
)

// Reason is one rule's say about an hour. Value and Limit are in the unit of the
// rule: C, mm, %, kPa, hour of the clock, share of daylight, number of the month.
type Reason struct {
	Code      string    `json:"code"`
	Authority Authority `json:"authority"`
	Effect    Effect    `json:"effect"`
	// Estimated says that Value was estimated, not measured.
	Estimated bool     `json:"estimated,omitempty"`
	Value     *float64 `json:"value,omitempty"`
	Limit     *float64 `json:"limit,omitempty"`
}

// period is what is known of one period when the rules judge it.
type period struct {
	start, end     time.Time
	daylight       float64
	temp, rh, vpd  *float64
	rain, rainDay  *float64
	estimated      bool // temperature and humidity come from a daily curve
	humidityByTmin bool // humidity estimated although temperature was measured
}

// clock returns the local clock at the start and the end, the end in hours after
// the midnight before the start.
func (p period) clock() (from, to float64) {
	h, m, s := p.start.Clock()
	from = float64(h) + float64(m)/60 + float64(s)/3600
	return from, from + p.end.Sub(p.start).Hours()
}

// reasons lets every rule speak about a period.
func (r Rules) reasons(p period, sit Situation) []Reason {
	var out []Reason
	say := func(code string, a Authority, e Effect, estimated bool, value, limit *float64) {
		out = append(out, Reason{Code: code, Authority: a, Effect: e, Estimated: estimated, Value: value, Limit: limit})
	}
	// bound speaks for a rule that compares a value with a limit.
	bound := func(code string, a Authority, estimated bool, value, limit *float64, ok func(v, l float64) bool) {
		switch {
		case limit == nil:
		case value == nil && a == AuthorityLabel:
			say(code, a, EffectOpen, false, nil, limit)
		case value == nil:
			say(code, a, EffectUnknown, false, nil, limit)
		case ok(*value, *limit):
			say(code, a, EffectAllows, estimated, value, limit)
		default:
			say(code, a, EffectBlocks, estimated, value, limit)
		}
	}
	atLeast := func(v, l float64) bool { return v >= l }
	atMost := func(v, l float64) bool { return v <= l }
	below := func(v, l float64) bool { return v < l }
	verdict := func(ok bool) Effect {
		if ok {
			return EffectAllows
		}
		return EffectBlocks
	}
	month, date := p.start.Month(), DateOf(p.start)
	from, to := p.clock()

	l := r.Label
	bound(RuleLabelTempMin, AuthorityLabel, p.estimated, p.temp, l.TempMinC, atLeast)
	bound(RuleLabelTempMax, AuthorityLabel, p.estimated, p.temp, l.TempMaxC, atMost)
	if len(l.Months) > 0 {
		say(RuleLabelMonths, AuthorityLabel, verdict(slices.Contains(l.Months, month)), false, new(float64(month)), nil)
	}
	if l.HourFromH != nil && l.HourToH != nil {
		ok := insideClock(from, to, *l.HourFromH, *l.HourToH)
		limit := l.HourFromH
		if !ok && from >= *l.HourFromH {
			limit = l.HourToH
		}
		say(RuleLabelHours, AuthorityLabel, verdict(ok), false, new(from), limit)
	}
	if l.BloomForbidden {
		e := EffectOpen
		switch sit.bloomOn(date) {
		case InBloom:
			e = EffectBlocks
		case NotInBloom:
			e = EffectAllows
		}
		say(RuleLabelBloom, AuthorityLabel, e, false, nil, nil)
	}

	c := r.Practice
	if c.Daylight {
		bound(RuleDaylight, AuthorityPractice, false, &p.daylight, new(0.5), atLeast)
	}
	if p.estimated {
		bound(RuleRainDay, AuthorityEstimate, true, p.rainDay, c.RainDayMaxMM, atMost)
	} else {
		bound(RuleRain, AuthorityPractice, false, p.rain, c.RainMaxMM, atMost)
	}
	moist := p.estimated || p.humidityByTmin
	bound(RuleFog, AuthorityPractice, moist, p.rh, c.FogRHPct, below)
	bound(RuleVPDMin, AuthorityPractice, moist, p.vpd, c.VPDMinKPa, atLeast)
	bound(RuleVPDMax, AuthorityPractice, moist, p.vpd, c.VPDMaxKPa, atMost)
	bound(RuleTempMax, AuthorityPractice, p.estimated, p.temp, c.TempMaxC, atMost)
	if len(c.FoliageMonths) > 0 {
		say(RuleFoliage, AuthorityPractice, verdict(slices.Contains(c.FoliageMonths, month)), false, new(float64(month)), nil)
	} else {
		say(RuleFoliage, AuthorityPractice, EffectUnknown, false, nil, nil)
	}
	if c.SoilMoist {
		e := EffectUnknown
		switch sit.Soil {
		case SoilMoist:
			e = EffectAllows
		case SoilDry, SoilWaterlogged:
			e = EffectBlocks
		}
		say(RuleSoil, AuthorityPractice, e, false, nil, nil)
	}
	if p.estimated {
		say(RuleHoursEstimated, AuthorityEstimate, EffectNote, true, nil, nil)
	}
	return out
}

// best reports whether a period lies in the hours to take first.
func (r Rules) best(p period) bool {
	c := r.Practice
	if c.BestFromH == nil || c.BestToH == nil {
		return false
	}
	from, to := p.clock()
	return insideClock(from, to, *c.BestFromH, *c.BestToH)
}

// insideClock reports whether the hours from..to lie in open..close; open above
// close reaches across midnight.
func insideClock(from, to, open, shut float64) bool {
	const slack = 1e-9
	if open <= shut {
		return from >= open-slack && to <= shut+slack
	}
	if from >= open-slack {
		return to <= 24+shut+slack
	}
	return to <= shut+slack
}

// deficit returns vapour-pressure deficit and humidity from temperature and
// vapour pressure.
func deficit(tempC, eaKPa float64) (vpd, rh float64) {
	es := SaturationPressure(tempC)
	return math.Max(0, es-eaKPa), math.Min(100, 100*eaKPa/es)
}
