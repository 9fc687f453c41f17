package web

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/cardfile"
)

// cardInput is one thing on a card as a field of the form.
type cardInput struct {
	Path, ID, Kind string
	Label, Hint    string
	Value, Upper   string // of a range: its two ends
	Options        []cardOption
	Understood     string
	Problems       []cardProblem
}

type cardOption struct {
	Value, Text string
	On          bool
}

// Name is the field's name in the form.
func (f cardInput) Name() string { return "p:" + f.Path }

// Wide reports a field that takes the whole width.
func (f cardInput) Wide() bool {
	return f.Kind == kindArea || f.Kind == kindChecks && len(f.Options) > 5
}

// Bad reports a field with something that must be put right.
func (f cardInput) Bad() bool {
	for _, x := range f.Problems {
		if x.Severity == string(finding.Refused) {
			return true
		}
	}
	return false
}

// cardGroup is a foldable part of the form.
type cardGroup struct {
	Path, Title  string
	Fields       []*cardInput
	Groups       []*cardGroup
	Add, AddText string // the list a button adds an entry to
	Remove       string // the entry a button takes away
	Open, Plain  bool   // Plain: no fold of its own
	Problems     []cardProblem
	Count        int // problems in it and below
	Grave        bool
}

// ID is the part's name on the page.
func (g cardGroup) ID() string {
	return strings.Trim(notWord.ReplaceAllString(g.Path+"-"+strings.ToLower(g.Title), "-"), "-")
}

// formOf is the form of a card, filled from its text.
func (v *view) formOf(s *cardfile.Sheet) []*cardGroup {
	hints := cardfile.Hints(v.Lang)
	fields := func(at string, specs []fieldSpec) (out []*cardInput) {
		for _, x := range specs {
			out = append(out, v.cardInput(s, hints, at, x))
		}
		return out
	}
	each := func(list, title, add string, specs []fieldSpec) *cardGroup {
		g := &cardGroup{Path: list, Title: v.T(title), Add: list, AddText: v.T(add), Plain: true}
		for i := range s.Len(list) {
			at := fmt.Sprintf("%s[%d]", list, i)
			g.Groups = append(g.Groups, &cardGroup{Path: at, Title: entryTitle(v.T(title), s, at, i), Fields: fields(at, specs), Remove: at, Plain: true})
		}
		return g
	}
	product := &cardGroup{Path: "product", Title: v.T("cardform-product"), Fields: fields("product", productFields), Open: true}
	reg := &cardGroup{Path: "product.registration", Title: v.T("cardform-registration"), Fields: fields("product.registration", registrationFields)}
	active := each("product.active", "cardform-active", "cardform-add-active", activeFields)
	active.Plain, active.Title = false, v.T("cardform-actives")
	origin := &cardGroup{Path: "verified", Title: v.T("cardform-origin"), Fields: fields("", originFields)}
	out := []*cardGroup{product, reg, active, origin}
	uses := &cardGroup{Path: "uses", Title: v.T("cardform-uses"), Add: "uses", AddText: v.T("cardform-add-use"), Plain: true}
	for i := range s.Len("uses") {
		at := fmt.Sprintf("uses[%d]", i)
		part := func(path, title string, specs []fieldSpec) *cardGroup {
			return &cardGroup{Path: at + path, Title: v.T(title), Fields: fields(at, specs)}
		}
		rate := part(".rate", "cardform-rate", rateFields)
		if s.Value(at+".rate.amount") != "" { // another way to write the same
			rate.Fields = append(rate.Fields, v.cardInput(s, hints, at, fieldSpec{"rate.amount", kindText, nil}))
		}
		bands, classes := each(at+".rate.bands", "cardform-bands", "cardform-add-band", bandFields), each(at+".rate.classes", "cardform-classes", "cardform-add-class", classFields)
		for _, table := range []*cardGroup{bands, classes} { // rows with two ends
			for _, row := range table.Groups {
				for _, key := range []string{"low", "high"} {
					if s.Value(row.Path+"."+key) != "" {
						row.Fields = append(row.Fields, v.cardInput(s, hints, row.Path, fieldSpec{key, kindText, nil}))
					}
				}
				if low, high := s.Ends(row.Path + ".active"); low+high != "" {
					row.Fields = append(row.Fields, v.cardInput(s, hints, row.Path, fieldSpec{"active", kindRange, nil}))
				}
			}
		}
		rate.Groups = []*cardGroup{bands, classes}
		ports := part(".ports", "cardform-ports", portFields)
		ports.Groups = []*cardGroup{part(".ports", "cardform-ports-more", portMoreFields)}
		use := part("", "cardform-use", useFields)
		use.Title, use.Remove, use.Open = entryTitle(v.T("cardform-use"), s, at, i), at, i == 0
		if m := s.Value(at + ".method"); m != "" && v.Has("method-"+m) {
			use.Title += " · " + v.T("method-"+m)
		}
		sites := each(at+".sites", "cardform-sites", "cardform-add-site", siteFields)
		use.Groups = []*cardGroup{sites, part(".tree", "cardform-tree", treeFields), rate, part(".dilution", "cardform-dilution", dilutionField), ports,
			part(".limits", "cardform-limits", limitFields), part(".timing", "cardform-timing", timingFields), part(".rei", "cardform-wait", waitFields)}
		uses.Groups = append(uses.Groups, use)
	}
	out = append(out, uses, &cardGroup{Path: "safety", Title: v.T("cardform-safety"), Fields: fields("safety", safetyFields)})
	statements := each("statements", "cardform-statements", "cardform-add-statement", statementFields)
	statements.Plain, statements.Title = false, v.T("cardform-sentences")
	return append(out, statements)
}

// entryTitle names an entry of a list by its number and its name.
func entryTitle(kind string, s *cardfile.Sheet, at string, i int) string {
	title := fmt.Sprintf("%s %d", kind, i+1)
	for _, key := range []string{"name", "class"} {
		if name := s.Value(at + "." + key); name != "" {
			return title + " · " + name
		}
	}
	return title
}

var notWord = regexp.MustCompile(`[^a-z0-9]+`)

// wordOf is a path without the numbers of entries, as part of a message's name.
func wordOf(path string) string {
	path = strings.NewReplacer("uses[", "[", "product.active[", "active[").Replace(path)
	return strings.Trim(notWord.ReplaceAllString(regexp.MustCompile(`\[[0-9]+\]`).ReplaceAllString(strings.ReplaceAll(path, "_", "-"), ""), "-"), "-")
}

// cardInput fills one field from the text.
func (v *view) cardInput(s *cardfile.Sheet, hints map[string]string, at string, x fieldSpec) *cardInput {
	path := strings.TrimPrefix(at+"."+x.path, ".")
	f := &cardInput{Path: path, Kind: x.kind, ID: "p-" + strings.Trim(notWord.ReplaceAllString(path, "-"), "-"), Label: v.T("cardform-" + wordOf(path))}
	f.Hint = hints[regexp.MustCompile(`\[[0-9]+\]`).ReplaceAllString(path, "[0]")]
	if id := "cardform-hint-" + wordOf(path); v.Has(id) {
		f.Hint = strings.TrimPrefix(v.T(id), "-") // a dash: the choices say it all
	}
	option := func(value string, on bool) {
		text := value
		if id := "cardform-say-" + strings.Trim(notWord.ReplaceAllString(value, "-"), "-"); v.Has(id) {
			text = v.T(id)
		}
		if strings.HasSuffix(path, ".months") && v.Has("cardform-month-"+value) {
			text = v.T("cardform-month-" + value)
		}
		f.Options = append(f.Options, cardOption{value, text, on})
	}
	switch x.kind {
	case kindRange:
		f.Value, f.Upper = s.Ends(path)
	case kindLines:
		f.Value = strings.Join(s.Items(path), "\n")
	case kindComma:
		f.Value = strings.Join(s.Items(path), ", ")
	case kindChecks:
		items := s.Items(path)
		for _, o := range x.options {
			option(o, slices.Contains(items, o))
		}
		for _, o := range items {
			if !slices.Contains(x.options, o) { // what was typed in the text stays choosable
				option(o, true)
			}
		}
	case kindTruth, kindChoice:
		f.Value = s.Value(path)
		options := x.options
		if x.kind == kindTruth {
			options = []string{"true", "false"}
		}
		f.Options = []cardOption{{"", v.T("cardform-unsaid"), f.Value == ""}}
		for _, o := range options {
			option(o, f.Value == o)
		}
		if f.Value != "" && !slices.Contains(options, f.Value) {
			option(f.Value, true)
		}
	default:
		f.Value = s.Value(path)
		if strings.ContainsAny(f.Value, "\n\t") {
			f.Kind = kindArea
		}
		for _, o := range x.options {
			option(o, false)
		}
	}
	return f
}

// inputsOf lists every field of a form.
func inputsOf(groups []*cardGroup) (out []*cardInput) {
	for _, g := range groups {
		out = append(out, g.Fields...)
		out = append(out, inputsOf(g.Groups)...)
	}
	return out
}

// change writes into a sheet what was changed on the form: the fields that
// differ from the text the form was filled from.
func (f *cardInput) change(s *cardfile.Sheet, form url.Values) (*cardfile.Sheet, error) {
	got, sent := form[f.Name()]
	for i := range got {
		got[i] = strings.TrimSpace(strings.ReplaceAll(got[i], "\r\n", "\n"))
	}
	switch {
	case !sent:
		return s, nil
	case f.Kind == kindRange:
		if len(got) != 2 || got[0] == f.Value && got[1] == f.Upper {
			return s, nil
		}
		return s.SetEnds(f.Path, got[0], got[1])
	case f.Kind == kindChecks:
		same := true
		for _, o := range f.Options {
			same = same && slices.Contains(got, o.Value) == o.On
		}
		if same {
			return s, nil
		}
		kept := slices.DeleteFunc(s.Items(f.Path), func(x string) bool { return !slices.Contains(got, x) })
		for _, x := range got {
			if x != "" && !slices.Contains(kept, x) {
				kept = append(kept, x)
			}
		}
		rank := func(x string) int {
			return slices.IndexFunc(f.Options, func(o cardOption) bool { return o.Value == x })
		}
		slices.SortStableFunc(kept, func(a, b string) int { return rank(a) - rank(b) })
		return s.SetList(f.Path, kept)
	case got[0] == strings.TrimSpace(f.Value):
		return s, nil
	case f.Kind == kindLines:
		return s.SetList(f.Path, strings.Split(got[0], "\n"))
	case f.Kind == kindComma:
		return s.SetList(f.Path, strings.Split(got[0], ","))
	}
	return s.Set(f.Path, got[0])
}

// entries are the lists that a button may add to or take from.
var entries = regexp.MustCompile(`^(?:uses|product\.active|statements|uses\[[0-9]{1,3}\]\.(?:sites|rate\.bands|rate\.classes))$`)

// formed is the text of a card after what was done on its form. The faults say
// what could not be written into the text.
func (c *call) formed(text string) (string, finding.Faults) {
	filledFrom, sent := c.r.PostForm["formtext"]
	if !sent {
		return text, nil
	}
	base, err := cardfile.Open([]byte(strings.ReplaceAll(filledFrom[0], "\r\n", "\n")))
	if err != nil {
		return text, nil
	}
	s, err := cardfile.Open([]byte(text))
	if err != nil {
		return text, nil // the reading says so; what is on the form waits
	}
	var faults finding.Faults
	keep := func(next *cardfile.Sheet, err error) {
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
			return
		}
		s = next
	}
	for _, f := range inputsOf(c.formOf(base)) {
		keep(f.change(s, c.r.PostForm))
	}
	what, path, _ := strings.Cut(c.field("do"), ":")
	switch list := path[:max(0, strings.LastIndexByte(path, '['))]; {
	case what == "add" && entries.MatchString(path):
		keep(s.Add(path))
	case what == "remove" && entries.MatchString(list):
		keep(s.Remove(path))
	}
	return string(s.Bytes()), faults
}

// fillForm fills the form of the page from its text; where the text cannot be
// read, from the one the form was last filled from.
func (p *cardPage) fillForm(c *call, echoes []app.Echo) {
	p.FormText = p.Text
	s, err := cardfile.Open([]byte(p.Text))
	if err != nil {
		p.FormBroken = true
		p.FormText = strings.ReplaceAll(c.r.FormValue("formtext"), "\r\n", "\n")
		if p.FormText == "" && p.View != nil {
			p.FormText = p.View.Facts.Text
		}
		if s, err = cardfile.Open([]byte(p.FormText)); err != nil {
			return
		}
	}
	p.Form, p.needed = c.formOf(s), c.T("cardform-needed")
	inputs := inputsOf(p.Form)
	for _, e := range echoes {
		at := strings.NewReplacer("[0]", "", "[1]", "", ".min", "", ".max", "").Replace
		for _, f := range inputs {
			if f.Path == e.Path && f.Value != e.Understood {
				f.Understood = e.Understood
			} else if f.Kind == kindRange && strings.HasPrefix(e.Path, f.Path) && at(e.Path) == at(f.Path) && e.Written != e.Understood {
				f.Understood = strings.TrimPrefix(f.Understood+" – "+e.Understood, " – ")
			}
		}
	}
	for _, x := range p.Problems {
		p.place(x, inputs)
	}
	for _, g := range p.Form {
		g.count()
	}
}

// place puts a problem beside the field it is about, else into the part that
// its path lies in.
func (p *cardPage) place(x cardProblem, inputs []*cardInput) {
	if x.Ref == "" {
		return
	}
	for _, f := range inputs {
		if x.Ref == f.Path && x.Empty { // beside the field its name need not be said again
			x.Text = p.needed
		}
		if x.Ref == f.Path || strings.HasPrefix(x.Ref, f.Path+"[") || strings.HasPrefix(x.Ref, f.Path+".") {
			f.Problems = append(f.Problems, x)
			return
		}
	}
	var best *cardGroup
	var look func(gs []*cardGroup)
	look = func(gs []*cardGroup) {
		for _, g := range gs {
			if (x.Ref == g.Path || strings.HasPrefix(x.Ref, g.Path+"[") || strings.HasPrefix(x.Ref, g.Path+".")) && (best == nil || len(g.Path) > len(best.Path)) {
				best = g
			}
			look(g.Groups)
		}
	}
	look(p.Form)
	if best != nil {
		best.Problems = append(best.Problems, x)
	}
}

// count adds up the problems of a part and opens it where there are any that
// must be put right.
func (g *cardGroup) count() (n int, grave bool) {
	add := func(xs []cardProblem) {
		for _, x := range xs {
			n++
			grave = grave || x.Severity == string(finding.Refused)
		}
	}
	add(g.Problems)
	for _, f := range g.Fields {
		add(f.Problems)
	}
	for _, sub := range g.Groups {
		m, bad := sub.count()
		n, grave = n+m, grave || bad
	}
	g.Count, g.Grave, g.Open = n, grave, g.Open || grave
	return n, grave
}
