// Package quasi draws points that fill the unit cube evenly: the Sobol sequence
// with Owen scrambling or a digital shift, and the Halton sequence. It also
// estimates the Sobol sensitivity indices of a function from such points.
//
// Nothing here keeps a state: a point is a function of its index, its dimension
// and a seed, so that any number of workers get the same points in any order.
package quasi

import (
	"errors"
	"fmt"
	"math/bits"
)

// MaxDimension is the number of dimensions for which direction numbers are kept.
const MaxDimension = len(directions) + 1

// Errors of this package; test with errors.Is.
var (
	// ErrDimension: fewer than one or more than MaxDimension dimensions.
	ErrDimension = errors.New("dimension out of range")
	// ErrBase: a Halton base below 2.
	ErrBase = errors.New("base below 2")
	// ErrShape: lengths that do not agree, or too few points.
	ErrShape = errors.New("lengths do not agree")
	// ErrConstant: the function does not vary, so its variance has no parts.
	ErrConstant = errors.New("all values are equal")
	// ErrNotFinite: a value is NaN or infinite.
	ErrNotFinite = errors.New("value is not a finite number")
)

// Scramble names a randomisation of the Sobol points.
type Scramble string

// The randomisations. Owen permutes the digits of each coordinate by all digits
// above (nested uniform scrambling, Owen 1995, from memory): every point is
// uniform, the net is kept and the variance falls faster than 1/n. Shift adds
// one random number by exclusive or. Plain is the sequence itself, which begins
// at the origin.
const (
	Plain Scramble = "plain"
	Shift Scramble = "shift"
	Owen  Scramble = "owen"
)

// Sobol is a Sobol sequence of a fixed dimension. It is immutable and may be
// used by several goroutines. Use NewSobol.
type Sobol struct {
	columns  [][32]uint32
	scramble Scramble
	seed     uint64
}

// NewSobol prepares the sequence in 1 to MaxDimension dimensions with the
// direction numbers of Joe and Kuo (2008). The seed has no effect on Plain.
// Errors: ErrDimension, or an unknown scramble.
func NewSobol(dimension int, scramble Scramble, seed uint64) (*Sobol, error) {
	if dimension < 1 || dimension > MaxDimension {
		return nil, fmt.Errorf("%w: %d is not in 1..%d", ErrDimension, dimension, MaxDimension)
	}
	if scramble != Plain && scramble != Shift && scramble != Owen {
		return nil, fmt.Errorf("scramble %q is unknown", scramble)
	}
	s := &Sobol{columns: make([][32]uint32, dimension), scramble: scramble, seed: seed}
	for k := range 32 {
		s.columns[0][k] = 1 << (31 - k)
	}
	for j := 1; j < dimension; j++ {
		d, v := directions[j-1], &s.columns[j]
		n := int(d.degree)
		for k := range n {
			v[k] = d.start[k] << (31 - k)
		}
		for k := n; k < 32; k++ {
			v[k] = v[k-n] ^ v[k-n]>>n
			for i := 1; i < n; i++ {
				if d.inner>>(n-1-i)&1 == 1 {
					v[k] ^= v[k-i]
				}
			}
		}
	}
	return s, nil
}

// Dimension returns the number of coordinates.
func (s *Sobol) Dimension() int { return len(s.columns) }

// Point fills dst with point i (from 0) in Gray-code order, the customary one;
// any 2^m points from a multiple of 2^m form the same set as in natural order.
// Plain coordinates are exact multiples of 2^-32 from 0; scrambled ones lie
// strictly between 0 and 1 (half of 2^-32 is added). Fewer coordinates than the
// dimension are filled if dst is shorter.
func (s *Sobol) Point(dst []float64, i uint32) { s.Natural(dst, i^i>>1) }

// Natural fills dst with point i in natural order.
func (s *Sobol) Natural(dst []float64, i uint32) {
	for j := range min(len(dst), len(s.columns)) {
		var x uint32
		v := &s.columns[j]
		for b := i; b != 0; b &= b - 1 {
			x ^= v[bits.TrailingZeros32(b)]
		}
		switch s.scramble {
		case Shift:
			dst[j] = (float64(x^uint32(Mix(s.seed, uint64(j))>>32)) + 0.5) / (1 << 32)
		case Owen:
			dst[j] = (float64(nested(x, Mix(s.seed, uint64(j)))) + 0.5) / (1 << 32)
		default:
			dst[j] = float64(x) / (1 << 32)
		}
	}
}

// nested flips each digit of x by a hash of all digits above it.
func nested(x uint32, seed uint64) uint32 {
	y := x
	for b := range 32 {
		// The digits above, with a leading 1 so that prefixes of different
		// lengths differ.
		prefix := (uint64(1)<<32 | uint64(x)) >> (32 - b)
		y ^= uint32(Mix(seed, prefix)>>63) << (31 - b)
	}
	return y
}

// Mix returns 64 well-mixed bits of a seed and a number, the finaliser of
// SplitMix64 (Steele, Lea and Flood 2014, from memory) on a weighted sum. It
// serves for random numbers that are functions of their place.
func Mix(seed, n uint64) uint64 {
	z := seed + 0x9e3779b97f4a7c15*(n+1)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Uniform returns a number strictly between 0 and 1 from Mix.
func Uniform(seed, n uint64) float64 { return (float64(Mix(seed, n)>>12) + 0.5) / (1 << 52) }

// Halton returns coordinate i (from 0; index 0 is 0) of the van der Corput
// sequence in a base, the radical inverse of i: its digits mirrored at the
// point (Halton 1960). Bases of a point should be different primes. Error:
// ErrBase.
func Halton(i uint64, base int) (float64, error) {
	if base < 2 {
		return 0, fmt.Errorf("%w: %d", ErrBase, base)
	}
	b := uint64(base)
	x, scale := 0.0, 1.0
	for ; i > 0; i /= b {
		scale /= float64(b)
		x += float64(float64(i%b) * scale)
	}
	return x, nil
}
