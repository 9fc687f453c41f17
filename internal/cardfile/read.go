package cardfile

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v4"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/plan/label"
)

// mapping is one mapping of the card: its values by key, and the place that
// stands for a key that is absent.
type mapping struct {
	r      *reader
	path   string
	at     finding.Where
	values map[string]*node
	order  []string
}

// mapping reads a node as a mapping of the given kind and notes every key that
// does not belong there. A node that is no mapping gives an empty one.
func (r *reader) mapping(n *node, kind, path string) mapping {
	m := mapping{r: r, path: path, at: r.where(n), values: map[string]*node{}}
	if r.broken[n] {
		return m
	}
	allowed := keys[kind]
	if n.Kind != yaml.MappingNode {
		r.fault("card-not-mapping", m.at, finding.Args{"path": finding.Text(path), "keys": finding.Text(strings.Join(allowed, ", "))})
		r.broken[n] = true
		return m
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if r.broken[k] {
			continue
		}
		name := strings.TrimSpace(k.Value)
		if slices.Contains(allowed, name) {
			m.values[name] = v
			m.order = append(m.order, name)
			continue
		}
		r.unknownKey(k, v, name, path, allowed)
	}
	return m
}

// unknownKey says what is wrong with a key that does not belong in a mapping.
func (r *reader) unknownKey(k, v *node, name, path string, allowed []string) {
	if len(r.faults) >= mostFaults {
		r.dropped++
		return
	}
	args := finding.Args{"key": finding.Text(clip(name)), "path": finding.Text(path), "keys": finding.Text(strings.Join(allowed, ", "))}
	if path == "" {
		args["path"] = finding.Text("card")
	}
	id := "card-key-unknown"
	if name != "" && name[0] >= '0' && name[0] <= '9' && isEmpty(v) {
		id = "card-comma-split" // {low: 2,5 mL} is the keys "low" and "5 mL"
	} else if s := nearest(clip(name), allowed); s != "" {
		id, args["suggestion"] = "card-key-misspelt", finding.Text(s)
	} else if h := home(name); h != "" {
		id, args["place"] = "card-key-elsewhere", finding.Text(h)
	}
	r.fault(id, r.where(k), args)
}

// isEmpty reports a key with nothing typed behind it.
func isEmpty(n *node) bool {
	if n.Kind == yaml.ScalarNode {
		v := strings.TrimSpace(n.Value)
		return v == "" || n.Tag == "!!null"
	}
	return (n.Kind == yaml.MappingNode || n.Kind == yaml.SequenceNode) && len(n.Content) == 0
}

// pathOf is the path of a key of the mapping.
func (m mapping) pathOf(key string) string { return join(m.path, key) }

// has reports whether something is typed under a key.
func (m mapping) has(key string) bool {
	n, ok := m.values[key]
	return ok && !isEmpty(n)
}

// typed returns the node under a key where something is typed, usable or not.
func (m mapping) typed(key string) *node {
	if !m.has(key) {
		return nil
	}
	return m.values[key]
}

// get returns the node under a key, or nil where nothing usable is typed.
func (m mapping) get(key string) *node {
	n, ok := m.values[key]
	if !ok || isEmpty(n) || m.r.broken[n] {
		return nil
	}
	return n
}

// need notes a key that is absent or empty and must be there.
func (m mapping) need(key string) *node {
	n, ok := m.values[key]
	switch {
	case !ok:
		m.r.fault("card-key-missing", m.at, finding.Args{"path": finding.Text(m.pathOf(key)), "key": finding.Text(key)})
		return nil
	case isEmpty(n):
		m.r.fault("card-value-empty", m.r.where(n), finding.Args{"path": finding.Text(m.pathOf(key)), "key": finding.Text(key)})
		return nil
	}
	return m.get(key)
}

// fill notes a key that is there and was left empty, where the label always
// says something. An absent key is left to label.Check.
func (m mapping) fill(key string) *node {
	if _, ok := m.values[key]; !ok {
		return nil
	}
	return m.need(key)
}

// scalar returns the text of a node.
func (r *reader) scalar(n *node, path string) (string, bool) {
	switch {
	case n == nil || r.broken[n]:
		return "", false
	case n.Kind != yaml.ScalarNode:
		r.fault("card-not-text", r.where(n), finding.Args{"path": finding.Text(path)})
		r.broken[n] = true
		return "", false
	case isEmpty(n):
		r.fault("card-value-empty", r.where(n), finding.Args{"path": finding.Text(path), "key": finding.Text(path)})
		return "", false
	}
	return strings.TrimSpace(n.Value), true
}

// text reads an optional text.
func (m mapping) text(key string) string {
	s, _ := m.r.scalar(m.get(key), m.pathOf(key))
	return s
}

// choice reads an optional text that must be one of a list.
func (m mapping) choice(key string, allowed ...string) string {
	s, ok := m.r.scalar(m.get(key), m.pathOf(key))
	if !ok {
		return ""
	}
	for _, a := range allowed {
		if strings.EqualFold(a, s) {
			return a
		}
	}
	m.r.notOneOf(m.get(key), m.pathOf(key), s, allowed)
	return ""
}

// notOneOf notes a value outside a list.
func (r *reader) notOneOf(n *node, path, s string, allowed []string) {
	args := finding.Args{"path": finding.Text(path), "text": finding.Text(clip(s)), "allowed": finding.Text(strings.Join(allowed, ", "))}
	id := "card-choice-unknown"
	if near := nearest(clip(s), allowed); near != "" {
		id, args["suggestion"] = "card-choice-misspelt", finding.Text(near)
	}
	r.fault(id, r.where(n), args)
}

// truth reads an optional yes or no; stated is false where nothing is typed.
func (m mapping) truth(key string) (value, stated bool) {
	s, ok := m.r.scalar(m.get(key), m.pathOf(key))
	if !ok {
		return false, false
	}
	switch strings.ToLower(s) {
	case "true", "yes":
		return true, true
	case "false", "no":
		return false, true
	}
	m.r.fault("card-truth", m.r.where(m.get(key)), finding.Args{"path": finding.Text(m.pathOf(key)), "text": finding.Text(clip(s))})
	return false, false
}

// date reads an optional day.
func (m mapping) date(key string) civil.Date {
	n := m.get(key)
	s, ok := m.r.scalar(n, m.pathOf(key))
	if !ok {
		return civil.Date{}
	}
	d, err := civil.Parse(s)
	if err != nil {
		m.r.fault("card-date", m.r.where(n), finding.Args{"path": finding.Text(m.pathOf(key)), "text": finding.Text(clip(s))})
	}
	return d
}

// period reads FROM/TO; either end may be open.
func (m mapping) period(key string) (p civil.Period) {
	n := m.get(key)
	s, ok := m.r.scalar(n, m.pathOf(key))
	if !ok {
		return p
	}
	from, to, two := strings.Cut(s, "/")
	from, to = strings.TrimSpace(from), strings.TrimSpace(to)
	good := two && from+to != ""
	for _, e := range []struct {
		text string
		into *civil.Date
	}{{from, &p.From}, {to, &p.To}} {
		if e.text == "" || e.text == ".." {
			continue
		}
		d, err := civil.Parse(e.text)
		*e.into, good = d, good && err == nil
	}
	if !good || p.From.IsZero() && p.To.IsZero() {
		m.r.fault("card-period", m.r.where(n), finding.Args{"path": finding.Text(m.pathOf(key)), "text": finding.Text(clip(s))})
		return civil.Period{}
	}
	return p
}

// count reads an optional whole number between low and high; 0 where nothing is
// typed.
func (m mapping) count(key string, low, high int) int {
	return m.r.countAt(m.get(key), m.pathOf(key), low, high)
}

func (r *reader) countAt(n *node, path string, low, high int) int {
	s, ok := r.scalar(n, path)
	if !ok {
		return 0
	}
	v, err := strconv.Atoi(s)
	if err != nil || s[0] == '+' || len(s) > 1 && s[0] == '0' || v < low || v > high {
		r.fault("card-count", r.where(n), finding.Args{"path": finding.Text(path), "text": finding.Text(clip(s)), "low": finding.Count(low), "high": finding.Count(high)})
		return 0
	}
	return v
}

// items returns the entries of a list; one value alone stands for a list of
// one.
func (r *reader) items(n *node, path string) (nodes []*node, paths []string) {
	if n == nil || r.broken[n] {
		return nil, nil
	}
	if n.Kind != yaml.SequenceNode {
		return []*node{n}, []string{path}
	}
	for i, c := range n.Content {
		nodes, paths = append(nodes, c), append(paths, fmt.Sprintf("%s[%d]", path, i))
	}
	return nodes, paths
}

// list returns the entries of a node that must be a list of mappings.
func (r *reader) list(n *node, path string) (nodes []*node, paths []string) {
	if n == nil || r.broken[n] {
		return nil, nil
	}
	if n.Kind != yaml.SequenceNode {
		r.fault("card-not-list", r.where(n), finding.Args{"path": finding.Text(path)})
		r.broken[n] = true
		return nil, nil
	}
	return r.items(n, path)
}

// texts reads an optional list of texts.
func (m mapping) texts(key string) (out []string) {
	nodes, paths := m.r.items(m.get(key), m.pathOf(key))
	for i, n := range nodes {
		if s, ok := m.r.scalar(n, paths[i]); ok {
			out = append(out, s)
		}
	}
	return out
}

// read parses a quantity at a node and keeps how it was understood.
func read[K q.Kind](r *reader, n *node, path, note string) (v q.Quantity[K], ok bool) {
	s, ok := r.scalar(n, path)
	if !ok {
		return v, false
	}
	v, fault := q.Parse[K](s)
	if fault != nil {
		r.quantityFault(fault, n, path)
		return v, false
	}
	r.echoes = append(r.echoes, Echo{Path: path, Written: s, Understood: label.Shown(v), Note: note})
	return v, true
}

// quantityFault passes a fault of the quantity package on with its place.
func (r *reader) quantityFault(f *finding.Fault, n *node, path string) {
	args := finding.Args{"path": finding.Text(path), "text": finding.Text(clip(n.Value))}
	for k, v := range f.Args {
		args[k] = v
	}
	r.fault(f.ID, r.where(n), args)
}

// quantity reads an optional quantity under a key.
func quantity[K q.Kind](m mapping, key string) (v q.Opt[q.Quantity[K]]) {
	if n := m.get(key); n != nil {
		v.Value, v.Known = read[K](m.r, n, m.pathOf(key), "")
	}
	return v
}

// pairOf splits a range into its two ends: [low, high], {min: low, max: high},
// or one value, which is the maximum. low is nil for a single value, high is
// nil for a lower end alone.
func (r *reader) pairOf(n *node, path string) (low, high *node, lowPath, highPath string, ok bool) {
	switch n.Kind {
	case yaml.SequenceNode:
		if len(n.Content) != 2 {
			r.fault("card-range", r.where(n), finding.Args{"path": finding.Text(path), "count": finding.Count(len(n.Content))})
			return nil, nil, "", "", false
		}
		return n.Content[0], n.Content[1], path + "[0]", path + "[1]", true
	case yaml.MappingNode:
		m := r.mapping(n, "range", path)
		if !m.has("min") && !m.has("max") {
			if !r.broken[n] && len(m.values)*2 == len(n.Content) { // no other complaint
				r.fault("card-value-empty", r.where(n), finding.Args{"path": finding.Text(path), "key": finding.Text(path)})
			}
			return nil, nil, "", "", false
		}
		return m.typed("min"), m.typed("max"), m.pathOf("min"), m.pathOf("max"), true
	}
	return nil, n, "", path, true
}

// span reads an optional range under a key. One value alone is the maximum; it
// stands at both ends and Single is set. A lower end alone is refused.
func span[K q.Kind](m mapping, key string) (v q.Opt[q.Range[K]]) {
	n := m.get(key)
	if n == nil {
		return v
	}
	low, high, lowPath, highPath, ok := m.r.pairOf(n, m.pathOf(key))
	if !ok {
		return v
	}
	if high == nil {
		m.r.fault("card-range-open", m.r.where(n), finding.Args{"path": finding.Text(m.pathOf(key))})
		return v
	}
	if low == nil {
		h, ok := read[K](m.r, high, highPath, EchoMaximum)
		return q.Opt[q.Range[K]]{Value: q.Range[K]{Low: h, High: h, Single: true}, Known: ok}
	}
	l, okLow := read[K](m.r, low, lowPath, "")
	h, okHigh := read[K](m.r, high, highPath, "")
	return q.Opt[q.Range[K]]{Value: q.Range[K]{Low: l, High: h}, Known: okLow && okHigh}
}
