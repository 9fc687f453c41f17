package record

import (
	"strconv"

	"sapward/finding"
)

// Verify recomputes every hash of a record and returns what does not fit, each
// finding with the number of the version. It tells of a version changed, taken
// out, put in, moved, or signed over other content. Whoever rewrites a whole
// file with all its hashes is found only by comparing the last hash with a
// copy: print, export or the app's own chain.
//
// Findings: record-schema, record-empty, record-version-order,
// record-version-changed, record-chain-broken, record-signature-content,
// record-card-changed, record-signature-missing, record-time-back.
func Verify(r *Record, canonical Canonical) ([]finding.Finding, error) {
	var out []finding.Finding
	tell := func(id string, n int) {
		out = append(out, finding.Finding{ID: id, Severity: finding.Refused, Authority: finding.ByPractice, Ref: "versions[" + strconv.Itoa(n-1) + "]",
			Args: finding.Args{"version": finding.Count(n)}})
	}
	if r.Schema != Schema {
		tell("record-schema", 1)
	}
	if len(r.Versions) == 0 {
		tell("record-empty", 1)
	}
	prev, was := "", ""
	for i := range r.Versions {
		v := &r.Versions[i]
		n := i + 1
		if v.Number != n {
			tell("record-version-order", n)
		}
		if first := i == 0; first != (v.Kind == Entered) {
			tell("record-version-order", n)
		}
		if v.Prev != prev {
			tell("record-chain-broken", n)
		}
		h, err := hashOf(r, *v, canonical)
		if err != nil {
			return nil, err
		}
		if h != v.Hash {
			tell("record-version-changed", n)
		}
		prev = v.Hash
		if i > 0 && v.At.T.Before(r.Versions[i-1].At.T) {
			tell("record-time-back", n)
		}
		if was, err = verifyContent(v, n, was, canonical, tell); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// verifyContent judges signature and card of a version; was is the hash of the
// content before it. It returns the hash of its own.
func verifyContent(v *Version, n int, was string, canonical Canonical, tell func(string, int)) (string, error) {
	if (v.Kind == Signed) != (v.Signature != nil) {
		tell("record-signature-missing", n)
	}
	h, err := ContentHash(&v.Content, canonical)
	if err != nil {
		return "", err
	}
	s := v.Signature
	if s != nil && (h != s.ContentHash || v.Content.Card != nil && s.CardHash != v.Content.Card.Hash) || v.Kind == Signed && was != h {
		tell("record-signature-content", n)
	}
	if card := v.Content.Card; card != nil {
		c, err := digest(card.Content, canonical)
		if err != nil {
			return "", err
		}
		if c != card.Hash {
			tell("record-card-changed", n)
		}
	}
	return h, nil
}
