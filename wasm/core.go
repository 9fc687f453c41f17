// Command wasm is the core for the phone: the same Go code that the server
// runs, compiled to WebAssembly. It answers one call, core(name, JSON) -> JSON,
// and keeps one day in memory. It does no I/O of its own: what the phone keeps,
// the page's own code keeps.
//
// Calls, with what they take and answer; every answer may be {"faults": [...]}
// instead:
//
//	open   {pack, events}  -> {trees, events, faults}   a new day in memory; events that are none are named
//	add    {events}        -> {added, changed, faults}  tags whose state changed
//	tree   {tree}          -> fieldlog.TreeState
//	day    {}              -> fieldlog.DayState
//	judge  {event}         -> fieldlog.Judgement
//	write  {event}         -> {event, text}             ready to be kept; text is canonical JSON
//	goals  {tree, port}    -> {goals, why}              where what is left may go
//	spot   {event}         -> fieldlog.Judgement        as judge, for a place that is only looked at
//	lay    {request, frame, tree} -> plan.One           one tree by itself
package main

import (
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
		c.pack, c.log = a.Pack, fieldlog.NewLog(a.Pack)
		added, _, fs := c.add(a.Events)
		return map[string]any{"trees": len(a.Pack.Trees), "events": added, "faults": fs}, nil
	case "lay":
		var a struct {
			Request plan.Request `json:"request"`
			Frame   plan.Frame   `json:"frame"`
			Tree    tree.Tree    `json:"tree"`
		}
		if err := json.Unmarshal(arg, &a); err != nil {
			return nil, bad(err.Error())
		}
		return plan.LayOne(a.Request, a.Frame, a.Tree)
	}
	if c.log == nil {
		return nil, bad("no day is open")
	}
	var a struct {
		Events []json.RawMessage `json:"events"`
		Event  fieldlog.Event    `json:"event"`
		Tree   string            `json:"tree"`
		Port   int               `json:"port"`
	}
	if err := json.Unmarshal(arg, &a); err != nil {
		return nil, bad(err.Error())
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
	case "write":
		e, err := c.log.Write(a.Event)
		if err != nil {
			return nil, err
		}
		text, err := e.Canonical()
		if err != nil {
			return nil, bad(err.Error())
		}
		return map[string]any{"event": e, "text": string(text)}, nil
	}
	return nil, bad(name)
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
