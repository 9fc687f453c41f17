package fieldlog

import (
	"encoding/json"
	"strings"
	"time"
	"unicode/utf8"

	"sapward/finding"
	q "sapward/measure/quantity"
)

// EventSchema is the form of an event that this program writes. Events of
// older forms are read for good; a phone that was away keeps its form.
const EventSchema = 1

// Kind says what an event notes.
type Kind string

// The kinds of events. Those in the first group are about a tree, those in the
// second about one port, those in the third about the day.
const (
	Start    Kind = "start"    // somebody is at the tree
	Tape     Kind = "tape"     // a new tape reading; ports and fill follow from it
	Cleaned  Kind = "cleaned"  // tools disinfected before this tree
	Skip     Kind = "skip"     // not treated today; Reason
	Done     Kind = "done"     // the tree is finished
	Note     Kind = "note"     // Text
	Photo    Kind = "photo"    // Photo, Bytes; Text
	Incident Kind = "incident" // Reason: exposure, spill, or over: VolumeUL more went into Port than was loaded for it
	Void     Kind = "void"     // an earlier event, Of, was a slip; Reason
	Decide   Kind = "decide"   // a conflict: Of is kept, Drop are not; Reason

	Mark   Kind = "mark"    // the place is marked on the bark
	Drill  Kind = "drill"   // Along, Height, Depth, Bit as they are
	Hole   Kind = "hole"    // drilled in place of port Replaces: a new port
	Set    Kind = "set"     // the port sits flush with the sapwood
	Load   Kind = "load"    // Volume into its device; Container, Lot
	Begin  Kind = "begin"   // delivery starts
	Read   Kind = "read"    // Left in the device; none: not read
	Leak   Kind = "leak"    // Lost, if somebody could measure it
	Refuse Kind = "refuse"  // the wood takes no more
	Move   Kind = "move"    // Volume of what is left goes to port To
	GiveUp Kind = "give-up" // the hole is no good; Reason
	Seal   Kind = "seal"
	Pull   Kind = "pull"
	Leave  Kind = "leave" // the port stays in

	Draw   Kind = "draw"   // Volume of product taken from Container, Lot
	Return Kind = "return" // Volume of product brought back to it
)

// onPort are the kinds that speak of one port.
var onPort = map[Kind]bool{Mark: true, Drill: true, Hole: true, Set: true, Load: true, Begin: true, Read: true, Leak: true, Refuse: true, Move: true, GiveUp: true, Seal: true, Pull: true, Leave: true}

// onTree are the kinds that speak of a tree as a whole.
var onTree = map[Kind]bool{Start: true, Tape: true, Cleaned: true, Skip: true, Done: true}

// anywhere are the kinds that may speak of a tree or of none.
var anywhere = map[Kind]bool{Note: true, Photo: true, Incident: true, Void: true, Decide: true, Draw: true, Return: true}

// Event is one thing that was noted. Its fields stand in the order of their
// names, so that encoding/json writes canonical JSON (RFC 8785): it has text,
// whole numbers and lists only.
type Event struct {
	After     []string `json:"after,omitempty"`     // events on the same tree that the writer had seen last, sorted
	AlongMM   *int64   `json:"along_mm,omitempty"`  // from the mark, clockwise seen from above
	At        string   `json:"at"`                  // the device's clock, RFC 3339 with offset
	BitUM     *int64   `json:"bit_um,omitempty"`    // diameter of the bit
	Bytes     *int64   `json:"bytes,omitempty"`     // of a photo
	Container string   `json:"container,omitempty"` // as the label's number or the crew's name for it
	Day       string   `json:"day"`
	DepthMM   *int64   `json:"depth_mm,omitempty"` // from the bark's surface
	Device    string   `json:"device"`
	Drop      []string `json:"drop,omitempty"`       // events a decision sets aside, sorted
	EnteredAt string   `json:"entered_at,omitempty"` // typed in afterwards from paper, at this instant
	HeightMM  *int64   `json:"height_mm,omitempty"`
	ID        string   `json:"id"` // UUIDv7, made where it was noted
	Kind      Kind     `json:"kind"`
	LeftUL    *int64   `json:"left_ul,omitempty"` // absent: not read
	LostUL    *int64   `json:"lost_ul,omitempty"` // absent: not measured
	Lot       string   `json:"lot,omitempty"`
	Of        string   `json:"of,omitempty"`
	Person    string   `json:"person"`
	Photo     string   `json:"photo,omitempty"` // SHA-256 of the picture
	Port      int      `json:"port,omitempty"`
	Reading   string   `json:"reading,omitempty"` // of a tape, with its unit: "98.5 cm"
	Reason    string   `json:"reason,omitempty"`
	Replaces  int      `json:"replaces,omitempty"`
	Schema    int      `json:"schema"`
	Seq       int64    `json:"seq"` // 1, 2, 3 ... of the device: a gap shows what is missing
	Stem      string   `json:"stem,omitempty"`
	Taped     string   `json:"taped,omitempty"` // girth or diameter
	Text      string   `json:"text,omitempty"`
	To        int      `json:"to,omitempty"`
	Tree      string   `json:"tree,omitempty"` // tag
	VolumeUL  *int64   `json:"volume_ul,omitempty"`
	VolumesUL []int64  `json:"volumes_ul,omitempty"` // per port, as the phone worked them out from Reading
}

// Canonical returns the event as canonical JSON (RFC 8785), whose SHA-256 a
// server confirms. Text that Check lets through has no character that
// encoding/json and RFC 8785 write differently.
func (e *Event) Canonical() ([]byte, error) {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(e); err != nil {
		return nil, err
	}
	return []byte(strings.TrimSuffix(b.String(), "\n")), nil
}

// Bounds of an event's fields.
const (
	maxText  = 2000
	maxName  = 200
	maxUL    = 1_000_000_000 // a cubic metre
	maxMM    = 100_000
	maxAfter = 64
)

// Check refuses an event that cannot be kept: the faults say which field. A
// reading below 0, a port without a number, an instant without offset are
// refused; a value that is only unlikely is kept.
func (e *Event) Check() error {
	var fs finding.Faults
	bad := func(field string) {
		fs = append(fs, &finding.Fault{Class: finding.BadInput, ID: "event-field", Args: finding.Args{"field": finding.Text(field), "event": finding.Text(clip(e.ID))}})
	}
	if e.Schema < 1 || e.Schema > EventSchema {
		fs = append(fs, &finding.Fault{Class: finding.BadInput, ID: "event-schema", Args: finding.Args{"schema": finding.Count(e.Schema), "event": finding.Text(clip(e.ID))}})
		return fs
	}
	if !isID(e.ID) {
		bad("id")
	}
	if !isID(e.Day) {
		bad("day")
	}
	if !isID(e.Device) {
		bad("device")
	}
	if e.Seq < 1 || e.Seq > 1<<40 {
		bad("seq")
	}
	if _, ok := Instant(e.At); !ok {
		bad("at")
	}
	if _, ok := Instant(e.EnteredAt); e.EnteredAt != "" && !ok {
		bad("entered_at")
	}
	for name, s := range map[string]string{"person": e.Person, "container": e.Container, "lot": e.Lot, "stem": e.Stem, "tree": e.Tree, "reading": e.Reading} {
		if len([]rune(s)) > maxName || !plain(s) {
			bad(name)
		}
	}
	for name, s := range map[string]string{"text": e.Text, "reason": e.Reason} {
		if len([]rune(s)) > maxText || !plain(s) {
			bad(name)
		}
	}
	if e.Person == "" {
		bad("person")
	}
	switch {
	case onPort[e.Kind]:
		if e.Port < 1 || e.Port > 10_000 {
			bad("port")
		}
		fallthrough
	case onTree[e.Kind]:
		if e.Tree == "" {
			bad("tree")
		}
	case !anywhere[e.Kind]:
		bad("kind")
	}
	within := func(name string, v *int64, least, most int64) {
		if v != nil && (*v < least || *v > most) {
			bad(name)
		}
	}
	within("volume_ul", e.VolumeUL, 0, maxUL)
	within("left_ul", e.LeftUL, 0, maxUL)
	within("lost_ul", e.LostUL, 0, maxUL)
	within("along_mm", e.AlongMM, -maxMM, maxMM)
	within("height_mm", e.HeightMM, 0, maxMM)
	within("depth_mm", e.DepthMM, 0, 2000)
	within("bit_um", e.BitUM, 1, 100_000)
	within("bytes", e.Bytes, 0, 1<<31)
	if len(e.VolumesUL) > 2000 {
		bad("volumes_ul")
	}
	for i := range e.VolumesUL {
		within("volumes_ul", &e.VolumesUL[i], 0, maxUL)
	}
	for name, ids := range map[string][]string{"after": e.After, "drop": e.Drop} {
		for i, id := range ids {
			if !isID(id) || i > 0 && ids[i-1] >= id || len(ids) > maxAfter || id == e.ID {
				bad(name)
				break
			}
		}
	}
	needs := map[Kind]bool{}
	switch e.Kind {
	case Load, Move, Draw, Return:
		needs[e.Kind] = e.VolumeUL == nil || *e.VolumeUL == 0 && e.Kind != Return
		if e.Kind == Move && (e.To < 1 || e.To == e.Port) {
			bad("to")
		}
	case Tape:
		if _, err := e.stemRead(); err != nil {
			bad("reading")
		}
	case Skip, GiveUp, Void, Decide:
		if strings.TrimSpace(e.Reason) == "" {
			bad("reason")
		}
		if (e.Kind == Void || e.Kind == Decide) && !isID(e.Of) || e.Kind == Decide && len(e.Drop) == 0 {
			bad("of")
		}
	case Note:
		if strings.TrimSpace(e.Text) == "" {
			bad("text")
		}
	case Incident:
		if e.Reason != "exposure" && e.Reason != "spill" && e.Reason != "over" {
			bad("reason")
		}
		needs[e.Kind] = e.Reason == "over" && (e.VolumeUL == nil || e.Port < 1 || e.Tree == "")
	case Photo:
		if len(e.Photo) != 64 || strings.Trim(e.Photo, "0123456789abcdef") != "" || e.Bytes == nil {
			bad("photo")
		}
	case Hole:
		if e.AlongMM == nil || e.HeightMM == nil || e.Replaces < 1 {
			bad("replaces")
		}
	}
	if needs[e.Kind] {
		bad("volume_ul")
	}
	return fs.OrNil()
}

// stemRead is the length a tape event read.
func (e *Event) stemRead() (q.Length, error) {
	v, fault := q.Parse[q.LengthKind](e.Reading)
	if fault != nil {
		return v, fault
	}
	if v.Sign() <= 0 || e.Taped != "girth" && e.Taped != "diameter" {
		return v, &finding.Fault{Class: finding.BadInput, ID: "event-field", Args: finding.Args{"field": finding.Text("reading"), "event": finding.Text(clip(e.ID))}}
	}
	return v, nil
}

// Instant reads an RFC 3339 instant with its offset.
func Instant(s string) (time.Time, bool) {
	if len(s) > 40 {
		return time.Time{}, false
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	return t, err == nil && t.Year() >= 1970 && t.Year() <= 9999
}

// isID reports a UUID in its canonical text form (RFC 9562).
func isID(s string) bool {
	if len(s) != 36 {
		return false
	}
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch i {
		case 8, 13, 18, 23:
			if c != '-' {
				return false
			}
		default:
			if !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') {
				return false
			}
		}
	}
	return true
}

// plain reports text without NUL, broken UTF-8 or the two line separators that
// JSON writers disagree on.
func plain(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsAny(s, "\x00\u2028\u2029\ufffd")
}

func clip(s string) string {
	r := []rune(s)
	if len(r) > 60 {
		return string(r[:60]) + "..."
	}
	return s
}
