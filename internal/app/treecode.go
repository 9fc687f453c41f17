package app

import (
	"crypto/sha256"
	"encoding/binary"

	"sapward/apply/tag"
)

// TreeMark is what a tree's printed tag carries: an opaque key in its QR code
// and a code for people.
type TreeMark struct{ Key, Code string }

// TreeMarks returns the marks of a block's trees. They follow from block and
// tag alone, so that a tag printed today is found by tomorrow's pack, and say
// nothing about either. Should two trees of a block draw the same code (one in
// a thousand million pairs) the later in the list draws again.
func TreeMarks(block string, tags []string) map[string]TreeMark {
	out := make(map[string]TreeMark, len(tags))
	taken := map[string]bool{}
	for _, t := range tags {
		r := &stream{seed: sha256.Sum256([]byte("sapward tree\x00" + block + "\x00" + t))}
		key, _ := tag.NewKey(r)                                                  // a stream does not end
		code, _ := tag.NewCode(r, func(code string) bool { return taken[code] }) // nor does it run out of codes
		taken[code] = true
		out[t] = TreeMark{key, code}
	}
	return out
}

// stream is SHA-256 in counter mode: an endless reader that a seed decides.
type stream struct {
	seed [32]byte
	n    uint64
	rest []byte
}

func (s *stream) Read(p []byte) (int, error) {
	if len(s.rest) == 0 {
		sum := sha256.Sum256(binary.BigEndian.AppendUint64(s.seed[:], s.n))
		s.n++
		s.rest = sum[:]
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}
