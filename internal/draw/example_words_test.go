package draw

// English and Spanish words of the tests' drawings. The trees are invented.
func english() Words {
	return Words{Lang: "en", DecimalMark: ".", Label: map[string]string{
		"length_unit": "cm", "depth_unit": "mm", "height_unit": "m", "map_unit": "m",
		"north": "N", "east": "E", "south": "S", "west": "W",
		"mark": "Mark", "bark": "Bark", "sapwood": "Sapwood", "heartwood": "Heartwood", "port": "Port", "ports": "ports", "port_one": "port",
		"old_hole": "Old hole", "keep_out": "Keep out", "unusable": "Not usable", "each_port": "each", "deep": "deep",
		"clockwise": "Tape from the mark, clockwise seen from above.",
		"height":    "Height", "ground": "Ground", "tape": "Tape from the mark", "outside_view": "Seen from outside: azimuth falls from left to right.",
		"trunk": "Trunk", "climb": "Above this: a climber and a second trained person", "limb_port": "Limb port", "behind": "On the far side",
		"parking": "Parking", "trees": "trees", "done": "Done", "return": "Return visit", "refused": "Refused", "suspect": "Suspect", "outline": "Edge of the block", "pilot": "Pilot tree", "walk": "Walk",
		"am": "am", "pm": "pm", "break": "Break",
		"diameter": "Diameter", "mean": "Mean", "interval": "95 % interval",
		"effective": "Effective level you entered", "median": "Median", "band": "10 to 90 % of draws", "treatable": "Treatable",
	}}
}

func spanish() Words {
	w := english()
	w.Lang, w.DecimalMark = "es", ","
	for k, v := range map[string]string{"mark": "Marca", "bark": "Corteza", "sapwood": "Albura", "heartwood": "Duramen", "port": "Punto", "ports": "puntos", "port_one": "punto",
		"old_hole": "Orificio antiguo", "keep_out": "Zona vedada", "unusable": "No utilizable", "each_port": "cada uno", "deep": "de profundidad",
		"clockwise": "Cinta desde la marca, en sentido horario vista desde arriba.", "west": "O"} {
		w.Label[k] = v
	}
	return w
}
