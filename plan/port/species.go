package port

import (
	"strconv"
	"strings"

	"sapward/measure/tree"
)

// woodOf is the wood of the genera in the table of bark, as commonly taught
// (from memory): walnut, hickory and persimmon are semi-ring-porous and left
// out.
var woodOf = map[string]tree.Wood{
	"abies": tree.Conifer, "juniperus": tree.Conifer, "larix": tree.Conifer, "picea": tree.Conifer,
	"pinus": tree.Conifer, "thuja": tree.Conifer, "tsuga": tree.Conifer,
	"castanea": tree.RingPorous, "celtis": tree.RingPorous, "fraxinus": tree.RingPorous,
	"quercus": tree.RingPorous, "robinia": tree.RingPorous, "ulmus": tree.RingPorous,
	"acer": tree.DiffusePorous, "aesculus": tree.DiffusePorous, "betula": tree.DiffusePorous,
	"fagus": tree.DiffusePorous, "liquidambar": tree.DiffusePorous, "liriodendron": tree.DiffusePorous,
	"magnolia": tree.DiffusePorous, "nyssa": tree.DiffusePorous, "platanus": tree.DiffusePorous,
	"populus": tree.DiffusePorous, "prunus": tree.DiffusePorous, "salix": tree.DiffusePorous,
	"tilia": tree.DiffusePorous,
}

// fiaGenus gives the genus of rows that the source names by a code only: the
// blocks of the inventory's species codes (from memory; the rows that have
// both a code and a name agree, which a test holds).
var fiaGenus = []struct {
	from, to int
	genus    string
}{
	{10, 22, "Abies"}, {57, 69, "Juniperus"}, {70, 75, "Larix"}, {90, 98, "Picea"}, {100, 140, "Pinus"},
	{260, 264, "Tsuga"}, {310, 323, "Acer"}, {330, 336, "Aesculus"}, {370, 379, "Betula"}, {400, 413, "Carya"},
	{421, 424, "Castanea"}, {460, 463, "Celtis"}, {540, 549, "Fraxinus"}, {600, 606, "Juglans"},
	{650, 655, "Magnolia"}, {690, 695, "Nyssa"}, {730, 732, "Platanus"}, {740, 752, "Populus"},
	{760, 769, "Prunus"}, {800, 842, "Quercus"}, {920, 929, "Salix"}, {950, 953, "Tilia"}, {970, 977, "Ulmus"},
}

// named returns the row's Latin name, or its genus by the code's block.
func (r BarkRow) named() string {
	if r.Species != "" {
		return r.Species
	}
	n, err := strconv.Atoi(r.FIA)
	if err != nil {
		return ""
	}
	for _, b := range fiaGenus {
		if b.from <= n && n <= b.to {
			return b.genus
		}
	}
	return ""
}

// commonNames are names of genera in English and Spanish, without accents.
// Longer names are looked for first, so that horse chestnut is not chestnut.
var commonNames = map[string]string{
	"horse chestnut": "aesculus", "horsechestnut": "aesculus", "buckeye": "aesculus", "castano de indias": "aesculus",
	"elm": "ulmus", "olmo": "ulmus", "chestnut": "castanea", "castano": "castanea",
	"oak": "quercus", "roble": "quercus", "encina": "quercus", "ash": "fraxinus", "fresno": "fraxinus",
	"maple": "acer", "sycamore maple": "acer", "arce": "acer", "beech": "fagus", "haya": "fagus",
	"lime": "tilia", "linden": "tilia", "basswood": "tilia", "tilo": "tilia",
	"pine": "pinus", "pino": "pinus", "spruce": "picea", "picea": "picea", "fir": "abies", "abeto": "abies",
	"larch": "larix", "tamarack": "larix", "alerce": "larix", "hemlock": "tsuga", "juniper": "juniperus", "enebro": "juniperus",
	"birch": "betula", "abedul": "betula", "cherry": "prunus", "plum": "prunus", "cerezo": "prunus", "ciruelo": "prunus",
	"poplar": "populus", "aspen": "populus", "cottonwood": "populus", "alamo": "populus", "chopo": "populus",
	"tulip poplar": "liriodendron", "yellow poplar": "liriodendron", "tulip tree": "liriodendron", "tuliptree": "liriodendron",
	"willow": "salix", "sauce": "salix", "walnut": "juglans", "butternut": "juglans", "nogal": "juglans",
	"hickory": "carya", "pecan": "carya", "hackberry": "celtis", "almez": "celtis",
	"plane": "platanus", "plane tree": "platanus", "platano": "platanus", "locust": "robinia", "robinia": "robinia",
	"sweetgum": "liquidambar", "tupelo": "nyssa", "magnolia": "magnolia",
	"mountain ash": "sorbus", "rowan": "sorbus", "honey locust": "gleditsia", "honeylocust": "gleditsia",
	"douglas fir": "pseudotsuga", "she oak": "casuarina",
}

var plain = strings.NewReplacer("á", "a", "é", "e", "í", "i", "ó", "o", "ú", "u", "ñ", "n",
	"-", " ", "_", " ", "×", " ", "'", " ", ",", " ", "(", " ", ")", " ", "\u2018", " ", "\u2019", " ")

// words returns a name in lower case without accents and marks, a hybrid's x
// left out.
func words(s string) []string {
	ws := strings.Fields(plain.Replace(strings.ToLower(s)))
	kept := ws[:0]
	for _, w := range ws {
		if w != "x" {
			kept = append(kept, w)
		}
	}
	return kept
}

// latin returns the lower-case Latin name (genus and species, if both were
// given) and genus for a name as people type it; empty where it is not known.
func latin(s string) (species, genus string) {
	ws := words(s)
	if len(ws) == 0 {
		return "", ""
	}
	if _, ok := knownGenera[ws[0]]; ok {
		if len(ws) > 1 && ws[1] != "sp." && ws[1] != "sp" && ws[1] != "spp" && ws[1] != "spp." {
			return ws[0] + " " + ws[1], ws[0]
		}
		return "", ws[0]
	}
	for n := min(3, len(ws)); n >= 1; n-- { // the longest name wins, nearest the end
		for i := len(ws) - n; i >= 0; i-- {
			if g, ok := commonNames[strings.Join(ws[i:i+n], " ")]; ok {
				return "", g
			}
		}
	}
	return "", ""
}

// knownGenera are the Latin genera a name may start with.
var knownGenera = func() map[string]struct{} {
	m := map[string]struct{}{"carya": {}, "juglans": {}}
	for g := range woodOf {
		m[g] = struct{}{}
	}
	return m
}()

// genusOf and speciesOf read the table's own Latin names.
func genusOf(s string) string {
	if ws := words(s); len(ws) > 0 {
		return ws[0]
	}
	return ""
}

func speciesOf(s string) string {
	ws := words(s)
	if len(ws) < 2 || ws[1] == "sp." {
		return ""
	}
	return ws[0] + " " + ws[1]
}
