package cardfile

import (
	_ "embed"
	"fmt"
	"regexp"

	"go.yaml.in/yaml/v4"
)

//go:embed blank.yaml
var blank []byte

//go:embed blank.es.yaml
var blankSpanish []byte

// Blank returns the text of an empty card with a comment on every line that
// says what to type and from which part of the label, in English. It holds no
// amounts. Parsing it reports every line that must be filled, in the order of
// the file.
func Blank() []byte { return append([]byte(nil), blank...) }

// BlankIn is Blank with its comments in a language: en or es. Any other has the
// English ones.
func BlankIn(language string) []byte {
	if language == "es" {
		return append([]byte(nil), blankSpanish...)
	}
	return Blank()
}

// aside are lines of the blank card that only some labels need.
var aside = regexp.MustCompile(`(?m)^    # (dilution:|  mix_per:|  concentration:|  mix_life:)`)

// Hints are the comments of the blank card by the path they explain, such as
// uses[0].rate.high, in a language.
func Hints(language string) map[string]string {
	out := map[string]string{}
	s, err := Open(aside.ReplaceAll(BlankIn(language), []byte("    $1")))
	if err != nil {
		return out
	}
	var walk func(n *node, path string)
	walk = func(n *node, path string) {
		for i := 0; n.Kind == yaml.SequenceNode && i < len(n.Content); i++ {
			walk(n.Content[i], fmt.Sprintf("%s[%d]", path, i))
		}
		for i := 0; n.Kind == yaml.MappingNode && i+1 < len(n.Content); i += 2 {
			k, v := n.Content[i], n.Content[i+1]
			here := join(path, k.Value)
			rest := s.text[s.offset(k):s.eol(s.offset(k))]
			if loc := comment.FindStringIndex(rest); loc != nil {
				out[here] = rest[loc[1]:]
			}
			walk(v, here)
		}
	}
	walk(s.root, "")
	return out
}

// comment is the sign of a comment behind something typed.
var comment = regexp.MustCompile(`\s# `)
