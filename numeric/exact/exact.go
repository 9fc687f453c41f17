// Package exact does rational arithmetic for limits that must never be passed
// by a rounding error. A Rat keeps a small fraction in two machine words and
// moves to math/big by itself when a result no longer fits; the tests hold the
// two ways equal.
package exact

import (
	"errors"
	"math"
	"math/big"
	"math/bits"
	"strconv"
	"strings"
)

// Rat is an exact rational number. The zero value is 0. Values are immutable:
// every operation returns a new number.
type Rat struct {
	n int64 // numerator, when big is nil
	d int64 // denominator minus 1, so that the zero value means 0/1
	b *big.Rat
}

// Int returns n.
func Int(n int64) Rat {
	if n == math.MinInt64 { // has no opposite in a machine word
		return Rat{b: new(big.Rat).SetInt64(n)}
	}
	return Rat{n: n}
}

// Frac returns n/d. d must not be 0; a zero denominator is a programmer's
// mistake and panics, as integer division does.
func Frac(n, d int64) Rat {
	if d == 0 {
		panic("exact: zero denominator")
	}
	if d < 0 {
		if n == math.MinInt64 || d == math.MinInt64 {
			return fromBig(new(big.Rat).SetFrac(big.NewInt(n), big.NewInt(d)))
		}
		n, d = -n, -d
	}
	return reduce(n, d)
}

// reduce returns n/d in lowest terms for d > 0.
func reduce(n, d int64) Rat {
	if n == math.MinInt64 {
		return fromBig(new(big.Rat).SetFrac64(n, d))
	}
	if d == 1 {
		return Rat{n: n}
	}
	a := n
	if a < 0 {
		a = -a
	}
	g := gcd(uint64(a), uint64(d))
	if g > 1 {
		n /= int64(g)
		d /= int64(g)
	}
	return Rat{n: n, d: d - 1}
}

// gcd is the greatest common divisor, b > 0.
func gcd(a, b uint64) uint64 {
	if a == 0 {
		return b
	}
	sa, sb := bits.TrailingZeros64(a), bits.TrailingZeros64(b)
	a >>= uint(sa)
	b >>= uint(sb)
	for a != b {
		if a > b {
			a -= b
			a >>= uint(bits.TrailingZeros64(a))
		} else {
			b -= a
			b >>= uint(bits.TrailingZeros64(b))
		}
	}
	return a << uint(min(sa, sb))
}

// fromBig takes ownership of r.
func fromBig(r *big.Rat) Rat {
	if r.Num().IsInt64() && r.Denom().IsInt64() {
		n := r.Num().Int64()
		if n != math.MinInt64 {
			return Rat{n: n, d: r.Denom().Int64() - 1}
		}
	}
	return Rat{b: r}
}

// Big returns the value as a new big.Rat.
func (a Rat) Big() *big.Rat {
	if a.b != nil {
		return new(big.Rat).Set(a.b)
	}
	return big.NewRat(a.n, a.d+1)
}

// FromBig returns r's value.
func FromBig(r *big.Rat) Rat { return fromBig(new(big.Rat).Set(r)) }

// mul64 returns a*b and whether it fits.
func mul64(a, b int64) (int64, bool) {
	hi, lo := bits.Mul64(abs(a), abs(b))
	if hi != 0 || lo > math.MaxInt64 {
		return 0, false
	}
	if (a < 0) != (b < 0) {
		return -int64(lo), true
	}
	return int64(lo), true
}

func abs(a int64) uint64 {
	if a < 0 {
		return uint64(-a)
	}
	return uint64(a)
}

// Add returns a + c.
func (a Rat) Add(c Rat) Rat {
	if a.b == nil && c.b == nil {
		ad, cd := a.d+1, c.d+1
		if ad == cd {
			if s := a.n + c.n; (s > a.n) == (c.n > 0) && s != math.MinInt64 {
				return reduce(s, ad)
			}
		} else if x, ok := mul64(a.n, cd); ok {
			if y, ok := mul64(c.n, ad); ok {
				if d, ok := mul64(ad, cd); ok {
					if s := x + y; (s > x) == (y > 0) && s != math.MinInt64 {
						return reduce(s, d)
					}
				}
			}
		}
	}
	return fromBig(new(big.Rat).Add(a.Big(), c.Big()))
}

// Neg returns -a.
func (a Rat) Neg() Rat {
	if a.b == nil {
		return Rat{n: -a.n, d: a.d}
	}
	return fromBig(new(big.Rat).Neg(a.b))
}

// Sub returns a - c.
func (a Rat) Sub(c Rat) Rat { return a.Add(c.Neg()) }

// Mul returns a * c.
func (a Rat) Mul(c Rat) Rat {
	if a.b == nil && c.b == nil {
		if n, ok := mul64(a.n, c.n); ok {
			if d, ok := mul64(a.d+1, c.d+1); ok {
				return reduce(n, d)
			}
		}
	}
	return fromBig(new(big.Rat).Mul(a.Big(), c.Big()))
}

// Quo returns a / c. c must not be 0.
func (a Rat) Quo(c Rat) Rat {
	if c.Sign() == 0 {
		panic("exact: division by zero")
	}
	if a.b == nil && c.b == nil {
		if n, ok := mul64(a.n, c.d+1); ok {
			if d, ok := mul64(a.d+1, c.n); ok {
				return Frac(n, d)
			}
		}
	}
	return fromBig(new(big.Rat).Quo(a.Big(), c.Big()))
}

// Cmp returns -1, 0 or 1 as a is less than, equal to or greater than c.
func (a Rat) Cmp(c Rat) int {
	if a.b == nil && c.b == nil {
		if x, ok := mul64(a.n, c.d+1); ok {
			if y, ok := mul64(c.n, a.d+1); ok {
				switch {
				case x < y:
					return -1
				case x > y:
					return 1
				}
				return 0
			}
		}
	}
	return a.Big().Cmp(c.Big())
}

// Less reports a < c.
func (a Rat) Less(c Rat) bool { return a.Cmp(c) < 0 }

// Sign returns -1, 0 or 1.
func (a Rat) Sign() int {
	if a.b != nil {
		return a.b.Sign()
	}
	switch {
	case a.n < 0:
		return -1
	case a.n > 0:
		return 1
	}
	return 0
}

// Min returns the smaller of a and c.
func Min(a, c Rat) Rat {
	if c.Less(a) {
		return c
	}
	return a
}

// Max returns the larger of a and c.
func Max(a, c Rat) Rat {
	if a.Less(c) {
		return c
	}
	return a
}

// Floor returns the largest whole number not above a. Values beyond the range
// of int64 are clipped to it.
func (a Rat) Floor() int64 {
	if a.b == nil {
		q, d := a.n/(a.d+1), a.d+1
		if a.n < 0 && q*d != a.n {
			q--
		}
		return q
	}
	return clipped(new(big.Int).Div(a.b.Num(), a.b.Denom())) // Euclidean, the floor for a positive denominator
}

// clipped brings a whole number into the range of int64.
func clipped(q *big.Int) int64 {
	switch {
	case q.IsInt64():
		return q.Int64()
	case q.Sign() < 0:
		return math.MinInt64
	}
	return math.MaxInt64
}

// Ceil returns the smallest whole number not below a, clipped as Floor.
func (a Rat) Ceil() int64 {
	if a.b == nil {
		return -a.Neg().Floor()
	}
	q := new(big.Int).Div(new(big.Int).Neg(a.b.Num()), a.b.Denom())
	return clipped(q.Neg(q))
}

// Float returns the nearest float64; for display and steering only, never for
// deciding a limit.
func (a Rat) Float() float64 {
	if a.b == nil {
		if a.d == 0 && a.n < 1<<53 && a.n > -(1<<53) {
			return float64(a.n)
		}
		if a.n < 1<<53 && a.n > -(1<<53) && a.d < 1<<53 {
			return float64(a.n) / float64(a.d+1)
		}
	}
	f, _ := a.Big().Float64()
	return f
}

// FromFloat returns the exact value of x, or false for NaN and infinities.
func FromFloat(x float64) (Rat, bool) {
	r := new(big.Rat).SetFloat64(x)
	if r == nil {
		return Rat{}, false
	}
	return fromBig(r), true
}

// Decimal reads a plain decimal number: an optional sign, digits, at most one
// point. No exponent, no grouping, at most 30 digits. It reports false for
// anything else.
func Decimal(s string) (Rat, bool) {
	t := s
	neg := false
	if t != "" && (t[0] == '-' || t[0] == '+') {
		neg = t[0] == '-'
		t = t[1:]
	}
	if t == "" || len(t) > 31 {
		return Rat{}, false
	}
	var n, d int64 = 0, 1
	point, digits, small := false, 0, true
	for i := 0; i < len(t); i++ {
		switch c := t[i]; {
		case c == '.' && !point:
			point = true
		case c >= '0' && c <= '9':
			digits++
			if n > (math.MaxInt64-9)/10 || d > math.MaxInt64/10 {
				small = false
			}
			if small {
				n = n*10 + int64(c-'0')
				if point {
					d *= 10
				}
			}
		default:
			return Rat{}, false
		}
	}
	if digits == 0 {
		return Rat{}, false
	}
	if small {
		if neg {
			n = -n
		}
		return reduce(n, d), true
	}
	r, ok := new(big.Rat).SetString(strings.TrimPrefix(s, "+"))
	if !ok {
		return Rat{}, false
	}
	return fromBig(r), true
}

// String returns the shortest exact decimal if there is one with at most 12
// places, else a fraction n/d.
func (a Rat) String() string {
	r := a.Big()
	if n, exact := r.FloatPrec(); exact && n <= 12 {
		return r.FloatString(n)
	}
	return r.RatString()
}

// FloorTo returns the largest multiple of step not above a, step > 0.
func (a Rat) FloorTo(step Rat) Rat { return Int(a.Quo(step).Floor()).Mul(step) }

// MarshalText writes a whole number, or a fraction n/d in lowest terms: exact
// whatever the number.
func (a Rat) MarshalText() ([]byte, error) {
	if a.b != nil {
		return []byte(a.b.RatString()), nil
	}
	out := strconv.AppendInt(nil, a.n, 10)
	if a.d != 0 {
		out = strconv.AppendInt(append(out, '/'), a.d+1, 10)
	}
	return out, nil
}

// UnmarshalText reads what MarshalText wrote, or a plain decimal number.
func (a *Rat) UnmarshalText(text []byte) error {
	s := string(text)
	if len(s) > 400 {
		return errors.New("exact: number too long")
	}
	if v, ok := Decimal(s); ok {
		*a = v
		return nil
	}
	n, d, ok := strings.Cut(s, "/")
	num, okN := new(big.Int).SetString(n, 10)
	den, okD := new(big.Int).SetString(d, 10)
	if !ok || !okN || !okD || den.Sign() <= 0 {
		if whole, isWhole := new(big.Int).SetString(s, 10); isWhole {
			*a = fromBig(new(big.Rat).SetInt(whole))
			return nil
		}
		return errors.New("exact: " + strconv.Quote(s) + " is no fraction")
	}
	*a = fromBig(new(big.Rat).SetFrac(num, den))
	return nil
}
