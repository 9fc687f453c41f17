package app

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"sort"
	"strings"

	"sapward/apply/fieldlog"
	"sapward/finding"
)

// PhoneFileSchema names the form of the file a phone saves.
const PhoneFileSchema = "sapward/phone-export/1"

// phoneFile is what a phone saves when it cannot send: its notes word by word,
// and its pictures by name, with or without their bytes.
type phoneFile struct {
	Schema string            `json:"schema"`
	Device string            `json:"device"`
	Person string            `json:"person"`
	MadeAt string            `json:"made_at"`
	Events []json.RawMessage `json:"events"`
	Photos []filePhoto       `json:"photos"`
}

type filePhoto struct {
	SHA256 string `json:"sha256"`
	Tree   string `json:"tree"`
	Bytes  int64  `json:"bytes"`
	Type   string `json:"type"`
	Base64 string `json:"base64"`
}

// FileOwner is a phone whose notes are in a file. A phone that joined its day
// again under another identifier is there twice.
type FileOwner struct {
	Device  string
	Name    string // of the person of the day
	Revoked bool
	Notes   int // of this day in the file
	New     int
}

// FileDay is another day that a file speaks of.
type FileDay struct {
	ID    string
	On    string // empty: this server has no such day, or the actor may not see it
	Notes int
}

// FilePictures counts the pictures that a file's notes speak of.
type FilePictures struct {
	Named   int // by notes of this day
	Here    int // on the server already
	New     int // in the file, to be taken
	Missing int // neither here nor in the file: still on the phone
	Refused []RefusedNote
}

// PhoneFileView says what a phone's file holds for a day. Nothing of it is kept
// until TakePhoneFile.
type PhoneFileView struct {
	SHA256    string // of the file
	MadeAt    string // by the phone's clock
	Owners    []FileOwner
	Notes     int // of this day in the file
	Same      int // kept already
	New       int
	Refused   []RefusedNote
	OtherDays []FileDay
	Conflicts []fieldlog.Conflict // that would come with the new notes
	Pictures  FilePictures
	First     string // instants of the first and last new note, by the phone's clock
	Last      string

	notes    []fieldlog.Event // that can be kept, new and known
	pictures []filePicture
}

type filePicture struct {
	hash, media, device string
	data                []byte
}

// PreviewPhoneFile reads a file that a phone of a day saved and says what is in
// it, what is here already, and what would not be taken and why.
//
// Errors: phone-file-form, phone-file-cut, phone-file-schema, phone-file-empty.
func (a *App) PreviewPhoneFile(ctx context.Context, actor Actor, day string, data []byte) (PhoneFileView, error) {
	if err := a.mayOn(ctx, actor, "PreviewPhoneFile", TypeDay, day); err != nil {
		return PhoneFileView{}, err
	}
	d, err := get[DayFacts](ctx, a.Store, TypeDay, day)
	if err != nil {
		return PhoneFileView{}, err
	}
	return a.readPhoneFile(ctx, actor, d, data)
}

// TakePhoneFile keeps what PreviewPhoneFile showed, under the rules of
// PhoneExchange: what is here already changes nothing, each note keeps the
// phone's own clock and order, and contradictions stand until somebody decides.
// Each event of the store says that it came by a file and by whom. Taken twice,
// a file changes nothing.
//
// Errors: as PreviewPhoneFile.
func (a *App) TakePhoneFile(ctx context.Context, actor Actor, day string, data []byte) (PhoneFileView, error) {
	if err := a.mayOn(ctx, actor, "TakePhoneFile", TypeDay, day); err != nil {
		return PhoneFileView{}, err
	}
	d, err := get[DayFacts](ctx, a.Store, TypeDay, day)
	if err != nil {
		return PhoneFileView{}, err
	}
	v, err := a.readPhoneFile(ctx, actor, d, data)
	if err != nil {
		return v, err
	}
	_, refused, err := a.keepNotes(ctx, actor.Person, d, v.notes, byFile(v.SHA256), nil)
	if err != nil {
		return v, err
	}
	for _, r := range refused { // somebody was quicker with other contents
		if !slices.ContainsFunc(v.Refused, func(x RefusedNote) bool { return x.ID == r.ID }) {
			v.Refused = append(v.Refused, r)
			v.New--
		}
	}
	for _, p := range v.pictures {
		switch err := a.takePicture(ctx, actor, d, p, byFile(v.SHA256)); {
		case err == nil:
		case isUsage(err):
			v.Pictures.New--
			v.Pictures.Refused = append(v.Pictures.Refused, RefusedNote{p.hash, finding.AsFaults(err)})
		default:
			return v, err
		}
	}
	a.live.tell(d.ID)
	return v, nil
}

// byFile is how a note's way is kept: the reason of its event in the store.
func byFile(sum string) string { return "by file " + sum }

func isByFile(e Event) bool { return strings.HasPrefix(e.Reason, byFile("")) }

func isUsage(err error) bool {
	fs := finding.AsFaults(err)
	return len(fs) > 0 && !slices.ContainsFunc(fs, func(f *finding.Fault) bool {
		return f.Class != finding.Usage && f.Class != finding.BadInput
	})
}

func (a *App) readPhoneFile(ctx context.Context, actor Actor, d FieldDay, data []byte) (PhoneFileView, error) {
	sum := sha256.Sum256(data)
	v := PhoneFileView{SHA256: hex.EncodeToString(sum[:]), Refused: []RefusedNote{}}
	f, err := openPhoneFile(data)
	if err != nil {
		return v, err
	}
	v.MadeAt = clip(f.MadeAt)
	phones, err := a.phones(ctx, d.ID)
	if err != nil {
		return v, err
	}
	known := map[string]Phone{}
	for _, p := range phones {
		if p.Facts.JoinedAt != "" {
			known[p.ID] = p
		}
	}
	l, err := a.logOf(ctx, d)
	if err != nil {
		return v, err
	}
	l.mu.Lock()
	log := l.copy()
	l.mu.Unlock()
	before := log.Day()

	owners, days := map[string]*FileOwner{}, map[string]*FileDay{}
	named := map[string]string{} // pictures by the device of their note
	seen := map[string]bool{}
	for _, raw := range f.Events {
		n, err := readNote(raw)
		if n.Day != d.ID && err == nil {
			if days[n.Day] == nil {
				days[n.Day] = &FileDay{ID: n.Day}
			}
			days[n.Day].Notes++
			continue
		}
		v.Notes++
		p, here := known[n.Device]
		switch {
		case err != nil:
		case !here:
			err = usage("note-phone-unknown", finding.Args{"device": finding.Text(clip(n.Device))})
		case n.Person != p.Facts.Person:
			err = usage("note-person-other", finding.Args{"name": finding.Text(p.Facts.Name)})
		}
		if err != nil {
			v.Refused = append(v.Refused, RefusedNote{n.ID, finding.AsFaults(err)})
			continue
		}
		o := owners[n.Device]
		if o == nil {
			o = &FileOwner{Device: n.Device, Name: p.Facts.Name, Revoked: p.Facts.RevokedAt != ""}
			owners[n.Device] = o
		}
		o.Notes++
		text, err := n.Canonical()
		if err != nil {
			return v, err
		}
		had, there := log.Has(n.ID)
		switch {
		case there && had != string(text):
			v.Refused = append(v.Refused, RefusedNote{n.ID, finding.Faults{usage("note-twice", nil)}})
			continue
		case there:
			if !seen[n.ID] {
				v.Same++
			}
		default:
			if _, err := log.Add(n); err != nil {
				return v, err
			}
			v.New++
			o.New++
			if v.First == "" || earlier(n.At, v.First) {
				v.First = n.At
			}
			if v.Last == "" || earlier(v.Last, n.At) {
				v.Last = n.At
			}
			v.notes = append(v.notes, n)
		}
		seen[n.ID] = true
		if n.Kind == fieldlog.Photo {
			named[n.Photo] = n.Device
		}
	}
	if v.Notes == 0 && len(days) == 0 {
		return v, usage("phone-file-empty", nil)
	}
	for _, o := range owners {
		v.Owners = append(v.Owners, *o)
	}
	sort.Slice(v.Owners, func(i, k int) bool { return v.Owners[i].Device < v.Owners[k].Device })
	for _, x := range days {
		if a.mayOn(ctx, actor, "Day", TypeDay, x.ID) == nil {
			if other, err := get[DayFacts](ctx, a.Store, TypeDay, x.ID); err == nil {
				x.On = other.Facts.On
			}
		}
		v.OtherDays = append(v.OtherDays, *x)
	}
	sort.Slice(v.OtherDays, func(i, k int) bool { return v.OtherDays[i].ID < v.OtherDays[k].ID })
	v.Conflicts = newConflicts(before.Conflicts, log.Day().Conflicts)
	return v, a.readFilePictures(ctx, d, &v, f.Photos, named)
}

// openPhoneFile takes a file apart; what is wrong with it is one fault.
func openPhoneFile(data []byte) (f phoneFile, err error) {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if len(bytes.TrimSpace(data)) == 0 {
		return f, usage("phone-file-form", nil)
	}
	err = json.Unmarshal(data, &f)
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &syntax) && syntax.Offset >= int64(len(bytes.TrimRight(data, " \r\n\t"))) && bytes.Contains(data[:min(len(data), 200)], []byte("sapward/phone-export")):
		return f, usage("phone-file-cut", nil)
	case err != nil || !strings.HasPrefix(f.Schema, "sapward/phone-export/"):
		return f, usage("phone-file-form", nil)
	case f.Schema != PhoneFileSchema:
		return f, usage("phone-file-schema", finding.Args{"schema": finding.Text(clip(f.Schema))})
	}
	return f, nil
}

func earlier(a, b string) bool {
	x, _ := fieldlog.Instant(a)
	y, _ := fieldlog.Instant(b)
	return x.Before(y)
}

// newConflicts are those that were not there before, or have grown.
func newConflicts(before, after []fieldlog.Conflict) (out []fieldlog.Conflict) {
	had := map[string]bool{}
	for _, k := range before {
		had[strings.Join(k.IDs, " ")] = true
	}
	for _, k := range after {
		if !had[strings.Join(k.IDs, " ")] {
			out = append(out, k)
		}
	}
	return out
}

// readFilePictures sorts the pictures that the file's notes name into those
// that are here, those the file brings, and those still on the phone.
func (a *App) readFilePictures(ctx context.Context, d FieldDay, v *PhoneFileView, list []filePhoto, named map[string]string) error {
	v.Pictures.Named = len(named)
	in := map[string]filePhoto{}
	for _, p := range list {
		if p.Base64 != "" {
			in[p.SHA256] = p
		}
	}
	hashes := make([]string, 0, len(named))
	for h := range named {
		hashes = append(hashes, h)
	}
	sort.Strings(hashes)
	for _, h := range hashes {
		if s, err := a.Store.State(ctx, TypeAttachment, photoID(d.ID, h)); err == nil && s.Retired == "" {
			v.Pictures.Here++
			continue
		} else if err != nil && !isMissing(err) {
			return err
		}
		p, ok := in[h]
		if !ok {
			v.Pictures.Missing++
			continue
		}
		pic, err := p.open(named[h])
		if err != nil {
			v.Pictures.Refused = append(v.Pictures.Refused, RefusedNote{h, finding.AsFaults(err)})
			continue
		}
		v.Pictures.New++
		v.pictures = append(v.pictures, pic)
	}
	return nil
}

// open checks a picture's bytes against its name.
func (p filePhoto) open(device string) (filePicture, error) {
	data, err := base64.StdEncoding.DecodeString(p.Base64)
	sum := sha256.Sum256(data)
	media := http.DetectContentType(data)
	switch {
	case err != nil || hex.EncodeToString(sum[:]) != p.SHA256:
		return filePicture{}, usage("photo-damaged", nil)
	case len(data) == 0 || len(data) > MaxPhoto:
		return filePicture{}, usage("photo-size", finding.Args{"mb": finding.Count(MaxPhoto >> 20)})
	case photoExt[media] == "":
		return filePicture{}, usage("attachment-type", finding.Args{"type": finding.Text(clip(media))})
	}
	return filePicture{p.SHA256, media, device, data}, nil
}

// takePicture keeps a picture of a file beside its day.
func (a *App) takePicture(ctx context.Context, actor Actor, d FieldDay, p filePicture, reason string) error {
	if s, err := a.Store.State(ctx, TypeAttachment, photoID(d.ID, p.hash)); err == nil && s.Retired == "" {
		return nil
	}
	if err := a.roomFor(ctx, d.ID, p.device, p.hash, int64(len(p.data))); err != nil {
		return err
	}
	f, err := a.Store.PutFile(ctx, bytes.NewReader(p.data), MaxPhoto)
	if err != nil {
		return err
	}
	return a.keepPhoto(ctx, actor, d, p.device, p.media, f, reason)
}
