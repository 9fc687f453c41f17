package cardfile

import _ "embed"

//go:embed schema.json
var schema []byte

// Schema returns the JSON Schema (draft 2020-12) of a card. It knows the shape
// of a card and the words that are allowed, not what the amounts mean: a card
// that fits it can still be refused by Parse or label.Check.
func Schema() []byte { return append([]byte(nil), schema...) }
