package cardfile

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"sapward/finding"
)

// notHere says that a place has to be changed in the text itself.
func (s *Sheet) notHere(path string) *finding.Fault {
	return finding.Bad("card-edit-in-text", finding.Where{Line: s.Line(path), Column: 1}, finding.Args{"path": finding.Text(path)})
}

// Set returns the sheet with the text at a path changed, and nothing else:
// comments, order and layout stay. An empty value leaves the key empty, or takes
// its line away where no comment stands on it. A path that is not there yet is
// written where a label has it. The result is read again; where it does not say
// exactly what was asked for, a fault says to change the text by hand.
func (s *Sheet) Set(path, value string) (*Sheet, error) {
	value = strings.TrimSpace(value)
	if value == s.Value(path) && (value != "" || s.at(path) == nil || isEmpty(s.at(path))) {
		return s, nil
	}
	if value == "" {
		return s.put(path, nil, nil)
	}
	return s.put(path, func(flow bool) string { return written(value, flow, s.at(path)) }, value)
}

// SetList returns the sheet with the list at a path changed.
func (s *Sheet) SetList(path string, items []string) (*Sheet, error) {
	var kept []string
	for _, x := range items {
		if x = strings.TrimSpace(x); x != "" {
			kept = append(kept, x)
		}
	}
	before := s.Items(path)
	n := s.at(path)
	switch {
	case slices.Equal(before, kept):
		return s, nil
	case len(kept) == 0:
		return s.put(path, nil, nil)
	case n != nil && n.Kind == yaml.SequenceNode && n.Style&yaml.FlowStyle == 0:
		return s.setLines(path, kept)
	}
	want := make([]any, len(kept))
	for i, x := range kept {
		want[i] = x
	}
	return s.put(path, func(bool) string {
		out := make([]string, len(kept))
		for i, x := range kept {
			out[i] = written(x, true, nil)
		}
		return "[" + strings.Join(out, ", ") + "]"
	}, want)
}

// setLines changes a list that is written one entry a line: what stays keeps
// its line.
func (s *Sheet) setLines(path string, items []string) (*Sheet, error) {
	before := s.Items(path)
	head := 0
	for head < len(before) && head < len(items) && before[head] == items[head] {
		head++
	}
	tail := 0
	for tail < len(before)-head && tail < len(items)-head && before[len(before)-1-tail] == items[len(items)-1-tail] {
		tail++
	}
	var err error
	out := s
	for i := len(before) - tail - 1; i >= head+max(len(items)-tail-head, 0) && err == nil; i-- {
		out, err = out.Remove(fmt.Sprintf("%s[%d]", path, i))
	}
	for i := head; i < len(items)-tail && err == nil; i++ {
		if i < len(before)-tail {
			out, err = out.Set(fmt.Sprintf("%s[%d]", path, i), items[i])
		} else {
			out, err = out.insert(path, i, items[i])
		}
	}
	return out, err
}

// SetEnds returns the sheet with the two ends of a range changed. The upper end
// alone is the maximum.
func (s *Sheet) SetEnds(path, low, high string) (*Sheet, error) {
	low, high = strings.TrimSpace(low), strings.TrimSpace(high)
	n := s.at(path)
	switch l, h := s.Ends(path); {
	case l == low && h == high:
		return s, nil
	case n != nil && n.Kind == yaml.MappingNode && len(n.Content) > 0:
		out, err := s.Set(path+".min", low)
		if err == nil {
			out, err = out.Set(path+".max", high)
		}
		return out, err
	case low == "":
		return s.Set(path, high)
	case high == "":
		return s.put(path, func(bool) string { return "{min: " + written(low, true, nil) + "}" }, map[string]any{"min": low})
	case n != nil && n.Kind == yaml.SequenceNode && len(n.Content) == 2:
		out, err := s.Set(path+"[0]", low)
		if err == nil {
			out, err = out.Set(path+"[1]", high)
		}
		return out, err
	}
	return s.put(path, func(bool) string { return "[" + written(low, true, nil) + ", " + written(high, true, nil) + "]" }, []any{low, high})
}

// firstKeys are the keys that a new entry of a list begins with.
var firstKeys = map[string]string{"uses": "method", "sites": "name", "active": "name", "statements": "force", "bands": "from", "classes": "class"}

// Add returns the sheet with one more entry, still to be filled, at the end of
// the list at a path.
func (s *Sheet) Add(path string) (*Sheet, error) { return s.insert(path, s.Len(path), "") }

// insert writes a new entry into a list. An entry without a text is a mapping
// with its first key.
func (s *Sheet) insert(path string, at int, item string) (*Sheet, error) {
	n := s.at(path)
	name := path[strings.LastIndexByte(path, '.')+1:]
	entry, want := func(flow bool) string {
		if item != "" {
			return written(item, flow, nil)
		}
		if flow {
			return "{" + firstKeys[name] + ": }"
		}
		return firstKeys[name] + ":"
	}, any(nil)
	if item != "" {
		want = item
	}
	wanted, ok := grown(content(s.root), path, at, want)
	if !ok {
		return nil, s.notHere(path)
	}
	switch {
	case n == nil:
		e, fault := s.absent(path, func(flow bool, indent int) (string, bool) {
			if flow {
				return "[" + entry(true) + "]", false
			}
			return "\n" + strings.Repeat(" ", indent+2) + "- " + entry(false), true
		})
		if fault != nil {
			return nil, fault
		}
		return s.done(path, e, wanted)
	case isEmpty(n):
		return s.firstEntry(path, n, entry, wanted)
	case n.Kind != yaml.SequenceNode:
		return nil, s.notHere(path)
	case n.Style&yaml.FlowStyle != 0:
		_, end, good := s.extent(n, true)
		if !good {
			return nil, s.notHere(path)
		}
		if at < len(n.Content) {
			start := s.offset(n.Content[at])
			return s.done(path, edit{start, start, entry(true) + ", "}, wanted)
		}
		close := len(strings.TrimRight(s.text[:end-1], " \t\r\n"))
		return s.done(path, edit{close, close, ", " + entry(true)}, wanted)
	}
	indent := n.Column - 1
	line := strings.Repeat(" ", indent) + "- " + entry(false)
	if at < len(n.Content) {
		bol := s.bol(s.offset(n.Content[at]))
		return s.done(path, edit{bol, bol, line + "\n"}, wanted)
	}
	_, end, good := s.extent(n, false)
	if last := n.Content[len(n.Content)-1]; good && empty(last) { // a dash alone
		end = max(end, s.offset(last))
	}
	if !good {
		return nil, s.notHere(path)
	}
	return s.done(path, s.after(end, indent, line), wanted)
}

// firstEntry begins a list under a key that is there and empty.
func (s *Sheet) firstEntry(path string, n *node, entry func(bool) string, wanted any) (*Sheet, error) {
	above, flow := s.owner(path)
	key, _ := pair(above, path[strings.LastIndexByte(path, '.')+1:])
	if key == nil {
		return nil, s.notHere(path)
	}
	if flow {
		return s.replaceValue(path, key, n, true, "["+entry(true)+"]", wanted)
	}
	out := s
	if !empty(n) { // [] or ~ goes
		start, end, ok := s.extent(n, false)
		if !ok {
			return nil, s.notHere(path)
		}
		next, err := Open([]byte(s.aligned(edit{start, end, ""})))
		if err != nil {
			return nil, s.notHere(path)
		}
		out = next
		above, _ = out.owner(path)
		key, _ = pair(above, key.Value)
	}
	colon, ok := out.colon(key, false)
	if !ok {
		return nil, s.notHere(path)
	}
	indent := key.Column - 1
	return out.done(path, out.after(colon, indent+2, strings.Repeat(" ", indent+2)+"- "+entry(false)), wanted)
}

// Remove returns the sheet without one entry of a list.
func (s *Sheet) Remove(path string) (*Sheet, error) {
	way, ok := steps(path)
	if !ok || len(way) < 2 || way[len(way)-1].index < 0 || s.at(path) == nil {
		return nil, s.notHere(path)
	}
	list := s.at(path[:strings.LastIndexByte(path, '[')])
	wanted, ok := shrunk(content(s.root), path)
	i := way[len(way)-1].index
	if !ok || list.Kind != yaml.SequenceNode {
		return nil, s.notHere(path)
	}
	n := list.Content[i]
	if list.Style&yaml.FlowStyle != 0 {
		start, end, good := s.extent(n, true)
		if !good {
			return nil, s.notHere(path)
		}
		return s.done(path, s.withoutComma(start, end), wanted)
	}
	start, end, good := s.extent(n, false)
	dash := strings.LastIndexByte(s.text[:start], '-')
	if !good || dash < 0 {
		return nil, s.notHere(path)
	}
	bol := s.bol(dash)
	if strings.TrimSpace(s.text[bol:dash]) != "" {
		return nil, s.notHere(path)
	}
	stop := s.eol(max(end, dash))
	if strings.HasPrefix(s.text[stop:], "\r\n") {
		stop += 2
	} else if stop < len(s.text) {
		stop++
	}
	return s.done(path, edit{bol, stop, ""}, wanted)
}

// edit is one replacement in the text.
type edit struct {
	start, end int
	text       string
}

// owner is the mapping or list that holds the last step of a path, and whether
// it is written with brackets.
func (s *Sheet) owner(path string) (n *node, flow bool) {
	way, _ := steps(path)
	n = s.root
	flow = n.Style&yaml.FlowStyle != 0
	for _, st := range way[:max(0, len(way)-1)] {
		if n = child(n, st); n == nil {
			return nil, false
		}
		flow = flow || n.Style&yaml.FlowStyle != 0
	}
	return n, flow
}

// put writes a value at a path: raw gives its text, nil for nothing; want is
// what the card then holds there.
func (s *Sheet) put(path string, raw func(flow bool) string, want any) (*Sheet, error) {
	wanted, ok := changed(content(s.root), path, want)
	if !ok {
		return nil, s.notHere(path)
	}
	n := s.at(path)
	if n == nil {
		if raw == nil {
			return s, nil
		}
		e, fault := s.absent(path, func(flow bool, _ int) (string, bool) { return raw(flow), false })
		if fault != nil {
			return nil, fault
		}
		return s.done(path, e, wanted)
	}
	above, flow := s.owner(path)
	way, _ := steps(path)
	last := way[len(way)-1]
	if last.index >= 0 {
		if raw == nil {
			return s.Remove(path)
		}
		start, end, ok := s.extent(n, flow)
		if !ok || strings.Contains(s.text[start:end], "#") && n.Kind != yaml.ScalarNode {
			return nil, s.notHere(path)
		}
		text := raw(flow)
		if empty(n) && !flow {
			dash := strings.LastIndexByte(s.text[:min(start+1, len(s.text))], '-')
			if dash < 0 {
				return nil, s.notHere(path)
			}
			start, end, text = dash+1, dash+1, " "+text
		}
		return s.done(path, edit{start, end, text}, wanted)
	}
	key, _ := pair(above, last.key)
	if raw == nil {
		return s.clear(path, above, key, n, flow, wanted)
	}
	return s.replaceValue(path, key, n, flow, raw(flow), wanted)
}

// replaceValue writes a text behind a key, in place of what stood there.
func (s *Sheet) replaceValue(path string, key, n *node, flow bool, text string, wanted any) (*Sheet, error) {
	colon, ok := s.colon(key, flow)
	start, end, ok2 := s.extent(n, flow)
	if !ok || !ok2 {
		return nil, s.notHere(path)
	}
	switch {
	case empty(n):
		return s.done(path, edit{colon, colon, " " + text}, wanted)
	case n.Kind != yaml.ScalarNode && strings.Contains(s.text[start:end], "#"):
		return nil, s.notHere(path) // a comment would be lost
	case n.Line != key.Line: // a list or mapping on lines of its own
		if strings.Contains(s.text[colon:start], "#") {
			return nil, s.notHere(path)
		}
		return s.done(path, edit{colon, end, " " + text}, wanted)
	}
	return s.done(path, edit{start, end, text}, wanted)
}

// clear takes a value away.
func (s *Sheet) clear(path string, above, key, n *node, flow bool, wanted any) (*Sheet, error) {
	colon, ok := s.colon(key, flow)
	start, end, ok2 := s.extent(n, flow)
	if !ok || !ok2 {
		return nil, s.notHere(path)
	}
	if empty(n) {
		start, end = colon, colon
	}
	from := s.offset(key)
	bol := s.bol(from)
	switch {
	case flow && above.Style&yaml.FlowStyle != 0:
		return s.done(path, s.withoutComma(from, max(end, colon)), wanted)
	case n.Kind != yaml.ScalarNode && n.Style&yaml.FlowStyle == 0 && strings.Contains(s.text[start:end], "#"):
		return nil, s.notHere(path)
	case strings.TrimSpace(s.text[bol:from]) == "" && !strings.Contains(s.text[colon:start], "#") && strings.TrimSpace(s.text[end:s.eol(end)]) == "" && len(above.Content) > 2:
		stop := s.eol(end)
		if strings.HasPrefix(s.text[stop:], "\r\n") {
			stop += 2
		} else if stop < len(s.text) {
			stop++
		}
		return s.done(path, edit{bol, stop, ""}, wanted)
	case n.Line != key.Line:
		return s.done(path, edit{s.eol(colon), end, ""}, wanted)
	}
	return s.done(path, edit{colon, end, ""}, wanted)
}

// withoutComma takes an entry out of [..] or {..} together with one comma.
func (s *Sheet) withoutComma(start, end int) edit {
	after := end + len(s.text[end:]) - len(strings.TrimLeft(s.text[end:], " \t\r\n"))
	if after < len(s.text) && s.text[after] == ',' {
		after++
		for after < len(s.text) && s.text[after] == ' ' {
			after++
		}
		return edit{start, after, ""}
	}
	before := strings.TrimRight(s.text[:start], " \t\r\n")
	if strings.HasSuffix(before, ",") {
		return edit{len(before) - 1, end, ""}
	}
	return edit{start, end, ""}
}

// absent writes a key that is not there, with the mappings it needs. value gives
// the text behind the last key; lines says that it brings its own line end.
func (s *Sheet) absent(path string, value func(flow bool, indent int) (text string, lines bool)) (edit, *finding.Fault) {
	way, _ := steps(path)
	n, depth, key := s.root, 0, (*node)(nil)
	flow := n.Style&yaml.FlowStyle != 0
	here := ""
	for depth < len(way)-1 {
		next := child(n, way[depth])
		if next == nil {
			break
		}
		if way[depth].index < 0 {
			key, _ = pair(n, way[depth].key)
			here = join(here, way[depth].key)
		} else {
			key = nil
			here += fmt.Sprintf("[%d]", way[depth].index)
		}
		n = next
		flow = flow || n.Style&yaml.FlowStyle != 0 && len(n.Content) > 0
		depth++
	}
	rest := way[depth:]
	for i, st := range rest { // a list is begun with its first entry
		if st.index > 0 || st.index == 0 && i == 0 {
			return edit{}, s.notHere(path)
		}
	}
	switch {
	case n.Kind == yaml.MappingNode && n.Style&yaml.FlowStyle != 0 && len(n.Content) > 0:
		_, end, ok := s.extent(n, true)
		if !ok {
			return edit{}, s.notHere(path)
		}
		close := len(strings.TrimRight(s.text[:end-1], " \t\r\n"))
		return edit{close, close, ", " + nested(rest, true, 0, value)}, nil
	case n.Kind == yaml.MappingNode && len(n.Content) > 0:
		return s.between(n, here, rest, value)
	case key == nil:
		return edit{}, s.notHere(path)
	}
	colon, ok := s.colon(key, flow)
	if !ok {
		return edit{}, s.notHere(path)
	}
	if flow {
		_, end, ok := s.extent(n, true)
		if !ok {
			return edit{}, s.notHere(path)
		}
		return edit{colon, max(colon, end), " {" + nested(rest, true, 0, value) + "}"}, nil
	}
	indent := key.Column + 1
	if !empty(n) { // {} or ~ goes
		start, end, ok := s.extent(n, false)
		if !ok {
			return edit{}, s.notHere(path)
		}
		stop := s.eol(end)
		return edit{start, stop, s.text[end:stop] + "\n" + strings.Repeat(" ", indent) + nested(rest, false, indent, value)}, nil
	}
	return s.after(colon, indent, strings.Repeat(" ", indent)+nested(rest, false, indent, value)), nil
}

// nested writes keys inside keys.
func nested(rest []step, flow bool, indent int, value func(bool, int) (string, bool)) string {
	st := rest[0]
	if len(rest) == 1 {
		text, lines := value(flow, indent)
		if lines {
			return st.key + ":" + text
		}
		return st.key + ": " + text
	}
	if rest[1].index == 0 { // the first entry of a list
		if len(rest) == 2 {
			text, _ := value(true, 0)
			return st.key + ": [" + text + "]"
		}
		if flow {
			return st.key + ": [{" + nested(rest[2:], true, 0, value) + "}]"
		}
		return st.key + ":\n" + strings.Repeat(" ", indent+2) + "- " + nested(rest[2:], false, indent+4, value)
	}
	if flow {
		return st.key + ": {" + nested(rest[1:], true, 0, value) + "}"
	}
	return st.key + ":\n" + strings.Repeat(" ", indent+2) + nested(rest[1:], false, indent+2, value)
}

// between writes a new line into a mapping behind the keys that come before it
// on a label.
func (s *Sheet) between(n *node, path string, rest []step, value func(bool, int) (string, bool)) (edit, *finding.Fault) {
	order := keys[kindOf(path)]
	mine := slices.Index(order, rest[0].key)
	best := 0
	for i := 0; i+1 < len(n.Content); i += 2 {
		if at := slices.Index(order, strings.TrimSpace(n.Content[i].Value)); at >= 0 && at < mine {
			best = i
		}
	}
	k, v := n.Content[best], n.Content[best+1]
	end, ok := s.colon(k, false)
	if ok && !empty(v) {
		_, end, ok = s.extent(v, false)
	}
	if !ok {
		return edit{}, s.notHere(path)
	}
	indent := n.Content[0].Column - 1
	return s.after(end, indent, strings.Repeat(" ", indent)+nested(rest, false, indent, value)), nil
}

// after writes a line below the line that a byte stands on, and below comments
// that are set deeper than the new line.
func (s *Sheet) after(at, indent int, line string) edit {
	stop := s.eol(at)
	for {
		next := strings.IndexByte(s.text[stop:], '\n')
		if next < 0 {
			break
		}
		bol := stop + next + 1
		deep := s.indentOf(bol)
		if bol+deep >= len(s.text) || s.text[bol+deep] != '#' || deep <= indent {
			break
		}
		stop = s.eol(bol)
	}
	return edit{stop, stop, "\n" + line}
}

// aligned is the text after an edit; a comment behind it keeps its column where
// there is room.
func (s *Sheet) aligned(e edit) string {
	rest := s.text[e.end:]
	old := s.text[e.start:e.end]
	line := rest[:len(s.text[e.end:s.eol(e.end)])]
	spaces := len(line) - len(strings.TrimLeft(line, " "))
	if spaces > 0 && strings.HasPrefix(line[spaces:], "#") && !strings.ContainsRune(old+e.text, '\n') {
		want := spaces + utf8.RuneCountInString(old) - utf8.RuneCountInString(e.text)
		rest = strings.Repeat(" ", max(want, 2)) + rest[spaces:]
	}
	return s.text[:e.start] + e.text + rest
}

// done makes an edit and reads the text again: it must hold what was asked for
// and nothing else may have moved.
func (s *Sheet) done(path string, e edit, wanted any) (*Sheet, error) {
	text := s.aligned(e)
	if strings.Contains(s.text, "\r\n") { // one kind of line end
		text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\n", "\r\n")
	}
	out, err := Open([]byte(text))
	if err != nil {
		if fs := finding.AsFaults(err); len(fs) == 1 && fs[0].ID == "card-too-large" {
			return nil, err
		}
		return nil, s.notHere(path)
	}
	a, errA := json.Marshal(tidy(content(out.root)))
	b, errB := json.Marshal(tidy(wanted))
	if errA != nil || errB != nil || string(a) != string(b) {
		return nil, s.notHere(path)
	}
	return out, nil
}

// written is a text as YAML writes it: plain where that reads back the same,
// else in quotes.
func written(v string, flow bool, old *node) string {
	if old != nil && !flow && old.Style&(yaml.LiteralStyle|yaml.FoldedStyle) == 0 && old.Style&yaml.SingleQuotedStyle != 0 && !strings.ContainsAny(v, "\n\t") {
		return "'" + strings.ReplaceAll(v, "'", "''") + "'"
	}
	quoted := old != nil && old.Style&yaml.DoubleQuotedStyle != 0
	if !quoted && !strings.ContainsAny(v, "\n\t") && plainly(v, flow) {
		return v
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\r", "", "\t", `\t`).Replace(v) + `"`
}

// plainly reports a text that needs no quotes.
func plainly(v string, flow bool) bool {
	doc := "k: " + v + "\n"
	if flow {
		doc = "k: [" + v + "]\n"
	}
	if octal.MatchString(v) || radix.MatchString(v) || grouped.MatchString(v) || strings.HasPrefix(v, "#") || strings.Contains(v, " #") {
		return false
	}
	s, err := Open([]byte(doc))
	if err != nil || len(s.root.Content) != 2 {
		return false
	}
	n := s.root.Content[1]
	if flow {
		if n.Kind != yaml.SequenceNode || len(n.Content) != 1 {
			return false
		}
		n = n.Content[0]
	}
	return n.Kind == yaml.ScalarNode && n.Value == v && !isEmpty(n) && n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle|yaml.TaggedStyle) == 0 && n.Anchor == ""
}
