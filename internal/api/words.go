package api

import "strings"

// typeNotes say what a type is, where its own comment is not for callers.
var typeNotes = map[string]string{}

// unit is what the end of a name says of its figure.
var units = []struct{ end, say string }{
	{"_mg_kg", "milligrams per kilogram"}, {"_g_ha", "grams per hectare"}, {"_cm", "centimetres"}, {"_mm", "millimetres"}, {"_um", "micrometres"}, {"_ml", "millilitres"}, {"_ul", "microlitres"},
	{"_ha", "hectares"}, {"_deg", "degrees"}, {"_pct", "per cent"}, {"_kpa", "kilopascals"}, {"_km_h", "kilometres per hour"}, {"_s", "seconds"}, {"_min", "minutes"},
	{"_c", "degrees Celsius"}, {"_m", "metres"}, {"_l", "litres"}, {"_g", "grams"}, {"_h", "hours"}, {"_d", "days"},
}

// about is what the document says of a property: words of its own, else what
// stands beside the field in the source, and the unit that its name ends in.
func about(f field) string {
	say := notes[keyOf(f.of)+"."+f.name]
	if say == "" {
		say = comments[keyOf(f.of)+"."+f.name]
	}
	if say == "" {
		say = notes[f.name]
	}
	for _, u := range units {
		if strings.HasSuffix(f.name, u.end) {
			return strings.TrimSpace(say + " Unit: " + u.say + ".")
		}
	}
	return say
}

// notes say what a property is, by its name, or by its type and name.
var notes = map[string]string{}

// examples are of text, by the property's name.
var examples = map[string]string{
	"tag": "E001", "girth_cm": "98.5", "diameter_cm": "31.4", "height_m": "14", "crown_m": "9", "bark_mm": "18", "measured_at_m": "1.3", "on": "2026-06-03", "zone": "Europe/Madrid",
	"status": "healthy", "rating_pct": "10", "area_ha": "1.2", "species": "Ulmus minor", "hole_mm": "7.5", "height_cm": "25", "method": "injection", "bloom": "after", "date_end": "2026-06-03",
}

// ranges bound numbers, by the property's name.
var ranges = map[string]schema{
	"azimuth_deg": {"minimum": 0, "exclusiveMaximum": 360}, "from_deg": {"minimum": 0, "exclusiveMaximum": 360}, "to_deg": {"minimum": 0, "maximum": 360},
	"lat": {"minimum": -90, "maximum": 90}, "lon": {"minimum": -180, "maximum": 180}, "version": {"minimum": 0},
}
