package draw

import "math"

// Role is what a colour is for. The back ends decide what it looks like.
type Role string

// Roles: one ink, one bark brown, one leaf green, one warning red, each with a
// soft companion for areas, and the ramp of the heat map.
const (
	Paper    Role = "paper"
	Ink      Role = "ink"
	Muted    Role = "muted" // second voice of text
	Hair     Role = "hair"  // grid and frame lines
	Bark     Role = "bark"
	BarkSoft Role = "bark-soft"
	Sapwood  Role = "sapwood"
	Heart    Role = "heart"
	Leaf     Role = "leaf"
	LeafSoft Role = "leaf-soft"
	Warn     Role = "warn"
	WarnSoft Role = "warn-soft"
)

// RampSteps is the number of steps of the heat map's ramp.
const RampSteps = 9

var rampRoles = [RampSteps]Role{"ramp-0", "ramp-1", "ramp-2", "ramp-3", "ramp-4", "ramp-5", "ramp-6", "ramp-7", "ramp-8"}

// RampRole is the role of one step of the ramp, clamped to its ends.
func RampRole(step int) Role { return rampRoles[min(max(step, 0), RampSteps-1)] }

// RGB is a colour in sRGB.
type RGB struct{ R, G, B uint8 }

// Hex is the colour as #rrggbb.
func (c RGB) Hex() string {
	const digits = "0123456789abcdef"
	b := []byte{'#', 0, 0, 0, 0, 0, 0}
	for i, v := range []uint8{c.R, c.G, c.B} {
		b[1+2*i], b[2+2*i] = digits[v>>4], digits[v&15]
	}
	return string(b)
}

// Theme gives each role its colour.
type Theme map[Role]RGB

// roleOrder is the order in which the style sheet lists roles.
var roleOrder = append([]Role{Paper, Ink, Muted, Hair, Bark, BarkSoft, Sapwood, Heart, Leaf, LeafSoft, Warn, WarnSoft}, rampRoles[:]...)

// LightTheme is for white paper and daylight.
func LightTheme() Theme {
	return withRamp(Theme{
		Paper: {255, 255, 255}, Ink: {0x1f, 0x27, 0x23}, Muted: {0x55, 0x5f, 0x58}, Hair: {0xcf, 0xd5, 0xcd},
		Bark: {0x7a, 0x4a, 0x24}, BarkSoft: {0xc9, 0xa7, 0x82}, Sapwood: {0xf6, 0xec, 0xda}, Heart: {0xe6, 0xd0, 0xac},
		Leaf: {0x2c, 0x6a, 0x33}, LeafSoft: {0xcf, 0xe3, 0xc8}, Warn: {0xb0, 0x2a, 0x1c}, WarnSoft: {0xf6, 0xd8, 0xd0},
	}, false)
}

// DarkTheme is for a dark page; light and dark change places, the ramp too, so
// that the most always stands out most from the page.
func DarkTheme() Theme {
	return withRamp(Theme{
		Paper: {0x15, 0x1a, 0x17}, Ink: {0xe9, 0xed, 0xe7}, Muted: {0xab, 0xb5, 0xac}, Hair: {0x3d, 0x46, 0x40},
		Bark: {0xd6, 0xa4, 0x72}, BarkSoft: {0x6b, 0x49, 0x2b}, Sapwood: {0x3c, 0x31, 0x24}, Heart: {0x2a, 0x22, 0x19},
		Leaf: {0x8b, 0xc5, 0x86}, LeafSoft: {0x2a, 0x47, 0x2f}, Warn: {0xff, 0x9d, 0x8c}, WarnSoft: {0x57, 0x2a, 0x24},
	}, true)
}

func withRamp(t Theme, dark bool) Theme {
	for i := range RampSteps {
		j := i
		if dark {
			j = RampSteps - 1 - i
		}
		t[rampRoles[i]] = rampColour(float64(j) / (RampSteps - 1))
	}
	return t
}

// rampColour is the ramp at x in [0, 1], pale straw through green to deep blue
// ink. It is computed in OKLab (Ottosson 2020, "A perceptual color space for
// image processing"): lightness falls evenly from 0.96 to 0.30, hue turns from
// 100 to 265 degrees, chroma is greatest in the middle. Even lightness makes it
// readable in grey and with any colour vision.
func rampColour(x float64) RGB {
	l := 0.96 - 0.66*x
	h := (100 + 165*x) * math.Pi / 180
	c := 0.035 + 0.30*x*(1-x)
	return fromOKLab(l, c*math.Cos(h), c*math.Sin(h))
}

// fromOKLab converts OKLab to sRGB; colours outside sRGB lose chroma until
// they fit. Matrices: Ottosson (2020), from memory.
func fromOKLab(l, a, b float64) RGB {
	for range 40 {
		lc := math.Pow(l+0.3963377774*a+0.2158037573*b, 3)
		mc := math.Pow(l-0.1055613458*a-0.0638541728*b, 3)
		sc := math.Pow(l-0.0894841775*a-1.2914855480*b, 3)
		r := 4.0767416621*lc - 3.3077115913*mc + 0.2309699292*sc
		g := -1.2684380046*lc + 2.6097574011*mc - 0.3413193965*sc
		bl := -0.0041960863*lc - 0.7034186147*mc + 1.7076147010*sc
		if min(r, g, bl) >= -1e-4 && max(r, g, bl) <= 1+1e-4 {
			return RGB{gamma(r), gamma(g), gamma(bl)}
		}
		a, b = a*0.95, b*0.95
	}
	return RGB{gamma(l * l * l), gamma(l * l * l), gamma(l * l * l)}
}

// gamma encodes linear light for sRGB (IEC 61966-2-1).
func gamma(v float64) uint8 {
	v = min(max(v, 0), 1)
	if v <= 0.0031308 {
		v *= 12.92
	} else {
		v = 1.055*math.Pow(v, 1/2.4) - 0.055
	}
	return uint8(math.Round(v * 255))
}

// Luminance is the relative luminance of WCAG 2.2, from 0 (black) to 1 (white).
func (c RGB) Luminance() float64 {
	lin := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(c.R) + 0.7152*lin(c.G) + 0.0722*lin(c.B)
}

// Contrast is the contrast ratio of WCAG 2.2, (L1 + 0.05)/(L2 + 0.05) with L1
// the lighter: from 1 to 21. Text needs 4.5, shapes 3.
func Contrast(a, b RGB) float64 {
	x, y := a.Luminance(), b.Luminance()
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}
