package app

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"time"

	"sapward/apply/fieldlog"
	"sapward/finding"
)

// PhoneFacts are a phone that is a person for a day. Its code joins once and for
// minutes only; its token is kept as a hash.
type PhoneFacts struct {
	Person    string `json:"person"` // of the day
	Name      string `json:"name"`
	CodeHash  string `json:"code_hash,omitempty"` // SHA-256; empty once used
	CodeUntil string `json:"code_until,omitempty"`
	TokenHash string `json:"token_hash,omitempty"`
	JoinedAt  string `json:"joined_at,omitempty"`
	RevokedAt string `json:"revoked_at,omitempty"`
	Desk      bool   `json:"desk,omitempty"` // not a phone: what is typed in at a desk
	Account   string `json:"account,omitempty"`
}

// Phone is a phone as it is kept. Its parent is the day.
type Phone = Kept[PhoneFacts]

// Lifetimes (program defaults). A phone that was away may send what it holds
// for a quarter of a year; it gets nothing new after its day is long over.
const (
	codeLife   = 10 * time.Minute
	uploadLife = 92 * 24 * time.Hour
	dayLife    = 48 * time.Hour
)

func (a *App) phones(ctx context.Context, day string) ([]Phone, error) {
	all, err := list[PhoneFacts](ctx, a.Store, Query{Type: TypePhone, Parent: day, Retired: true})
	out := all[:0]
	for _, p := range all {
		if !p.Facts.Desk {
			out = append(out, p)
		}
	}
	return out, err
}

// AddPhone makes a code by which one phone joins a day as one of its people:
// once, and for ten minutes. The code is returned here and kept nowhere.
func (a *App) AddPhone(ctx context.Context, actor Actor, day, person string) (Phone, string, error) {
	if err := a.mayOn(ctx, actor, "AddPhone", TypeDay, day); err != nil {
		return Phone{}, "", err
	}
	d, err := get[DayFacts](ctx, a.Store, TypeDay, day)
	if err != nil {
		return Phone{}, "", err
	}
	f := PhoneFacts{Person: person, CodeUntil: a.Now().UTC().Add(codeLife).Format(TimeForm)}
	for _, p := range d.Facts.People {
		if p.ID == person {
			f.Name = p.Name
		}
	}
	if f.Name == "" {
		return Phone{}, "", missing("person")
	}
	code, err := a.secret()
	if err != nil {
		return Phone{}, "", err
	}
	f.CodeHash = hashText(code)
	id := a.NewID()
	p, err := add(ctx, a, actor, Change{Type: TypePhone, ID: id, Estate: d.Estate, Parent: day, Sort: id}, f)
	return p, id + "." + code, err
}

// secret is 160 random bits as text for addresses.
func (a *App) secret() (string, error) {
	b := make([]byte, 20)
	if _, err := io.ReadFull(a.random(), b); err != nil {
		return "", &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text("random")}}
	}
	return hex.EncodeToString(b), nil
}

func (a *App) random() io.Reader {
	if a.Random != nil {
		return a.Random
	}
	return rand.Reader
}

func sameText(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

func hashText(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}

// Joining says whose phone a code makes, before it is used.
type Joining struct {
	Phone  Phone
	Name   string
	Estate string
	Block  string
	On     string
}

// Joinable looks at a code. Nobody has to be signed in: the code is the key.
func (a *App) Joinable(ctx context.Context, _ Actor, code string) (Joining, error) {
	p, err := a.byCode(ctx, code)
	if err != nil {
		return Joining{}, err
	}
	d, err := get[DayFacts](ctx, a.Store, TypeDay, p.Parent)
	if err != nil {
		return Joining{}, err
	}
	plan, err := get[PlanFacts](ctx, a.Store, TypePlan, d.Parent)
	if err != nil {
		return Joining{}, err
	}
	b, err := get[BlockFacts](ctx, a.Store, TypeBlock, plan.Parent)
	if err != nil {
		return Joining{}, err
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, b.Parent)
	return Joining{Phone: p, Name: p.Facts.Name, Estate: e.Facts.Name, Block: b.Facts.Name, On: d.Facts.On}, err
}

func noCode() error { return usage("phone-code", nil) }

// byCode finds the phone of a code that may still be used.
func (a *App) byCode(ctx context.Context, code string) (Phone, error) {
	id, secret, ok := cutCode(code)
	if !ok {
		return Phone{}, noCode()
	}
	p, err := get[PhoneFacts](ctx, a.Store, TypePhone, id)
	if isMissing(err) {
		return p, noCode()
	}
	if err != nil {
		return p, err
	}
	if p.Facts.CodeHash == "" || !sameText(p.Facts.CodeHash, hashText(secret)) || p.Facts.RevokedAt != "" || a.Now().After(parseTime(p.Facts.CodeUntil)) {
		return p, noCode()
	}
	return p, nil
}

func cutCode(code string) (id, secret string, ok bool) {
	if len(code) != 36+1+40 || code[36] != '.' {
		return "", "", false
	}
	return code[:36], code[37:], true
}

// Join uses a code up and returns the phone's token, which is kept nowhere but
// on the phone.
func (a *App) Join(ctx context.Context, _ Actor, code string) (Phone, string, error) {
	p, err := a.byCode(ctx, code)
	if err != nil {
		return p, "", err
	}
	secret, err := a.secret()
	if err != nil {
		return p, "", err
	}
	f := p.Facts
	f.CodeHash, f.CodeUntil, f.TokenHash, f.JoinedAt = "", "", hashText(secret), a.Now().UTC().Format(TimeForm)
	out, err := change(ctx, a, Actor{Person: "phone:" + p.ID}, TypePhone, Changed, p.ID, p.Version, "", "", f)
	var twice *Conflict
	if errors.As(err, &twice) { // somebody else was quicker with the same code
		return p, "", noCode()
	}
	return out, p.ID + "." + secret, err
}

// RevokePhone takes a phone out: it can send nothing more. What it sent stays.
func (a *App) RevokePhone(ctx context.Context, actor Actor, id, reason string) (Phone, error) {
	if err := a.mayOn(ctx, actor, "RevokePhone", TypePhone, id); err != nil {
		return Phone{}, err
	}
	p, err := get[PhoneFacts](ctx, a.Store, TypePhone, id)
	if err != nil {
		return p, err
	}
	f := p.Facts
	f.RevokedAt, f.CodeHash, f.TokenHash = a.Now().UTC().Format(TimeForm), "", ""
	return change(ctx, a, actor, TypePhone, Changed, id, p.Version, "", reason, f)
}

// OnPhone is what a phone may know of itself.
type OnPhone struct {
	Device     string    `json:"device"`
	Person     string    `json:"person"`
	Name       string    `json:"name"`
	Day        string    `json:"day"`
	Pack       int       `json:"pack"`
	Now        time.Time `json:"now"`
	UploadOnly bool      `json:"upload_only"`
}

// Phone tells who a phone is by its token.
//
// Errors: a Denied fault, phone-unknown or phone-revoked.
func (a *App) Phone(ctx context.Context, _ Actor, token string) (OnPhone, error) {
	p, d, err := a.byToken(ctx, token)
	if err != nil {
		return OnPhone{}, err
	}
	return a.onPhone(p, d), nil
}

func (a *App) onPhone(p Phone, d FieldDay) OnPhone {
	now := a.Now()
	return OnPhone{Device: p.ID, Person: p.Facts.Person, Name: p.Facts.Name, Day: d.ID, Pack: d.Facts.Packed, Now: now.UTC().Truncate(time.Millisecond), UploadOnly: now.After(parseTime(p.Facts.JoinedAt).Add(dayLife))}
}

func (a *App) byToken(ctx context.Context, token string) (Phone, FieldDay, error) {
	refuse := func(id string) (Phone, FieldDay, error) {
		return Phone{}, FieldDay{}, &finding.Fault{Class: finding.Denied, ID: id}
	}
	id, secret, ok := cutCode(token)
	if !ok {
		return refuse("phone-unknown")
	}
	p, err := get[PhoneFacts](ctx, a.Store, TypePhone, id)
	if isMissing(err) {
		return refuse("phone-unknown")
	}
	if err != nil {
		return Phone{}, FieldDay{}, err
	}
	switch {
	case p.Facts.RevokedAt != "":
		return refuse("phone-revoked")
	case p.Facts.TokenHash == "" || !sameText(p.Facts.TokenHash, hashText(secret)), a.Now().After(parseTime(p.Facts.JoinedAt).Add(uploadLife)):
		return refuse("phone-unknown")
	}
	d, err := get[DayFacts](ctx, a.Store, TypeDay, p.Parent)
	return p, d, err
}

// PhonePack returns what the phone carries, as JSON, with its version.
func (a *App) PhonePack(ctx context.Context, _ Actor, token string) (data []byte, version int, err error) {
	_, d, err := a.byToken(ctx, token)
	if err != nil {
		return nil, 0, err
	}
	data, err = a.file(ctx, d.Facts.Pack.Hash)
	return data, d.Facts.Packed, err
}

// Exchange is what a phone sends: notes of its own, and how far it has read
// those of others.
type Exchange struct {
	Cursor int64             `json:"cursor"`
	All    bool              `json:"all,omitempty"` // its own too: the phone has lost them
	Events []json.RawMessage `json:"events"`
}

// Confirmed says that a note is on the disk, by the SHA-256 of its canonical
// JSON.
type Confirmed struct {
	ID     string `json:"id"`
	SHA256 string `json:"sha256"`
}

// RefusedNote is a note that was not taken; the phone keeps it and shows why.
type RefusedNote struct {
	ID     string         `json:"id"`
	Faults finding.Faults `json:"-"`
}

// Exchanged is the answer.
type Exchanged struct {
	Confirmed []Confirmed
	Refused   []RefusedNote
	Events    []json.RawMessage // of other devices
	Cursor    int64
	More      bool
	Phone     OnPhone
}

// Bounds of one exchange.
const (
	MostNotes  = 500
	mostOthers = 2000
)

// PhoneExchange takes a phone's notes and gives it those of others. A note that
// is there already is confirmed again; one that cannot be kept is named and
// stops no other. When it returns without error, every confirmed note is on
// the disk.
func (a *App) PhoneExchange(ctx context.Context, _ Actor, token string, in Exchange) (Exchanged, error) {
	p, d, err := a.byToken(ctx, token)
	if err != nil {
		return Exchanged{}, err
	}
	if len(in.Events) > MostNotes {
		return Exchanged{}, usage("phone-too-many", finding.Args{"most": finding.Count(MostNotes)})
	}
	out := Exchanged{Confirmed: []Confirmed{}, Refused: []RefusedNote{}, Events: []json.RawMessage{}, Phone: a.onPhone(p, d)}
	var notes []fieldlog.Event
	for _, raw := range in.Events {
		n, err := readNote(raw)
		if err == nil && (n.Day != d.ID || n.Device != p.ID) {
			err = usage("note-of-another", nil)
		}
		if err != nil {
			out.Refused = append(out.Refused, RefusedNote{n.ID, finding.AsFaults(err)})
			continue
		}
		notes = append(notes, n)
	}
	confirmed, refused, err := a.keepNotes(ctx, "phone:"+p.ID, d, notes, "", nil)
	if err != nil {
		return Exchanged{}, err
	}
	out.Confirmed, out.Refused = append(out.Confirmed, confirmed...), append(out.Refused, refused...)
	if len(notes) > 0 {
		a.live.tell(d.ID)
	}
	events, err := a.Store.EventsAfter(ctx, TypeNote, d.ID, in.Cursor, mostOthers)
	if err != nil {
		return Exchanged{}, err
	}
	out.Cursor = in.Cursor
	for _, e := range events {
		out.Cursor = e.Seq
		if e.By != "phone:"+p.ID || in.Cursor == 0 || in.All { // from the beginning: its own too, should the phone have lost them
			out.Events = append(out.Events, e.Body)
		}
	}
	out.More = len(events) == mostOthers
	return out, nil
}

// readNote reads one note strictly: a field this program does not know would
// be lost, so it is refused and stays on the phone.
func readNote(raw json.RawMessage) (fieldlog.Event, error) {
	var n fieldlog.Event
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&n); err != nil {
		var loose struct {
			ID string `json:"id"`
		}
		_ = json.Unmarshal(raw, &loose)
		n.ID = clip(loose.ID)
		return n, usage("note-unread", finding.Args{"reason": finding.Text(err.Error())})
	}
	return n, n.Check()
}

// keepNotes appends notes that are not there yet, all in one transaction, and
// says of each whether it is on the disk. reason says how they came, where it
// was not from the phone itself. stand, if any, is asked first in the same
// transaction.
func (a *App) keepNotes(ctx context.Context, by string, d FieldDay, notes []fieldlog.Event, reason string, stand func(Tx) error) (confirmed []Confirmed, refused []RefusedNote, err error) {
	if len(notes) == 0 {
		return nil, nil, nil
	}
	err = a.Store.InTx(ctx, func(tx Tx) error {
		confirmed, refused = nil, nil
		if stand != nil {
			if err := stand(tx); err != nil {
				return err
			}
		}
		var changes []Change
		inThis := map[string]string{}
		for i := range notes {
			n := &notes[i]
			text, err := n.Canonical()
			if err != nil {
				return err
			}
			sum := hashText(string(text))
			had, there := inThis[n.ID]
			if !there {
				s, err := tx.State(ctx, TypeNote, n.ID)
				if err != nil && !isMissing(err) {
					return err
				}
				if err == nil {
					had, there = hashText(string(s.Body)), true
				}
			}
			if there {
				if had != sum {
					refused = append(refused, RefusedNote{n.ID, finding.Faults{usage("note-twice", nil)}})
					continue
				}
				confirmed = append(confirmed, Confirmed{n.ID, sum})
				continue
			}
			inThis[n.ID] = sum
			confirmed = append(confirmed, Confirmed{n.ID, sum})
			changes = append(changes, Change{Type: TypeNote, Verb: Added, ID: n.ID, Estate: d.Estate, Parent: d.ID, Sort: n.ID, Version: 1, Reason: reason, Body: text})
		}
		if len(changes) == 0 {
			return nil
		}
		_, err := tx.Append(ctx, by, changes...)
		return err
	})
	return confirmed, refused, err
}
