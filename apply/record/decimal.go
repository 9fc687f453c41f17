package record

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// Decimal is an exact decimal number of at most 15 digits, so that it survives
// readers that keep numbers as IEEE 754 doubles (RFC 8785, 3.2.2.3).
type Decimal struct{ v exact.Rat }

// Dec reads a decimal such as "12.5"; the fault is that of quantity.Number.
func Dec(s string) (Decimal, *finding.Fault) {
	v, fault := q.Number(s)
	if fault != nil {
		return Decimal{}, fault
	}
	d := Decimal{v}
	if !d.fits() {
		return Decimal{}, finding.Bad("record-number-long", finding.Where{}, finding.Args{"text": finding.Text(s)})
	}
	return d, nil
}

// DecOf makes a decimal of an exact number. It reports false where the number
// has no decimal form of at most 15 digits.
func DecOf(v exact.Rat) (Decimal, bool) {
	d := Decimal{v}
	return d, d.fits()
}

func (d Decimal) fits() bool {
	s := d.v.String()
	return !strings.Contains(s, "/") && len(strings.Trim(strings.Replace(s, ".", "", 1), "-")) <= 15
}

// Rat returns the exact value.
func (d Decimal) Rat() exact.Rat { return d.v }

// String writes the shortest decimal.
func (d Decimal) String() string { return d.v.String() }

// MarshalJSON writes a plain JSON number.
func (d Decimal) MarshalJSON() ([]byte, error) {
	if !d.fits() {
		return nil, fmt.Errorf("record: %s is no decimal of at most 15 digits", d.v)
	}
	return []byte(d.v.String()), nil
}

// UnmarshalJSON reads a number, or a decimal as text.
func (d *Decimal) UnmarshalJSON(b []byte) error {
	s := string(b)
	if len(b) > 0 && b[0] == '"' {
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
	}
	v, fault := Dec(s)
	if fault != nil {
		return fault
	}
	*d = v
	return nil
}

// Measure is a decimal with its unit as it was written down. In JSON it is
// {"value": 12.5, "unit": "mL"}; the text "12.5 mL" is read as well.
type Measure[K q.Kind] struct {
	Value Decimal
	Unit  string
}

type measureJSON struct {
	Value Decimal `json:"value"`
	Unit  string  `json:"unit"`
}

// MeasureOf reads a measure written as "12.5 mL"; the fault is that of
// quantity.Parse.
func MeasureOf[K q.Kind](s string) (Measure[K], *finding.Fault) {
	if _, fault := q.Parse[K](s); fault != nil {
		return Measure[K]{}, fault
	}
	s = strings.TrimSpace(strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ", "\u2212", "-").Replace(s))
	i := 0
	for i < len(s) && strings.IndexByte("+-0123456789.,", s[i]) >= 0 {
		i++
	}
	v, fault := Dec(s[:i])
	if fault != nil {
		return Measure[K]{}, fault
	}
	return Measure[K]{v, strings.TrimSpace(s[i:])}, nil
}

// In makes a measure of a number and a unit written by the programmer.
func In[K q.Kind](v Decimal, unit string) Measure[K] { return Measure[K]{v, unit} }

// Quantity is the measure as an exact quantity.
func (m Measure[K]) Quantity() (q.Quantity[K], *finding.Fault) {
	return q.Parse[K](m.Value.String() + " " + m.Unit)
}

// String writes "12.5 mL".
func (m Measure[K]) String() string { return m.Value.String() + " " + m.Unit }

// MarshalJSON writes value and unit.
func (m Measure[K]) MarshalJSON() ([]byte, error) { return marshal(measureJSON{m.Value, m.Unit}) }

// UnmarshalJSON reads value and unit, or a text with both, and refuses a unit
// of another kind.
func (m *Measure[K]) UnmarshalJSON(b []byte) error {
	b = bytes.TrimSpace(b)
	var s string
	if len(b) > 0 && b[0] == '"' {
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
	} else {
		var j measureJSON
		if err := strict(b, &j); err != nil {
			return err
		}
		s = j.Value.String() + " " + j.Unit
	}
	v, fault := MeasureOf[K](s)
	if fault != nil {
		return fault
	}
	*m = v
	return nil
}

// WindSpeed is a speed with its unit: m/s, km/h, mph or kn.
type WindSpeed struct {
	Value Decimal `json:"value"`
	Unit  string  `json:"unit"`
}

// perMPS are the speeds of one unit in m/s: mile 1609.344 m, nautical mile
// 1852 m (NIST SP 811, 2008, appendix B).
var perMPS = map[string]exact.Rat{"m/s": exact.Int(1), "km/h": exact.Frac(10, 36), "mph": exact.Frac(1609344, 3600000), "kn": exact.Frac(1852, 3600)}

// MetresPerSecond is the speed in m/s.
func (w WindSpeed) MetresPerSecond() exact.Rat { return w.Value.v.Mul(perMPS[w.Unit]) }

// String writes "2.5 m/s".
func (w WindSpeed) String() string { return w.Value.String() + " " + w.Unit }

// UnmarshalJSON reads value and unit, or a text with both.
func (w *WindSpeed) UnmarshalJSON(b []byte) error {
	type plain WindSpeed
	b = bytes.TrimSpace(b)
	var p plain
	if len(b) > 0 && b[0] == '"' {
		var s string
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
		number, unit, _ := strings.Cut(strings.TrimSpace(s), " ")
		v, fault := Dec(number)
		if fault != nil {
			return fault
		}
		p = plain{v, strings.TrimSpace(unit)}
	} else if err := strict(b, &p); err != nil {
		return err
	}
	if _, ok := perMPS[p.Unit]; !ok {
		return finding.Bad("record-wind-unit", finding.Where{}, finding.Args{"text": finding.Text(p.Value.String() + " " + p.Unit)})
	}
	if p.Value.v.Sign() < 0 {
		return finding.Bad("record-negative", finding.Where{}, finding.Args{"text": finding.Text(p.Value.String() + " " + p.Unit)})
	}
	*w = WindSpeed(p)
	return nil
}

// Volume is a volume as it was written down.
type Volume = Measure[q.VolumeKind]

// volume is a recorded volume in mL.
func volume(f Fact[Volume]) (exact.Rat, bool) {
	m, ok := f.Known()
	if !ok {
		return exact.Rat{}, false
	}
	v, fault := m.Quantity()
	return v.Base(), fault == nil
}
