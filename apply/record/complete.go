package record

import (
	"slices"
	"strings"

	"sapward/finding"
)

// Gap is something a chosen regime asks for and the record does not have.
type Gap struct {
	Finding  finding.Finding `json:"finding"`
	Element  string          `json:"element"`
	Items    []Item          `json:"items"`    // the shortest way to answer it
	Path     string          `json:"path"`     // where the first of them is filled
	Profiles []string        `json:"profiles"` // who asks
	Mark     Mark            `json:"mark"`     // the best founded of their marks
}

// Completeness is the answer to: does the record have what the chosen regimes
// ask for, all of them together.
type Completeness struct {
	Complete bool              `json:"complete"`
	Asked    []string          `json:"asked"`    // profiles that ask
	Gaps     []Gap             `json:"gaps"`     // what is missing
	Findings []finding.Finding `json:"findings"` // about the profiles themselves
}

// Complete compares a record with the union of its chosen profiles. A profile
// that the card shows not to apply is left out and said; one whose condition
// nobody answered still asks. A gap names the item, where it is filled and who
// asks for it.
//
// Findings: record-missing (required), record-missing-if (a condition of the
// profile holds or is not answered), record-missing-judgement (a reading that
// could not be confirmed), record-none-not-enough (declared not to apply where
// that is no answer), and about profiles record-no-profile,
// record-profile-unknown, -unlisted, -not-in-force, -not-asked, -open,
// record-spot-refused, record-unconfirmed-asks.
func Complete(c *Content) Completeness {
	out := Completeness{Asked: []string{}, Gaps: []Gap{}, Findings: []finding.Finding{}}
	chosen, unknownIDs := Chosen(c.Regimes)
	add := func(f finding.Finding) { out.Findings = append(out.Findings, f) }
	if len(c.Regimes) == 0 {
		add(finding.Finding{ID: "record-no-profile", Severity: finding.Open, Authority: finding.ByLaw, Ref: "regimes"})
	}
	for _, id := range unknownIDs {
		add(finding.Finding{ID: "record-profile-unknown", Severity: finding.Refused, Authority: finding.ByLaw, Ref: "regimes", Args: finding.Args{"profile": finding.Text(id)}})
	}
	var asking []Profile
	blocked := len(c.Regimes) == 0 || len(unknownIDs) > 0
	for _, p := range chosen {
		asks, open := judgeProfile(c, p, add)
		if asks {
			asking = append(asking, p)
			out.Asked = append(out.Asked, p.ID)
		}
		blocked = blocked || open
	}
	out.Gaps = gaps(c, asking)
	out.Complete = !blocked && len(out.Gaps) == 0
	finding.Sort(out.Findings)
	return out
}

// judgeProfile says what the record tells about a profile as a whole: whether
// it asks for anything, and whether something about it is open.
func judgeProfile(c *Content, p Profile, add func(finding.Finding)) (asks, open bool) {
	args := func() finding.Args {
		return finding.Args{"profile": finding.Text(p.ID), "citation": finding.Text(p.Citation)}
	}
	law := func(id string, s finding.Severity, a finding.Args) {
		add(finding.Finding{ID: id, Severity: s, Authority: finding.ByLaw, Ref: "regimes", Args: a})
	}
	if p.Unlisted {
		law("record-profile-unlisted", finding.Open, args())
		return false, true
	}
	asks = true
	for _, when := range p.AppliesWhen {
		a := args()
		a["condition_by"] = finding.Text("record-when-" + when)
		switch conditions[when](c) {
		case no:
			if when == "restricted-use" {
				law("record-profile-not-asked", finding.Note, a)
				asks = false
				continue
			}
			law("record-spot-refused", finding.Refused, a)
			open = true
		case unknown:
			law("record-profile-open", finding.Open, a)
			open = true
		}
	}
	if d, ok := c.Work.Date.Known(); ok && asks {
		e := p.Effective
		if !e.From.IsZero() && d.From.Before(e.From) || !e.To.IsZero() && d.To.After(e.To) {
			a := args()
			a["from"], a["to"], a["date"] = finding.Text(dash(e.From.String())), finding.Text(dash(e.To.String())), finding.Text(d.String())
			law("record-profile-not-in-force", finding.Warning, a)
		}
	}
	if asks {
		if n := len(p.UnconfirmedAsks()); n > 0 || len(p.Unconfirmed) > 0 {
			a := args()
			var els []string
			for _, x := range p.UnconfirmedAsks() {
				if !slices.Contains(els, x.Element) {
					els = append(els, x.Element)
				}
			}
			a["elements"], a["checked"] = finding.Text(dash(strings.Join(els, " "))), finding.Text(p.CheckedOn.String())
			law("record-unconfirmed-asks", finding.Note, a)
		}
	}
	return asks, open
}

// dash stands where there is nothing to say.
func dash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// gaps lists what is missing, by element; several profiles that ask for the
// same share a gap.
func gaps(c *Content, asking []Profile) []Gap {
	byKey := map[string]int{}
	out := []Gap{}
	for _, p := range asking {
		for _, a := range p.Asks {
			state := yes
			if a.When != "" {
				state = conditions[a.When](c)
			}
			if state == no || met(c, a) {
				continue
			}
			missing := shortest(c, a)
			key := join(missing)
			i, there := byKey[key]
			if !there {
				i = len(out)
				byKey[key] = i
				out = append(out, Gap{Element: a.Element, Items: missing, Path: missing[0].Path(), Mark: a.Mark})
			}
			g := &out[i]
			g.Profiles = append(g.Profiles, p.ID)
			if a.Mark == Found || g.Mark != Found && a.Mark == FoundPart {
				g.Mark = a.Mark
			}
			g.Finding = sayGap(c, g, a, state)
		}
	}
	slices.SortStableFunc(out, func(a, b Gap) int { return strings.Compare(string(a.Items[0]), string(b.Items[0])) })
	return out
}

// sayGap words a gap. Once a profile asks without condition the gap is no
// longer conditional.
func sayGap(c *Content, g *Gap, a Ask, state answer) finding.Finding {
	f := finding.Finding{ID: "record-missing", Severity: finding.Open, Force: finding.Mandatory, Authority: finding.ByLaw, Ref: g.Path, Args: finding.Args{
		"element": finding.Text(g.Element), "what_by": finding.Text("record-item-" + ItemKey(g.Items[0])), "path": finding.Text(g.Path),
		"profiles": finding.Text(strings.Join(g.Profiles, ", ")), "more": finding.Text(others(g.Items))}}
	switch {
	case g.Items[0].Of(c) == None:
		f.ID = "record-none-not-enough"
	case g.Finding.ID == "record-missing":
	case a.When == "judgement":
		f.ID = "record-missing-judgement"
	case state == unknown:
		f.ID = "record-missing-if"
		f.Args["condition_by"] = finding.Text("record-when-" + a.When)
	}
	return f
}

// ItemKey is an item as message identifiers write it: r08-start.
func ItemKey(it Item) string {
	return strings.ToLower(strings.NewReplacer(".", "-", "_", "-").Replace(string(it)))
}

// others writes the further places to fill, or nothing.
func others(its []Item) string {
	var out []string
	for _, it := range its[1:] {
		out = append(out, it.Path())
	}
	if len(out) == 0 {
		return ""
	}
	return " + " + strings.Join(out, " + ")
}

func join(its []Item) string {
	s := make([]string, len(its))
	for i, it := range its {
		s[i] = string(it)
	}
	return strings.Join(s, "+")
}

// met reports that one of the lists of an ask is answered in full.
func met(c *Content, a Ask) bool {
	return slices.ContainsFunc(a.Any, func(list []Item) bool {
		return !slices.ContainsFunc(list, func(it Item) bool { return !it.answered(c) })
	})
}

// shortest returns what is still missing of the list that lacks least.
func shortest(c *Content, a Ask) []Item {
	var best []Item
	for i, list := range a.Any {
		var miss []Item
		for _, it := range list {
			if !it.answered(c) {
				miss = append(miss, it)
			}
		}
		if i == 0 || len(miss) < len(best) {
			best = miss
		}
	}
	return best
}

// Meets reports whether a record has everything one profile asks for.
func Meets(c *Content, p Profile) bool { return len(gaps(c, []Profile{p})) == 0 && !p.Unlisted }

// NotRecordedItems lists the items nobody wrote down, for exports that must not
// leave an empty cell to be taken for zero.
func NotRecordedItems(c *Content) []Item {
	var out []Item
	for _, x := range items {
		if x.state(c) == NotRecorded {
			out = append(out, x.item)
		}
	}
	return out
}
