package store

import (
	"encoding/json"
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"sapward/internal/app"
)

// projectionForm numbers the way rows are made from events. A folder whose rows
// were made another way gets them made anew when it is opened.
const projectionForm = 1

// item is an event with what its body says, read once.
type item struct {
	e app.Event
	decoded
}

// decoded is what the tables need of an event's body.
type decoded struct {
	tree     app.TreeFacts
	wound    app.WoundFacts
	files    []app.File
	names    []string // that search finds it by
	name     string   // that search shows
	readings bool     // the event may bring tape readings
}

// decode reads an event's body.
func decode(e *app.Event) (d decoded, err error) {
	switch e.Type {
	case app.TypeTree:
		err = json.Unmarshal(e.Body, &d.tree)
		d.readings = e.Verb != app.Retired && e.Verb != app.Restored && e.Verb != app.Undone
	case app.TypeWound:
		err = json.Unmarshal(e.Body, &d.wound)
	case app.TypePlan:
		var p app.PlanFacts
		err = json.Unmarshal(e.Body, &p)
		d.files = []app.File{p.Document, p.Inputs}
		d.name = orElse(p.Name, p.Product)
		d.names = []string{p.Name, p.Product}
	case app.TypeDay:
		var f app.DayFacts
		err = json.Unmarshal(e.Body, &f)
		d.files = []app.File{f.Pack}
	case app.TypeAttachment:
		var a app.AttachmentFacts
		err = json.Unmarshal(e.Body, &a)
		d.files = []app.File{a.File}
	case app.TypeEstate:
		var f app.EstateFacts
		err = json.Unmarshal(e.Body, &f)
		d.name, d.names = f.Name, []string{f.Name}
	case app.TypeBlock:
		var f app.BlockFacts
		err = json.Unmarshal(e.Body, &f)
		d.name, d.names = f.Name, []string{f.Name, f.Species}
	case app.TypeTrial:
		var f app.TrialFacts
		err = json.Unmarshal(e.Body, &f)
		d.name, d.names = f.Name, []string{f.Name}
	case app.TypeCard:
		var f app.CardFacts
		err = json.Unmarshal(e.Body, &f)
		d.name, d.names = f.Product, []string{f.Product}
	}
	return d, err
}

func orElse(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// more are the columns that only some tables have.
var more = map[app.Type][]string{
	app.TypeTree:  {"tag", "species", "status", "diameter_cm", "x_m", "y_m", "lat", "lon", "tag_key", "species_key", "stems"},
	app.TypeWound: {"block_id", "closed"},
}

// columns are the values of a row but its keys, in the order of the statements;
// block is that of a wound's tree.
func (i *item) columns(to []any, block string) []any {
	var retired any
	if i.e.Verb == app.Retired {
		retired = i.e.At
	}
	to = append(to, i.e.Version, i.e.Seq, i.e.At, i.e.By, i.e.Act, retired, string(i.e.Body), i.e.Sort)
	switch i.e.Type {
	case app.TypeTree:
		t := &i.tree
		stems := 0
		for _, s := range t.Stems {
			if s.Measured() {
				stems++
			}
		}
		to = append(to, t.Tag, t.Species, t.Status, t.Diameter(), float(t.XM), float(t.YM), float(t.Lat), float(t.Lon), searchKey(t.Tag), searchKey(t.Species), stems)
	case app.TypeWound:
		to = append(to, block, i.wound.Closed)
	}
	return to
}

// taken are the rows of the tape readings that an event brings: those the tree
// did not have before.
func (i *item) taken(to []any, before *app.TreeFacts) (rows []any, n int) {
	if !i.readings {
		return to, 0
	}
	for k, stem := range i.tree.Stems {
		if !stem.Measured() {
			continue
		}
		same := false
		if before != nil {
			for _, old := range before.Stems {
				same = same || old.SameReading(stem)
			}
		}
		if same {
			continue
		}
		to = append(to, fmt.Sprintf("%s/%d", i.e.ID, k), i.e.Entity, i.e.Seq, i.e.ID, stem.Name, stem.On, i.e.By, stem.Taker, stem.Instrument, stem.Diameter(), stem.MeasuredAtM, i.e.Reason, i.e.At)
		n++
	}
	return to, n
}

// kept is the row of the event itself.
func (i *item) kept(to []any) []any {
	e := &i.e
	return append(to, e.Seq, e.ID, e.Act, e.At, e.ClockAt, e.By, string(e.Type), e.Verb, e.Estate, e.Entity, e.Parent, e.Sort, e.Version, e.Reason, string(e.Body), e.Prev, e.Hash)
}

// mostWords bounds from how many of its words a name is found.
const mostWords = 12

// nameKeys are the keys that names are found by: each from each of its words on.
func nameKeys(names []string) (keys []string) {
	seen := map[string]bool{}
	for _, name := range names {
		words := strings.Fields(searchKey(name))
		for i := range min(len(words), mostWords) {
			if k := strings.Join(words[i:], " "); !seen[k] {
				seen[k] = true
				keys = append(keys, k)
			}
		}
	}
	return keys
}

// searchKey is a text as search compares it: small letters without accents,
// one space between words.
func searchKey(s string) string {
	plain, spaces := true, false
	for i := 0; i < len(s) && plain; i++ {
		plain = s[i] < 0x80
		spaces = spaces || s[i] <= ' '
	}
	if !plain {
		s = strings.Map(func(r rune) rune {
			if unicode.Is(unicode.Mn, r) {
				return -1
			}
			return r
		}, norm.NFKD.String(s))
		spaces = true
	}
	if s = strings.ToLower(s); spaces {
		s = strings.Join(strings.Fields(s), " ")
	}
	return s
}

func null(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func float(x *float64) any {
	if x == nil {
		return nil
	}
	return *x
}
