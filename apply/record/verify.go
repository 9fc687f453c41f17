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
	prev := ""
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
		if err := verifyContent(r, i, canonical, tell); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func verifyContent(r *Record, i int, canonical Canonical, tell func(string, int)) error {
	v := &r.Versions[i]
	if (v.Kind == Signed) != (v.Signature != nil) {
		tell("record-signature-missing", i+1)
	}
	h, err := ContentHash(&v.Content, canonical)
	if err != nil {
		return err
	}
	if s := v.Signature; s != nil && (h != s.ContentHash || v.Content.Card != nil && s.CardHash != v.Content.Card.Hash) {
		tell("record-signature-content", i+1)
	}
	if v.Kind == Signed && i > 0 {
		was, err := ContentHash(&r.Versions[i-1].Content, canonical)
		if err != nil {
			return err
		}
		if was != h {
			tell("record-signature-content", i+1)
		}
	}
	if card := v.Content.Card; card != nil {
		h, err := digest(card.Content, canonical)
		if err != nil {
			return err
		}
		if h != card.Hash {
			tell("record-card-changed", i+1)
		}
	}
	return nil
}
