package app

import (
	"context"
	"io"

	"sapward/finding"
)

// MaxPhoto is the greatest size of a picture from a phone (program default).
const MaxPhoto = 16 << 20

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
	if mediaType != "image/jpeg" && mediaType != "image/png" && mediaType != "image/webp" {
		return state, false, usage("attachment-type", finding.Args{"type": finding.Text(clip(mediaType))})
	}
	if state.Have == from && from < total {
		if state.Have, ok, err = a.Store.AddPart(ctx, p.ID+"-"+hash, from, r, total); err != nil || !ok {
			return state, false, err
		}
	} else if from != state.Have {
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
	ext := map[string]string{"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}[mediaType]
	_, err = add(ctx, a, Actor{Person: "phone:" + p.ID}, Change{Type: TypeAttachment, ID: photoID(d.ID, hash), Estate: d.Estate, Parent: d.ID, Sort: hash},
		AttachmentFacts{File: f, Name: d.Facts.On + " " + hash[:8] + ext, Type: mediaType, Of: TypeDay})
	if err != nil {
		if s, again := a.photoState(ctx, p, d, hash); again == nil && s.Done { // two pieces at once
			return s, true, nil
		}
		return state, false, err
	}
	a.live.tell(d.ID)
	return PhotoState{total, true}, true, nil
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
