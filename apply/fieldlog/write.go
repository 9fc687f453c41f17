package fieldlog

import (
	"slices"
	"sort"
	"strings"

	"sapward/finding"
)

// Write makes an event ready to be kept: what the writer had seen, the form,
// and for a tape the volumes the core works out. ID, At, Seq, Device, Person
// and Day are the caller's.
//
// Errors: those of Event.Check.
func (l *Log) Write(e Event) (Event, error) { return l.write(e, l.Heads(e.Tree)) }

func (l *Log) write(e Event, after []string) (Event, error) {
	e.Schema, e.After = EventSchema, after
	e.Day = l.pack.Day
	for _, s := range []*string{&e.Text, &e.Reason, &e.Container, &e.Lot, &e.Reading} {
		*s = strings.TrimSpace(strings.NewReplacer("\u2028", " ", "\u2029", " ", "\x00", "", "\ufffd", "?").Replace(*s))
	}
	slices.Sort(e.Drop)
	if e.Kind == Tape {
		e.VolumesUL = nil
		if s := l.Tree(e.Tree); s != nil {
			for _, u := range l.Judge(e).Units {
				for _, p := range u.Ports {
					e.VolumesUL = append(e.VolumesUL, int64(p.Volume))
				}
			}
		}
	}
	return e, e.Check()
}

// WriteAll makes events ready that are kept in one step, as Write does one by
// one with Add between: each has seen those before it on its tree. The log does
// not take them yet. A tape reading must be the first of its tree.
//
// Errors: those of Event.Check.
func (l *Log) WriteAll(list []Event) ([]Event, error) {
	out := make([]Event, 0, len(list))
	heads := map[string][]string{}
	for _, e := range list {
		h, again := heads[e.Tree]
		if !again {
			h = l.heads(e.Tree)
		} else if e.Kind == Tape {
			return nil, &finding.Fault{Class: finding.Usage, ID: "event-field", Args: finding.Args{"field": finding.Text("kind"), "event": finding.Text(clip(e.ID))}}
		}
		e, err := l.write(e, lastOf(h))
		if err != nil {
			return nil, err
		}
		h = append(slices.DeleteFunc(slices.Clone(h), func(id string) bool { return slices.Contains(e.After, id) }), e.ID)
		sort.Strings(h)
		heads[e.Tree] = h
		out = append(out, e)
	}
	return out, nil
}
