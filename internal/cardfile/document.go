package cardfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"sapward/finding"
)

type node = yaml.Node

// Limits of a card file. A card of twenty uses is about 20 kB.
const (
	MostBytes = 1 << 20
	MostDepth = 16
)

// document reads the text of a file into a checked tree of plain mappings,
// sequences and text, or returns nil after noting why not.
func (r *reader) document(data []byte) *node {
	if len(data) > MostBytes {
		r.fault("card-too-large", finding.Where{File: r.file}, finding.Args{"bytes": finding.Count(len(data)), "most": finding.Count(MostBytes)})
		return nil
	}
	if !r.plainText(data) {
		return nil
	}
	loader, err := yaml.NewLoader(bytes.NewReader(data))
	if err != nil {
		r.syntax(err, data)
		return nil
	}
	var doc, next yaml.Node
	switch err := loader.Load(&doc); {
	case errors.Is(err, io.EOF):
		r.fault("card-empty-file", finding.Where{File: r.file, Line: 1, Column: 1}, nil)
		return nil
	case err != nil:
		r.syntax(err, data)
		return nil
	}
	switch err := loader.Load(&next); {
	case errors.Is(err, io.EOF):
	case err != nil:
		r.syntax(err, data)
		return nil
	default:
		r.fault("card-documents", r.where(&next), nil)
		return nil
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 {
		r.fault("card-empty-file", finding.Where{File: r.file, Line: 1, Column: 1}, nil)
		return nil
	}
	root := doc.Content[0]
	if root.Kind == yaml.ScalarNode && root.Value == "" && root.Anchor == "" {
		r.fault("card-empty-file", finding.Where{File: r.file, Line: 1, Column: 1}, nil)
		return nil
	}
	r.walk(root, "", 1)
	if r.broken[root] || r.deep {
		return nil
	}
	if root.Kind != yaml.MappingNode {
		r.fault("card-not-mapping", r.where(root), finding.Args{"path": finding.Text("card"), "keys": finding.Text(strings.Join(keys["card"], ", "))})
		return nil
	}
	return root
}

// plainText refuses bytes that are not UTF-8 text: another encoding, NUL and
// other control characters, characters that turn the direction of writing.
func (r *reader) plainText(data []byte) bool {
	line, column := 1, 1
	text := bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	for len(text) > 0 {
		c, size := utf8.DecodeRune(text)
		at := finding.Where{File: r.file, Line: line, Column: column}
		switch {
		case c == utf8.RuneError && size == 1:
			r.fault("card-not-utf8", at, nil)
			return false
		case hidden(c) && c != '\r':
			r.fault("card-control-character", at, finding.Args{"code": finding.Text(fmt.Sprintf("U+%04X", c))})
			return false
		case c == '\n':
			line, column = line+1, 0
		}
		column++
		text = text[size:]
	}
	return true
}

// hidden reports characters that nobody can see on a card: controls other than
// tab and line end, separators that only some programs take for a line end,
// marks that turn the direction of writing, and code points that are no
// characters.
func hidden(c rune) bool {
	switch {
	case c == '\t' || c == '\n':
		return false
	case unicode.IsControl(c), c == 0x2028, c == 0x2029:
		return true
	case c >= 0x202a && c <= 0x202e, c >= 0x2066 && c <= 0x2069, c == 0xfeff:
		return true
	}
	return c&0xfffe == 0xfffe || c >= 0xfdd0 && c <= 0xfdef
}

// syntax notes what the YAML library could not read.
func (r *reader) syntax(err error, data []byte) {
	at := finding.Where{File: r.file}
	detail := err.Error()
	var load *yaml.LoadError
	if errors.As(err, &load) {
		at.Line, at.Column = load.Mark.Line, load.Mark.Column
		detail = load.Message
	}
	id := "card-yaml"
	args := finding.Args{"detail": finding.Text(clip(detail))}
	switch {
	case strings.Contains(detail, "tab character"), tabbed(data, at.Line):
		id = "card-yaml-tab"
	case strings.Contains(detail, "unknown anchor"):
		id = "card-alias"
	case strings.Contains(detail, "depth"):
		id, args = "card-too-deep", finding.Args{"most": finding.Count(MostDepth)}
	case strings.Contains(detail, "mapping values are not allowed"):
		id = "card-yaml-colon"
	}
	r.fault(id, at, args)
}

// tabbed reports a line that is indented with a tab.
func tabbed(data []byte, line int) bool {
	for i, l := range bytes.Split(data, []byte("\n")) {
		if i == line-1 {
			return bytes.ContainsRune(l[:len(l)-len(bytes.TrimLeft(l, " \t"))], '\t')
		}
	}
	return false
}

// Plain scalars that a YAML reader takes for another number than a person
// does: 012 is ten, 1_000 is a thousand, 0x1F is 31.
var (
	octal   = regexp.MustCompile(`^[-+]?0[0-9]+$`)
	radix   = regexp.MustCompile(`^[-+]?0[xXoObB][0-9a-fA-F_]+$`)
	grouped = regexp.MustCompile(`^[-+]?[0-9]+(_[0-9]*)+(\.[0-9_]*)?$`)
)

// walk refuses every part of YAML that a card does not need, and records where
// each path stands.
func (r *reader) walk(n *node, path string, depth int) {
	at := r.where(n)
	if path != "" {
		r.positions[path] = at
	}
	bad := func(id string, args finding.Args) {
		if args == nil {
			args = finding.Args{}
		}
		args["path"] = finding.Text(path)
		r.fault(id, at, args)
		r.broken[n] = true
	}
	switch {
	case depth > MostDepth:
		if !r.deep {
			bad("card-too-deep", finding.Args{"most": finding.Count(MostDepth)})
		}
		r.deep = true
		return
	case n.Kind == yaml.AliasNode:
		bad("card-alias", nil)
		return
	case n.Anchor != "":
		bad("card-anchor", finding.Args{"name": finding.Text(clip(n.Anchor))})
	case n.Style&yaml.TaggedStyle != 0:
		bad("card-tag", finding.Args{"tag": finding.Text(clip(n.Tag))})
	}
	switch n.Kind {
	case yaml.MappingNode:
		r.walkMapping(n, path, depth)
	case yaml.SequenceNode:
		for i, c := range n.Content {
			r.walk(c, fmt.Sprintf("%s[%d]", path, i), depth+1)
		}
	case yaml.ScalarNode:
		plain := n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) == 0
		switch v := n.Value; {
		case strings.ContainsFunc(v, hidden) || !utf8.ValidString(v):
			bad("card-control-character", finding.Args{"code": finding.Text(firstHidden(v))})
		case plain && (octal.MatchString(v) || radix.MatchString(v)):
			bad("card-number-octal", finding.Args{"text": finding.Text(clip(v))})
		case plain && grouped.MatchString(v):
			bad("card-number-underscore", finding.Args{"text": finding.Text(clip(v))})
		}
	}
}

func firstHidden(s string) string {
	for _, c := range s {
		if hidden(c) {
			return fmt.Sprintf("U+%04X", c)
		}
	}
	return "U+FFFD"
}

// walkMapping walks the values of a mapping and refuses merged, repeated and
// nested keys.
func (r *reader) walkMapping(n *node, path string, depth int) {
	first := map[string]*node{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		at := r.where(k)
		switch {
		case k.Kind == yaml.AliasNode:
			r.fault("card-alias", at, finding.Args{"path": finding.Text(path)})
			r.broken[k] = true
			continue
		case k.Kind != yaml.ScalarNode:
			r.fault("card-key-not-text", at, finding.Args{"path": finding.Text(path)})
			r.broken[k] = true
			continue
		case k.Value == "<<":
			r.fault("card-merge", at, finding.Args{"path": finding.Text(path)})
			r.broken[k] = true
			continue
		}
		if k.Anchor != "" {
			r.fault("card-anchor", at, finding.Args{"path": finding.Text(path), "name": finding.Text(clip(k.Anchor))})
		}
		if k.Style&yaml.TaggedStyle != 0 {
			r.fault("card-tag", at, finding.Args{"path": finding.Text(path), "tag": finding.Text(clip(k.Tag))})
		}
		name := strings.TrimSpace(k.Value)
		if f, twice := first[name]; twice {
			r.fault("card-key-twice", at, finding.Args{"key": finding.Text(clip(name)), "path": finding.Text(join(path, clip(name))), "line": finding.Count(f.Line)})
			r.broken[k] = true
			continue
		}
		first[name] = k
		r.walk(v, join(path, clip(name)), depth+1)
	}
}

// join adds a key to a path.
func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// clip shortens a text for a message.
func clip(s string) string {
	s = strings.ToValidUTF8(strings.Map(func(c rune) rune {
		if hidden(c) || c == '\n' || c == '\t' {
			return ' '
		}
		return c
	}, s), "?")
	if utf8.RuneCountInString(s) <= 60 {
		return s
	}
	return string([]rune(s)[:59]) + "…"
}
