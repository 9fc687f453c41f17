package tag_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/apply/tag"
)

const symbols = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// Published: 42 is written 1A with the check symbol 5 (J. Bittel,
// base32-crockford, README, "Basic usage example"). By hand: the symbols of the
// values 32 to 36 stand in Crockford's table as * ~ $ = U, and 37 leaves 0.
func TestCheckSymbol_Published(t *testing.T) {
	for digits, want := range map[string]byte{"1A": '5', "0": '0', "Z": 'Z', "10": '*', "11": '~', "12": '$', "13": '=', "14": 'U', "15": '0'} {
		if got, err := tag.CheckSymbol(digits); err != nil || got != want {
			t.Errorf("%s: %c, %v; wanted %c", digits, got, err, want)
		}
	}
	if _, err := tag.CheckSymbol("1U"); !errors.Is(err, tag.ErrSymbol) {
		t.Errorf("U is only a check symbol: %v", err)
	}
}

// The check symbol against big integers, for numbers of any length.
func TestCheckSymbol_IsTheRemainder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.StringOfN(rapid.SampledFrom([]rune(symbols)), 1, 40, -1).Draw(t, "digits")
		n := new(big.Int)
		for _, c := range digits {
			n.Add(n.Mul(n, big.NewInt(32)), big.NewInt(int64(strings.IndexRune(symbols, c))))
		}
		want := (symbols + "*~$=U")[n.Mod(n, big.NewInt(37)).Int64()]
		if got, err := tag.CheckSymbol(digits); err != nil || got != want {
			t.Fatalf("%s: %c, wanted %c", digits, got, want)
		}
	})
}

// seeded is a repeatable source of bytes.
func seeded(seed uint64) *rand.ChaCha8 {
	var s [32]byte
	copy(s[:], fmt.Sprint(seed))
	return rand.NewChaCha8(s)
}

// For 2,000 codes, every wrong symbol in every place and every swap of two
// different neighbours, the check symbol among them, is found: none passes.
func TestReadCode_FindsEverySingleErrorAndSwap(t *testing.T) {
	random := seeded(1)
	wrong, swaps := 0, 0
	for range 2000 {
		code, err := tag.NewCode(random, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := tag.ReadCode(tag.Grouped(code)); err != nil || got != code {
			t.Fatalf("%s: %s, %v", code, got, err)
		}
		for i := range len(code) {
			for _, c := range symbols {
				bad := code[:i] + string(c) + code[i+1:]
				if bad == code {
					continue
				}
				wrong++
				if _, err := tag.ReadCode(bad); !errors.Is(err, tag.ErrCheck) {
					t.Errorf("%s passed for %s: %v", bad, code, err)
				}
			}
			if i > 0 && code[i-1] != code[i] {
				bad := []byte(code)
				bad[i-1], bad[i] = bad[i], bad[i-1]
				swaps++
				if _, err := tag.ReadCode(string(bad)); !errors.Is(err, tag.ErrCheck) {
					t.Errorf("%s passed for %s: %v", bad, code, err)
				}
			}
		}
	}
	if wrong != 2000*7*31 || swaps < 11000 {
		t.Errorf("%d wrong symbols and %d swaps were tried", wrong, swaps)
	}
}

func TestReadCode_TakesWhatPeopleType(t *testing.T) {
	code := ""
	for seed := uint64(0); !strings.Contains(code, "1") || !strings.Contains(code, "0"); seed++ {
		var err error
		if code, err = tag.NewCode(seeded(seed), nil); err != nil {
			t.Fatal(err)
		}
	}
	for _, typed := range []string{strings.ToLower(code), strings.ReplaceAll(code, "1", "l"), strings.ReplaceAll(code, "1", "I"), strings.ReplaceAll(code, "0", "o"), " " + code[:3] + " - " + code[3:] + " "} {
		if got, err := tag.ReadCode(typed); err != nil || got != code {
			t.Errorf("%q: %s, %v; wanted %s", typed, got, err, code)
		}
	}
	for typed, want := range map[string]error{"": tag.ErrLength, code[:6]: tag.ErrLength, code + "0": tag.ErrLength, "UUUUUUU": tag.ErrSymbol, code[:6] + "é": tag.ErrSymbol, code[:6] + "*": tag.ErrSymbol} {
		if _, err := tag.ReadCode(typed); !errors.Is(err, want) {
			t.Errorf("%q: %v, wanted %v", typed, err, want)
		}
	}
}

// Codes have letters and digits only, none twice, and the reader's failure
// comes out.
func TestNewCode_IsFreeAndPlain(t *testing.T) {
	random := seeded(7)
	seen := map[string]bool{}
	for range 20000 {
		code, err := tag.NewCode(random, func(c string) bool { return seen[c] })
		if err != nil {
			t.Fatal(err)
		}
		if seen[code] || len(code) != tag.CodeLength || strings.Trim(code, symbols) != "" {
			t.Fatalf("code %q", code)
		}
		seen[code] = true
	}
	if _, err := tag.NewCode(seeded(7), func(string) bool { return true }); err == nil {
		t.Error("a code came out although all are taken")
	}
	if _, err := tag.NewCode(bytes.NewReader(nil), nil); err == nil {
		t.Error("a code came out of no randomness")
	}
}

func TestNewKey_IsOpaque(t *testing.T) {
	random := seeded(3)
	count := map[byte]int{}
	const n = 4000
	for range n {
		key, err := tag.NewKey(random)
		if err != nil || !tag.IsKey(key) {
			t.Fatalf("key %q: %v", key, err)
		}
		for i := range len(key) {
			count[key[i]]++
		}
	}
	// Chi-squared of 32 symbols with equal chances: 31 degrees of freedom, of
	// which 1 in 10,000 seeds exceeds 69.1 (R: qchisq(1-1e-4, 31) = 69.1); the
	// seed is fixed.
	chi, want := 0.0, float64(n*tag.KeyLength)/32
	for i := range len(symbols) {
		d := float64(count[symbols[i]]) - want
		chi += d * d / want
	}
	if chi > 69.1 {
		t.Errorf("symbols are not drawn alike: chi-squared %.1f", chi)
	}
	for _, s := range []string{"", "https://x.example", "0123456789ABCDE", "0123456789abcdef", "0123456789ABCDEU"} {
		if tag.IsKey(s) {
			t.Errorf("%q is no key", s)
		}
	}
}
