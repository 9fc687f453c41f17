// Package tag makes and checks what stands on a tree's tag: an opaque key that
// the QR code carries, and a short code for people with a check symbol. Neither
// says anything of the tree, its place or its owner.
//
// Both use the base 32 of Douglas Crockford (2002, "Base 32",
// crockford.com/base32.html): ten digits and 22 letters, without I, L, O and U,
// so that nothing read as one sign is another. Reading takes small letters,
// leaves out hyphens and spaces, and reads I and L as 1, O as 0.
//
// The check symbol is the number modulo 37, a prime above 32. Every wrong
// symbol changes the number by d*32^k with 0 < |d| < 32, every swap of two
// different neighbours by 31*d*32^k, every swap of the last one with the check
// symbol by 2*d; 37 divides none of them. So all single errors and all swaps of
// neighbours are found. Of other mistakes about one in 37 passes.
// ISO/IEC 7064 MOD 37,36 was the other choice: it needs all 36 letters and
// digits, O and I among them, and lets some swaps of neighbours pass.
package tag

import (
	"errors"
	"fmt"
	"io"
	"strings"
)

// alphabet are the 32 symbols of the base, then the five that only a check
// symbol can be (Crockford 2002).
const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ*~$=U"

const (
	base    = 32
	modulus = 37
)

// KeyLength is the number of symbols of a key: 80 random bits, and as much as
// the smallest QR code holds at level Q (ISO/IEC 18004, version 1-Q: 16
// alphanumeric characters).
const KeyLength = 16

// CodeLength is the number of symbols of a code: six random ones, 30 bits, and
// the check symbol.
const CodeLength = 7

// What can be wrong with a code that somebody typed.
var (
	ErrSymbol = errors.New("tag: a sign that no code has")
	ErrLength = fmt.Errorf("tag: a code has %d signs", CodeLength)
	ErrCheck  = errors.New("tag: the check symbol does not fit; one sign is wrong or two are swapped")
)

// value is a symbol's number, -1 for none.
func value(c byte) int { return strings.IndexByte(alphabet, c) }

// CheckSymbol returns the symbol for the number that the digits write in base
// 32, modulo 37: one of the 32 symbols or one of * ~ $ = U. Digits are taken
// as they stand, without spaces; ErrSymbol for any other sign.
func CheckSymbol(digits string) (byte, error) {
	sum := 0
	for i := range len(digits) {
		v := value(digits[i])
		if v < 0 || v >= base {
			return 0, ErrSymbol
		}
		sum = (sum*base + v) % modulus
	}
	return alphabet[sum], nil
}

// draw returns n random symbols.
func draw(random io.Reader, n int) (string, error) {
	raw := make([]byte, n)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", fmt.Errorf("tag: no randomness: %w", err)
	}
	for i, b := range raw {
		raw[i] = alphabet[b%base] // 256 is a multiple of 32: no symbol is favoured
	}
	return string(raw), nil
}

// NewKey draws a key: KeyLength random symbols. The error is the reader's.
func NewKey(random io.Reader) (string, error) { return draw(random, KeyLength) }

// IsKey reports whether a text has the form of a key, as a scanned code of
// another kind has not.
func IsKey(s string) bool {
	if len(s) != KeyLength {
		return false
	}
	for i := range len(s) {
		if v := value(s[i]); v < 0 || v >= base {
			return false
		}
	}
	return true
}

// mostDraws ends the search for a free code: with half of all codes taken the
// chance to need so many is below 1e-60.
const mostDraws = 256

// NewCode draws a code that is not taken, with its check symbol. A code whose
// check symbol would be none of the 32 (5 of 37) is drawn again, so that a code
// has letters and digits only. taken may be nil. Errors: the reader's, or that
// no free code was found.
func NewCode(random io.Reader, taken func(code string) bool) (string, error) {
	for range mostDraws {
		digits, err := draw(random, CodeLength-1)
		if err != nil {
			return "", err
		}
		c, err := CheckSymbol(digits)
		if err != nil {
			return "", err
		}
		code := digits + string(c)
		if value(c) < base && (taken == nil || !taken(code)) {
			return code, nil
		}
	}
	return "", errors.New("tag: no free code was found")
}

var tidy = strings.NewReplacer("-", "", " ", "", "I", "1", "L", "1", "O", "0")

// ReadCode returns the code that somebody typed, in capital letters and without
// hyphens or spaces; I and L count as 1, O as 0. Errors: ErrSymbol, ErrLength,
// ErrCheck. Every single wrong sign and every swap of two neighbours is found.
func ReadCode(s string) (string, error) {
	code := tidy.Replace(strings.ToUpper(s))
	for i := range len(code) {
		if v := value(code[i]); v < 0 || v >= base {
			return "", ErrSymbol
		}
	}
	if len(code) != CodeLength {
		return "", ErrLength
	}
	if c, err := CheckSymbol(code[:CodeLength-1]); err != nil || c != code[CodeLength-1] {
		return "", ErrCheck
	}
	return code, nil
}

// Grouped writes a code for people: three signs, a hyphen, four signs. Another
// length is returned as it is.
func Grouped(code string) string {
	if len(code) != CodeLength {
		return code
	}
	return code[:3] + "-" + code[3:]
}
