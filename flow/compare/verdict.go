package compare

import (
	"math"

	"sapward/flow/plume"
	"sapward/flow/protect"
)

// Sure is the share of draws from which a comparison is called: program
// default, no source.
const Sure = 0.8

// Side is the outcome of one comparison between the methods.
type Side string

// The sides. CannotSay is an answer.
const (
	Injection Side = "injection"  // by injection, in at least Sure of the draws
	Infusion  Side = "infusion"   // by infusion
	Alike     Side = "alike"      // on the same day, or as long
	Neither   Side = "neither"    // the target is reached by neither
	CannotSay Side = "cannot_say" // no side has Sure of the draws
	Only      Side = "only"       // one method only was to be had
)

// Verdict is what may be said. Sooner and Longer compare the methods draw by
// draw; the bands of a method may be so wide that its own days cannot be named
// although the order of the two is clear.
type Verdict struct {
	Sooner Side // who reaches the target first
	Longer Side // who stays longer at the target
	// DayOpen and DaysOpen are methods whose first day, or days at the target,
	// cannot be named without assays: the band spans more than a factor of
	// protect.SpanLimit, or reaches from within the horizon to never.
	DayOpen, DaysOpen []plume.Method
}

// judge reads the verdict off a pair.
func judge(p Pair) Verdict {
	v := Verdict{Sooner: Only, Longer: Only}
	for _, m := range p.Methods {
		if m.FirstD.CannotSay() {
			v.DayOpen = append(v.DayOpen, m.Method)
		}
		if m.Days.CannotSay() {
			v.DaysOpen = append(v.DaysOpen, m.Method)
		}
	}
	if p.Chances == nil {
		return v
	}
	c := *p.Chances
	v.Sooner = side(c.Earlier, c.Later, c.Same, c.Neither)
	v.Longer = side(c.Longer, c.Shorter, math.Max(0, 1-c.Longer-c.Shorter-c.Neither), c.Neither)
	return v
}

// side returns the side that has Sure of the draws.
func side(infusion, injection, alike, neither float64) Side {
	switch {
	case infusion >= Sure:
		return Infusion
	case injection >= Sure:
		return Injection
	case neither >= Sure:
		return Neither
	case alike >= Sure:
		return Alike
	}
	return CannotSay
}

// question names what the score below asks: how soon, unless that is clear and
// only how long is not.
func (v Verdict) asksLonger() bool { return v.Sooner != CannotSay && v.Longer == CannotSay }

// score is what one draw says: 1 infusion, -1 injection, 0 neither or alike, of
// the question that is open.
func score(injection, infusion protect.Outcome, longer bool) float64 {
	a, b := math.Ceil(infusion.FirstD), math.Ceil(injection.FirstD)
	if longer {
		a, b = -math.Round(infusion.Days), -math.Round(injection.Days)
	}
	switch {
	case a < b:
		return 1
	case a > b:
		return -1
	}
	return 0
}

// scores returns the score of every draw.
func scores(outcomes [][]protect.Outcome, v Verdict) []float64 {
	out := make([]float64, len(outcomes[0]))
	for i := range out {
		out[i] = score(outcomes[0][i], outcomes[1][i], v.asksLonger())
	}
	return out
}
