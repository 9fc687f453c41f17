package store

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"
	"unicode/utf8"

	"sapward/internal/app"
)

// envelope appends the canonical JSON of every field but prev and hash. The
// body must be canonical already; names stand in their sorted order, and what
// is empty is left out.
func envelope(b []byte, e *app.Event) []byte {
	b = append(b, `{"act":`...)
	b = quote(b, e.Act)
	b = append(b, `,"at":`...)
	b = quote(b, e.At)
	b = append(b, `,"body":`...)
	b = append(b, e.Body...)
	b = append(b, `,"by":`...)
	b = quote(b, e.By)
	b = optional(b, "clock_at", e.ClockAt)
	b = append(b, `,"entity":`...)
	b = quote(b, e.Entity)
	b = optional(b, "estate", e.Estate)
	b = append(b, `,"id":`...)
	b = quote(b, e.ID)
	b = optional(b, "parent", e.Parent)
	b = optional(b, "reason", e.Reason)
	b = append(b, `,"seq":`...)
	b = strconv.AppendInt(b, e.Seq, 10)
	b = optional(b, "sort", e.Sort)
	b = append(b, `,"type":`...)
	b = quote(b, string(e.Type))
	b = append(b, `,"verb":`...)
	b = quote(b, e.Verb)
	b = append(b, `,"version":`...)
	b = strconv.AppendInt(b, int64(e.Version), 10)
	return append(b, '}')
}

func optional(b []byte, name, s string) []byte {
	if s == "" {
		return b
	}
	b = append(b, ',', '"')
	b = append(b, name...)
	b = append(b, '"', ':')
	return quote(b, s)
}

// quote writes a string as RFC 8785 does: the two-character escapes, \u00xx for
// other controls, everything else as it is.
func quote(b []byte, s string) []byte {
	const digits = "0123456789abcdef"
	b = append(b, '"')
	for i := 0; i < len(s); i++ {
		switch c := s[i]; c {
		case '"', '\\':
			b = append(b, '\\', c)
		case '\b':
			b = append(b, `\b`...)
		case '\t':
			b = append(b, `\t`...)
		case '\n':
			b = append(b, `\n`...)
		case '\f':
			b = append(b, `\f`...)
		case '\r':
			b = append(b, `\r`...)
		default:
			if c < 0x20 {
				b = append(b, '\\', 'u', '0', '0', digits[c>>4], digits[c&15])
			} else {
				b = append(b, c)
			}
		}
	}
	return append(b, '"')
}

// hashOf is the event's place in the chain: SHA-256 of the hash before it and
// the canonical JSON of all its other fields.
func hashOf(prev string, e *app.Event) string {
	buf := make([]byte, 0, 512+len(e.Body))
	buf = append(buf, prev...)
	sum := sha256.Sum256(envelope(buf, e))
	return hex.EncodeToString(sum[:])
}

// head is the last event of the chain.
type head struct {
	Seq  int64
	ID   string
	At   string
	Hash string
}

// next gives the instant and identifier of an event after h: never behind it,
// whatever the clock says. clockAt is the clock's reading where it stood behind.
func (h head) next(now time.Time, random func([]byte)) (at, clockAt, id string) {
	at = now.UTC().Format(app.TimeForm)
	if at < h.At {
		clockAt, at = at, h.At
	}
	t, _ := time.Parse(app.TimeForm, at)
	ms := t.UnixMilli()
	count := 0
	if last, n, ok := parseID(h.ID); ok && last >= ms {
		ms, count = last, n+1
		if count > 0xFFF {
			ms, count = ms+1, 0
		}
	}
	return at, clockAt, makeID(ms, count, random)
}

// makeID makes a UUIDv7 (RFC 9562, 5.7) of a millisecond, a counter of 12 bits
// (6.2, method 1) and 62 random bits.
func makeID(ms int64, count int, random func([]byte)) string {
	var u [16]byte
	random(u[8:])
	for i := range 6 {
		u[i] = byte(ms >> (40 - 8*i))
	}
	u[6], u[7] = 0x70|byte(count>>8), byte(count)
	u[8] = 0x80 | u[8]&0x3F
	var s [36]byte
	hex.Encode(s[0:8], u[0:4])
	s[8] = '-'
	hex.Encode(s[9:13], u[4:6])
	s[13] = '-'
	hex.Encode(s[14:18], u[6:8])
	s[18] = '-'
	hex.Encode(s[19:23], u[8:10])
	s[23] = '-'
	hex.Encode(s[24:36], u[10:16])
	return string(s[:])
}

// parseID reads millisecond and counter of a UUIDv7 of ours.
func parseID(id string) (ms int64, count int, ok bool) {
	if len(id) != 36 || id[14] != '7' {
		return 0, 0, false
	}
	m, err1 := strconv.ParseInt(id[0:8]+id[9:13], 16, 64)
	n, err2 := strconv.ParseInt(id[15:18], 16, 32)
	return m, int(n), err1 == nil && err2 == nil
}

// clean reports that a text can be kept: UTF-8 without NUL.
func clean(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] == 0 {
			return false
		}
	}
	return utf8.ValidString(s)
}
