package app

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"strings"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/plan"
	"sapward/plan/label"
)

// CardFacts are one version of a label card. The text is kept as typed; Hash is
// the SHA-256 of its content and names the version.
type CardFacts struct {
	Product      string   `json:"product"`
	Registration string   `json:"registration"`
	Invented     bool     `json:"invented,omitempty"`
	Territory    []string `json:"territory,omitempty"`
	ValidTo      string   `json:"valid_to,omitempty"`
	Sites        []string `json:"sites,omitempty"`
	Methods      []string `json:"methods,omitempty"`
	Targets      []string `json:"targets,omitempty"`
	Hash         string   `json:"hash"`
	Text         string   `json:"text"`
}

// Card is a card with its newest version.
type Card = Kept[CardFacts]

// CheckFacts say that a person has compared one version with the label. Alone:
// the same person typed it in, for want of another.
type CheckFacts struct {
	Hash  string `json:"hash"`
	Alone bool   `json:"alone,omitempty"`
	Note  string `json:"note,omitempty"`
}

// Check is a kept check. Its parent is the card.
type Check = Kept[CheckFacts]

// Checked says how far a version has been checked.
type Checked string

// States of a version.
const (
	NotChecked Checked = "not-checked" // plans are for practice only
	CheckedBy2 Checked = "checked"     // by a second person
	CheckedBy1 Checked = "alone"       // not by a second person; said on every plan
)

// CardLine is one card of a list.
type CardLine struct {
	Card
	Checked Checked
}

// serves reports that the card's newest version names a site; a block without
// a site is served by none.
func (c CardLine) serves(site string) bool {
	return slices.ContainsFunc(c.Facts.Sites, func(s string) bool { return strings.EqualFold(s, strings.TrimSpace(site)) })
}

// CardVersion is one version of a card.
type CardVersion struct {
	Version int
	Hash    string
	By, At  string
	Reason  string
	Checked Checked
	Facts   CardFacts
}

// CardReading is what was understood of a card's text.
type CardReading struct {
	ReadCard
	Findings []finding.Finding // with Place of the reading for each
	Usable   bool              // no finding forbids planning
}

// CardView is a card with what pages show of it.
type CardView struct {
	Card
	Checked  Checked
	Verified label.Verified // names and days for plans
	Versions []CardVersion  // newest first
	Checks   []Check
	Reading  CardReading
	Serves   []Block
	Role     Role
	MayCheck bool // the actor is not who typed this version in, or is alone
}

// FieldChange is one field that differs between two versions.
type FieldChange struct{ Path, Old, New string }

// maxCardText bounds a card's text; a card of twenty uses is about 20 kB.
const maxCardText = 256 << 10

// readAnew reads a card's text and all that is wrong with its content.
func (a *App) readAnew(text string) (CardReading, error) {
	var r CardReading
	if len(text) > maxCardText {
		return r, usage("field-long", finding.Args{"field_by": finding.Text("field-card"), "most": finding.Count(maxCardText)})
	}
	var err error
	if r.ReadCard, err = a.CardReader.ReadCard([]byte(text), "card.yaml"); err != nil {
		return r, err
	}
	r.Findings = append(label.Check(r.Card), plan.CheckFeasible(r.Card)...)
	finding.Sort(r.Findings)
	r.Usable = !slices.ContainsFunc(r.Findings, func(f finding.Finding) bool { return f.Severity == finding.Refused })
	return r, nil
}

func (r CardReading) facts(text string) CardFacts {
	c := r.Card
	f := CardFacts{Product: c.Product.Name, Registration: c.Product.Registration.Number, Invented: c.Product.Invented, Territory: c.Product.Registration.Territory, Hash: r.Hash, Text: text}
	if to := c.Product.Registration.Valid.To; !to.IsZero() {
		f.ValidTo = to.String()
	}
	once := func(list []string, s string) []string {
		if s == "" || slices.Contains(list, s) {
			return list
		}
		return append(list, s)
	}
	for _, u := range c.Uses {
		f.Methods = once(f.Methods, string(u.Method))
		for _, s := range u.Sites {
			f.Sites = once(f.Sites, s.Name)
		}
		for _, t := range u.Targets {
			f.Targets = once(f.Targets, t)
		}
	}
	return f
}

func (a *App) cards(ctx context.Context, retired bool) ([]CardLine, error) {
	cards, err := list[CardFacts](ctx, a.Store, Query{Type: TypeCard, Retired: retired})
	if err != nil {
		return nil, err
	}
	out := make([]CardLine, len(cards))
	for i, c := range cards {
		state, _, err := a.checked(ctx, a.Store, c.ID, c.Facts.Hash)
		if err != nil {
			return nil, err
		}
		out[i] = CardLine{c, state}
	}
	return out, nil
}

// Cards returns all cards by product.
func (a *App) Cards(ctx context.Context, actor Actor) ([]CardLine, error) {
	if err := a.may(ctx, actor, "Cards", ""); err != nil {
		return nil, err
	}
	return a.cards(ctx, false)
}

// versions returns the versions of a card, newest first.
func (a *App) versions(ctx context.Context, r Reader, id string) ([]CardVersion, error) {
	events, err := r.Events(ctx, EventQuery{Entity: id, Type: TypeCard, Limit: 1000})
	if err != nil {
		return nil, err
	}
	var out []CardVersion
	for _, e := range events {
		if e.Verb == Retired || e.Verb == Restored {
			continue
		}
		v := CardVersion{Version: e.Version, By: e.By, At: e.At, Reason: e.Reason}
		if err := json.Unmarshal(e.Body, &v.Facts); err != nil {
			return nil, err
		}
		v.Hash = v.Facts.Hash
		out = append(out, v)
	}
	return out, nil
}

// checked says how far a version of a card is checked, with names and days. The
// words in the card's own text do not count: only what people did here.
func (a *App) checked(ctx context.Context, r Reader, id, hash string) (Checked, label.Verified, error) {
	var v label.Verified
	vs, err := a.versions(ctx, r, id)
	if err != nil {
		return NotChecked, v, err
	}
	author := ""
	for _, x := range vs { // the first who typed this content in
		if x.Hash == hash {
			author = x.By
			v.EnteredBy, v.EnteredOn = a.nameOf(ctx, r, x.By), dayOf(x.At)
		}
	}
	checks, err := list[CheckFacts](ctx, r, Query{Type: TypeCheck, Parent: id})
	if err != nil {
		return NotChecked, v, err
	}
	state := NotChecked
	for _, c := range checks {
		if c.Facts.Hash != hash {
			continue
		}
		if c.By == author {
			if state == NotChecked {
				state = CheckedBy1
			}
			continue
		}
		state = CheckedBy2
		v.CheckedBy, v.CheckedOn = a.nameOf(ctx, r, c.By), civil.Of(c.At)
	}
	return state, v, nil
}

func dayOf(at string) civil.Date { return civil.Of(parseTime(at)) }

// Card returns a card with its versions and checks.
func (a *App) Card(ctx context.Context, actor Actor, id string) (CardView, error) {
	var v CardView
	if err := a.may(ctx, actor, "Card", ""); err != nil {
		return v, err
	}
	var err error
	if v.Card, err = get[CardFacts](ctx, a.Store, TypeCard, id); err != nil {
		return v, err
	}
	if v.Role, err = a.role(ctx, a.Store, actor, ""); err != nil {
		return v, err
	}
	if v.Versions, err = a.versions(ctx, a.Store, id); err != nil {
		return v, err
	}
	for i := range v.Versions {
		if v.Versions[i].Checked, _, err = a.checked(ctx, a.Store, id, v.Versions[i].Hash); err != nil {
			return v, err
		}
	}
	if v.Checked, v.Verified, err = a.checked(ctx, a.Store, id, v.Facts.Hash); err != nil {
		return v, err
	}
	if v.Checks, err = list[CheckFacts](ctx, a.Store, Query{Type: TypeCheck, Parent: id}); err != nil {
		return v, err
	}
	if v.Reading, err = a.read(v.Facts.Text); err != nil {
		return v, err
	}
	v.MayCheck = v.Role.Allows(CrewLead) && v.Checked != CheckedBy2 && (actor.Local || v.author() != actor.Person)
	line := CardLine{Card: v.Card}
	estates, err := a.visibleEstates(ctx, actor)
	if err != nil {
		return v, err
	}
	for _, e := range estates {
		blocks, err := list[BlockFacts](ctx, a.Store, Query{Type: TypeBlock, Parent: e.ID})
		if err != nil {
			return v, err
		}
		for _, b := range blocks {
			if line.serves(b.Facts.Site) {
				v.Serves = append(v.Serves, b)
			}
		}
	}
	return v, nil
}

// author is who first typed in the newest version's content.
func (v CardView) author() (by string) {
	for _, x := range v.Versions {
		if x.Hash == v.Facts.Hash {
			by = x.By
		}
	}
	return by
}

// TryCard reads a card's text without keeping it: what was understood, and
// every problem at its place. The error is finding.Faults for text that is no
// card.
func (a *App) TryCard(ctx context.Context, actor Actor, text string) (CardReading, error) {
	if err := a.may(ctx, actor, "TryCard", ""); err != nil {
		return CardReading{}, err
	}
	return a.read(text)
}

// AddCard keeps a new card. A card whose content is kept already is a conflict.
func (a *App) AddCard(ctx context.Context, actor Actor, text string) (Card, error) {
	if err := a.may(ctx, actor, "AddCard", ""); err != nil {
		return Card{}, err
	}
	r, err := a.read(text)
	if err != nil {
		return Card{}, err
	}
	cards, err := a.cards(ctx, false)
	if err != nil {
		return Card{}, err
	}
	for _, c := range cards {
		if c.Facts.Hash == r.Hash {
			return Card{}, &finding.Fault{Class: finding.Conflict, ID: "card-kept-already", Args: finding.Args{"product": finding.Text(c.Facts.Product)}}
		}
	}
	f := r.facts(text)
	return add(ctx, a, actor, Change{Type: TypeCard, Sort: SortKey(f.Product)}, f)
}

// ChangeCard keeps a new version of a card. Versions are never overwritten; the
// new one waits for its own check.
func (a *App) ChangeCard(ctx context.Context, actor Actor, id string, version int, text, reason string) (Card, error) {
	if err := a.may(ctx, actor, "ChangeCard", ""); err != nil {
		return Card{}, err
	}
	r, err := a.read(text)
	if err != nil {
		return Card{}, err
	}
	f := r.facts(text)
	return change(ctx, a, actor, TypeCard, Changed, id, version, SortKey(f.Product), reason, f)
}

// CheckCard keeps that the actor has compared a version with the label. Who
// typed it in cannot check it, unless alone on a laptop; plans then say that no
// second person did. A card with a finding that forbids planning cannot be
// checked.
func (a *App) CheckCard(ctx context.Context, actor Actor, id, hash, note string) (Check, error) {
	if err := a.may(ctx, actor, "CheckCard", ""); err != nil {
		return Check{}, err
	}
	var out Check
	err := a.Store.InTx(ctx, func(tx Tx) error {
		vs, err := a.versions(ctx, tx, id)
		if err != nil {
			return err
		}
		author, text := "", ""
		for _, v := range vs {
			if v.Hash == hash {
				author, text = v.By, v.Facts.Text
			}
		}
		if author == "" {
			return missing("card")
		}
		if author == actor.Person && !actor.Local {
			return &finding.Fault{Class: finding.Denied, ID: "card-check-own"}
		}
		r, err := a.read(text)
		if err != nil {
			return err
		}
		if !r.Usable {
			return usage("card-check-unusable", nil)
		}
		f := CheckFacts{Hash: hash, Alone: author == actor.Person, Note: strings.TrimSpace(note)}
		out, err = write(ctx, tx, actor, Change{Type: TypeCheck, Verb: Added, ID: a.NewID(), Parent: id, Sort: fmt.Sprintf("%06d", len(vs)), Version: 1}, f)
		return err
	})
	return out, err
}

// CardChanges lists what differs between two versions of a card, by path.
func (a *App) CardChanges(ctx context.Context, actor Actor, id, from, to string) ([]FieldChange, error) {
	if err := a.may(ctx, actor, "CardChanges", ""); err != nil {
		return nil, err
	}
	vs, err := a.versions(ctx, a.Store, id)
	if err != nil {
		return nil, err
	}
	flat := func(hash string) (map[string]string, error) {
		for _, v := range vs {
			if v.Hash == hash {
				r, err := a.CardReader.ReadCard([]byte(v.Facts.Text), "card.yaml")
				if err != nil {
					return nil, err
				}
				var doc any
				dec := json.NewDecoder(bytes.NewReader(r.Canonical))
				dec.UseNumber()
				if err := dec.Decode(&doc); err != nil {
					return nil, err
				}
				out := map[string]string{}
				flatten(out, "", doc)
				return out, nil
			}
		}
		return nil, missing("card")
	}
	a1, err := flat(from)
	if err != nil {
		return nil, err
	}
	a2, err := flat(to)
	if err != nil {
		return nil, err
	}
	return differ(a1, a2), nil
}

// differ lists the paths whose texts differ.
func differ(before, after map[string]string) []FieldChange {
	out := []FieldChange{}
	for p, o := range before {
		if n, ok := after[p]; !ok || n != o {
			out = append(out, FieldChange{p, o, n})
		}
	}
	for p, n := range after {
		if _, ok := before[p]; !ok {
			out = append(out, FieldChange{p, "", n})
		}
	}
	sort.Slice(out, func(i, j int) bool { return SortKey(out[i].Path) < SortKey(out[j].Path) })
	return out
}

// flatten writes the leaves of a JSON document by path.
func flatten(out map[string]string, path string, v any) {
	switch x := v.(type) {
	case map[string]any:
		for k, c := range x {
			p := k
			if path != "" {
				p = path + "." + k
			}
			flatten(out, p, c)
		}
	case []any:
		for i, c := range x {
			flatten(out, fmt.Sprintf("%s[%d]", path, i), c)
		}
	case nil:
	default:
		out[path] = fmt.Sprint(x)
	}
}

// RetireCard takes a card out of use; plans made with it stay.
func (a *App) RetireCard(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.may(ctx, actor, "RetireCard", ""); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeCard, id, version, reason)
}

// RestoreCard brings a retired card back.
func (a *App) RestoreCard(ctx context.Context, actor Actor, id string, version int) (Stamp, error) {
	if err := a.may(ctx, actor, "RestoreCard", ""); err != nil {
		return Stamp{}, err
	}
	return a.turn(ctx, actor, TypeCard, Restored, id, version, "")
}
