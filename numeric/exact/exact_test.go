package exact

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// edges are the numbers around which machine words overflow.
var edges = []int64{0, 1, -1, 2, -2, 3, 7, 10, 1e9, -1e9, math.MaxInt32, math.MinInt32, 1 << 53, -(1 << 53), math.MaxInt64, math.MinInt64, math.MaxInt64 - 1, math.MinInt64 + 1}

func genInt(t *rapid.T, name string) int64 {
	if rapid.Bool().Draw(t, name+" edge") {
		return rapid.SampledFrom(edges).Draw(t, name)
	}
	return rapid.Int64().Draw(t, name)
}

func genRat(t *rapid.T, name string) (Rat, *big.Rat) {
	n, d := genInt(t, name+" n"), genInt(t, name+" d")
	if rapid.Bool().Draw(t, name+" small") {
		n, d = n%10_000, d%10_000
	}
	if d == 0 {
		d = 1
	}
	return Frac(n, d), new(big.Rat).SetFrac(big.NewInt(n), big.NewInt(d))
}

// The fast path must be math/big's answer, whatever overflows.
func TestRat_EqualsBig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, x := genRat(t, "a")
		b, y := genRat(t, "b")
		same := func(name string, got Rat, want *big.Rat) {
			if got.Big().Cmp(want) != 0 {
				t.Fatalf("%s of %v and %v: got %v, want %v", name, x, y, got.Big(), want)
			}
		}
		same("value", a, x)
		same("sum", a.Add(b), new(big.Rat).Add(x, y))
		same("difference", a.Sub(b), new(big.Rat).Sub(x, y))
		same("product", a.Mul(b), new(big.Rat).Mul(x, y))
		if y.Sign() != 0 {
			same("quotient", a.Quo(b), new(big.Rat).Quo(x, y))
		}
		same("chain", a.Mul(b).Add(a).Sub(b).Neg(), new(big.Rat).Neg(new(big.Rat).Sub(new(big.Rat).Add(new(big.Rat).Mul(x, y), x), y)))
		if a.Cmp(b) != x.Cmp(y) || a.Sign() != x.Sign() {
			t.Fatalf("order of %v and %v", x, y)
		}
		floor := new(big.Int).Div(x.Num(), x.Denom()) // Euclidean: floor for a positive denominator
		if floor.IsInt64() && a.Floor() != floor.Int64() {
			t.Fatalf("floor of %v: %d, want %v", x, a.Floor(), floor)
		}
		ceil := new(big.Int).Neg(new(big.Int).Div(new(big.Int).Neg(x.Num()), x.Denom()))
		if ceil.IsInt64() && a.Ceil() != ceil.Int64() {
			t.Fatalf("ceil of %v: %d, want %v", x, a.Ceil(), ceil)
		}
		if f, _ := x.Float64(); a.Float() != f {
			t.Fatalf("float of %v: %v, want %v", x, a.Float(), f)
		}
	})
}

func TestDecimal(t *testing.T) {
	for s, want := range map[string]string{
		"31.4": "157/5", "-0.5": "-1/2", "+3": "3", ".5": "1/2", "7.": "7",
		"123456789012345678901234567.5": "246913578024691357802469135/2", "9223372036854775807": "9223372036854775807",
	} {
		got, ok := Decimal(s)
		if !ok || got.Big().RatString() != want {
			t.Errorf("Decimal(%q) = %v %v, want %s", s, got.Big().RatString(), ok, want)
		}
	}
	for _, s := range []string{"", "-", ".", "1.2.3", "1e3", "0x1", "NaN", "inf", "1/2", "1,5", " 1", "12345678901234567890123456789012"} {
		if got, ok := Decimal(s); ok {
			t.Errorf("Decimal(%q) = %v, want refusal", s, got)
		}
	}
}

func TestString(t *testing.T) {
	for _, tt := range []struct {
		r    Rat
		want string
	}{{Frac(1, 4), "0.25"}, {Int(-3), "-3"}, {Frac(1, 3), "1/3"}, {Rat{}, "0"}} {
		if got := tt.r.String(); got != tt.want {
			t.Errorf("got %s, want %s", got, tt.want)
		}
	}
}

func FuzzDecimal(f *testing.F) {
	for _, s := range []string{"1.5", "-0", "99999999999999999999", "..", "1e9"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, ok := Decimal(s)
		if !ok {
			return
		}
		want, good := new(big.Rat).SetString(s)
		if !good || got.Big().Cmp(want) != 0 {
			t.Errorf("%q: %v, big says %v %v", s, got.Big(), want, good)
		}
	})
}

func BenchmarkMulCmp(b *testing.B) {
	x, y, z := Frac(314, 10), Frac(245850922, 78256779), Int(100)
	for i := 0; i < b.N; i++ {
		_ = x.Mul(y).Cmp(z)
	}
}

// Text goes out and comes back as the same number, through machine words and
// through math/big.
func TestRat_TextComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, x := genRat(t, "a")
		b, _ := genRat(t, "b")
		for _, v := range []Rat{a, a.Mul(b).Mul(a), a.Add(b)} {
			text, err := v.MarshalText()
			if err != nil {
				t.Fatal(err)
			}
			var back Rat
			if err := back.UnmarshalText(text); err != nil || back.Cmp(v) != 0 {
				t.Fatalf("%s came back as %v (%v), from %v", text, back, err, x)
			}
		}
	})
	for _, bad := range []string{"", "/", "1/0", "1/-2", "x", "1/2/3", "1e5", "0x10"} {
		var r Rat
		if err := r.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q was read as %v", bad, r)
		}
	}
	var r Rat
	if err := r.UnmarshalText([]byte("0.125")); err != nil || r.Cmp(Frac(1, 8)) != 0 {
		t.Errorf("0.125 was read as %v (%v)", r, err)
	}
}
