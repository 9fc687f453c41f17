package app

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"time"

	"sapward/apply/fieldlog"
	"sapward/finding"
)

// Note keeps one thing that was noted at a desk: a decision between two notes, a
// slip taken back. The writer's identifiers, instants and order are made here.
//
// Errors: finding.Faults of what stands against it, or of Event.Check.
func (a *App) Note(ctx context.Context, actor Actor, id string, n fieldlog.Event, entered bool) (fieldlog.Event, error) {
	if err := a.mayOn(ctx, actor, "Note", TypeDay, id); err != nil {
		return n, err
	}
	out, err := a.noteAll(ctx, actor, id, []fieldlog.Event{n}, entered)
	if err != nil {
		return n, err
	}
	return out[0], nil
}

// NoteAll keeps the lines of a field sheet, typed in afterwards: all of them or
// none. At is when it happened, as the paper says; each is marked with when it
// was entered.
//
// Errors: as Note.
func (a *App) NoteAll(ctx context.Context, actor Actor, id string, notes []fieldlog.Event) ([]fieldlog.Event, error) {
	if err := a.mayOn(ctx, actor, "NoteAll", TypeDay, id); err != nil {
		return nil, err
	}
	return a.noteAll(ctx, actor, id, notes, true)
}

func (a *App) noteAll(ctx context.Context, actor Actor, id string, notes []fieldlog.Event, entered bool) ([]fieldlog.Event, error) {
	d, err := get[DayFacts](ctx, a.Store, TypeDay, id)
	if err != nil {
		return nil, err
	}
	for _, n := range notes {
		if (n.Kind == fieldlog.Decide || n.Kind == fieldlog.Void) && !a.MayDo(ctx, actor, "CloseDay", d.Estate) {
			return nil, denied(Permissions["CloseDay"].least)
		}
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, d.Estate)
	if err != nil {
		return nil, err
	}
	desk, err := a.desk(unmarked(ctx), actor, d) // no answer to a request
	if err != nil {
		return nil, err
	}
	a.desks.Lock() // one writer of desk notes: their numbers have no gaps
	defer a.desks.Unlock()
	for try := 1; ; try++ { // again where the same person wrote on another server meanwhile
		out, err := a.noteOnce(ctx, actor, d, e, desk, notes, entered)
		if !errors.Is(err, errDeskMoved) || try == 20 {
			return out, err
		}
	}
}

// errDeskMoved says that a desk's notes have gone on since its log was read.
var errDeskMoved = errors.New("the desk's notes have gone on")

func (a *App) noteOnce(ctx context.Context, actor Actor, d FieldDay, e Estate, desk Phone, notes []fieldlog.Event, entered bool) ([]fieldlog.Event, error) {
	l, err := a.logOf(ctx, d)
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	log := l.copy() // each note is judged on what the notes before it made
	taken := l.taken
	l.mu.Unlock()
	now := a.Now().In(e.Facts.Location()).Format("2006-01-02T15:04:05.000Z07:00")
	var faults finding.Faults
	out := make([]fieldlog.Event, 0, len(notes))
	for _, n := range notes {
		n.ID, n.Device, n.Seq = a.NewID(), desk.ID, log.Last(desk.ID)+1
		if n.Person == "" {
			n.Person = orElse(actor.Person, LocalPerson)
		}
		if entered {
			n.EnteredAt = now
		}
		if n.At = strings.TrimSpace(n.At); n.At == "" || !entered {
			n.At = now
		}
		// A line of paper says what has happened: only what cannot be is refused.
		for _, f := range log.Judge(n).Against {
			if !entered || impossible[f.ID] {
				faults = append(faults, &finding.Fault{Class: finding.Usage, ID: f.ID, Args: f.Args})
			}
		}
		n, err := log.Write(n)
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
			continue
		}
		if _, err := log.Add(n); err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	if err := faults.OrNil(); err != nil {
		return nil, err
	}
	_, refused, err := a.keepNotes(ctx, orElse(actor.Person, LocalPerson), d, out, "", func(tx Tx) error { return deskStands(ctx, tx, d.ID, desk.ID, taken) })
	if err == nil && len(refused) > 0 {
		err = refused[0].Faults
	}
	if err == nil {
		a.live.tell(d.ID)
	}
	return out, err
}

// deskStands reports an error where a desk noted something after an event.
func deskStands(ctx context.Context, tx Tx, day, desk string, after int64) error {
	for {
		events, err := tx.EventsAfter(ctx, TypeNote, day, after, mostOthers)
		if err != nil {
			return err
		}
		for _, e := range events {
			after = e.Seq
			var n struct {
				Device string `json:"device"`
			}
			if err := json.Unmarshal(e.Body, &n); err != nil {
				return damaged(err)
			}
			if n.Device == desk {
				return errDeskMoved
			}
		}
		if len(events) < mostOthers {
			return nil
		}
	}
}

// impossible are findings that no paper can overrule.
var impossible = map[string]bool{"event-no-tree": true, "event-no-port": true, "left-more-than-loaded": true, "lost-more-than-loaded": true, "hole-number-taken": true, "hole-place-unclear": true}

// desk is the device under which a person's desk notes of a day run.
func (a *App) desk(ctx context.Context, actor Actor, d FieldDay) (Phone, error) {
	who := orElse(actor.Person, LocalPerson)
	all, err := list[PhoneFacts](ctx, a.Store, Query{Type: TypePhone, Parent: d.ID})
	if err != nil {
		return Phone{}, err
	}
	for _, p := range all {
		if p.Facts.Desk && p.Facts.Account == who {
			return p, nil
		}
	}
	id := a.NewID()
	return add(ctx, a, actor, Change{Type: TypePhone, ID: id, Estate: d.Estate, Parent: d.ID, Sort: id}, PhoneFacts{Desk: true, Account: who, Name: who})
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// hub tells boards that something was noted. A board that is slow to listen
// misses nothing: it reads the whole day when told.
type hub struct {
	mu    sync.Mutex
	boxes map[string]map[chan struct{}]bool
}

// tell wakes the boards of a day; an empty day is all of them.
func (h *hub) tell(day string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for d, boxes := range h.boxes {
		if d != day && day != "" {
			continue
		}
		for c := range boxes {
			select {
			case c <- struct{}{}:
			default:
			}
		}
	}
}

// WatchDay returns a channel on which something is sent whenever something was
// noted on a day, here or on another server of the same database; it is closed
// when the context ends. While news from other servers do not arrive, a look at
// the day every few seconds stands in for them.
func (a *App) WatchDay(ctx context.Context, actor Actor, id string) (<-chan struct{}, error) {
	if err := a.mayOn(ctx, actor, "WatchDay", TypeDay, id); err != nil {
		return nil, err
	}
	box := make(chan struct{}, 1)
	h := &a.live
	h.mu.Lock()
	if h.boxes == nil {
		h.boxes = map[string]map[chan struct{}]bool{}
	}
	if h.boxes[id] == nil {
		h.boxes[id] = map[chan struct{}]bool{}
	}
	h.boxes[id][box] = true
	h.mu.Unlock()
	out := make(chan struct{}, 1)
	go func() {
		defer close(out)
		defer func() {
			h.mu.Lock()
			if delete(h.boxes[id], box); len(h.boxes[id]) == 0 {
				delete(h.boxes, id)
			}
			h.mu.Unlock()
		}()
		last := a.lastOf(ctx, id)
		tick := time.NewTicker(lookAgain)
		defer tick.Stop()
		for n := 1; ; n++ {
			select {
			case <-ctx.Done():
				return
			case <-box:
			case <-tick.C:
				if a.others && a.News.Hearing() && n%10 != 0 {
					continue
				}
				if now := a.lastOf(ctx, id); now == last {
					continue
				} else {
					last = now
				}
			}
			select {
			case out <- struct{}{}:
			default:
			}
		}
	}()
	return out, nil
}

// lookAgain is how often a board looks by itself (program default); with news
// from other servers a tenth as often.
const lookAgain = 3 * time.Second

// lastOf is the number of the last event of a day.
func (a *App) lastOf(ctx context.Context, day string) int64 {
	es, err := a.Store.Events(ctx, EventQuery{Entity: day, Limit: 1})
	if err != nil || len(es) == 0 {
		return 0
	}
	return es[0].Seq
}
