package app

import (
	"context"
	"io"
	"strings"

	"sapward/finding"
)

// AttachmentFacts are a file kept beside a thing.
type AttachmentFacts struct {
	File
	Name string `json:"name"`
	Type string `json:"type"` // media type
	Of   Type   `json:"of"`   // type of the thing it is kept beside
	Note string `json:"note,omitempty"`

	Phone string `json:"phone,omitempty"` // that took the picture
}

// Attachment is an attachment as it is kept. Its parent is the thing.
type Attachment = Kept[AttachmentFacts]

// MaxAttachment is the greatest size of an attached file (program default).
const MaxAttachment = 32 << 20

// attachable are the media types that may be attached. Nothing in them is run:
// files are handed out as downloads.
var attachable = map[string]bool{
	"image/jpeg": true, "image/png": true, "image/webp": true, "image/heic": true, "application/pdf": true,
	"text/plain": true, "text/csv": true, "application/json": true, "application/geo+json": true, "application/gpx+xml": true,
	"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": true,
}

// besides are the types of things that files are kept beside.
var besides = map[Type]bool{
	TypeEstate: true, TypeBlock: true, TypeTree: true, TypeWound: true, TypeCard: true, TypeDraft: true, TypePlan: true, TypeGate: true,
	TypeApplication: true, TypePerson: true, TypeVisit: true,
}

// mayBeside is the gate of use cases on files beside a thing. What belongs to an
// estate asks for the role there, a card for a role on any estate. A person's
// files are for the person and for owners of everything: a certificate is
// nobody else's business.
func (a *App) mayBeside(ctx context.Context, actor Actor, method string, of Type, id string) error {
	if err := a.mayOn(ctx, actor, method, of, id); err != nil {
		return err
	}
	switch {
	case !besides[of]:
		return usage("attach-not-here", nil)
	case of == TypePerson:
		return a.selfOrOwner(ctx, actor, id)
	case of == TypeCard && method != "Attachments" && method != "OpenAttachment":
		return a.may(ctx, actor, "ChangeCard", "") // what is kept beside a card is part of it
	}
	return nil
}

// mayFile is mayBeside for a file that is kept already.
func (a *App) mayFile(ctx context.Context, actor Actor, method, id string) (Attachment, error) {
	if err := a.mayOn(ctx, actor, method, TypeAttachment, id); err != nil {
		return Attachment{}, err
	}
	at, err := get[AttachmentFacts](ctx, a.Store, TypeAttachment, id)
	if err == nil {
		err = a.mayBeside(ctx, actor, method, at.Facts.Of, at.Parent)
	}
	return at, err
}

// Attachments returns the files kept beside a thing.
func (a *App) Attachments(ctx context.Context, actor Actor, of Type, id string) ([]Attachment, error) {
	if err := a.mayBeside(ctx, actor, "Attachments", of, id); err != nil {
		return nil, err
	}
	return list[AttachmentFacts](ctx, a.Store, Query{Type: TypeAttachment, Parent: id})
}

// Attach keeps a file beside a thing.
func (a *App) Attach(ctx context.Context, actor Actor, of Type, id, name, mediaType, note string, r io.Reader) (Attachment, error) {
	if err := a.mayBeside(ctx, actor, "Attach", of, id); err != nil {
		return Attachment{}, err
	}
	f := AttachmentFacts{Name: name, Type: mediaType, Of: of, Note: note}
	var faults finding.Faults
	if i := strings.LastIndexAny(f.Name, `/\`); i >= 0 {
		f.Name = f.Name[i+1:]
	}
	words(&faults, "name", &f.Name, 200)
	need(&faults, "name", f.Name)
	words(&faults, "note", &f.Note, 2000)
	if t, _, _ := strings.Cut(f.Type, ";"); !attachable[strings.TrimSpace(strings.ToLower(t))] {
		faults = append(faults, usage("attachment-type", finding.Args{"type": finding.Text(clip(f.Type))}))
	}
	if err := faults.OrNil(); err != nil {
		return Attachment{}, err
	}
	s, err := a.Store.State(ctx, of, id)
	if err != nil {
		return Attachment{}, err
	}
	if f.File, err = a.Store.PutFile(ctx, r, MaxAttachment); err != nil {
		return Attachment{}, err
	}
	return add(ctx, a, actor, Change{Type: TypeAttachment, Estate: s.Estate, Parent: id, Sort: SortKey(f.Name)}, f)
}

// OpenAttachment opens a kept file; the caller closes it.
func (a *App) OpenAttachment(ctx context.Context, actor Actor, id string) (Attachment, io.ReadSeekCloser, error) {
	at, err := a.mayFile(ctx, actor, "OpenAttachment", id)
	if err != nil {
		return Attachment{}, nil, err
	}
	f, err := a.Store.OpenFile(ctx, at.Facts.Hash)
	return at, f, err
}

// RetireAttachment takes a file out of the lists; its bytes stay.
func (a *App) RetireAttachment(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if _, err := a.mayFile(ctx, actor, "RetireAttachment", id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeAttachment, id, version, reason)
}
