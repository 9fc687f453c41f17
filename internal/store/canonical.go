package store

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/gowebpki/jcs"
)

// canonical writes a body as RFC 8785 canonical JSON (Rundgren et al. 2020). A
// body of the plain sort that the app writes goes the short way; the library
// does the rest.
func canonical(body json.RawMessage) (json.RawMessage, error) {
	p := plainJSON{in: body}
	if out, ok := p.value(make([]byte, 0, len(body)), 0); ok && p.at == len(body) {
		return out, nil
	}
	out, err := jcs.Transform(body)
	if err != nil {
		return nil, fmt.Errorf("store: body is no JSON: %w", err)
	}
	return out, nil
}

// plainJSON sorts the names of compact JSON whose strings need no escape and
// whose numbers stand as RFC 8785 would write them. It gives up on anything
// else.
type plainJSON struct {
	in []byte
	at int
}

const deepest = 32

// member is one member of an object, in the order of its name.
type member struct {
	name     string
	from, to int // in the text written so far
}

func (p *plainJSON) value(out []byte, depth int) ([]byte, bool) {
	if p.at >= len(p.in) || depth > deepest {
		return out, false
	}
	switch p.in[p.at] {
	case '{':
		return p.object(out, depth)
	case '[':
		return p.array(out, depth)
	case '"':
		s, ok := p.text()
		return append(out, s...), ok
	case 't':
		return p.word(out, "true")
	case 'f':
		return p.word(out, "false")
	case 'n':
		return p.word(out, "null")
	}
	return p.number(out)
}

func (p *plainJSON) word(out []byte, w string) ([]byte, bool) {
	if !strings.HasPrefix(string(p.in[p.at:min(len(p.in), p.at+len(w))]), w) {
		return out, false
	}
	p.at += len(w)
	return append(out, w...), true
}

// text reads a string with its quotes; only one that holds no escape, control,
// or byte beyond ASCII.
func (p *plainJSON) text() (string, bool) {
	for i := p.at + 1; i < len(p.in); i++ {
		switch c := p.in[i]; {
		case c == '"':
			s := p.in[p.at : i+1]
			p.at = i + 1
			return string(s), true
		case c < 0x20 || c == '\\' || c >= 0x7F:
			return "", false
		}
	}
	return "", false
}

// number reads a number of at most 15 digits without exponent, sign of zero or
// zero too many: such a decimal is the shortest that its float is written with.
func (p *plainJSON) number(out []byte) ([]byte, bool) {
	from := p.at
	if p.at < len(p.in) && p.in[p.at] == '-' {
		p.at++
	}
	digits := p.at
	dot := -1
	for ; p.at < len(p.in); p.at++ {
		c := p.in[p.at]
		if c == '.' && dot < 0 {
			dot = p.at
		} else if c < '0' || c > '9' {
			break
		}
	}
	s := p.in[digits:p.at]
	whole := len(s)
	if dot >= 0 {
		whole = dot - digits
	}
	switch {
	case whole == 0, len(s) > 15, whole > 1 && s[0] == '0':
		return out, false
	case dot >= 0 && (dot == p.at-1 || p.in[p.at-1] == '0'):
		return out, false
	case s[0] == '0' && (digits > from || len(s) > 6): // -0, or smaller than 1e-6
		return out, false
	case p.at < len(p.in) && (p.in[p.at] == 'e' || p.in[p.at] == 'E'):
		return out, false
	}
	return append(out, p.in[from:p.at]...), true
}

func (p *plainJSON) skip(c byte) bool {
	if p.at < len(p.in) && p.in[p.at] == c {
		p.at++
		return true
	}
	return false
}

func (p *plainJSON) array(out []byte, depth int) ([]byte, bool) {
	p.at++
	out = append(out, '[')
	if p.skip(']') {
		return append(out, ']'), true
	}
	for {
		var ok bool
		if out, ok = p.value(out, depth+1); !ok {
			return out, false
		}
		if p.skip(']') {
			return append(out, ']'), true
		}
		if !p.skip(',') {
			return out, false
		}
		out = append(out, ',')
	}
}

func (p *plainJSON) object(out []byte, depth int) ([]byte, bool) {
	p.at++
	start := len(out)
	out = append(out, '{')
	if p.skip('}') {
		return append(out, '}'), true
	}
	var room [24]member
	members := room[:0]
	for {
		if p.at >= len(p.in) || p.in[p.at] != '"' {
			return out, false
		}
		name, ok := p.text()
		if !ok || !p.skip(':') {
			return out, false
		}
		from := len(out)
		out = append(append(out, name...), ':')
		if out, ok = p.value(out, depth+1); !ok {
			return out, false
		}
		members = append(members, member{name, from, len(out)})
		if p.skip('}') {
			break
		}
		if !p.skip(',') {
			return out, false
		}
	}
	// Names of ASCII sort as their UTF-16 does; the quote that ends a name would
	// sort before what a longer one goes on with but for a space or a "!".
	slices.SortFunc(members, func(a, b member) int { return strings.Compare(a.name[1:len(a.name)-1], b.name[1:len(b.name)-1]) })
	sorted := make([]byte, 0, len(out)-start+len(members)+1)
	sorted = append(sorted, '{')
	for i, m := range members {
		if i > 0 {
			if m.name == members[i-1].name {
				return out, false
			}
			sorted = append(sorted, ',')
		}
		sorted = append(sorted, out[m.from:m.to]...)
	}
	return append(out[:start], append(sorted, '}')...), true
}
