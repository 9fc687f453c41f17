// Command wasm is the core for the phone: the same Go code that the server
// runs, compiled to WebAssembly. It answers one call, core(name, JSON) -> JSON,
// and keeps one day in memory. It does no I/O of its own: what the phone keeps,
// the page's own code keeps.
//
// Calls, with what they take and answer; every answer may be {"faults": [...]}
// instead:
//
//	open   {pack, events}  -> {trees, events, faults}   a new day in memory; events that are none are named
//	later  {pack, events}  -> {trees}                   the same, but a tree is read when it is first asked for
//	more   {trees}         -> {left, faults}            reads so many trees that wait
//	line   {trees}         -> {lines}                   fieldlog.TreeLine of each, as in day
//	add    {events}        -> {added, changed, faults}  tags whose state changed
//	tree   {tree}          -> fieldlog.TreeState
//	day    {}              -> fieldlog.DayState
//	judge  {event}         -> fieldlog.Judgement
//	write  {event}         -> {event, text}             ready to be kept; text is canonical JSON
//	may    {list}          -> {against}                 findings against the first of these events that has any
//	writes {list}          -> {list}                    as write, for events that are kept in one step
//	goals  {tree, port}    -> {goals, why}              where what is left may go
//	spot   {event}         -> fieldlog.Judgement        as judge, for a place that is only looked at
//	lay    {request, frame, tree} -> plan.One           one tree by itself
package main

import (
	"cmp"
	"encoding/json"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/measure/tree"
	"sapward/plan"
)

// core is the day in memory.
type core struct {
	pack *fieldlog.Pack
	log  *fieldlog.Log
	rest *rest // nil when all was read
}

// answer makes one call.
func (c *core) answer(name, arg string) string {
	v, err := c.call(name, []byte(arg))
	if err != nil {
		v = map[string]any{"faults": faults(err)}
	}
	out, err := json.Marshal(v)
	if err != nil {
		return `{"faults":[{"id":"internal","args":{}}]}`
	}
	return string(out)
}

// fault is a fault as the page reads it: a message identifier and its
// arguments.
type fault struct {
	ID   string       `json:"id"`
	Args finding.Args `json:"args"`
}

func faults(err error) []fault {
	out := []fault{}
	for _, f := range finding.AsFaults(err) {
		out = append(out, fault{f.ID, f.Args})
	}
	return out
}

func bad(cause string) error {
	return &finding.Fault{Class: finding.Usage, ID: "core-call", Args: finding.Args{"cause": finding.Text(cause)}}
}

type layArg struct {
	Request plan.Request `json:"request"`
	Frame   plan.Frame   `json:"frame"`
	Tree    tree.Tree    `json:"tree"`
}

type events struct {
	Pack   *fieldlog.Pack    `json:"pack"`
	Events []json.RawMessage `json:"events"`
}

func (c *core) call(name string, arg []byte) (any, error) {
	switch name {
	case "open":
		var a events
		if err := json.Unmarshal(arg, &a); err != nil || a.Pack == nil || a.Pack.Schema != fieldlog.PackSchema {
			return nil, bad("pack")
		}
		c.pack, c.log, c.rest = a.Pack, fieldlog.NewLog(a.Pack), nil
		added, _, fs := c.add(a.Events)
		return map[string]any{"trees": len(a.Pack.Trees), "events": added, "faults": fs}, nil
	case "later":
		var pack, notes json.RawMessage
		err := members(arg, func(name string, v []byte) error {
			switch name {
			case "pack":
				pack = v
			case "events":
				notes = v
			}
			return nil
		})
		if err != nil {
			return nil, bad("pack")
		}
		if err := c.openLater(pack, notes); err != nil {
			return nil, err
		}
		return map[string]any{"trees": len(c.pack.Trees)}, nil
	case "lay":
		return one(arg)
	}
	if c.log == nil {
		return nil, bad("no day is open")
	}
	var a struct {
		Events []json.RawMessage `json:"events"`
		Event  fieldlog.Event    `json:"event"`
		List   []fieldlog.Event  `json:"list"`
		Tree   string            `json:"tree"`
		Port   int               `json:"port"`
	}
	switch name {
	case "more":
		var n struct{ Trees int }
		if err := json.Unmarshal(arg, &n); err != nil {
			return nil, bad(err.Error())
		}
		left, fs := c.more(n.Trees)
		return map[string]any{"left": left, "faults": fs}, nil
	case "line":
		return c.lines(arg)
	}
	if err := json.Unmarshal(arg, &a); err != nil {
		return nil, bad(err.Error())
	}
	if name == "day" {
		c.all()
	} else if name != "add" {
		if err := c.need(cmp.Or(a.Tree, a.Event.Tree)); err != nil {
			return nil, err
		}
		for _, e := range a.List {
			if err := c.need(e.Tree); err != nil {
				return nil, err
			}
		}
	}
	switch name {
	case "add":
		added, changed, fs := c.add(a.Events)
		return map[string]any{"added": added, "changed": changed, "faults": fs}, nil
	case "tree":
		s := c.log.Tree(a.Tree)
		if s == nil {
			return nil, &finding.Fault{Class: finding.Missing, ID: "event-no-tree"}
		}
		return s, nil
	case "day":
		return c.log.Day(), nil
	case "judge", "spot":
		return c.log.Judge(a.Event), nil
	case "goals":
		goals, why := c.log.Goals(a.Tree, a.Port)
		return map[string]any{"goals": goals, "why": why}, nil
	case "may":
		for _, e := range a.List {
			if j := c.log.Judge(e); len(j.Against) > 0 {
				return map[string]any{"against": j.Against}, nil
			}
		}
		return map[string]any{"against": []finding.Finding{}}, nil
	case "write":
		return written(c.log.Write(a.Event))
	case "writes":
		list, err := c.log.WriteAll(a.List)
		if err != nil {
			return nil, err
		}
		out := []any{}
		for _, e := range list {
			w, err := written(e, nil)
			if err != nil {
				return nil, err
			}
			out = append(out, w)
		}
		return map[string]any{"list": out}, nil
	}
	return nil, bad(name)
}

// written is an event with its canonical JSON.
func written(e fieldlog.Event, err error) (any, error) {
	if err != nil {
		return nil, err
	}
	text, err := e.Canonical()
	if err != nil {
		return nil, bad(err.Error())
	}
	return map[string]any{"event": e, "text": string(text)}, nil
}

// lines are the lines of trees in the list of the day.
func (c *core) lines(arg []byte) (any, error) {
	var a struct{ Trees []string }
	if err := json.Unmarshal(arg, &a); err != nil {
		return nil, bad(err.Error())
	}
	out := []fieldlog.TreeLine{}
	for _, tag := range a.Trees {
		if err := c.need(tag); err != nil {
			return nil, err
		}
		if line, ok := c.log.Line(tag); ok {
			out = append(out, line)
		}
	}
	return map[string]any{"lines": out}, nil
}

// add takes events; one that is none is named and does not stop the others.
func (c *core) add(list []json.RawMessage) (added int, changed []string, fs []fault) {
	changed, fs = []string{}, []fault{}
	seen := map[string]bool{}
	for _, raw := range list {
		var e fieldlog.Event
		if err := json.Unmarshal(raw, &e); err != nil {
			fs = append(fs, faults(bad(err.Error()))...)
			continue
		}
		isNew, err := c.log.Add(e)
		if err != nil {
			fs = append(fs, faults(err)...)
			continue
		}
		if isNew {
			added++
			if !seen[e.Tree] {
				seen[e.Tree] = true
				changed = append(changed, e.Tree)
			}
		}
	}
	return added, changed, fs
}
