package cardfile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"strings"

	"github.com/gowebpki/jcs"
	"go.yaml.in/yaml/v4"
)

// canonical returns the content of a card as RFC 8785 canonical JSON (J. Rundgren
// et al. 2020: JSON Canonicalization Scheme) and its SHA-256 in hexadecimal.
// Keys are sorted and every value is the text as typed without the space around
// it; comments, order of keys, quoting, layout and keys left empty do not count.
func canonical(root *node) (text []byte, hash string, err error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(content(root)); err != nil {
		return nil, "", err
	}
	text, err = jcs.Transform(b.Bytes())
	if err != nil {
		return nil, "", err
	}
	sum := sha256.Sum256(text)
	return text, hex.EncodeToString(sum[:]), nil
}

// content turns a checked tree into maps, lists and text; nil for what is left
// empty.
func content(n *node) any {
	switch n.Kind {
	case yaml.MappingNode:
		m := map[string]any{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			if v := content(n.Content[i+1]); v != nil {
				m[strings.TrimSpace(n.Content[i].Value)] = v
			}
		}
		if len(m) == 0 {
			return nil
		}
		return m
	case yaml.SequenceNode:
		var s []any
		for _, c := range n.Content {
			s = append(s, content(c))
		}
		if len(s) == 0 {
			return nil
		}
		return s
	}
	if isEmpty(n) {
		return nil
	}
	return strings.TrimSpace(n.Value)
}
