// Package cardfile reads label cards: YAML files typed in by the person who
// holds the label. Every scalar is read as text, so that no number changes its
// meaning on the way, and every problem of a file is reported at once with its
// line and column.
package cardfile

import (
	"sort"
	"strings"

	"sapward/finding"
	"sapward/plan/label"
)

// Loaded is a card with what belongs to its file.
type Loaded struct {
	Card       label.Card
	Hash       string                   // SHA-256 of the content, see Canonical
	Canonical  []byte                   // the content as RFC 8785 canonical JSON
	Positions  map[string]finding.Where // path such as uses[0].ports.spacing -> place of its value
	Understood []Echo                   // every quantity as it was understood, in the order of the file
	file       string
}

// Echo says how a quantity was understood, to be read back to the person who
// typed it. Note, where not empty, is the message identifier of what else the
// program made of it.
type Echo struct {
	Path, Written, Understood, Note string
}

// Notes of an Echo.
const (
	EchoActive  = "card-echo-active"  // grams of the first active ingredient
	EchoMaximum = "card-echo-maximum" // one value: it is the maximum
)

// Place returns where a path of the card stands in the file. A path that is not
// in the file has the place of the nearest thing that contains it.
func (l Loaded) Place(path string) finding.Where {
	for p := path; p != ""; p = parent(p) {
		if w, ok := l.Positions[p]; ok {
			return w
		}
	}
	return finding.Where{File: l.file, Line: 1, Column: 1}
}

// parent cuts the last step of a path.
func parent(path string) string {
	return path[:max(0, strings.LastIndexAny(path, ".["))]
}

// Parse reads one card. file names it in the places of faults and is not
// opened. The error is a finding.Faults with every problem found, in the order
// of the file; the card is then to be used for nothing. A card that parses may
// still be refused by label.Check.
func Parse(data []byte, file string) (Loaded, error) {
	r := &reader{file: file, positions: map[string]finding.Where{}, broken: map[*node]bool{}}
	root := r.document(data)
	l := Loaded{file: file}
	if root != nil {
		l.Card = r.card(root)
	}
	if len(r.faults) > 0 {
		return Loaded{file: file, Positions: r.positions}, r.sorted()
	}
	sort.SliceStable(r.echoes, func(i, j int) bool {
		return earlier(r.positions[r.echoes[i].Path], r.positions[r.echoes[j].Path])
	})
	l.Positions, l.Understood = r.positions, r.echoes
	var err error
	l.Canonical, l.Hash, err = canonical(root)
	if err != nil {
		return Loaded{file: file, Positions: r.positions}, finding.Faults{{Class: finding.Internal, ID: "internal", Where: finding.Where{File: file}, Cause: err,
			Args: finding.Args{"cause": finding.Text(err.Error())}}}
	}
	return l, nil
}

// mostFaults bounds the faults of one file: nobody reads more, and a hostile
// file must not fill the memory.
const mostFaults = 500

// reader collects what is found on the way through one file.
type reader struct {
	file      string
	faults    finding.Faults
	dropped   int
	positions map[string]finding.Where
	echoes    []Echo
	broken    map[*node]bool // nodes already complained about
	deep      bool           // the file is nested too deeply to be a card
}

// fault notes a problem at a place.
func (r *reader) fault(id string, at finding.Where, args finding.Args) {
	if len(r.faults) >= mostFaults {
		r.dropped++
		return
	}
	r.faults = append(r.faults, finding.Bad(id, at, args))
}

// sorted returns the faults in the order of the file.
func (r *reader) sorted() finding.Faults {
	sort.SliceStable(r.faults, func(i, j int) bool { return earlier(r.faults[i].Where, r.faults[j].Where) })
	if r.dropped > 0 {
		r.faults = append(r.faults, finding.Bad("card-more-faults", finding.Where{File: r.file}, finding.Args{"count": finding.Count(r.dropped)}))
	}
	return r.faults
}

// earlier reports that a stands before b in a file.
func earlier(a, b finding.Where) bool {
	return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
}

// where is the place of a node.
func (r *reader) where(n *node) finding.Where {
	return finding.Where{File: r.file, Line: n.Line, Column: n.Column}
}
