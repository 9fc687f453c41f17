package web

import (
	"net/http"
	"sort"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/cardfile"
)

func (s *Server) cards(c *call) error {
	lines, err := s.app.Cards(c.r.Context(), c.actor)
	if err != nil {
		return err
	}
	return c.show("cards", c.T("web-nav-cards"), struct {
		Lines  []app.CardLine
		MayAdd bool
	}{lines, c.may("AddCard", "")})
}

// cardProblem is one problem of a card beside its line.
type cardProblem struct {
	Line           int
	Severity, Text string
	Mend, Ref      string
	Empty          bool // nothing is typed where something must be
}

// cardPage is a card's text beside what was understood of it.
type cardPage struct {
	ID, Action string
	Version    int
	Text       string
	Problems   []cardProblem
	Usable     bool
	Read       bool // the text is a card
	Summary    []cardUse
	Head       []fact
	Echoes     []app.Echo
	Reason     string
	Conflict   string
	Diff       []diffLine
	MayChange  bool
	MayCheck   bool
	View       *app.CardView
	Serves     []app.Block
	Rows       []versionRow
	Changes    []app.FieldChange
	From, To   string
	Faults     []string
	Form       []*cardGroup
	FormText   string // what the form was filled from
	FormBroken bool   // the text cannot be read; the form waits
	needed     string
}

type fact struct {
	Name, Value string
	path        string        // on the card
	Problems    []cardProblem // what is wrong with this field
}

// cardUse is one use of a card as the form shows it.
type cardUse struct {
	Title string
	Facts []fact
	Line  int
}

type versionRow struct {
	Version              int
	At, By, Reason, Hash string
	Checked              app.Checked
	Previous             string
}

// readCard fills in what a text is understood as.
func (p *cardPage) readCard(c *call, r app.CardReading, err error) {
	fs, bad := usable(err)
	if bad {
		for _, f := range fs {
			p.Problems = append(p.Problems, cardProblem{Line: f.Where.Line, Severity: string(finding.Refused), Text: c.Say(f.ID, f.Args), Mend: mendOf(c.view, f), Ref: f.Args["path"].Text, Empty: f.ID == "card-value-empty" || f.ID == "card-key-missing"})
		}
		p.fillForm(c, nil)
		return
	}
	if err != nil {
		p.Faults = []string{c.T("web-internal")}
		return
	}
	p.Read, p.Usable = true, r.Usable
	for _, f := range r.Findings {
		text, mend := c.Finding(f)
		line := 0
		if f.Ref != "" && r.Place != nil {
			line = r.Place(f.Ref).Line
		}
		p.Problems = append(p.Problems, cardProblem{Line: line, Severity: string(f.Severity), Text: text, Mend: mend, Ref: f.Ref})
	}
	sort.SliceStable(p.Problems, func(i, k int) bool { return p.Problems[i].Line < p.Problems[k].Line })
	p.Echoes = r.Understood
	pr := r.Card.Product
	p.Head = []fact{{Name: c.L("field-product"), Value: pr.Name, path: "product.name"}, {Name: c.T("web-registration"), Value: pr.Registration.Number, path: "product.registration"}, {Name: c.T("web-territory"), Value: strings.Join(pr.Registration.Territory, ", "), path: "product.registration.territory"}}
	if to := pr.Registration.Valid.To; !to.IsZero() {
		p.Head = append(p.Head, fact{Name: c.T("web-valid"), Value: pr.Registration.Valid.From.String() + " – " + to.String(), path: "product.registration.valid"})
	}
	for _, a := range pr.Actives {
		p.Head = append(p.Head, fact{Name: c.T("web-fig-active"), Value: a.Name, path: "product.active"})
	}
	for i, u := range r.Card.Uses {
		use := cardUse{Title: c.T("method-" + string(u.Method))}
		if r.Place != nil {
			use.Line = r.Place("uses[" + strconv.Itoa(i) + "]").Line
		}
		var sites []string
		for _, s := range u.Sites {
			sites = append(sites, s.Name)
		}
		use.Facts = append(use.Facts, fact{Name: c.T("web-site"), Value: strings.Join(sites, ", "), path: "uses[" + strconv.Itoa(i) + "].sites"}, fact{Name: c.T("web-target"), Value: strings.Join(u.Targets, ", "), path: "uses[" + strconv.Itoa(i) + "].targets"})
		prefix := "uses[" + strconv.Itoa(i) + "]."
		for _, e := range r.Understood { // the quantities as they were understood, in the order of the file
			name, ok := strings.CutPrefix(e.Path, prefix)
			if !ok {
				continue
			}
			if upper, ok := strings.CutSuffix(name, "[1]"); ok && len(use.Facts) > 0 && use.Facts[len(use.Facts)-1].Name == c.cardField(upper) { // both ends of a range
				use.Facts[len(use.Facts)-1].Value += " – " + e.Understood
				continue
			}
			name = strings.TrimSuffix(name, "[0]")
			use.Facts = append(use.Facts, fact{Name: c.cardField(name), Value: e.Understood, path: prefix + name})
		}
		p.Summary = append(p.Summary, use)
	}
	p.besideFields()
	p.fillForm(c, r.Understood)
}

// besideFields puts each problem beside the field it is about, as well as in
// the list.
func (p *cardPage) besideFields() {
	mark := func(fs []fact) {
		for i := range fs {
			for _, x := range p.Problems {
				if x.Ref != "" && fs[i].path != "" && (x.Ref == fs[i].path || strings.HasPrefix(x.Ref, fs[i].path+"[") || strings.HasPrefix(x.Ref, fs[i].path+".")) {
					fs[i].Problems = append(fs[i].Problems, x)
				}
			}
		}
	}
	mark(p.Head)
	for i := range p.Summary {
		mark(p.Summary[i].Facts)
	}
}

// BadLines are the lines that have a problem, for the numbers beside the text.
func (p *cardPage) BadLines() string {
	var out []string
	for _, x := range p.Problems {
		if x.Line > 0 && x.Severity != string(finding.Note) {
			out = append(out, strconv.Itoa(x.Line))
		}
	}
	return strings.Join(out, ",")
}

// cardField names a path of a card in the reader's words where the catalogue
// knows it, else as the file writes it.
func (v *view) cardField(path string) string {
	id := "web-card-" + strings.NewReplacer(".", "-", "_", "-", "[", "-", "]", "").Replace(path)
	if v.Has(id) {
		return v.T(id)
	}
	return strings.ReplaceAll(strings.ReplaceAll(path, ".", ": "), "_", " ")
}

func mendOf(v *view, f *finding.Fault) string {
	if id := f.ID + ".mend"; v.Has(id) {
		return v.Say(id, f.Args)
	}
	full, head := v.Fault(&finding.Fault{Class: f.Class, ID: f.ID, Args: f.Args}), v.Say(f.ID, f.Args)
	return strings.TrimSpace(strings.TrimPrefix(full, head))
}

func (s *Server) newCard(c *call) error {
	trail := crumb{c.T("web-nav-cards"), "/cards"}
	p := cardPage{Action: "/cards/new", MayChange: true, Text: string(cardfile.BlankIn(c.Lang))}
	if c.r.Method == http.MethodGet {
		r, err := s.app.TryCard(c.r.Context(), c.actor, p.Text)
		p.readCard(c, r, err)
		return c.show("card", c.T("web-card-new"), &p, trail)
	}
	var edits finding.Faults
	p.Text, edits = c.formed(cardText(c))
	if c.field("do") != "" || len(edits) > 0 { // the form is worked on, without a script
		return c.workedOn(&p, edits, c.T("web-card-new"), trail)
	}
	card, err := s.app.AddCard(c.r.Context(), c.actor, p.Text)
	if fs := finding.AsFaults(err); err != nil && conflict(err) == nil {
		if _, ok := usable(err); !ok && !(len(fs) == 1 && fs[0].Class == finding.Conflict) {
			return err
		}
		r, tryErr := s.app.TryCard(c.r.Context(), c.actor, p.Text)
		p.readCard(c, r, tryErr)
		if tryErr == nil {
			p.Faults = c.lines(fs)
		}
		return c.again("card", c.T("web-card-new"), &p, trail)
	}
	if err != nil {
		return err
	}
	return c.gone("/cards/"+card.ID, c.S("web-done-added", "what", card.Facts.Product), card.Act)
}

// cardText is the text of a card with the line ends of a file.
func cardText(c *call) string {
	return strings.ReplaceAll(c.r.FormValue("text"), "\r\n", "\n")
}

// tryCard reads a text while it is typed.
func (s *Server) tryCard(c *call) error {
	p := cardPage{MayChange: true}
	var edits finding.Faults
	p.Text, edits = c.formed(cardText(c))
	p.Faults = c.lines(edits)
	r, err := s.app.TryCard(c.r.Context(), c.actor, p.Text)
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	p.readCard(c, r, err)
	if old := c.r.FormValue("old"); old != "" {
		p.Diff = diff(old, p.Text)
	}
	c.D = &p
	s.part(c.w, c.r, http.StatusOK, "card", "cardtried", c.view)
	return nil
}

// workedOn shows the page again after a change on the form, nothing kept yet.
func (c *call) workedOn(p *cardPage, edits finding.Faults, title string, trail crumb) error {
	r, err := c.s.app.TryCard(c.r.Context(), c.actor, p.Text)
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	p.Problems, p.Summary, p.Head = nil, nil, nil
	p.readCard(c, r, err)
	p.Faults = c.lines(edits)
	if len(edits) > 0 {
		return c.again("card", title, p, trail)
	}
	return c.show("card", title, p, trail)
}

func (c *call) cardView(v app.CardView) *cardPage {
	p := &cardPage{ID: v.ID, Action: "/cards/" + v.ID, Version: v.Version, Text: v.Facts.Text, View: &v, Serves: v.Serves, MayCheck: v.MayCheck, MayChange: c.may("ChangeCard", "")}
	p.readCard(c, v.Reading, nil)
	for i, x := range v.Versions {
		row := versionRow{Version: x.Version, At: c.stamp(x.At), By: c.name(x.By), Reason: x.Reason, Hash: x.Hash, Checked: x.Checked}
		if i+1 < len(v.Versions) {
			row.Previous = v.Versions[i+1].Hash
		}
		p.Rows = append(p.Rows, row)
	}
	return p
}

func (s *Server) card(c *call) error {
	ctx := c.r.Context()
	v, err := s.app.Card(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	p := c.cardView(v)
	p.From, p.To = c.field("from"), c.field("to")
	if p.From == "" && len(v.Versions) > 1 {
		p.From, p.To = v.Versions[1].Hash, v.Versions[0].Hash
	}
	if p.From != "" && p.To != "" {
		if p.Changes, err = s.app.CardChanges(ctx, c.actor, v.ID, p.From, p.To); err != nil {
			return err
		}
		var a, b string
		for _, x := range v.Versions {
			if x.Hash == p.From {
				a = x.Facts.Text
			}
			if x.Hash == p.To {
				b = x.Facts.Text
			}
		}
		p.Diff = diff(a, b)
	}
	return c.show("card", v.Facts.Product, p, crumb{c.T("web-nav-cards"), "/cards"})
}

func (s *Server) changeCard(c *call) error {
	ctx := c.r.Context()
	v, err := s.app.Card(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	text, edits := c.formed(cardText(c))
	if c.field("do") != "" || len(edits) > 0 {
		p := c.cardView(v)
		p.Text, p.Reason, p.Version = text, c.field("reason"), c.number("version")
		return c.workedOn(p, edits, v.Facts.Product, crumb{c.T("web-nav-cards"), "/cards"})
	}
	out, err := s.app.ChangeCard(ctx, c.actor, v.ID, c.number("version"), text, c.field("reason"))
	if _, bad := usable(err); bad || conflict(err) != nil {
		p := c.cardView(v)
		p.Text, p.Reason, p.Problems, p.Summary, p.Head = text, c.field("reason"), nil, nil, nil
		r, tryErr := s.app.TryCard(ctx, c.actor, text)
		p.readCard(c, r, tryErr)
		p.Diff = diff(v.Facts.Text, text)
		if con := conflict(err); con != nil {
			p.Conflict = c.name(con.Theirs.By)
			p.Version = con.Theirs.Version
		} else if tryErr == nil {
			fs, _ := usable(err)
			p.Faults = c.lines(fs)
		}
		return c.again("card", v.Facts.Product, p, crumb{c.T("web-nav-cards"), "/cards"})
	}
	if err != nil {
		return err
	}
	return c.gone("/cards/"+v.ID, c.T("web-done-version"), out.Act)
}

func (s *Server) checkCard(c *call) error {
	if _, err := s.app.CheckCard(c.r.Context(), c.actor, c.id(), c.field("hash"), c.field("note")); err != nil {
		return err
	}
	return c.gone("/cards/"+c.id(), c.T("web-done-checked"), "")
}

// diffLine is one line of a comparison: same, add, del, or gap.
type diffLine struct{ Kind, Text string }

// diff compares two texts line by line by the longest common subsequence.
// Texts of more than 3000 lines are shown as a whole.
func diff(a, b string) []diffLine {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	if a == b || len(x) > 3000 || len(y) > 3000 {
		return nil
	}
	n, m := len(x), len(y)
	long := make([][]int16, n+1)
	for i := range long {
		long[i] = make([]int16, m+1)
	}
	for i := n - 1; i >= 0; i-- {
		for k := m - 1; k >= 0; k-- {
			if x[i] == y[k] {
				long[i][k] = long[i+1][k+1] + 1
			} else {
				long[i][k] = max(long[i+1][k], long[i][k+1])
			}
		}
	}
	var all []diffLine
	for i, k := 0, 0; i < n || k < m; {
		switch {
		case i < n && k < m && x[i] == y[k]:
			all = append(all, diffLine{"same", x[i]})
			i++
			k++
		case k == m || i < n && long[i+1][k] >= long[i][k+1]:
			all = append(all, diffLine{"del", x[i]})
			i++
		default:
			all = append(all, diffLine{"add", y[k]})
			k++
		}
	}
	const around = 2
	near := make([]bool, len(all))
	for i, l := range all {
		if l.Kind == "same" {
			continue
		}
		for k := max(0, i-around); k <= min(len(all)-1, i+around); k++ {
			near[k] = true
		}
	}
	var out []diffLine
	for i, l := range all {
		if near[i] {
			out = append(out, l)
		} else if len(out) > 0 && out[len(out)-1].Kind != "gap" {
			out = append(out, diffLine{"gap", "…"})
		}
	}
	return out
}
