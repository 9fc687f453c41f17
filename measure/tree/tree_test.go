package tree

import (
	"math/big"
	"testing"

	q "sapward/measure/quantity"
	"sapward/numeric/exact"

	"pgregory.net/rapid"
)

// A girth of 150 cm is 47.746 cm of diameter (150/pi).
func TestFromGirth(t *testing.T) {
	s := FromGirth(q.Cm(exact.Int(150)))
	if d := s.Diameter.Float(); d < 47.7464 || d > 47.7465 {
		t.Errorf("%v", d)
	}
	if s.Diameter.Low.Cmp(s.Diameter.High) >= 0 || s.Girth.Low.Cmp(s.Girth.High) != 0 {
		t.Error("a taped girth is exact and its diameter is a span")
	}
}

// Equal basal area: sqrt(5^2+6^2+8^2) = sqrt(125) = 11.1803 in.
func TestCombinedDiameter_Encloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stems []Stem
		sum := new(big.Rat)
		for i, n := 0, rapid.IntRange(1, 6).Draw(t, "stems"); i < n; i++ {
			mm := rapid.Int64Range(10, 4000).Draw(t, "mm")
			d := exact.Frac(mm, 10)
			stems = append(stems, FromDiameter(q.Cm(d)))
			sum.Add(sum, new(big.Rat).Mul(d.Big(), d.Big()))
		}
		s := CombinedDiameter(stems)
		lo, hi := s.Low.Base().Big(), s.High.Base().Big()
		if lo.Mul(lo, lo).Cmp(sum) > 0 || hi.Mul(hi, hi).Cmp(sum) < 0 {
			t.Fatalf("%v does not enclose the root of %v", s, sum)
		}
		if s.High.Sub(s.Low).Float() > 1.1e-9 {
			t.Fatalf("%v is too wide", s)
		}
	})
}
