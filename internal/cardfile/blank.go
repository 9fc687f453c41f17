package cardfile

import _ "embed"

//go:embed blank.yaml
var blank []byte

// Blank returns the text of an empty card with a comment on every line that
// says what to type and from which part of the label. It holds no amounts.
// Parsing it reports every line that must be filled, in the order of the file.
func Blank() []byte { return append([]byte(nil), blank...) }
