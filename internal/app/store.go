package app

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"sapward/finding"
)

// Type is a type of thing that facts are kept of.
type Type string

// The types. A thing's parent is named behind it.
const (
	TypeEstate      Type = "estate"
	TypeBlock       Type = "block"       // estate
	TypeTree        Type = "tree"        // block
	TypeWound       Type = "wound"       // tree
	TypeCard        Type = "card"        //
	TypeCheck       Type = "check"       // card: a second person's check of one version
	TypeDraft       Type = "draft"       // block
	TypePlan        Type = "plan"        // block
	TypeGate        Type = "gate"        // plan: a morning's answers
	TypeDay         Type = "day"         // plan: a day at the trees
	TypePhone       Type = "phone"       // day: a phone that is a person
	TypeNote        Type = "note"        // day: one thing noted at a tree; its body is a fieldlog.Event
	TypeRecord      Type = "record"      // block: an application record with its versions
	TypeApplication Type = "application" // block
	TypeFollow      Type = "follow"      // block: how its trees are followed, one a block
	TypeVisit       Type = "visit"       // block: what was seen of its trees on a day
	TypeAssay       Type = "assay"       // block: one sample a laboratory measured
	TypeTrial       Type = "trial"       // block: a trial with its layout
	TypeAssessment  Type = "assessment"  // trial: what was measured in it on a day
	TypeAttachment  Type = "attachment"  // anything
	TypeFeed        Type = "feed"        // estate: an address of its due dates for calendar programs
	TypePerson      Type = "person"      //
	TypeMembership  Type = "membership"  // person
	TypeSettings    Type = "settings"    //
	TypeToken       Type = "token"       // person, or nothing alone on a laptop: what a program shows to act for a person
)

// Types are all types, parents before children.
var Types = []Type{TypePerson, TypeSettings, TypeEstate, TypeMembership, TypeBlock, TypeTree, TypeWound, TypeCard, TypeCheck, TypeDraft, TypePlan, TypeGate, TypeDay, TypePhone, TypeNote, TypeRecord, TypeApplication, TypeFollow, TypeVisit, TypeAssay, TypeTrial, TypeAssessment, TypeAttachment, TypeFeed, TypeToken}

// Verbs of events. Retired and restored change nothing but whether the thing is
// still in use; every other verb carries the thing's whole new state.
const (
	Added    = "added"
	Changed  = "changed"
	Measured = "measured"
	Rated    = "rated"
	Imported = "imported"
	Retired  = "retired"
	Restored = "restored"
	Undone   = "undone" // the state before another event, again
)

// Change is a fact to be appended: the new state of one thing.
type Change struct {
	Type    Type
	Verb    string
	ID      string          // of the thing
	Estate  string          // empty for what belongs to no estate
	Parent  string          // empty for what has none
	Sort    string          // orders things of one parent
	Version int             // the version this makes: one more than the one that was looked at; 1 is new
	Reason  string          // why, for corrections
	Body    json.RawMessage // state as JSON
}

// Event is a fact as it is kept.
type Event struct {
	Seq     int64           `json:"seq"`
	ID      string          `json:"id"`                 // UUIDv7
	Act     string          `json:"act"`                // identifier of the first event of the same transaction
	At      string          `json:"at"`                 // instant, UTC, 2026-06-03T07:15:00.000Z; never behind the event before
	ClockAt string          `json:"clock_at,omitempty"` // what the clock read, where it stood behind
	By      string          `json:"by"`
	Type    Type            `json:"type"`
	Verb    string          `json:"verb"`
	Estate  string          `json:"estate,omitempty"`
	Entity  string          `json:"entity"`
	Parent  string          `json:"parent,omitempty"`
	Sort    string          `json:"sort,omitempty"`
	Version int             `json:"version"`
	Reason  string          `json:"reason,omitempty"`
	Body    json.RawMessage `json:"body"` // RFC 8785 canonical JSON
	Prev    string          `json:"prev"` // hash of the event before; empty for the first
	Hash    string          `json:"hash"` // SHA-256 of prev and the canonical JSON of all other fields
}

// Time is the event's instant.
func (e Event) Time() time.Time { return parseTime(e.At) }

// TimeForm is how instants are kept: they sort as text.
const TimeForm = "2006-01-02T15:04:05.000Z"

func parseTime(s string) time.Time {
	t, _ := time.Parse(TimeForm, s)
	return t
}

// State is the present state of one thing.
type State struct {
	Type    Type
	ID      string
	Estate  string
	Parent  string
	Sort    string
	Version int
	At      string // of the last event
	By      string
	Act     string
	Retired string // instant it was retired; empty while in use
	Body    json.RawMessage
}

// Query asks for the states of one type in the order of Sort, then ID.
type Query struct {
	Type    Type
	Estate  string // empty: any
	Parent  string // empty: any
	Retired bool   // also those retired
	After   Key    // key of the last one seen
	Limit   int    // 0: 1000
}

// Key is a place in an ordered list, for paging.
type Key struct{ Sort, ID string }

// TreeQuery asks for trees of one block in the order of tags.
type TreeQuery struct {
	Block   string
	Text    string // part of the tag or species, small and capital letters and accents alike
	Status  string // a status, or "unmeasured" for trees without a reading
	Retired bool
	After   Key
	Limit   int // 0: 100
}

// EventQuery asks for events, newest first.
type EventQuery struct {
	Estate string // empty: any
	Entity string // this thing, and what has it as parent; empty: any
	By     string
	Act    string
	Type   Type
	Before int64 // events with a smaller number; 0: from the newest
	Limit  int   // 0: 100
}

// BlockCount is how many trees a block has, by status.
type BlockCount struct {
	Trees      int
	Measured   int // with at least one tape reading
	ByStatus   map[string]int
	OpenWounds int
}

// Place is where a tree stands and how it is, for a map and for a sample.
type Place struct {
	ID, Tag, Status string
	DiameterCM      float64 // of the thickest stem; 0: not measured
	Stems           int     // with a reading
	XM, YM          *float64
	Lat, Lon        *float64
}

// SearchQuery asks for things by how a name, tag or species begins, small and
// capital letters and accents alike.
type SearchQuery struct {
	Text    string
	Estates []string // of these; what belongs to no estate is found too
	Limit   int
}

// Hit is a search result.
type Hit struct {
	Type   Type
	ID     string
	Estate string
	Parent string
	Text   string
}

// Reading is one tape reading of one stem, as it was taken.
type Reading struct {
	Event      string  `json:"event"`
	Tree       string  `json:"tree"`
	Stem       string  `json:"stem,omitempty"`
	On         string  `json:"on,omitempty"` // day, 2026-06-03; empty: not said
	By         string  `json:"by"`           // who entered it
	Taker      string  `json:"taker,omitempty"`
	Instrument string  `json:"instrument,omitempty"`
	DiameterCM float64 `json:"diameter_cm"`
	AtM        string  `json:"measured_at_m,omitempty"`
	Reason     string  `json:"reason,omitempty"`
	EnteredAt  string  `json:"entered_at"`
}

// Reader is the read side of a store.
type Reader interface {
	// State returns one thing, or a Missing fault.
	State(ctx context.Context, t Type, id string) (State, error)
	States(ctx context.Context, q Query) ([]State, error)
	Trees(ctx context.Context, q TreeQuery) ([]State, error)
	// EachTree passes the trees of a block that are in use, by tag, in chunks.
	EachTree(ctx context.Context, block string, visit func([]State) error) error
	// TreesTagged returns the trees of a block that are in use and have one of
	// the tags, in any order.
	TreesTagged(ctx context.Context, block string, tags []string) ([]State, error)
	// BlockMark is a number that grows with every change of a block's trees or
	// their wounds.
	BlockMark(ctx context.Context, block string) (int64, error)
	Places(ctx context.Context, block string) ([]Place, error)
	Readings(ctx context.Context, tree string) ([]Reading, error)
	BlockCounts(ctx context.Context, blocks []string) (map[string]BlockCount, error)
	// BlockWounds returns the wounds of all trees of a block, by tree.
	BlockWounds(ctx context.Context, block string) ([]State, error)
	// Events returns events, newest first.
	Events(ctx context.Context, q EventQuery) ([]Event, error)
	// EventsAfter returns the events of things of a type with a parent, oldest
	// first, that come after an event's number.
	EventsAfter(ctx context.Context, t Type, parent string, after int64, limit int) ([]Event, error)
	// EachEvent passes every event in order.
	EachEvent(ctx context.Context, visit func(Event) error) error
	// Search finds estates, blocks, cards, plans, trials and trees, in that order: names
	// by how one of their words goes on, tags and species by how they begin.
	// Where nothing begins so, tags are found by any part of them.
	Search(ctx context.Context, q SearchQuery) ([]Hit, error)
}

// Tx is one transaction: what it reads includes what it wrote.
type Tx interface {
	Reader
	// Append keeps changes as events by the person and brings the tables up to
	// date. A Version that is not one more than the present one gives Conflict.
	Append(ctx context.Context, by string, changes ...Change) ([]Event, error)
}

// Store keeps facts and files.
type Store interface {
	Reader
	// InTx runs f in one transaction: all of it is on the disk when InTx
	// returns nil, and none of it when InTx returns an error.
	InTx(ctx context.Context, f func(Tx) error) error
	// PutFile keeps bytes under their SHA-256; they are on the disk when it
	// returns. More than limit bytes is a fault.
	PutFile(ctx context.Context, r io.Reader, limit int64) (File, error)
	// AddPart adds bytes to a file that arrives in pieces, from a place in it;
	// they are on the disk when it returns. size is how much is there now: where
	// from is not that, nothing is added and ok is false.
	AddPart(ctx context.Context, name string, from int64, r io.Reader, most int64) (size int64, ok bool, err error)
	PartSize(ctx context.Context, name string) (int64, error)
	// Parts counts files that have begun to arrive, and the bytes of them that
	// are here, whose name begins so; one of them may be left out.
	Parts(ctx context.Context, prefix, but string) (files int, bytes int64, err error)
	// TakePart keeps a whole file like PutFile and forgets its pieces. Where its
	// SHA-256 is not hash the pieces are thrown away and ok is false.
	TakePart(ctx context.Context, name, hash string) (f File, ok bool, err error)
	// OpenFile opens what PutFile kept.
	OpenFile(ctx context.Context, hash string) (io.ReadSeekCloser, error)
}

// File names kept bytes.
type File struct {
	Hash string `json:"hash"` // SHA-256, hexadecimal
	Size int64  `json:"size"`
}

// Conflict says that somebody else changed a thing first. Both states are
// carried, so that nothing is lost: Theirs is what is kept, Yours what was to
// be written.
type Conflict struct {
	Type   Type
	ID     string
	Theirs State
	Yours  json.RawMessage
}

// Error is a plain form for logs.
func (c *Conflict) Error() string {
	return fmt.Sprintf("%s %s: version %d is kept", c.Type, c.ID, c.Theirs.Version)
}

// Unwrap lets errors.As find the fault with its class and statuses.
func (c *Conflict) Unwrap() error {
	return &finding.Fault{Class: finding.Conflict, ID: "app-conflict", Args: finding.Args{
		"what_by": finding.Text("kind-" + string(c.Type)), "by": finding.Text(c.Theirs.By), "at": finding.Text(c.Theirs.At),
	}}
}
