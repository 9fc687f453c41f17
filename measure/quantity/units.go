package quantity

import "sapward/numeric/exact"

// axis is a base dimension of the closed unit list.
type axis uint8

const (
	axisNone axis = iota
	axisLength
	axisArea
	axisVolume
	axisMass
	axisTime
	axisPressure
	axisTemperature
	axisPercent
	axisCount
)

// unit is one accepted unit: its axis and its exact size in the axis's base
// unit (cm, m2, mL, g, h, kPa, 1).
type unit struct {
	axis axis
	size exact.Rat
	name string // how the program writes it back
}

func r(n, d int64) exact.Rat { return exact.Frac(n, d) }

// units is the closed list. Sizes are exact by definition: inch 0.0254 m,
// pound 0.45359237 kg, US gallon 231 in3, imperial gallon 4.54609 L, acre of
// 43,560 international square feet, psi from 1 lbf with g0 = 9.80665 m/s2
// (NIST Special Publication 811, 2008, appendix B).
var units = map[string]unit{
	"nm": {axisLength, r(1, 10_000_000), "nm"},
	"um": {axisLength, r(1, 10_000), "um"},
	"mm": {axisLength, r(1, 10), "mm"},
	"cm": {axisLength, r(1, 1), "cm"},
	"m":  {axisLength, r(100, 1), "m"},
	"km": {axisLength, r(100_000, 1), "km"},
	"in": {axisLength, r(254, 100), "in"},
	"ft": {axisLength, r(3048, 100), "ft"},
	"yd": {axisLength, r(9144, 100), "yd"},

	"mm2": {axisArea, r(1, 1_000_000), "mm2"},
	"cm2": {axisArea, r(1, 10_000), "cm2"},
	"m2":  {axisArea, r(1, 1), "m2"},
	"ha":  {axisArea, r(10_000, 1), "ha"},
	"in2": {axisArea, r(254*254, 100_000_000), "in2"},
	"ft2": {axisArea, r(3048*3048, 100_000_000), "ft2"},
	"ac":  {axisArea, r(40468564224, 10_000_000), "ac"},

	"uL":        {axisVolume, r(1, 1000), "uL"},
	"mL":        {axisVolume, r(1, 1), "mL"},
	"cL":        {axisVolume, r(10, 1), "cL"},
	"dL":        {axisVolume, r(100, 1), "dL"},
	"L":         {axisVolume, r(1000, 1), "L"},
	"cm3":       {axisVolume, r(1, 1), "cm3"},
	"m3":        {axisVolume, r(1_000_000, 1), "m3"},
	"ft3":       {axisVolume, r(28316846592, 1_000_000), "ft3"},
	"US fl oz":  {axisVolume, r(295735295625, 10_000_000_000), "US fl oz"},
	"US pt":     {axisVolume, r(473176473, 1_000_000), "US pt"},
	"US qt":     {axisVolume, r(946352946, 1_000_000), "US qt"},
	"US gal":    {axisVolume, r(3785411784, 1_000_000), "US gal"},
	"imp fl oz": {axisVolume, r(284130625, 10_000_000), "imp fl oz"},
	"imp pt":    {axisVolume, r(56826125, 100_000), "imp pt"},
	"imp qt":    {axisVolume, r(11365225, 10_000), "imp qt"},
	"imp gal":   {axisVolume, r(454609, 100), "imp gal"},
	"ug":        {axisMass, r(1, 1_000_000), "ug"},
	"mg":        {axisMass, r(1, 1000), "mg"},
	"g":         {axisMass, r(1, 1), "g"},
	"kg":        {axisMass, r(1000, 1), "kg"},
	"t":         {axisMass, r(1_000_000, 1), "t"},
	"lb":        {axisMass, r(45359237, 100_000), "lb"},
	"oz av":     {axisMass, r(45359237, 1_600_000), "oz av"},
	"s":         {axisTime, r(1, 3600), "s"},
	"min":       {axisTime, r(1, 60), "min"},
	"h":         {axisTime, r(1, 1), "h"},
	"d":         {axisTime, r(24, 1), "d"},
	"wk":        {axisTime, r(168, 1), "wk"},
	"kPa":       {axisPressure, r(1, 1), "kPa"},
	"Pa":        {axisPressure, r(1, 1000), "Pa"},
	"MPa":       {axisPressure, r(1000, 1), "MPa"},
	"bar":       {axisPressure, r(100, 1), "bar"},
	"psi":       {axisPressure, exact.Frac(45359237, 100_000_000).Mul(exact.Frac(980665, 100_000)).Quo(exact.Frac(254*254, 100_000_000)).Mul(r(1, 1000)), "psi"},
	"°C":        {axisTemperature, r(1, 1), "°C"},
	"°F":        {axisTemperature, r(5, 9), "°F"},
	"%":         {axisPercent, r(1, 1), "%"},
	"1":         {axisCount, r(1, 1), ""},
	"% v/v":     {axisNone, r(1, 100), "% v/v"},
	"% w/w":     {axisNone, r(1, 100), "% w/w"},
	"% w/v":     {axisNone, r(1, 100), "% w/v"},
}

// spellings maps other ways people write a unit to its name in units.
var spellings = map[string]string{
	"µm": "um", "μm": "um", "millimetre": "mm", "millimeter": "mm", "millimetres": "mm", "millimeters": "mm",
	"centimetre": "cm", "centimeter": "cm", "centimetres": "cm", "centimeters": "cm",
	"metre": "m", "meter": "m", "metres": "m", "meters": "m",
	"inch": "in", "inches": "in", "\"": "in", "[in_i]": "in", "″": "in",
	"foot": "ft", "feet": "ft", "[ft_i]": "ft", "'": "ft", "′": "ft", "yard": "yd", "yards": "yd",
	"mm²": "mm2", "cm²": "cm2", "m²": "m2", "sq m": "m2", "sq ft": "ft2", "ft²": "ft2", "in²": "in2", "sq in": "in2",
	"har": "ha", "hectare": "ha", "hectares": "ha", "acre": "ac", "acres": "ac",
	"µL": "uL", "μL": "uL", "ml": "mL", "millilitre": "mL", "milliliter": "mL", "millilitres": "mL", "milliliters": "mL",
	"cc": "cm3", "cm³": "cm3", "m³": "m3", "ft³": "ft3", "l": "L", "litre": "L", "liter": "L", "litres": "L", "liters": "L", "cl": "cL", "dl": "dL",
	"fl oz": "US fl oz", "fl. oz": "US fl oz", "fl. oz.": "US fl oz", "floz": "US fl oz", "fluid ounce": "US fl oz", "fluid ounces": "US fl oz",
	"[foz_us]": "US fl oz", "us fl oz": "US fl oz", "[foz_br]": "imp fl oz", "UK fl oz": "imp fl oz",
	"[gal_us]": "US gal", "us gal": "US gal", "US gallon": "US gal", "US gallons": "US gal",
	"[gal_br]": "imp gal", "UK gal": "imp gal", "imp gallon": "imp gal", "imperial gallon": "imp gal", "imperial gallons": "imp gal",
	"US pint": "US pt", "US quart": "US qt", "UK pt": "imp pt", "UK qt": "imp qt", "imperial pint": "imp pt",
	"µg": "ug", "μg": "ug", "gram": "g", "grams": "g", "gramme": "g", "kilogram": "kg", "kilograms": "kg",
	"pound": "lb", "pounds": "lb", "lbs": "lb", "[lb_av]": "lb", "oz wt": "oz av", "[oz_av]": "oz av", "oz avdp": "oz av",
	"sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "hour": "h", "hours": "h", "hr": "h", "hrs": "h",
	"day": "d", "days": "d", "week": "wk", "weeks": "wk", "[psi]": "psi",
	"Cel": "°C", "C": "°C", "degC": "°C", "℃": "°C", "ºC": "°C", "degF": "°F", "F": "°F", "[degF]": "°F", "℉": "°F", "ºF": "°F",
	"percent": "%", "pct": "%", "per cent": "%", "port": "1", "ports": "1", "{port}": "1",
	"%v/v": "% v/v", "% vol/vol": "% v/v", "%w/w": "% w/w", "% by weight": "% w/w", "%w/v": "% w/v",
}

// vague are units that mean different amounts to different people, with the
// names to choose from.
var vague = map[string]string{
	"oz": "US fl oz, imp fl oz, oz av", "ounce": "US fl oz, imp fl oz, oz av", "ounces": "US fl oz, imp fl oz, oz av",
	"gal": "US gal, imp gal", "gallon": "US gal, imp gal", "gallons": "US gal, imp gal",
	"pt": "US pt, imp pt", "pint": "US pt, imp pt", "pints": "US pt, imp pt",
	"qt": "US qt, imp qt", "quart": "US qt, imp qt", "quarts": "US qt, imp qt",
	"ton": "t, kg, lb", "tons": "t, kg, lb",
	"ppm": "mg/L, mg/kg", "month": "d", "months": "d", "year": "d", "years": "d", "M": "m, mm, mL",
}

// find returns the unit written as s.
func find(s string) (unit, bool) {
	if u, ok := units[s]; ok {
		return u, true
	}
	if n, ok := spellings[s]; ok {
		return units[n], true
	}
	return unit{}, false
}
