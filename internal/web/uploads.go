package web

import (
	"encoding/json"
	"log/slog"
	"sync"
	"time"

	"sapward/internal/app"
)

// upload is a file between its preview and its import.
type upload struct {
	name, block, kind, person string
	data                      []byte
	at                        time.Time
}

// Bounds of the files kept between preview and import (program defaults). A
// single server keeps them in memory; servers that share their facts keep them
// in the database, so that the import may come to another than the preview.
const (
	mostUploads    = 6  // in memory
	mostOwnUploads = 3  // of one person, in the database
	mostAllUploads = 24 // in the database
	uploadMemory   = 20 * time.Minute
)

// waitingUpload is the kind of files between preview and import.
const waitingUpload = "import"

// uploadHead is what is kept with a file's bytes, in front of them, on one line.
type uploadHead struct{ Name, Block, Kind string }

// uploads keeps a few files in memory for a short while: a preview holds its
// file until it is imported, and nothing of it is on the disk before.
type uploads struct {
	mu   sync.Mutex
	kept map[string]upload
}

func (u *uploads) put(id string, f upload) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.kept == nil {
		u.kept = map[string]upload{}
	}
	oldest := ""
	for k, x := range u.kept {
		if f.at.Sub(x.at) > uploadMemory {
			delete(u.kept, k)
		} else if oldest == "" || x.at.Before(u.kept[oldest].at) {
			oldest = k
		}
	}
	if len(u.kept) >= mostUploads {
		delete(u.kept, oldest)
	}
	u.kept[id] = f
}

func (u *uploads) get(id, person string) (upload, bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	f, ok := u.kept[id]
	return f, ok && f.person == person
}

func (u *uploads) drop(id string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	delete(u.kept, id)
}

// wait keeps a file until its import.
func (s *Server) wait(c *call, token string, f upload) error {
	if s.app.Shared == nil {
		s.uploads.put(token, f)
		return nil
	}
	head, err := json.Marshal(uploadHead{f.name, f.block, f.kind})
	if err != nil {
		return err
	}
	w := app.Waiting{Kind: waitingUpload, Key: tokenHash(token), Owner: f.person, Until: s.app.Now().Add(uploadMemory), Data: append(append(head, '\n'), f.data...)}
	return s.app.Shared.KeepWaiting(c.r.Context(), w, mostOwnUploads, mostAllUploads)
}

// waiting finds a file of whoever asks.
func (s *Server) waiting(c *call, token string) (upload, bool, error) {
	if s.app.Shared == nil {
		f, ok := s.uploads.get(token, c.actor.Person)
		return f, ok, nil
	}
	if token == "" {
		return upload{}, false, nil
	}
	w, ok, err := s.app.Shared.Waiting(c.r.Context(), waitingUpload, tokenHash(token))
	if err != nil || !ok || w.Owner != c.actor.Person {
		return upload{}, false, err
	}
	n := 0
	for n < len(w.Data) && w.Data[n] != '\n' { // JSON has no line break inside
		n++
	}
	var head uploadHead
	if n == len(w.Data) || json.Unmarshal(w.Data[:n], &head) != nil {
		return upload{}, false, nil
	}
	return upload{name: head.Name, block: head.Block, kind: head.Kind, person: w.Owner, data: w.Data[n+1:]}, true, nil
}

// waited lets a file go. That it could not be is no fault: it expires.
func (s *Server) waited(c *call, token string) {
	s.uploads.drop(token)
	if s.app.Shared == nil {
		return
	}
	if err := s.app.Shared.DropWaiting(c.r.Context(), waitingUpload, tokenHash(token)); err != nil {
		s.log.Warn("a file that was imported stays until it expires", slog.Any("err", err))
	}
}
