package tag

import (
	"crypto/sha256"
	"encoding/binary"
	"io"
)

// Derived is a source of bytes that follows from a secret or random text, such
// as the identifier of a block with a tree's tag: the same text gives the same
// bytes, and they say nothing of it. With NewKey and NewCode it makes a tag
// that need not be kept. Block n is the SHA-256 of n (8 bytes, big-endian) and
// the text. It never ends and never fails.
func Derived(text string) io.Reader { return &derived{text: text} }

type derived struct {
	text string
	n    uint64
	rest []byte
}

func (d *derived) Read(p []byte) (int, error) {
	for i := range p {
		if len(d.rest) == 0 {
			block := sha256.Sum256(append(binary.BigEndian.AppendUint64(nil, d.n), d.text...))
			d.rest = block[:]
			d.n++
		}
		p[i], d.rest = d.rest[0], d.rest[1:]
	}
	return len(p), nil
}
