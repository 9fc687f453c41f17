package quantity

import (
	"strings"
	"unicode/utf8"

	"sapward/finding"
	"sapward/numeric/exact"
)

// Parse reads a quantity of kind K as people write it: "1.2 mL/cm",
// "0.5 fl oz/in", "200 g/L", "4.5 ft", "32 °F", "45.8 % w/w". The number is a
// plain decimal without grouping; a decimal comma is accepted where it cannot
// be a thousands mark. The result is exact.
//
// The fault names what is wrong: quantity-empty, number-unclear,
// number-comma, number-grouped, unit-missing, unit-vague, unit-unknown,
// unit-kind or percent-basis. Its place is filled in by the caller.
func Parse[K Kind](s string) (Quantity[K], *finding.Fault) {
	var k K
	info := k.kind()
	number, unitText, fault := cut(s)
	if fault != nil {
		return Quantity[K]{}, fault
	}
	v, fault := Number(number)
	if fault != nil {
		return Quantity[K]{}, fault
	}
	unitText = strings.TrimSpace(unitText)
	if unitText == "" {
		return Quantity[K]{}, finding.Bad("unit-missing", finding.Where{}, finding.Args{"text": finding.Text(s), "units": finding.Text(examples(info))})
	}
	size, fault := sizeOf(info, unitText, s)
	if fault != nil {
		return Quantity[K]{}, fault
	}
	v = v.Mul(size)
	if info.num == axisTemperature && (strings.HasSuffix(unitText, "F") || strings.HasSuffix(unitText, "F]") || unitText == "℉") {
		v = v.Sub(exact.Frac(160, 9)) // t_C = (t_F - 32) 5/9, NIST SP 811 B.8
	}
	return Quantity[K]{v}, nil
}

// cut splits a text into number and unit.
func cut(s string) (number, unitText string, fault *finding.Fault) {
	t := strings.TrimSpace(strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ", "\u2212", "-").Replace(s))
	if t == "" {
		return "", "", finding.Bad("quantity-empty", finding.Where{}, finding.Args{})
	}
	i := 0
	for i < len(t) && strings.IndexByte("+-0123456789.,_", t[i]) >= 0 {
		i++
	}
	if i < len(t) && (t[i] == 'e' || t[i] == 'E') && i+1 < len(t) && strings.IndexByte("+-0123456789", t[i+1]) >= 0 {
		return "", "", finding.Bad("number-unclear", finding.Where{}, finding.Args{"text": finding.Text(clip(t))})
	}
	if i == 0 {
		return "", "", finding.Bad("number-unclear", finding.Where{}, finding.Args{"text": finding.Text(clip(t))})
	}
	return t[:i], t[i:], nil
}

// Number reads a plain decimal number exactly. "1,5" is read as 1.5; "1,234"
// and "1.234,5" are refused because they mean two things. Leading zeros such
// as 012 are refused where a spreadsheet or YAML reader may have meant octal.
func Number(s string) (exact.Rat, *finding.Fault) {
	t := strings.TrimSpace(strings.ReplaceAll(s, "\u2212", "-"))
	bad := func(id string) (exact.Rat, *finding.Fault) {
		return exact.Rat{}, finding.Bad(id, finding.Where{}, finding.Args{"text": finding.Text(clip(s))})
	}
	if t == "" {
		return bad("quantity-empty")
	}
	if strings.Contains(t, "_") {
		return bad("number-grouped")
	}
	if c := strings.IndexByte(t, ','); c >= 0 {
		whole, part := strings.TrimLeft(t[:c], "+-"), t[c+1:]
		if strings.ContainsAny(part, ",.") || strings.Contains(whole, ".") {
			return bad("number-grouped")
		}
		if len(part) == 3 && whole != "0" && len(whole) <= 3 {
			return bad("number-comma")
		}
		t = t[:c] + "." + part
	}
	digits := strings.TrimLeft(t, "+-")
	if len(digits) > 1 && digits[0] == '0' && digits[1] != '.' {
		return bad("number-zeros")
	}
	v, ok := exact.Decimal(t)
	if !ok {
		return bad("number-unclear")
	}
	return v, nil
}

// sizeOf returns the size of the unit text in the base unit of info.
func sizeOf(info *kindInfo, text, whole string) (exact.Rat, *finding.Fault) {
	fail := func(id string, args finding.Args) (exact.Rat, *finding.Fault) {
		args["text"] = finding.Text(clip(whole))
		if _, ok := args["units"]; !ok {
			args["units"] = finding.Text(examples(info))
		}
		return exact.Rat{}, finding.Bad(id, finding.Where{}, args)
	}
	if u, ok := find(text); ok && u.axis == axisNone {
		return percentSize(info, u.name, fail)
	}
	num, den := split(text)
	if num == "" && den != "" {
		num = "1"
	}
	n, fault := lookUp(num, fail)
	if fault != nil {
		return exact.Rat{}, fault
	}
	if den == "" {
		if n.axis == axisPercent && info.den != axisNone {
			return fail("percent-basis", finding.Args{})
		}
		if n.axis != info.num || info.den != axisNone {
			return fail("unit-kind", finding.Args{"unit": finding.Text(text)})
		}
		return n.size, nil
	}
	d, fault := lookUp(den, fail)
	if fault != nil {
		return exact.Rat{}, fault
	}
	if n.axis != info.num || d.axis != info.den {
		return fail("unit-kind", finding.Args{"unit": finding.Text(text)})
	}
	return n.size.Quo(d.size), nil
}

// percentSize gives per-cent units with a stated basis their size.
func percentSize(info *kindInfo, name string, fail func(string, finding.Args) (exact.Rat, *finding.Fault)) (exact.Rat, *finding.Fault) {
	fits := map[string][2]axis{"% v/v": {axisVolume, axisVolume}, "% w/w": {axisMass, axisMass}, "% w/v": {axisMass, axisVolume}}
	if f, ok := fits[name]; !ok || f != [2]axis{info.num, info.den} {
		return fail("unit-kind", finding.Args{"unit": finding.Text(name)})
	}
	return exact.Frac(1, 100), nil // w/v: g per 100 mL
}

// split cuts "mL/cm" or "mL per cm" into its two units.
func split(s string) (num, den string) {
	for _, sep := range []string{"/", " per "} {
		if i := strings.Index(s, sep); i >= 0 {
			return strings.TrimSpace(s[:i]), strings.TrimSpace(s[i+len(sep):])
		}
	}
	if strings.HasPrefix(s, "per ") {
		return "", strings.TrimSpace(s[4:])
	}
	return s, ""
}

func lookUp(s string, fail func(string, finding.Args) (exact.Rat, *finding.Fault)) (unit, *finding.Fault) {
	if choose, ok := vague[s]; ok {
		_, f := fail("unit-vague", finding.Args{"unit": finding.Text(s), "units": finding.Text(choose)})
		return unit{}, f
	}
	u, ok := find(s)
	if !ok {
		_, f := fail("unit-unknown", finding.Args{"unit": finding.Text(clip(s))})
		return unit{}, f
	}
	return u, nil
}

// examples names units that fit a kind, for messages.
func examples(info *kindInfo) string {
	switch info.name {
	case "length":
		return "mm, cm, m, in, ft"
	case "area":
		return "m2, ha, ac"
	case "volume":
		return "mL, L, US fl oz, US gal"
	case "mass":
		return "mg, g, kg, lb, oz av"
	case "duration":
		return "min, h, d"
	case "pressure":
		return "kPa, bar, psi"
	case "temperature":
		return "°C, °F"
	case "percent":
		return "%"
	case "density":
		return "g/mL, g/L, kg/L, % w/v"
	case "mass-fraction":
		return "g/kg, % w/w"
	case "volume-per-length":
		return "mL/cm, L/cm, US fl oz/in"
	case "volume-per-area":
		return "mL/m2, mL/cm2"
	case "volume-per-volume":
		return "mL/L, % v/v, mL/m3"
	case "mass-per-length":
		return "g/cm, g/in, mg/cm"
	case "mass-per-area":
		return "g/ha, g/m2, lb/ac"
	case "count-per-length":
		return "/m, /cm, /ft"
	}
	return info.base
}

// clip shortens a text for a message and makes it valid UTF-8.
func clip(s string) string {
	s = strings.ToValidUTF8(s, "?")
	if utf8.RuneCountInString(s) <= 40 {
		return s
	}
	rs := []rune(s)
	return string(rs[:39]) + "…"
}

// KindName is the catalogue key of K.
func KindName[K Kind]() string {
	var k K
	return k.kind().name
}

// In returns the value in the unit as written for people, such as "mL/L". The
// unit is written by the programmer; one that does not fit the kind panics.
func (q Quantity[K]) In(unitText string) exact.Rat {
	var k K
	size, fault := sizeOf(k.kind(), unitText, unitText)
	if fault != nil {
		panic("quantity: " + fault.Error())
	}
	v := q.v
	if unitText == "°F" {
		v = v.Add(exact.Frac(160, 9))
	}
	return v.Quo(size)
}

// New makes a quantity from a whole number of a unit, for constants in code.
func New[K Kind](n int64, unitText string) Quantity[K] {
	var k K
	size, fault := sizeOf(k.kind(), unitText, unitText)
	if fault != nil {
		panic("quantity: " + fault.Error())
	}
	return Quantity[K]{exact.Int(n).Mul(size)}
}
