package main

import (
	"encoding/json"
	"slices"

	"sapward/apply/fieldlog"
	"sapward/plan"
)

// rest is what the page handed over for a day and what the core has not read
// yet: the request, trees and notes, as JSON. Each is read when it is first
// asked for, so a phone can work at one tree at once.
type rest struct {
	request, frame json.RawMessage
	trees          map[string]raw
	order          []string // tags of trees, then "" for the day's own notes
	notes          map[string][]json.RawMessage
	faults         []fault
}

// raw is a tree of the pack that has not been read.
type raw struct {
	at   int // place in the pack
	text json.RawMessage
}

// openLater takes a day without reading more of it than the order of trees.
func (c *core) openLater(pack, notes json.RawMessage) error {
	r := &rest{trees: map[string]raw{}, notes: map[string][]json.RawMessage{}}
	head := []byte{'{'}
	var list []json.RawMessage
	err := members(pack, func(name string, v []byte) error {
		switch name {
		case "trees":
			return elements(v, func(t []byte) error { list = append(list, t); return nil })
		case "request":
			r.request = v
		case "frame":
			r.frame = v
		default:
			if len(head) > 1 {
				head = append(head, ',')
			}
			head = append(append(append(append(head, '"'), name...), '"', ':'), v...)
		}
		return nil
	})
	if err != nil {
		return bad("pack")
	}
	p := &fieldlog.Pack{}
	if err := json.Unmarshal(append(head, '}'), p); err != nil || p.Schema != fieldlog.PackSchema {
		return bad("pack")
	}
	p.Trees = make([]fieldlog.PackTree, len(list))
	for i, t := range list {
		x := &p.Trees[i]
		err := members(t, func(name string, v []byte) (err error) {
			switch name {
			case "tree":
				x.Tag, err = text(v)
			case "person":
				x.Person, err = text(v)
			case "order":
				err = json.Unmarshal(v, &x.Order)
			}
			return err
		})
		if err != nil {
			return bad("pack")
		}
		r.trees[x.Tag] = raw{i, t}
		r.order = append(r.order, x.Tag)
	}
	r.order = append(r.order, "")
	if len(notes) > 0 {
		err := elements(notes, func(e []byte) error {
			tag, err := noteOf(e)
			if err != nil {
				r.faults = append(r.faults, faults(bad("event"))...)
				return nil
			}
			r.notes[tag] = append(r.notes[tag], e)
			if r.trees[tag].text == nil && tag != "" && !slices.Contains(r.order, tag) {
				r.order = append(r.order, tag)
			}
			return nil
		})
		if err != nil {
			return bad("events")
		}
	}
	c.pack, c.log, c.rest = p, fieldlog.NewLog(p), r
	return nil
}

// noteOf is the tree that a note is about.
func noteOf(e []byte) (tag string, err error) {
	err = members(e, func(name string, v []byte) (err error) {
		if name == "tree" {
			tag, err = text(v)
		}
		return err
	})
	return tag, err
}

// need reads what was handed over about a tree.
func (c *core) need(tag string) error {
	r := c.rest
	if r == nil {
		return nil
	}
	if r.request != nil {
		if err := json.Unmarshal(r.request, &c.pack.Request); err != nil {
			return bad("request")
		}
		if err := json.Unmarshal(r.frame, &c.pack.Frame); err != nil {
			return bad("frame")
		}
		r.request, r.frame = nil, nil
	}
	if t, ok := r.trees[tag]; ok {
		var x fieldlog.PackTree
		if err := json.Unmarshal(t.text, &x); err != nil {
			return bad("tree " + tag)
		}
		c.pack.Trees[t.at] = x
		delete(r.trees, tag)
	}
	if list := r.notes[tag]; len(list) > 0 {
		delete(r.notes, tag)
		_, _, fs := c.add(list)
		r.faults = append(r.faults, fs...)
	}
	if len(r.trees) == 0 && len(r.notes) == 0 && len(r.faults) == 0 {
		c.rest = nil
	}
	return nil
}

// more reads at most so many trees that wait, and says how many still do and
// what could not be read.
func (c *core) more(most int) (left int, fs []fault) {
	fs = []fault{}
	r := c.rest
	for ; c.rest != nil && len(r.order) > 0; r.order = r.order[1:] {
		tag := r.order[0]
		if _, waits := r.trees[tag]; !waits && len(r.notes[tag]) == 0 {
			continue
		}
		if most == 0 {
			break
		}
		most--
		if err := c.need(tag); err != nil {
			fs = append(fs, faults(err)...)
			delete(r.trees, tag) // said once; the plan's tree stays without ports
			delete(r.notes, tag)
			continue
		}
		if tag != "" {
			c.log.Tree(tag)
		}
	}
	if c.rest == nil {
		return 0, fs
	}
	fs = append(fs, r.faults...)
	r.faults = nil
	if len(r.order) == 0 {
		c.rest = nil
	}
	return len(r.order), fs
}

// all reads everything that waits.
func (c *core) all() {
	for c.rest != nil {
		if left, _ := c.more(1 << 30); left == 0 {
			return
		}
	}
}

// one lays out a tree of its own.
func one(arg []byte) (any, error) {
	var a layArg
	if err := json.Unmarshal(arg, &a); err != nil {
		return nil, bad(err.Error())
	}
	return plan.LayOne(a.Request, a.Frame, a.Tree)
}
