package app

import (
	"context"
	"io"

	"sapward/finding"
)

// MaxPhoto is the greatest size of a picture from a phone (program default).
const MaxPhoto = 16 << 20

// PhotoLimits bound the pictures of a day, so that one phone, lost or broken,
// cannot fill the disk. A picture that is refused stays on its phone.
type PhotoLimits struct {
	PhoneCount, DayCount int
	PhoneBytes, DayBytes int64
}

// DefaultPhotoLimits are room for a picture of every port of a hard day: the
// phone page makes pictures smaller, to about 0.3 MB (program defaults).
var DefaultPhotoLimits = PhotoLimits{PhoneCount: 500, PhoneBytes: 500 << 20, DayCount: 5000, DayBytes: 4 << 30}

// photoExt are the forms of picture that are taken, with the end of their name.
var photoExt = map[string]string{"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}

// PhotoState is how much of a picture is here.
type PhotoState struct {
	Have int64 `json:"have"`
	Done bool  `json:"done"`
}

// PhotoState tells a phone where to go on with a picture.
func (a *App) PhotoState(ctx context.Context, _ Actor, token, hash string) (PhotoState, error) {
	p, d, err := a.byToken(ctx, token)
	if err != nil {
		return PhotoState{}, err
	}
	return a.photoState(ctx, p, d, hash)
}

func (a *App) photoState(ctx context.Context, p Phone, d FieldDay, hash string) (PhotoState, error) {
	if !isSHA256(hash) {
		return PhotoState{}, usage("photo-name", nil)
	}
	if s, err := a.Store.State(ctx, TypeAttachment, photoID(d.ID, hash)); err == nil && s.Retired == "" {
		at, err := kept[AttachmentFacts](s)
		return PhotoState{at.Facts.Size, true}, err
	} else if err != nil && !isMissing(err) {
		return PhotoState{}, err
	}
	n, err := a.Store.PartSize(ctx, p.ID+"-"+hash)
	return PhotoState{Have: n}, err
}

// PutPhoto takes a piece of a picture, from a place in it; total is the size of
// the whole. ok is false where the piece does not begin where the last one
// ended: the state says where to go on. When the whole is here and its SHA-256
// is its name, it is kept beside the day.
func (a *App) PutPhoto(ctx context.Context, _ Actor, token, hash, mediaType string, from, total int64, r io.Reader) (state PhotoState, ok bool, err error) {
	p, d, err := a.byToken(ctx, token)
	if err != nil {
		return state, false, err
	}
	if state, err = a.photoState(ctx, p, d, hash); err != nil || state.Done {
		return state, state.Done, err
	}
	if total < 1 || total > MaxPhoto || from < 0 || from > total {
		return state, false, usage("photo-size", finding.Args{"mb": finding.Count(MaxPhoto >> 20)})
	}
	if photoExt[mediaType] == "" {
		return state, false, usage("attachment-type", finding.Args{"type": finding.Text(clip(mediaType))})
	}
	if err := a.roomFor(ctx, d.ID, p.ID, hash, total); err != nil {
		return state, false, err
	}
	if state.Have == from && from < total {
		if state.Have, ok, err = a.Store.AddPart(ctx, p.ID+"-"+hash, from, r, total); err != nil || !ok {
			return state, false, err
		}
	} else if state.Have < total { // whole already, and only not yet kept: whatever piece comes, go on
		return state, false, nil
	}
	if state.Have < total {
		return state, true, nil
	}
	f, ok, err := a.Store.TakePart(ctx, p.ID+"-"+hash, hash)
	if err != nil {
		return state, false, err
	}
	if !ok { // damaged on the way: from the beginning
		return PhotoState{}, false, nil
	}
	if err := a.keepPhoto(ctx, Actor{Person: "phone:" + p.ID}, d, p.ID, mediaType, f, ""); err != nil {
		return state, false, err
	}
	a.live.tell(d.ID)
	return PhotoState{total, true}, true, nil
}

// keepPhoto keeps a picture beside its day, once.
func (a *App) keepPhoto(ctx context.Context, actor Actor, d FieldDay, phone, mediaType string, f File, reason string) error {
	_, err := add(ctx, a, actor, Change{Type: TypeAttachment, ID: photoID(d.ID, f.Hash), Estate: d.Estate, Parent: d.ID, Sort: f.Hash, Reason: reason},
		AttachmentFacts{File: f, Name: d.Facts.On + " " + f.Hash[:8] + photoExt[mediaType], Type: mediaType, Of: TypeDay, Phone: phone})
	if err == nil {
		return nil
	}
	if s, again := a.Store.State(ctx, TypeAttachment, photoID(d.ID, f.Hash)); again == nil && s.Retired == "" { // two pieces at once
		return nil
	}
	return err
}

// roomFor refuses a picture of so many bytes that is more than a phone, or a
// day, may have. What has begun to come counts with what has come of it.
func (a *App) roomFor(ctx context.Context, day, phone, hash string, size int64) error {
	most := a.Photos
	if most == (PhotoLimits{}) {
		most = DefaultPhotoLimits
	}
	files, err := list[AttachmentFacts](ctx, a.Store, Query{Type: TypeAttachment, Parent: day})
	if err != nil {
		return err
	}
	mine, all := 0, len(files)
	mineBytes, allBytes := int64(0), int64(0)
	for _, f := range files {
		allBytes += f.Facts.Size
		if f.Facts.Phone == phone {
			mine++
			mineBytes += f.Facts.Size
		}
	}
	phones, err := a.phones(ctx, day)
	if err != nil {
		return err
	}
	for _, p := range phones {
		n, bytes, err := a.Store.Parts(ctx, p.ID+"-", p.ID+"-"+hash)
		if err != nil {
			return err
		}
		all += n
		allBytes += bytes
		if p.ID == phone {
			mine += n
			mineBytes += bytes
		}
	}
	switch {
	case mine+1 > most.PhoneCount || mineBytes+size > most.PhoneBytes:
		return usage("photo-most-phone", finding.Args{"most": finding.Count(most.PhoneCount), "mb": finding.Count(int(most.PhoneBytes >> 20))})
	case all+1 > most.DayCount || allBytes+size > most.DayBytes:
		return usage("photo-most-day", finding.Args{"most": finding.Count(most.DayCount), "mb": finding.Count(int(most.DayBytes >> 20))})
	}
	return nil
}

// photoID names a picture's attachment: the same picture of a day is one thing,
// however often it is sent.
func photoID(day, hash string) string { return hash + "-" + day }

func isSHA256(s string) bool {
	if len(s) != 64 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') {
			return false
		}
	}
	return true
}
