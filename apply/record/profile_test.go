package record

import (
	"maps"
	"slices"
	"strings"
	"testing"
)

// The completeness matrix of the design paper RULES, 1.3, typed in by hand row
// by row. Columns: stat-min, 110 legacy, 110 spot, 171 commercial, WPS, MN, TX,
// CA, MD, EU 2023/564. Y required, c conditional, - not asked; words that tell
// parts apart stand behind.
const matrix = `
R01 Y Y Y Y Y Y Y Y Y Y
R02 - Y Y Y Y Y Y Y Y Y
R03 - - - - Y - - - - -
R04 Y Y Y Y - c c Y Y -
R05 - - - - - Y Y - Y Y
R06 - - - - - - Y - - -
R07 Y Y Y Y Y Y Y Y Y Y
R08 - - - Y start+end end start start+end - c:start
R09 Y Y Y:word Y Y Y Y Y Y Y
R10 - Y - Y - Y Y both Y Y
R12 - Y - Y Y - Y Y Y Y:EPPO
R13 - - - - - - - - - c
R14 - - - - - - Y - - -
R15 - - - - - - Y Y - c
R16 - Y - Y - Y Y c Y c
R17 - - - c - - c c c -
R18 - - - Y - Y Y Y - -
R20 - - - - - Y Y - - -
R21 - - - - Y - - - - -
R23 - - - - - - c Y - -
R26 - - - - Y - - - - -`

var columns = []string{"us-stat-min", "us-7cfr110", "us-7cfr110-spot", "us-40cfr171", "us-wps", "us-mn", "us-tx", "us-ca-operator", "us-md", "eu-2023-564"}

// text is what the words of RULES 1.2 ask, typed in without the matrix. R10
// stands for area or number of units (the matrix has one row for R10 and R11);
// a c is a condition the words themselves state. MN is completed from the
// statute's own list (Minn. Stat. 18B.37 subd. 2, version of 2015, items 1 to
// 8), because RULES names only what it adds.
var text = map[string]string{
	"us-stat-min":     "R01 R04 R07 R09",
	"us-7cfr110":      "R01 R02 R04 R07 R09 R10 R12 R16",
	"us-7cfr110-spot": "R01 R02 R04 R07 R09",
	"us-40cfr171":     "R01 R02 R04 R07 R08 R09 R10 R12 R16 R17c R18 R27c",
	"us-wps":          "R01 R02 R03 R07 R08 R09 R12 R21 R26",
	"us-mn":           "R01 R02 R05 R07 R08 R09 R10 R16 R18 R19 R20",
	"us-tx":           "R05 R06 R08 R10 R12 R14 R15 R16 R17 R18 R20 R27 R28c",
	"us-ca-operator":  "R02 R04 R07 R08 R09 R10 R12 R15 R17 R18 R23",
	"us-md":           "R04 R05 R09 R10 R16 R17",
	"us-ny":           "R01 R02 R04 R07 R09",
	"us-id":           "R01 R02 R04 R07 R09 R10 R12 R16",
	"eu-1107-67":      "R01 R05 R07 R10 R12",
	"eu-2023-564":     "R01 R02 R05 R07 R08c R09 R10 R12 R13c R24",
	"gb-1107-67":      "R01 R05 R07 R10 R12",
}

// disagreements are the cells where text and matrix differ, as "profile element
// text matrix profile": what the words say, what the matrix says, and what the
// profile asks. Where they differ the profile asks for more, marked as not
// confirmed; a person other than the certified applicator (R17) and proof of
// supervised workers' training (R27) can only be asked where there is one.
var disagreements = []string{
	"eu-2023-564 R15 - c c", "eu-2023-564 R16 - c c", "eu-2023-564 R24 Y . Y",
	"us-40cfr171 R27 c . c",
	"us-ca-operator R01 - Y Y", "us-ca-operator R16 - c c", "us-ca-operator R17 Y c c",
	"us-md R01 - Y Y", "us-md R02 - Y Y", "us-md R07 - Y Y", "us-md R12 - Y Y", "us-md R17 Y c c",
	"us-mn R04 - c c", "us-mn R19 Y . Y",
	"us-tx R01 - Y Y", "us-tx R02 - Y Y", "us-tx R04 - c c", "us-tx R07 - Y Y", "us-tx R09 - Y Y", "us-tx R17 Y c c", "us-tx R23 - c c", "us-tx R27 Y . c", "us-tx R28 c . c",
}

// cellsOf is what a profile's file asks, by element.
func cellsOf(p Profile) map[string]string {
	out := map[string]string{}
	for _, a := range p.Asks {
		e := a.Element
		if e == "R11" {
			e = "R10"
		}
		if a.When == "" {
			out[e] = "Y"
		} else if out[e] == "" {
			out[e] = "c"
		}
	}
	return out
}

func matrixCells() map[string]map[string]string {
	out := map[string]map[string]string{}
	for _, line := range strings.Split(strings.TrimSpace(matrix), "\n") {
		f := strings.Fields(line)
		for i, id := range columns {
			if out[id] == nil {
				out[id] = map[string]string{}
			}
			c := f[i+1]
			switch {
			case strings.HasPrefix(c, "c"):
				c = "c"
			case c != "-":
				c = "Y"
			}
			out[id][f[0]] = c
		}
	}
	return out
}

// Every cell of every profile against words and matrix of RULES 1.2 and 1.3.
func TestProfiles_CellByCell(t *testing.T) {
	m := matrixCells()
	var differ []string
	cells := 0
	for id, words := range text {
		p, ok := ProfileByID(id)
		if !ok {
			t.Fatalf("no profile %s", id)
		}
		got := cellsOf(p)
		said := map[string]string{}
		for _, w := range strings.Fields(words) {
			said[w[:3]] = "Y"
			if strings.HasSuffix(w, "c") {
				said[w[:3]] = "c"
			}
		}
		for n := 1; n <= 28; n++ {
			e := "R" + string(rune('0'+n/10)) + string(rune('0'+n%10))
			if e == "R11" { // shares the row of R10
				continue
			}
			cells++
			a := or(said[e], "-")
			b, in := m[id][e]
			if m[id] == nil {
				b, in = a, true // no column: the words stand alone
			}
			if !in {
				if a == "-" {
					b = "-"
				} else {
					b = "." // the matrix has no such row
				}
			}
			g := or(got[e], "-")
			if a == b {
				if g != a {
					t.Errorf("%s %s: the profile has %q, words and matrix say %q", id, e, g, a)
				}
				continue
			}
			differ = append(differ, strings.Join([]string{id, e, a, b, g}, " "))
		}
	}
	slices.Sort(differ)
	if !slices.Equal(differ, disagreements) {
		t.Errorf("text and matrix differ at\n%s\nexpected\n%s", strings.Join(differ, "\n"), strings.Join(disagreements, "\n"))
	}
	if cells != 14*27 {
		t.Errorf("%d cells compared", cells)
	}
	// What only one of them says is marked as not confirmed, unless the words
	// named it and the matrix merely has no row or a condition.
	for _, d := range differ {
		f := strings.Fields(d)
		if f[2] != "-" {
			continue
		}
		p, _ := ProfileByID(f[0])
		for _, a := range p.Asks {
			if a.Element == f[1] && a.Mark.Confirmed() {
				t.Errorf("%s %s stands only in the matrix and is marked %s", f[0], f[1], a.Mark)
			}
		}
	}
}

func or(s, t string) string {
	if s == "" {
		return t
	}
	return s
}

// The parts that the matrix tells apart in words: start and end, the words spot
// application, EPPO code, trees planted and treated.
func TestProfiles_Parts(t *testing.T) {
	for _, x := range []struct {
		profile, element string
		want             [][]Item
	}{
		{"us-wps", "R08", [][]Item{{"R08.start", "R08.end"}}},
		{"us-mn", "R08", [][]Item{{"R08.end"}}},
		{"us-tx", "R08", [][]Item{{"R08.start"}}},
		{"us-ca-operator", "R08", [][]Item{{"R08.start", "R08.end"}}},
		{"us-ca-business", "R11", [][]Item{{"R11.planted", "R11.treated"}}},
		{"us-7cfr110-spot", "R09", [][]Item{{"R09.spot"}}},
		{"us-7cfr110", "R09", [][]Item{{"R09.county", "R09.section"}, {"R09.map"}, {"R09.agency"}, {"R09.legal"}}}, // no farm or office address
		{"eu-2023-564", "R12", [][]Item{{"R12", "R12.code"}}},
		{"eu-2023-564", "R08", [][]Item{{"R08.start"}}},
		{"us-ny", "R09", [][]Item{{"R09.address", "R09.postcode"}}},
		{"us-mn", "R16", [][]Item{{"R16", "R16.number"}}},
		{"us-mn", "R18", [][]Item{{"R18", "R18.address"}}},
		{"us-mn", "R19", [][]Item{{"R19", "R19.address", "R19.licence"}}},
		{"us-mn", "R11", [][]Item{{"R11.treated"}, {"R10"}}},
		{"us-7cfr110", "R16", [][]Item{{"R16", "R16.number"}}},
		{"us-40cfr171", "R16", [][]Item{{"R16", "R16.number"}}},
		{"us-40cfr171", "R18", [][]Item{{"R18", "R18.address"}}},
		{"us-40cfr171", "R08", [][]Item{{"R08.start"}, {"R08.end"}}},
		{"us-wps", "R09", [][]Item{{"R09.description"}}},
		{"us-tx", "R16", [][]Item{{"R16", "R16.number"}}},
		{"us-tx", "R18", [][]Item{{"R18"}}},
		{"us-tx", "R10", [][]Item{{"R10"}, {"R11.treated"}}},
		{"us-tx", "R20", [][]Item{{"R20.temperature"}}},
		{"us-ca-operator", "R09", [][]Item{{"R09.county", "R09.section"}}},
		{"us-ca-operator", "R23", [][]Item{{"R23.operator", "R23.site"}}},
		{"us-md", "R09", [][]Item{{"R09.county", "R09.address", "R09.field"}}},
		{"us-md", "R16", [][]Item{{"R16", "R16.address"}}},
		{"eu-2023-564", "R09", [][]Item{{"R09.parcel"}, {"R09.agency"}, {"R09.point"}, {"R09.legal"}}},
		{"eu-2023-564", "R10", [][]Item{{"R10"}, {"R11.treated"}}},
		{"us-md", "R10", [][]Item{{"R10"}, {"R11.treated"}, {"R11.planted"}}},
	} {
		p, _ := ProfileByID(x.profile)
		i := slices.IndexFunc(p.Asks, func(a Ask) bool { return a.Element == x.element })
		if i < 0 || !slices.EqualFunc(p.Asks[i].Any, x.want, slices.Equal) {
			t.Errorf("%s %s is not %v", x.profile, x.element, x.want)
		}
	}
}

// Deadlines and retention as RULES 1.2 and 1.3 give them: two rows of the
// matrix and the words of New York, Idaho, Article 67 and Great Britain.
func TestProfiles_DeadlinesAndRetention(t *testing.T) {
	want := map[string]string{
		"us-stat-min": "copy 30d | 2 found", "us-7cfr110": "record 14d | 2 found", "us-7cfr110-spot": "record 14d | 2 found",
		"us-40cfr171": " | 2 found", "us-wps": "display 24h | 2 memory", "us-mn": "record 5d, copy | 5 memory", "us-tx": " | 2 found",
		"us-ca-operator": "report tenth-of-next-month | 2 found", "us-ca-business": "report 7d, copy 30d | 2 found", "us-md": " | 2 found",
		"us-ny": "report first-of-february | 3 memory", "us-id": " | 2 found", "us-fl": " | 0 ",
		"eu-1107-67": " | 3 found", "eu-2023-564": "record at once, electronic 30d | 3 part", "gb-1107-67": " | 3 memory",
	}
	ps, err := Profiles()
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, p := range ps {
		ids = append(ids, p.ID)
		var ds []string
		for _, d := range p.Deadlines {
			s := d.What
			switch {
			case d.Days > 0:
				s += " " + itoa(d.Days) + "d"
			case d.Hours > 0:
				s += " " + itoa(d.Hours) + "h"
			case d.Rule != "":
				s += " " + d.Rule
			case d.AtOnce:
				s += " at once"
			}
			ds = append(ds, s)
		}
		if got := strings.Join(ds, ", ") + " | " + itoa(p.Keep.Years) + " " + string(p.Keep.Mark); got != want[p.ID] {
			t.Errorf("%s: %q, want %q", p.ID, got, want[p.ID])
		}
		if len(p.Sources) == 0 || p.CheckedOn.IsZero() || p.Citation == "" || p.Jurisdiction == "" {
			t.Errorf("%s lacks source, date, citation or jurisdiction", p.ID)
		}
		if p.Unlisted != (len(p.Asks) == 0) {
			t.Errorf("%s: unlisted %v with %d asks", p.ID, p.Unlisted, len(p.Asks))
		}
	}
	if !slices.Equal(ids, slices.Sorted(maps.Keys(want))) {
		t.Errorf("profiles %v", ids)
	}
	for id, want := range map[string]string{"us-7cfr110": "/2025-07-10", "us-7cfr110-spot": "/2025-07-10", "eu-2023-564": "2026-01-01/", "us-tx": "/"} {
		p, _ := ProfileByID(id)
		if got := p.Effective.From.String() + "/" + p.Effective.To.String(); got != want {
			t.Errorf("%s is in force %s", id, got)
		}
	}
}

func itoa(n int) string {
	if n >= 10 {
		return itoa(n/10) + itoa(n%10)
	}
	return string(rune('0' + n))
}
