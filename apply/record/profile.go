package record

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"sync"

	"sapward/measure/civil"
)

//go:embed profiles/*.json
var profileFiles embed.FS

// Mark tells how well a statement of a profile is founded.
type Mark string

// The marks of a statement.
const (
	Found     Mark = "found"     // seen in the text cited
	FoundPart Mark = "part"      // seen in part
	Memory    Mark = "memory"    // from memory, not confirmed
	Judgement Mark = "judgement" // a reading of the text, not confirmed
)

// Confirmed reports whether a statement was seen in the text cited.
func (m Mark) Confirmed() bool { return m == Found }

// Profile is what one rule of law asks of a record. Profiles are data: the
// files in profiles/.
type Profile struct {
	ID           string     `json:"id"`
	Jurisdiction string     `json:"jurisdiction"`
	Citation     string     `json:"citation"`
	Example      bool       `json:"example,omitempty"` // an example: the current text must be read
	Advice       bool       `json:"advice,omitempty"`  // advice to keep, not a duty of the person
	Unlisted     bool       `json:"unlisted,omitempty"`
	Effective    Effective  `json:"effective"`
	AppliesWhen  []string   `json:"applies_when,omitempty"` // conditions, all of them
	Asks         []Ask      `json:"asks,omitempty"`
	Deadlines    []Deadline `json:"deadlines,omitempty"`
	Keep         Keep       `json:"keep,omitzero"`
	Sources      []string   `json:"sources"`
	CheckedOn    civil.Date `json:"checked_on"`
	Unconfirmed  []string   `json:"unconfirmed,omitempty"` // message identifiers
}

// Effective is the period of application dates a profile is for; an open end
// is empty.
type Effective struct {
	From civil.Date `json:"from,omitzero"`
	To   civil.Date `json:"to,omitzero"`
	Mark Mark       `json:"mark"`
}

// Ask is one cell of a profile: an element, satisfied by any one of the lists
// of items, all items of that list together.
type Ask struct {
	Element string   `json:"element"`
	Any     [][]Item `json:"any"`
	When    string   `json:"when,omitempty"` // condition; empty: always
	Mark    Mark     `json:"mark"`
}

// Deadline is a time by which something must be done.
type Deadline struct {
	What   string `json:"what"` // record, report, display, copy, electronic
	Hours  int    `json:"hours,omitempty"`
	Days   int    `json:"days,omitempty"`
	Rule   string `json:"rule,omitempty"` // tenth-of-next-month, first-of-february
	AtOnce bool   `json:"at_once,omitempty"`
	Mark   Mark   `json:"mark"`
}

// Keep is how long a record is kept.
type Keep struct {
	Years int    `json:"years,omitempty"`
	From  string `json:"from,omitempty"` // application, or display-end: 30 days after re-entry
	Mark  Mark   `json:"mark,omitempty"`
}

var loadProfiles = sync.OnceValues(func() ([]Profile, error) {
	names, err := fs.Glob(profileFiles, "profiles/*.json")
	if err != nil {
		return nil, err
	}
	var out []Profile
	for _, n := range names {
		data, err := profileFiles.ReadFile(n)
		if err != nil {
			return nil, err
		}
		var p Profile
		if err := strict(data, &p); err != nil {
			return nil, fmt.Errorf("record: %s: %w", n, err)
		}
		if "profiles/"+p.ID+".json" != n {
			return nil, fmt.Errorf("record: %s holds profile %q", n, p.ID)
		}
		for _, a := range p.Asks {
			if err := a.check(); err != nil {
				return nil, fmt.Errorf("record: %s: %w", n, err)
			}
		}
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b Profile) int { return strings.Compare(a.ID, b.ID) })
	return out, nil
})

// check finds slips in a profile's file.
func (a Ask) check() error {
	if len(a.Any) == 0 {
		return fmt.Errorf("%s asks for nothing", a.Element)
	}
	if _, ok := conditions[a.When]; a.When != "" && !ok {
		return fmt.Errorf("%s: condition %q is unknown", a.Element, a.When)
	}
	for _, list := range a.Any {
		for _, it := range list {
			if infoOf(it) == nil || !strings.HasPrefix(string(it), "R") {
				return fmt.Errorf("%s: item %q is unknown", a.Element, it)
			}
		}
	}
	return nil
}

// Profiles returns every profile, sorted by identifier. The caller may keep
// but not change them. The error is that of a broken data file.
func Profiles() ([]Profile, error) {
	ps, err := loadProfiles()
	return slices.Clone(ps), err
}

// ProfileByID finds one profile.
func ProfileByID(id string) (Profile, bool) {
	ps, err := loadProfiles()
	if err != nil {
		return Profile{}, false
	}
	for _, p := range ps {
		if p.ID == id {
			return p, true
		}
	}
	return Profile{}, false
}

// Chosen returns the profiles of the identifiers, in that order, each once,
// and the identifiers it does not know.
func Chosen(ids []string) (ps []Profile, unknown []string) {
	seen := map[string]bool{}
	for _, id := range ids {
		if seen[id] {
			continue
		}
		seen[id] = true
		if p, ok := ProfileByID(id); ok {
			ps = append(ps, p)
		} else {
			unknown = append(unknown, id)
		}
	}
	return ps, unknown
}

// UnconfirmedAsks returns the asks that were not seen in the text cited.
func (p Profile) UnconfirmedAsks() []Ask {
	var out []Ask
	for _, a := range p.Asks {
		if !a.Mark.Confirmed() {
			out = append(out, a)
		}
	}
	return out
}
