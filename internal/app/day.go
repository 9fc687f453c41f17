package app

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"strings"
	"sync"
	"time"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/plan/crew"
)

// DayFacts are a day at the trees: an approved plan, the morning's gate, the
// people and the trees. What happened is kept apart, note by note.
type DayFacts struct {
	On       string            `json:"on"`
	Number   int               `json:"number"` // of the plan's days
	People   []fieldlog.Person `json:"people"`
	Trees    []string          `json:"trees"` // tags
	Gate     string            `json:"gate"`
	Pack     File              `json:"pack"` // what phones carry
	Packed   int               `json:"packed"`
	ClosedAt string            `json:"closed_at,omitempty"` // RFC 3339
	Note     string            `json:"note,omitempty"`
	Ends     string            `json:"planned_end,omitempty"` // RFC 3339, by the plan's schedule; empty: it has none
}

// FieldDay is a day as it is kept. Its parent is the plan.
type FieldDay = Kept[DayFacts]

// DayLine is a day in a list.
type DayLine struct {
	FieldDay
	Notes int // noted so far
}

// DayView is a day with its log.
type DayView struct {
	FieldDay
	Plan    PlanFacts
	Block   Block
	Estate  Estate
	Role    Role
	Pack    *fieldlog.Pack
	State   fieldlog.DayState
	Log     *fieldlog.Log // a copy of the caller's own; Tree and Events may be asked
	Phones  []Phone
	Photos  map[string]bool // by SHA-256: here already
	ByFile  map[string]bool // notes that came by a phone's file
	Record  string          // the record made from the day, if there is one
	Checked time.Time

	Forecast fieldlog.Forecast // when it will be finished, of an open day; no promise
}

// DayOrder is what OpenDay is told.
type DayOrder struct {
	On     string   // day of work; empty: the plan's
	Number int      // day of the plan's schedule, from 1; 0: all trees
	People []string // names or roles, in the order of the plan's crew
	Trees  []string // tags; none: those of the day
	Note   string
}

// Most of what a day may hold (program defaults).
const (
	maxDayPeople = 60
	maxDayTrees  = 5000
)

// OpenDay opens a day from an approved plan whose gate was answered and says
// go. Phones can then join.
func (a *App) OpenDay(ctx context.Context, actor Actor, plan string, order DayOrder) (FieldDay, error) {
	var out FieldDay
	if err := a.mayOn(ctx, actor, "OpenDay", TypePlan, plan); err != nil {
		return out, err
	}
	v, err := a.Plan(ctx, actor, plan)
	if err != nil {
		return out, err
	}
	f := DayFacts{On: orElse(strings.TrimSpace(order.On), v.Facts.On), Number: order.Number, Note: order.Note, Packed: 1, People: []fieldlog.Person{}}
	var faults finding.Faults
	day(&faults, "on", &f.On)
	words(&faults, "note", &f.Note, 2000)
	if v.Retired {
		faults = append(faults, usage("day-withdrawn", nil))
	}
	for i := len(v.Gates) - 1; i >= 0 && f.Gate == ""; i-- {
		if g := v.Gates[i]; g.Facts.Doc.On == f.On {
			if g.Facts.Doc.Verdict.Outcome != crew.Go {
				break
			}
			f.Gate = g.ID
		}
	}
	if f.Gate == "" {
		faults = append(faults, usage("day-gate", finding.Args{"on": finding.Text(f.On)}))
	}
	for _, name := range order.People {
		if name = strings.TrimSpace(name); name == "" {
			continue
		}
		words(&faults, "name", &name, 80)
		f.People = append(f.People, fieldlog.Person{ID: a.NewID(), Name: name, Role: "crew"})
	}
	if len(f.People) == 0 || len(f.People) > maxDayPeople {
		faults = append(faults, usage("day-people", finding.Args{"most": finding.Count(maxDayPeople)}))
	}
	if err := faults.OrNil(); err != nil {
		return out, err
	}
	id := a.NewID()
	if err := a.packDay(ctx, v, id, &f, order.Trees); err != nil {
		return out, err
	}
	return add(ctx, a, actor, Change{Type: TypeDay, ID: id, Estate: v.Estate.ID, Parent: plan, Sort: f.On + " " + id}, f)
}

// packDay works out what phones carry and keeps it as a file.
func (a *App) packDay(ctx context.Context, v PlanView, id string, f *DayFacts, tags []string) error {
	pack, err := a.pack(v, id, *f, tags)
	if err != nil {
		return err
	}
	f.Trees = []string{}
	for _, t := range pack.Trees {
		f.Trees = append(f.Trees, t.Tag)
	}
	if len(f.Trees) == 0 || len(f.Trees) > maxDayTrees {
		return usage("day-trees", finding.Args{"most": finding.Count(maxDayTrees)})
	}
	if set, err := a.settings(ctx); err == nil {
		pack.Units = orElse(set.Facts.Units, "metric")
	}
	f.Ends = plannedEnd(v, *f)
	data, err := json.Marshal(pack)
	if err != nil {
		return damaged(err)
	}
	f.Pack, err = a.Store.PutFile(ctx, bytes.NewReader(data), 1<<28)
	return err
}

// plannedEnd is when the plan's schedule has the day finished, on the day's own
// date; empty where the schedule says nothing of this day.
func plannedEnd(v PlanView, f DayFacts) string {
	if v.Doc.Outfit == nil {
		return ""
	}
	zone := v.Estate.Facts.Location()
	on, err := time.ParseInLocation(time.DateOnly, f.On, zone)
	if err != nil {
		return ""
	}
	for _, d := range v.Doc.Schedule.Days {
		if d.Number == f.Number || f.Number == 0 && len(v.Doc.Schedule.Days) == 1 {
			at := d.Finish.In(zone)
			return time.Date(on.Year(), on.Month(), on.Day(), at.Hour(), at.Minute(), at.Second(), 0, zone).Format(time.RFC3339)
		}
	}
	return ""
}

// Days returns the days of a plan, newest first.
func (a *App) Days(ctx context.Context, actor Actor, plan string) ([]DayLine, error) {
	if err := a.mayOn(ctx, actor, "Days", TypePlan, plan); err != nil {
		return nil, err
	}
	days, err := list[DayFacts](ctx, a.Store, Query{Type: TypeDay, Parent: plan})
	if err != nil {
		return nil, err
	}
	out := []DayLine{}
	for i := len(days) - 1; i >= 0; i-- {
		l, err := a.logOf(ctx, days[i])
		if err != nil {
			return nil, err
		}
		l.mu.Lock()
		n := l.log.Len()
		l.mu.Unlock()
		out = append(out, DayLine{days[i], n})
	}
	return out, nil
}

// Day returns a day with everything noted so far.
func (a *App) Day(ctx context.Context, actor Actor, id string) (DayView, error) {
	var v DayView
	if err := a.mayOn(ctx, actor, "Day", TypeDay, id); err != nil {
		return v, err
	}
	return a.day(ctx, actor, id)
}

func (a *App) day(ctx context.Context, actor Actor, id string) (v DayView, err error) {
	if v.FieldDay, err = get[DayFacts](ctx, a.Store, TypeDay, id); err != nil {
		return v, err
	}
	p, err := get[PlanFacts](ctx, a.Store, TypePlan, v.Parent)
	if err != nil {
		return v, err
	}
	v.Plan = p.Facts
	if v.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, p.Parent); err != nil {
		return v, err
	}
	if v.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, v.Block.Parent); err != nil {
		return v, err
	}
	if v.Role, err = a.role(ctx, a.Store, actor, v.Estate.ID); err != nil {
		return v, err
	}
	if v.Phones, err = a.phones(ctx, id); err != nil {
		return v, err
	}
	l, err := a.logOf(ctx, v.FieldDay)
	if err != nil {
		return v, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	v.Pack, v.State = l.pack, l.log.Day()
	v.Log, v.ByFile = l.copy(), maps.Clone(l.byFile)
	v.Checked = a.Now()
	if v.Facts.ClosedAt == "" {
		end, _ := time.Parse(time.RFC3339, v.Facts.Ends)
		v.Forecast = fieldlog.Foresee(v.Log, v.Checked, end)
	}
	files, err := list[AttachmentFacts](ctx, a.Store, Query{Type: TypeAttachment, Parent: id})
	v.Photos = map[string]bool{}
	for _, f := range files {
		v.Photos[f.Facts.Hash] = true
	}
	if err == nil && v.Facts.ClosedAt != "" {
		v.Record, err = a.dayRecord(ctx, v.Block.ID, id)
	}
	return v, err
}

// ChangeDay changes people and trees of an open day; phones take the new pack
// with their next exchange. A person or tree that something was noted of stays.
func (a *App) ChangeDay(ctx context.Context, actor Actor, id string, version int, order DayOrder) (FieldDay, error) {
	var out FieldDay
	if err := a.mayOn(ctx, actor, "ChangeDay", TypeDay, id); err != nil {
		return out, err
	}
	d, err := get[DayFacts](ctx, a.Store, TypeDay, id)
	if err != nil {
		return out, err
	}
	if d.Facts.ClosedAt != "" {
		return out, usage("day-closed", nil)
	}
	v, err := a.Plan(ctx, actor, d.Parent)
	if err != nil {
		return out, err
	}
	f := d.Facts
	f.Packed++
	f.Note = order.Note
	var faults finding.Faults
	words(&faults, "note", &f.Note, 2000)
	known := map[string]fieldlog.Person{}
	for _, p := range f.People {
		known[p.Name] = p
	}
	people := []fieldlog.Person{}
	for _, name := range order.People {
		if name = strings.TrimSpace(name); name == "" {
			continue
		}
		words(&faults, "name", &name, 80)
		p, ok := known[name]
		if !ok {
			p = fieldlog.Person{ID: a.NewID(), Name: name, Role: "crew"}
		}
		delete(known, name)
		people = append(people, p)
	}
	l, err := a.logOf(ctx, d)
	if err != nil {
		return out, err
	}
	l.mu.Lock()
	for _, p := range l.log.Day().People {
		if k, gone := known[p.Name]; gone && p.LastAt != "" {
			people = append(people, k)
		}
	}
	l.mu.Unlock()
	f.People = people
	if len(f.People) == 0 || len(f.People) > maxDayPeople {
		faults = append(faults, usage("day-people", finding.Args{"most": finding.Count(maxDayPeople)}))
	}
	if err := faults.OrNil(); err != nil {
		return out, err
	}
	tags := order.Trees
	if len(tags) > 0 {
		l.mu.Lock()
		for _, t := range f.Trees {
			if s := l.log.Tree(t); s != nil && s.Events > 0 {
				tags = append(tags, t)
			}
		}
		l.mu.Unlock()
	}
	if err := a.packDay(ctx, v, id, &f, tags); err != nil {
		return out, err
	}
	out, err = change(ctx, a, actor, TypeDay, Changed, id, version, "", "", f)
	if err == nil {
		a.days.forget(id)
	}
	return out, err
}

// CloseDay ends a day: its record can be written. What phones still hold is
// taken later all the same and shown as late.
func (a *App) CloseDay(ctx context.Context, actor Actor, id string, version int) (FieldDay, error) {
	if err := a.mayOn(ctx, actor, "CloseDay", TypeDay, id); err != nil {
		return FieldDay{}, err
	}
	d, err := get[DayFacts](ctx, a.Store, TypeDay, id)
	if err != nil {
		return d, err
	}
	if d.Facts.ClosedAt != "" {
		return d, usage("day-closed", nil)
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, d.Estate)
	if err != nil {
		return d, err
	}
	d.Facts.ClosedAt = a.Now().In(e.Facts.Location()).Format(time.RFC3339)
	return change(ctx, a, actor, TypeDay, Changed, id, version, "", "", d.Facts)
}

// liveLog is a day's log in memory, kept up with the store by the number of the
// last event it took.
type liveLog struct {
	mu    sync.Mutex
	pack  *fieldlog.Pack
	log   *fieldlog.Log
	taken int64
	hash  string // of the pack's file

	byFile map[string]bool // notes that came by a file
}

// copy returns a log of its own with the same events.
func (l *liveLog) copy() *fieldlog.Log {
	out := fieldlog.NewLog(l.pack)
	for _, t := range l.pack.Trees {
		for _, e := range l.log.Events(t.Tag) {
			_, _ = out.Add(e)
		}
	}
	for _, e := range l.log.Events("") {
		_, _ = out.Add(e)
	}
	return out
}

// liveDays keeps the logs of the days last looked at.
type liveDays struct {
	mu    sync.Mutex
	logs  map[string]*liveLog
	order []string
}

const maxLiveDays = 16

func (d *liveDays) get(id string) *liveLog {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.logs[id]
}

func (d *liveDays) put(id string, l *liveLog) *liveLog {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.logs == nil {
		d.logs = map[string]*liveLog{}
	}
	if had := d.logs[id]; had != nil {
		return had
	}
	if len(d.order) == maxLiveDays {
		delete(d.logs, d.order[0])
		d.order = d.order[1:]
	}
	d.logs[id] = l
	d.order = append(d.order, id)
	return l
}

func (d *liveDays) forget(id string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.logs[id] != nil {
		delete(d.logs, id)
		for i, x := range d.order {
			if x == id {
				d.order = append(d.order[:i:i], d.order[i+1:]...)
				break
			}
		}
	}
}

// logOf returns a day's log, up to date with the store.
func (a *App) logOf(ctx context.Context, d FieldDay) (*liveLog, error) {
	l := a.days.get(d.ID)
	if l == nil || l.hash != d.Facts.Pack.Hash {
		if l != nil {
			a.days.forget(d.ID)
		}
		data, err := a.file(ctx, d.Facts.Pack.Hash)
		if err != nil {
			return nil, err
		}
		pack := &fieldlog.Pack{}
		if err := json.Unmarshal(data, pack); err != nil {
			return nil, damaged(err)
		}
		l = a.days.put(d.ID, &liveLog{pack: pack, log: fieldlog.NewLog(pack), hash: d.Facts.Pack.Hash, byFile: map[string]bool{}})
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for {
		events, err := a.Store.EventsAfter(ctx, TypeNote, d.ID, l.taken, 2000)
		if err != nil {
			return nil, err
		}
		for _, e := range events {
			var n fieldlog.Event
			if err := json.Unmarshal(e.Body, &n); err != nil {
				return nil, damaged(err)
			}
			if _, err := l.log.Add(n); err != nil {
				return nil, damaged(err)
			}
			if isByFile(e) {
				l.byFile[n.ID] = true
			}
			l.taken = e.Seq
		}
		if len(events) < 2000 {
			return l, nil
		}
	}
}
