package cardfile

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"sapward/finding"
)

// Sheet is the text of a card with the tree read from it, for changing one
// place at a time. It need not be a card that Parse accepts; it must be YAML
// that a card may be written in.
type Sheet struct {
	text  string
	lines []int // byte offset of the first byte of each line
	root  *node
}

// Open reads a text as a sheet. The error is what Parse would say of a text
// that is no YAML mapping, or that uses parts of YAML a card does not need.
func Open(data []byte) (*Sheet, error) {
	r := &reader{positions: map[string]finding.Where{}, broken: map[*node]bool{}}
	root := r.document(data)
	if root == nil || len(r.faults) > 0 {
		return nil, r.sorted()
	}
	s := &Sheet{text: string(data), lines: []int{0}, root: root}
	for i, c := range data {
		if c == '\n' {
			s.lines = append(s.lines, i+1)
		}
	}
	return s, nil
}

// Bytes is the text of the sheet.
func (s *Sheet) Bytes() []byte { return []byte(s.text) }

// step is one step of a path: a key, or the number of an entry.
type step struct {
	key   string
	index int // -1: a key
}

// steps splits a path such as uses[0].ports.spacing.
func steps(path string) (out []step, ok bool) {
	for _, part := range strings.Split(path, ".") {
		name, rest, _ := strings.Cut(part, "[")
		if name == "" {
			return nil, false
		}
		out = append(out, step{name, -1})
		for rest != "" {
			digits, more, closed := strings.Cut(rest, "]")
			n, err := strconv.Atoi(digits)
			if !closed || err != nil || n < 0 || more != "" && more[0] != '[' {
				return nil, false
			}
			out = append(out, step{"", n})
			rest = strings.TrimPrefix(more, "[")
		}
	}
	return out, true
}

// pair finds a key of a mapping and its value.
func pair(n *node, key string) (k, v *node) {
	for i := 0; i+1 < len(n.Content); i += 2 {
		if strings.TrimSpace(n.Content[i].Value) == key {
			return n.Content[i], n.Content[i+1]
		}
	}
	return nil, nil
}

// child takes one step down.
func child(n *node, st step) *node {
	switch {
	case st.index < 0 && n.Kind == yaml.MappingNode:
		_, v := pair(n, st.key)
		return v
	case st.index >= 0 && n.Kind == yaml.SequenceNode && st.index < len(n.Content):
		return n.Content[st.index]
	}
	return nil
}

// at returns the node of a path, or nil.
func (s *Sheet) at(path string) *node {
	if path == "" {
		return s.root
	}
	way, ok := steps(path)
	n := s.root
	for _, st := range way {
		if !ok || n == nil {
			return nil
		}
		n = child(n, st)
	}
	return n
}

// Value is the text typed at a path; empty where nothing or a collection
// stands there.
func (s *Sheet) Value(path string) string {
	n := s.at(path)
	if n == nil || n.Kind != yaml.ScalarNode || isEmpty(n) {
		return ""
	}
	return strings.TrimSpace(n.Value)
}

// Items are the texts of a list at a path; one value alone is a list of one.
func (s *Sheet) Items(path string) (out []string) {
	n := s.at(path)
	if n == nil || isEmpty(n) {
		return nil
	}
	if n.Kind == yaml.ScalarNode {
		return []string{strings.TrimSpace(n.Value)}
	}
	for i := range n.Content {
		if n.Kind == yaml.SequenceNode {
			out = append(out, s.Value(fmt.Sprintf("%s[%d]", path, i)))
		}
	}
	return out
}

// Ends are the two ends of a range at a path, as pairOf reads it.
func (s *Sheet) Ends(path string) (low, high string) {
	n := s.at(path)
	switch {
	case n == nil:
	case n.Kind == yaml.SequenceNode:
		return s.Value(path + "[0]"), s.Value(path + "[1]")
	case n.Kind == yaml.MappingNode:
		return s.Value(path + ".min"), s.Value(path + ".max")
	default:
		return "", s.Value(path)
	}
	return "", ""
}

// Len is the number of entries of the list at a path.
func (s *Sheet) Len(path string) int {
	if n := s.at(path); n != nil && n.Kind == yaml.SequenceNode {
		return len(n.Content)
	}
	return 0
}

// Line is the line of a path, or of the nearest thing that contains it.
func (s *Sheet) Line(path string) int {
	for p := path; p != ""; p = parent(p) {
		if n := s.at(p); n != nil {
			return n.Line
		}
	}
	return 1
}

// offset is the byte where a node's first character stands.
func (s *Sheet) offset(n *node) int {
	if n.Line < 1 || n.Line > len(s.lines) {
		return len(s.text)
	}
	at := s.lines[n.Line-1]
	if n.Line == 1 && strings.HasPrefix(s.text, "\ufeff") {
		at += len("\ufeff")
	}
	for i := 1; i < n.Column && at < len(s.text) && s.text[at] != '\n'; i++ {
		_, size := utf8.DecodeRuneInString(s.text[at:])
		at += size
	}
	return at
}

// eol is the end of the line that a byte stands on, without the line end.
func (s *Sheet) eol(at int) int {
	if i := strings.IndexByte(s.text[at:], '\n'); i >= 0 {
		end := at + i
		if end > at && s.text[end-1] == '\r' {
			end--
		}
		return end
	}
	return len(s.text)
}

// bol is the first byte of the line that a byte stands on.
func (s *Sheet) bol(at int) int { return strings.LastIndexByte(s.text[:at], '\n') + 1 }

// empty reports a value of which nothing is written, not even ~ or [].
func empty(n *node) bool { return n.Kind == yaml.ScalarNode && n.Value == "" && n.Tag == "!!null" }

// extent is where a node is written: [start, end). Of a value that is not
// written both are the place behind its key's colon. ok is false where the text
// could not be followed.
func (s *Sheet) extent(n *node, flow bool) (start, end int, ok bool) {
	start = s.offset(n)
	switch {
	case empty(n):
		return start, start, true
	case n.Kind == yaml.ScalarNode:
		end, ok = s.scalarEnd(n, start, flow)
		return start, end, ok
	case n.Style&yaml.FlowStyle != 0:
		end, ok = s.flowEnd(start)
		return start, end, ok
	}
	end = start
	grow := func(e int, good bool) {
		end, ok = max(end, e), ok && good
	}
	ok = true
	for i := 0; i < len(n.Content); i++ {
		c := n.Content[i]
		if n.Kind == yaml.MappingNode {
			colon, good := s.colon(c, false)
			grow(colon, good)
			i++
			c = n.Content[i]
		} else if empty(c) {
			continue // the dash; its line is reached through the next entry or by the caller
		}
		if !empty(c) {
			_, e, good := s.extent(c, false)
			grow(e, good)
		}
	}
	return start, end, ok
}

// colon is the place behind a key's colon.
func (s *Sheet) colon(key *node, flow bool) (int, bool) {
	end, ok := s.scalarEnd(key, s.offset(key), flow)
	if !ok {
		return 0, false
	}
	rest := s.text[end:]
	trimmed := strings.TrimLeft(rest, " ")
	return end + len(rest) - len(trimmed) + 1, strings.HasPrefix(trimmed, ":")
}

// scalarEnd is the end of a scalar that begins at a byte.
func (s *Sheet) scalarEnd(n *node, start int, flow bool) (int, bool) {
	switch {
	case n.Style&yaml.DoubleQuotedStyle != 0:
		for i := start + 1; i < len(s.text); i++ {
			if s.text[i] == '\\' {
				i++
			} else if s.text[i] == '"' {
				return i + 1, true
			}
		}
		return 0, false
	case n.Style&yaml.SingleQuotedStyle != 0:
		for i := start + 1; i < len(s.text); i++ {
			if s.text[i] != '\'' {
				continue
			}
			if i+1 < len(s.text) && s.text[i+1] == '\'' {
				i++
				continue
			}
			return i + 1, true
		}
		return 0, false
	case n.Style&(yaml.LiteralStyle|yaml.FoldedStyle) != 0:
		return s.blockEnd(start), true
	}
	return s.plainEnd(n, start, flow)
}

// plainEnd follows a plain scalar over its lines until what was read is the
// value of the node.
func (s *Sheet) plainEnd(n *node, start int, flow bool) (int, bool) {
	read, end := "", start
	for at := start; ; {
		stop := s.eol(at)
		line := s.text[at:stop]
		for i := range line {
			space := i > 0 && (line[i-1] == ' ' || line[i-1] == '\t')
			after := i+1 == len(line) || strings.IndexByte(" \t,[]{}", line[i+1]) >= 0
			if line[i] == '#' && space || line[i] == ':' && (i+1 == len(line) || line[i+1] == ' ' || flow && after) || flow && strings.IndexByte(",[]{}", line[i]) >= 0 {
				line = line[:i]
				break
			}
		}
		piece := strings.TrimSpace(line)
		switch {
		case piece == "":
			read += "\n"
		case read != "" && !strings.HasSuffix(read, "\n"):
			read += " " + piece
		default:
			read += piece
		}
		if piece != "" {
			end = at + len(strings.TrimRight(line, " \t\r"))
		}
		if read == n.Value {
			return end, true
		}
		next := strings.IndexByte(s.text[stop:], '\n')
		if next < 0 || len(read) > len(n.Value) {
			return 0, false
		}
		at = stop + next + 1
	}
}

// blockEnd is the end of a literal or folded text whose sign stands at a byte.
func (s *Sheet) blockEnd(start int) int {
	end := s.eol(start)
	indent := -1
	for at := end; ; {
		next := strings.IndexByte(s.text[at:], '\n')
		if next < 0 {
			return end
		}
		at += next + 1
		stop := s.eol(at)
		line := s.text[at:stop]
		deep := len(line) - len(strings.TrimLeft(line, " "))
		if strings.TrimSpace(line) != "" {
			if indent < 0 {
				indent = deep
				if own := s.indentOf(s.bol(start)); deep <= own { // nothing belongs to it
					return end
				}
			}
			if deep < indent {
				return end
			}
			end = stop
		}
		at = stop
	}
}

// indentOf is the number of spaces that a line begins with.
func (s *Sheet) indentOf(bol int) int {
	return len(s.text[bol:]) - len(strings.TrimLeft(s.text[bol:], " "))
}

// flowEnd is the end of a [list] or {mapping} that begins at a byte.
func (s *Sheet) flowEnd(start int) (int, bool) {
	depth, before := 0, byte('[')
	for i := start; i < len(s.text); i++ {
		c := s.text[i]
		switch {
		case c == '#' && i > 0 && strings.IndexByte(" \t\n", s.text[i-1]) >= 0:
			i = s.eol(i) - 1
			continue
		case (c == '"' || c == '\'') && strings.IndexByte("[{,:", before) >= 0:
			quoted := &node{Kind: yaml.ScalarNode, Style: yaml.DoubleQuotedStyle}
			if c == '\'' {
				quoted.Style = yaml.SingleQuotedStyle
			}
			end, ok := s.scalarEnd(quoted, i, true)
			if !ok {
				return 0, false
			}
			i = end - 1
		case c == '[' || c == '{':
			depth++
		case c == ']' || c == '}':
			if depth--; depth == 0 {
				return i + 1, true
			}
		}
		if strings.IndexByte(" \t\r\n", c) < 0 {
			before = c
		}
	}
	return 0, false
}

// kindOf is the kind of mapping that stands at a path, as keys names it.
func kindOf(path string) string {
	way, _ := steps(path)
	if len(way) == 0 {
		return "card"
	}
	last := ""
	for _, st := range way {
		if st.index < 0 {
			last = st.key
		}
	}
	for list, kind := range map[string]string{"uses": "use", "sites": "site", "statements": "statement", "bands": "band", "classes": "class"} {
		if last == list {
			return kind
		}
	}
	if slices.Contains([]string{"product", "registration", "active", "source", "verified", "measure", "tree", "rate", "dilution", "ports", "keep_out", "limits", "timing", "safety", "ppe"}, last) {
		return last
	}
	return "range"
}
