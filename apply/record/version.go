package record

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
)

// Canonical writes JSON in the canonical form of RFC 8785. It is passed in,
// because the core uses no library for it.
type Canonical func(data []byte) ([]byte, error)

// Record is one application with all its versions, oldest first. Versions are
// only ever added.
type Record struct {
	Schema   string    `json:"schema"`
	ID       string    `json:"id"` // UUIDv7, passed in
	Engine   string    `json:"engine,omitempty"`
	Versions []Version `json:"versions"`
}

// Kind is what made a version.
type Kind string

// The kinds of version.
const (
	Entered Kind = "entered" // the first
	Amended Kind = "amended" // changed, with a reason
	Signed  Kind = "signed"  // the content of the version before, signed
)

// Version is the record at one time. Hash chains it to the one before.
type Version struct {
	Number    int        `json:"number"` // from 1
	Kind      Kind       `json:"kind"`
	At        Instant    `json:"at"` // when it was written, by the clock of the machine
	By        string     `json:"by"` // who wrote it: a name or a role
	Reason    string     `json:"reason,omitempty"`
	Content   Content    `json:"content"`
	Signature *Signature `json:"signature,omitempty"`
	Prev      string     `json:"prev,omitempty"` // hash of the version before
	Hash      string     `json:"hash"`           // SHA-256 over record, version and Prev
}

// Signature is what the certified applicator put under a version.
type Signature struct {
	Name        string     `json:"name"`
	Number      string     `json:"number"`
	Expires     civil.Date `json:"expires,omitzero"`
	ValidOn     civil.Date `json:"valid_on"`             // the date of work it was checked at
	ContentHash string     `json:"content_hash"`         // SHA-256 of the canonical content
	CardHash    string     `json:"card_hash,omitempty"`  // of the card as it was
	Missing     []Item     `json:"missing,omitempty"`    // what was known to be missing
	Incomplete  string     `json:"incomplete,omitempty"` // why it was signed all the same
}

// Last returns the newest version, nil for an empty record.
func (r *Record) Last() *Version {
	if len(r.Versions) == 0 {
		return nil
	}
	return &r.Versions[len(r.Versions)-1]
}

// IsSigned reports that the newest version is signed.
func (r *Record) IsSigned() bool { return r.Last() != nil && r.Last().Kind == Signed }

// EverSigned reports that a version was signed.
func (r *Record) EverSigned() bool {
	for _, v := range r.Versions {
		if v.Kind == Signed {
			return true
		}
	}
	return false
}

// ContentHash is the SHA-256 of the canonical JSON of a content.
func ContentHash(c *Content, canonical Canonical) (string, error) { return digest(c, canonical) }

func digest(v any, canonical Canonical) (string, error) {
	data, err := marshal(v)
	if err != nil {
		return "", err
	}
	if data, err = canonical(data); err != nil {
		return "", err
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), nil
}

// hashOf is the hash of a version: of the record's identifier and schema and
// everything of the version but the hash itself.
func hashOf(r *Record, v Version, canonical Canonical) (string, error) {
	v.Hash = ""
	return digest(struct {
		Schema  string  `json:"schema"`
		ID      string  `json:"id"`
		Version Version `json:"version"`
	}{r.Schema, r.ID, v}, canonical)
}

// clone copies a record so that nothing of the caller's is shared.
func clone[T any](v T) (T, error) {
	var out T
	data, err := marshal(v)
	if err == nil {
		err = json.Unmarshal(data, &out)
	}
	return out, err
}

// append adds a version to a copy of the record.
func (r *Record) append(v Version, canonical Canonical) (*Record, error) {
	out := &Record{Schema: r.Schema, ID: r.ID, Engine: r.Engine, Versions: append([]Version(nil), r.Versions...)}
	v.At.T = v.At.T.Round(0)
	v.Number = len(r.Versions) + 1
	if last := r.Last(); last != nil {
		if v.At.T.Before(last.At.T) {
			return nil, finding.Bad("record-clock-behind", finding.Where{}, finding.Args{"now": finding.Text(local(v.At.T, nil)), "last": finding.Text(local(last.At.T, nil))})
		}
		v.Prev = last.Hash
	}
	var err error
	if v.Content, err = clone(v.Content); err != nil {
		return nil, err
	}
	if v.Hash, err = hashOf(r, v, canonical); err != nil {
		return nil, err
	}
	out.Versions = append(out.Versions, v)
	return out, nil
}

// New begins a record. The content must be valid (Validate); it need not be
// complete. The fault record-by-needed says that nobody is named.
func New(id, engine, by string, at time.Time, c Content, zones Zones, canonical Canonical) (*Record, error) {
	if by == "" {
		return nil, finding.Bad("record-by-needed", finding.Where{}, nil)
	}
	if fs := refusing(Validate(&c, zones)); len(fs) > 0 {
		return nil, fs
	}
	r := &Record{Schema: Schema, ID: id, Engine: engine}
	return r.append(Version{Kind: Entered, At: Instant{at}, By: by, Content: c}, canonical)
}

// Amend adds a changed version. The old ones stay. Once the record was signed
// a reason is a must; before that it is welcome.
//
// Faults: record-by-needed, record-reason-needed, record-nothing-changed,
// record-clock-behind, and those of Validate.
func (r *Record) Amend(by, reason string, at time.Time, c Content, zones Zones, canonical Canonical) (*Record, error) {
	last := r.Last()
	if last == nil {
		return nil, finding.Bad("record-empty", finding.Where{}, nil)
	}
	if by == "" {
		return nil, finding.Bad("record-by-needed", finding.Where{}, nil)
	}
	if reason == "" && r.EverSigned() {
		return nil, finding.Bad("record-reason-needed", finding.Where{}, nil)
	}
	if fs := refusing(Validate(&c, zones)); len(fs) > 0 {
		return nil, fs
	}
	was, err := ContentHash(&last.Content, canonical)
	if err != nil {
		return nil, err
	}
	is, err := ContentHash(&c, canonical)
	if err != nil {
		return nil, err
	}
	if was == is {
		return nil, finding.Bad("record-nothing-changed", finding.Where{}, nil)
	}
	return r.append(Version{Kind: Amended, At: Instant{at}, By: by, Reason: reason, Content: c}, canonical)
}

// Sign adds a version with the content of the last one and the signature of
// the certified applicator named in it. The certificate must have been valid on
// every day of the work, whatever the date of signing. An incomplete record is
// signed only with a reason, and what is missing stands in the signature.
//
// Faults: record-empty, record-signed-already, record-signer-missing,
// record-number-missing, record-expiry-missing, record-expired,
// record-date-missing, record-sign-early, record-incomplete,
// record-clock-behind. A certificate is a must unless the card says that the
// use is not restricted.
func (r *Record) Sign(at time.Time, incomplete string, zones Zones, canonical Canonical) (*Record, error) {
	last := r.Last()
	if last == nil {
		return nil, finding.Bad("record-empty", finding.Where{}, nil)
	}
	var faults finding.Faults
	bad := func(id, path string, args finding.Args) {
		if args == nil {
			args = finding.Args{}
		}
		args["path"] = finding.Text(path)
		faults = append(faults, finding.Bad(id, finding.Where{}, args))
	}
	c := &last.Content
	if last.Kind == Signed {
		return nil, finding.Bad("record-signed-already", finding.Where{}, finding.Args{"version": finding.Count(last.Number)})
	}
	s := Signature{}
	needed := of(c.Law.RestrictedUse) != no
	a, ok := c.People.Applicator.Known()
	switch {
	case !ok || a.Name == "":
		bad("record-signer-missing", "people.applicator.name", nil)
	default:
		s.Name, s.Number, s.Expires = a.Name, a.Number, a.Expires
		if needed && a.Number == "" {
			bad("record-number-missing", "people.applicator.number", nil)
		}
		if needed && a.Expires.IsZero() {
			bad("record-expiry-missing", "people.applicator.expires", nil)
		}
	}
	days, ok := c.Work.Date.Known()
	if !ok {
		bad("record-date-missing", "work.date", nil)
	} else {
		s.ValidOn = days.To
		if !s.Expires.IsZero() && s.Expires.Before(days.To) {
			bad("record-expired", "people.applicator.expires", finding.Args{"expires": finding.Text(s.Expires.String()), "date": finding.Text(days.To.String())})
		}
	}
	if end, ok := c.Work.End.Known(); ok && at.Before(end.T) {
		bad("record-sign-early", "work.end", finding.Args{"end": finding.Text(local(end.T, location(c, zones)))})
	}
	done := Complete(c)
	if !done.Complete {
		for _, g := range done.Gaps {
			s.Missing = append(s.Missing, g.Items...)
		}
		if incomplete == "" {
			bad("record-incomplete", "regimes", finding.Args{"count": finding.Count(done.Waiting())})
		}
		s.Incomplete = incomplete
	}
	if len(faults) > 0 {
		return nil, faults
	}
	if c.Card != nil {
		s.CardHash = c.Card.Hash
	}
	var err error
	if s.ContentHash, err = ContentHash(c, canonical); err != nil {
		return nil, err
	}
	return r.append(Version{Kind: Signed, At: Instant{at}, By: s.Name, Content: *c, Signature: &s}, canonical)
}

// Waiting counts what keeps a record from being complete: gaps, and what is open
// or refused about the profiles themselves.
func (d Completeness) Waiting() int {
	n := len(d.Gaps)
	for _, f := range d.Findings {
		if f.Severity == finding.Open || f.Severity == finding.Refused {
			n++
		}
	}
	return n
}
