// Package quantity gives every number its unit. Quantities are exact rational
// numbers with a kind the compiler checks: a Volume cannot be added to a
// Length, and no conversion is ever rounded. Rounding happens once, where a
// volume is dispensed or a figure is shown.
package quantity

import (
	"sapward/numeric/exact"
)

// Kind is the phantom type of a quantity; only this package has kinds.
type Kind interface{ kind() *kindInfo }

// kindInfo describes a kind: its name for messages, its axes (numerator over
// denominator) and the base unit in which values are kept.
type kindInfo struct {
	name     string // catalogue key of the kind
	num, den axis
	base     string // base unit, as written for people
}

// Quantity is an exact amount of one kind, kept in the kind's base unit.
type Quantity[K Kind] struct{ v exact.Rat }

// The kinds' phantom types, for generic code that must name one.
type (
	LengthKind          struct{}
	AreaKind            struct{}
	VolumeKind          struct{}
	MassKind            struct{}
	DurationKind        struct{}
	PressureKind        struct{}
	TemperatureKind     struct{}
	PercentKind         struct{}
	DensityKind         struct{}
	MassFractionKind    struct{}
	VolumePerLengthKind struct{}
	VolumePerAreaKind   struct{}
	VolumePerVolumeKind struct{}
	MassPerLengthKind   struct{}
	MassPerAreaKind     struct{}
	CountPerLengthKind  struct{}
)

// The kinds, each with its base unit.
type (
	Length          = Quantity[LengthKind]          // cm
	Area            = Quantity[AreaKind]            // m2
	Volume          = Quantity[VolumeKind]          // mL
	Mass            = Quantity[MassKind]            // g
	Duration        = Quantity[DurationKind]        // h
	Pressure        = Quantity[PressureKind]        // kPa
	Temperature     = Quantity[TemperatureKind]     // degrees Celsius
	Percent         = Quantity[PercentKind]         // per cent of a whole named by the field
	Density         = Quantity[DensityKind]         // g/mL; also content of an active ingredient
	MassFraction    = Quantity[MassFractionKind]    // g per g
	VolumePerLength = Quantity[VolumePerLengthKind] // mL/cm
	VolumePerArea   = Quantity[VolumePerAreaKind]   // mL/m2
	VolumePerVolume = Quantity[VolumePerVolumeKind] // mL/mL; also concentration
	MassPerLength   = Quantity[MassPerLengthKind]   // g/cm
	MassPerArea     = Quantity[MassPerAreaKind]     // g/m2
	CountPerLength  = Quantity[CountPerLengthKind]  // 1/cm
)

func (LengthKind) kind() *kindInfo {
	return &kindInfo{"length", axisLength, axisNone, "cm"}
}
func (AreaKind) kind() *kindInfo { return &kindInfo{"area", axisArea, axisNone, "m2"} }
func (VolumeKind) kind() *kindInfo {
	return &kindInfo{"volume", axisVolume, axisNone, "mL"}
}
func (MassKind) kind() *kindInfo { return &kindInfo{"mass", axisMass, axisNone, "g"} }
func (DurationKind) kind() *kindInfo {
	return &kindInfo{"duration", axisTime, axisNone, "h"}
}
func (PressureKind) kind() *kindInfo {
	return &kindInfo{"pressure", axisPressure, axisNone, "kPa"}
}
func (TemperatureKind) kind() *kindInfo {
	return &kindInfo{"temperature", axisTemperature, axisNone, "°C"}
}
func (PercentKind) kind() *kindInfo {
	return &kindInfo{"percent", axisPercent, axisNone, "%"}
}
func (DensityKind) kind() *kindInfo {
	return &kindInfo{"density", axisMass, axisVolume, "g/mL"}
}
func (MassFractionKind) kind() *kindInfo {
	return &kindInfo{"mass-fraction", axisMass, axisMass, "g/g"}
}
func (VolumePerLengthKind) kind() *kindInfo {
	return &kindInfo{"volume-per-length", axisVolume, axisLength, "mL/cm"}
}
func (VolumePerAreaKind) kind() *kindInfo {
	return &kindInfo{"volume-per-area", axisVolume, axisArea, "mL/m2"}
}
func (VolumePerVolumeKind) kind() *kindInfo {
	return &kindInfo{"volume-per-volume", axisVolume, axisVolume, "mL/mL"}
}
func (MassPerLengthKind) kind() *kindInfo {
	return &kindInfo{"mass-per-length", axisMass, axisLength, "g/cm"}
}
func (MassPerAreaKind) kind() *kindInfo {
	return &kindInfo{"mass-per-area", axisMass, axisArea, "g/m2"}
}
func (CountPerLengthKind) kind() *kindInfo {
	return &kindInfo{"count-per-length", axisCount, axisLength, "1/cm"}
}

// Of makes a quantity from a value in the kind's base unit.
func Of[K Kind](v exact.Rat) Quantity[K] { return Quantity[K]{v} }

// Cm, ML, Grams and Hours are the constructors used most.
func Cm(v exact.Rat) Length      { return Length{v} }
func ML(v exact.Rat) Volume      { return Volume{v} }
func Grams(v exact.Rat) Mass     { return Mass{v} }
func Hours(v exact.Rat) Duration { return Duration{v} }

// Base returns the value in the kind's base unit.
func (q Quantity[K]) Base() exact.Rat { return q.v }

// Float returns the value in the base unit as the nearest float64, for display
// and for estimates, never for deciding a limit.
func (q Quantity[K]) Float() float64 { return q.v.Float() }

// Cmp returns -1, 0 or 1 as q is less than, equal to or greater than r.
func (q Quantity[K]) Cmp(r Quantity[K]) int { return q.v.Cmp(r.v) }

// Less reports q < r.
func (q Quantity[K]) Less(r Quantity[K]) bool { return q.v.Less(r.v) }

// Sign returns -1, 0 or 1.
func (q Quantity[K]) Sign() int { return q.v.Sign() }

// Add returns q + r.
func (q Quantity[K]) Add(r Quantity[K]) Quantity[K] { return Quantity[K]{q.v.Add(r.v)} }

// Sub returns q - r.
func (q Quantity[K]) Sub(r Quantity[K]) Quantity[K] { return Quantity[K]{q.v.Sub(r.v)} }

// Times returns q scaled by k.
func (q Quantity[K]) Times(k exact.Rat) Quantity[K] { return Quantity[K]{q.v.Mul(k)} }

// Over returns the ratio q/r; r must not be zero.
func (q Quantity[K]) Over(r Quantity[K]) exact.Rat { return q.v.Quo(r.v) }

// String writes the value in its base unit.
func (q Quantity[K]) String() string {
	var k K
	return q.v.String() + " " + k.kind().base
}

// Opt is a value that may not be known. Unknown is never replaced by zero.
type Opt[T any] struct {
	Value T
	Known bool
}

// Known wraps a known value.
func Known[T any](v T) Opt[T] { return Opt[T]{v, true} }

// Range is an interval of permitted values, both ends included. A single value
// on a card is kept with Single set: it is then the maximum.
type Range[K Kind] struct {
	Low, High Quantity[K]
	Single    bool
}

// Span encloses a quantity that is not known exactly because pi enters:
// Low <= true value <= High, about 1e-16 apart in relative terms.
type Span[K Kind] struct{ Low, High Quantity[K] }

// Exactly is the span of a value known exactly.
func Exactly[K Kind](q Quantity[K]) Span[K] { return Span[K]{q, q} }

// LengthSpan is the span met most: a diameter or girth.
type LengthSpan = Span[LengthKind]

// Float returns the middle of the span.
func (s Span[K]) Float() float64 { return (s.Low.Float() + s.High.Float()) / 2 }

// PiLow and PiHigh bound pi from below and above. They are continued-fraction
// convergents: 245850922/78256779 lies 7.8e-17 below pi and 165707065/52746197
// lies 1.6e-16 above it (checked in the tests against the digits of pi).
var (
	PiLow  = exact.Frac(245850922, 78256779)
	PiHigh = exact.Frac(165707065, 52746197)
)

// TimesPi returns the span of pi*q for q >= 0.
func TimesPi[K Kind](s Span[K]) Span[K] {
	return Span[K]{s.Low.Times(PiLow), s.High.Times(PiHigh)}
}

// OverPi returns the span of q/pi for q >= 0.
func OverPi[K Kind](s Span[K]) Span[K] {
	return Span[K]{Quantity[K]{s.Low.v.Quo(PiHigh)}, Quantity[K]{s.High.v.Quo(PiLow)}}
}

// MarshalText writes the exact value in the kind's base unit, for documents
// that machines alone read; people are shown In a unit.
func (q Quantity[K]) MarshalText() ([]byte, error) { return q.v.MarshalText() }

// UnmarshalText reads what MarshalText wrote.
func (q *Quantity[K]) UnmarshalText(text []byte) error { return q.v.UnmarshalText(text) }
