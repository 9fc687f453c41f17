package app

import (
	"context"
	"strings"
	"time"

	"sapward/finding"
)

// EstateFacts are the facts of an estate.
type EstateFacts struct {
	Name      string `json:"name"`
	Zone      string `json:"zone"`                // IANA zone the estate's times are in, such as Europe/Madrid
	Territory string `json:"territory,omitempty"` // where it lies, as registrations name it
	Address   string `json:"address,omitempty"`
	Note      string `json:"note,omitempty"`
}

// Estate is an estate as it is kept.
type Estate = Kept[EstateFacts]

// tidy trims and checks the facts.
func (f *EstateFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "name", &f.Name, 80)
	need(&faults, "name", f.Name)
	words(&faults, "territory", &f.Territory, 40)
	words(&faults, "address", &f.Address, 400)
	words(&faults, "note", &f.Note, 4000)
	if f.Zone = strings.TrimSpace(f.Zone); f.Zone == "" {
		f.Zone = "UTC"
	}
	if _, err := time.LoadLocation(f.Zone); err != nil || f.Zone == "Local" {
		faults = append(faults, usage("option-zone", finding.Args{"text": finding.Text(f.Zone)}))
	}
	return faults.OrNil()
}

// Location is the estate's zone.
func (f EstateFacts) Location() *time.Location {
	if l, err := time.LoadLocation(f.Zone); err == nil {
		return l
	}
	return time.UTC
}

// EstateLine is one estate of a list.
type EstateLine struct {
	Estate
	Role   Role
	Blocks int
	Trees  int
	Due    int // items due today or overdue
}

// EstateView is an estate with its blocks.
type EstateView struct {
	Estate
	Role   Role
	Blocks []BlockLine
}

// Estates returns the estates that the actor has a role on, by name.
func (a *App) Estates(ctx context.Context, actor Actor) ([]EstateLine, error) {
	if err := a.may(ctx, actor, "Estates", ""); err != nil {
		return nil, err
	}
	estates, err := list[EstateFacts](ctx, a.Store, Query{Type: TypeEstate})
	if err != nil {
		return nil, err
	}
	out := []EstateLine{}
	for _, e := range estates {
		role, err := a.role(ctx, a.Store, actor, e.ID)
		if err != nil {
			return nil, err
		}
		if role == Nobody {
			continue
		}
		line := EstateLine{Estate: e, Role: role}
		blocks, err := a.blockLines(ctx, e.ID)
		if err != nil {
			return nil, err
		}
		line.Blocks = len(blocks)
		for _, b := range blocks {
			line.Trees += b.Count.Trees
		}
		due, err := a.due(ctx, e)
		if err != nil {
			return nil, err
		}
		for _, d := range due {
			if d.Overdue {
				line.Due++
			}
		}
		out = append(out, line)
	}
	return out, nil
}

// Estate returns an estate with its blocks.
func (a *App) Estate(ctx context.Context, actor Actor, id string) (EstateView, error) {
	if err := a.mayOn(ctx, actor, "Estate", TypeEstate, id); err != nil {
		return EstateView{}, err
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, id)
	if err != nil {
		return EstateView{}, err
	}
	role, err := a.role(ctx, a.Store, actor, id)
	if err != nil {
		return EstateView{}, err
	}
	blocks, err := a.blockLines(ctx, id)
	return EstateView{Estate: e, Role: role, Blocks: blocks}, err
}

// AddEstate keeps a new estate.
func (a *App) AddEstate(ctx context.Context, actor Actor, f EstateFacts) (Estate, error) {
	if err := a.may(ctx, actor, "AddEstate", ""); err != nil {
		return Estate{}, err
	}
	if actor.Only != "" {
		return Estate{}, denied(Owner)
	}
	if err := f.tidy(); err != nil {
		return Estate{}, err
	}
	all, err := a.everywhere(ctx, actor)
	if err != nil {
		return Estate{}, err
	}
	id := a.NewID()
	var out Estate
	err = a.Store.InTx(ctx, func(tx Tx) error {
		var err error
		if out, err = write(ctx, tx, actor, Change{Type: TypeEstate, Verb: Added, ID: id, Estate: id, Sort: SortKey(f.Name), Version: 1}, f); err != nil || all == Owner {
			return err
		}
		// Who owns another estate owns this one too, and nobody else does yet.
		_, err = write(ctx, tx, actor, Change{Type: TypeMembership, Verb: Added, ID: membershipID(actor.Person, id), Estate: id, Parent: actor.Person, Version: 1}, MembershipFacts{Role: Owner})
		return err
	})
	return out, err
}

// ChangeEstate keeps new facts of an estate.
func (a *App) ChangeEstate(ctx context.Context, actor Actor, id string, version int, f EstateFacts, reason string) (Estate, error) {
	if err := a.mayOn(ctx, actor, "ChangeEstate", TypeEstate, id); err != nil {
		return Estate{}, err
	}
	if err := f.tidy(); err != nil {
		return Estate{}, err
	}
	return change(ctx, a, actor, TypeEstate, Changed, id, version, SortKey(f.Name), reason, f)
}

// RetireEstate takes an estate out of the lists; its facts stay.
func (a *App) RetireEstate(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireEstate", TypeEstate, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeEstate, id, version, reason)
}

// SortKey orders names as people do: without case, and numbers by their value,
// so that T9 stands before T10.
func SortKey(s string) string {
	var b strings.Builder
	digits := 0 // of the run being read
	flush := func(run string) {
		run = strings.TrimLeft(run, "0")
		if n := len(run); n < 12 {
			b.WriteString("000000000000"[n:])
		}
		b.WriteString(run)
	}
	for i := 0; i <= len(s); i++ {
		if i < len(s) && s[i] >= '0' && s[i] <= '9' {
			digits++
			continue
		}
		if digits > 0 {
			flush(s[i-digits : i])
			digits = 0
		}
		if i < len(s) {
			c := s[i]
			if c >= 'A' && c <= 'Z' {
				c += 'a' - 'A'
			}
			b.WriteByte(c)
		}
	}
	return b.String()
}
