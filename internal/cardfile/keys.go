package cardfile

import (
	"sort"
	"strings"
)

// keys lists the keys of every kind of mapping on a card, in the order a label
// is best typed in. The JSON Schema names the same keys; a test holds the two
// together.
var keys = map[string][]string{
	"card":         {"schema", "product", "source", "verified", "uses", "safety", "statements"},
	"product":      {"name", "invented", "holder", "registration", "restricted_use", "agricultural", "density", "active"},
	"registration": {"number", "supplement", "type", "territory", "valid", "use_up_by"},
	"active":       {"name", "content", "as", "class"},
	"source":       {"kind", "date"},
	"verified":     {"entered_by", "entered_on", "checked_by", "checked_on"},
	"use": {"method", "sites", "targets", "measure", "tree", "rate", "dilution", "ports", "pressure", "limits", "timing",
		"rei", "notify", "phi", "grazing", "without_drilling", "page"},
	"site":      {"name", "code", "food", "bearing"},
	"measure":   {"at", "stems"},
	"tree":      {"min", "max", "crown_loss_max"},
	"rate":      {"per", "low", "high", "amount", "active", "bands", "classes", "shape"},
	"band":      {"from", "to", "amount", "low", "high", "active", "ports"},
	"class":     {"class", "amount", "low", "high", "active"},
	"dilution":  {"mix_per", "mix_per_tree", "concentration", "mix_life"},
	"ports":     {"place", "spacing", "volume", "min", "max", "density_min", "density_max", "hole", "sapwood_depth", "height", "stagger", "keep_out", "wound_warn", "wound_max", "plug", "down_slope"},
	"keep_out":  {"sideways", "below", "above"},
	"range":     {"min", "max"},
	"limits":    {"applications", "year", "season_starts", "interval", "per_application", "per_year", "active_per_area"},
	"timing":    {"months", "temperature", "bloom", "hours", "force"},
	"safety":    {"ppe", "first_aid", "emergency_number", "storage", "disposal", "spill"},
	"ppe":       {"mix", "apply", "clean", "early_entry"},
	"statement": {"force", "text", "page"},
}

// homes says under which key each kind of mapping stands, for the message about
// a key in the wrong place. Kinds that only repeat keys of others are left out.
var homes = map[string]string{
	"card": "the top of the file", "product": "product", "registration": "product.registration", "use": "uses[]",
	"measure": "uses[].measure", "tree": "uses[].tree", "rate": "uses[].rate", "dilution": "uses[].dilution",
	"ports": "uses[].ports", "limits": "uses[].limits", "timing": "uses[].timing", "safety": "safety", "verified": "verified",
	"site": "uses[].sites[]", "keep_out": "uses[].ports.keep_out", "active": "product.active[]", "ppe": "safety.ppe", "statement": "statements[]",
}

// home returns the one place where a key would be right, or nothing.
func home(key string) string {
	var found []string
	for kind, where := range homes {
		for _, k := range keys[kind] {
			if k == key {
				found = append(found, where)
			}
		}
	}
	sort.Strings(found)
	if len(found) != 1 {
		return ""
	}
	return found[0]
}

// nearest returns the word of a list that a typed word most likely meant, or
// nothing when none is near: at most one slip in three letters, at least one.
func nearest(typed string, words []string) string {
	typed = plain(typed)
	if typed == "" {
		return ""
	}
	best, at := "", max(1, len(typed)/3)+1
	for _, w := range words {
		if d := slips(typed, plain(w)); d < at {
			best, at = w, d
		}
	}
	return best
}

// plain takes out what people vary without meaning anything by it.
func plain(s string) string {
	return strings.NewReplacer("-", "", "_", "", " ", "").Replace(strings.ToLower(s))
}

// slips counts the letters to add, drop, change or swap with a neighbour to turn
// a into b (Damerau-Levenshtein distance, restricted form).
func slips(a, b string) int {
	before2, before, now := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range before {
		before[j] = j
	}
	for i := 1; i <= len(a); i++ {
		now[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			now[j] = min(before[j]+1, now[j-1]+1, before[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				now[j] = min(now[j], before2[j-2]+1)
			}
		}
		before2, before, now = before, now, before2
	}
	return before[len(b)]
}
