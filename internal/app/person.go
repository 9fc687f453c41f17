package app

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
	"sync"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"sapward/finding"
)

// PersonFacts are a person who may sign in, or who is only named on cards.
type PersonFacts struct {
	Name     string `json:"name"`            // shown, and signed in with
	Lang     string `json:"lang,omitempty"`  // en, es; empty: the browser's
	Units    string `json:"units,omitempty"` // metric, us; empty: the settings'
	Theme    string `json:"theme,omitempty"` // light, dark; empty: the device's
	Password string `json:"password,omitempty"`
}

// Person is a person as it is kept.
type Person = Kept[PersonFacts]

// MembershipFacts are a person's role on one estate, or on all when the
// membership belongs to no estate.
type MembershipFacts struct {
	Role Role `json:"role"`
}

// Membership is a membership as it is kept. Its parent is the person.
type Membership = Kept[MembershipFacts]

// PersonView is a person with the roles.
type PersonView struct {
	Person
	SignsIn     bool
	Memberships []Membership
}

// argon is the cost of a passphrase: OWASP Password Storage Cheat Sheet's first
// choice for argon2id, 19 MiB, 2 passes, 1 lane (from memory).
const (
	argonMemoryKiB = 19 << 10
	argonPasses    = 2
	argonLanes     = 1
	argonKey       = 32
	argonSalt      = 16
)

// Bounds of a passphrase: at least 12 characters (OWASP ASVS 5.0, 6.2.1 asks for
// 8 and recommends 15; from memory), at most what a page may send.
const (
	minPassphrase = 12
	maxPassphrase = 256
)

// hashes bounds how many passphrases are worked on at once: each takes 19 MiB.
var hashes = make(chan struct{}, 2)

func hashPassphrase(random io.Reader, passphrase string) (string, error) {
	salt := make([]byte, argonSalt)
	if _, err := io.ReadFull(random, salt); err != nil {
		return "", err
	}
	hashes <- struct{}{}
	defer func() { <-hashes }()
	key := argon2.IDKey([]byte(passphrase), salt, argonPasses, argonMemoryKiB, argonLanes, argonKey)
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemoryKiB, argonPasses, argonLanes, b.EncodeToString(salt), b.EncodeToString(key)), nil
}

// checkPassphrase reports whether a passphrase is the one hashed.
func checkPassphrase(hash, passphrase string) bool {
	var version int
	var memory, passes uint32
	var lanes uint8
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil || memory > 1<<20 || passes > 16 || passes == 0 || lanes == 0 {
		return false
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	key, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(key) == 0 {
		return false
	}
	hashes <- struct{}{}
	defer func() { <-hashes }()
	got := argon2.IDKey([]byte(passphrase), salt, passes, memory, lanes, uint32(len(key)))
	return subtle.ConstantTimeCompare(got, key) == 1
}

// decoy is what a passphrase is checked against when nobody has the name, so
// that both answers take the same time.
var decoy = sync.OnceValue(func() string {
	h, _ := hashPassphrase(strings.NewReader(strings.Repeat("s", argonSalt)), "nobody has this passphrase")
	return h
})

func (a *App) passphrase(p string) (string, error) {
	switch n := utf8.RuneCountInString(p); {
	case n < minPassphrase || !utf8.ValidString(p):
		return "", usage("passphrase-short", finding.Args{"least": finding.Count(minPassphrase)})
	case n > maxPassphrase:
		return "", usage("field-long", finding.Args{"field_by": finding.Text("field-passphrase"), "most": finding.Count(maxPassphrase)})
	}
	return hashPassphrase(a.Random, p)
}

func (f *PersonFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "name", &f.Name, 80)
	need(&faults, "name", f.Name)
	choice(&faults, "lang", &f.Lang, "en", "es")
	choice(&faults, "units", &f.Units, "metric", "us")
	choice(&faults, "theme", &f.Theme, "light", "dark")
	if strings.EqualFold(f.Name, LocalPerson) {
		faults = append(faults, usage("person-name-taken", finding.Args{"name": finding.Text(f.Name)}))
	}
	return faults.OrNil()
}

// byName finds who signs in with a name.
func (a *App) byName(ctx context.Context, r Reader, name string) (Person, bool, error) {
	people, err := list[PersonFacts](ctx, r, Query{Type: TypePerson})
	if err != nil {
		return Person{}, false, err
	}
	for _, p := range people {
		if strings.EqualFold(p.Facts.Name, strings.TrimSpace(name)) {
			return p, true, nil
		}
	}
	return Person{}, false, nil
}

// nameOf is a person's name for display; the local actor keeps its identifier,
// which pages put into words.
func (a *App) nameOf(ctx context.Context, r Reader, id string) string {
	if p, err := get[PersonFacts](ctx, r, TypePerson, id); err == nil {
		return p.Facts.Name
	}
	return id
}

// Names returns the names of people by identifier, for lists.
func (a *App) names(ctx context.Context) (map[string]string, error) {
	people, err := list[PersonFacts](ctx, a.Store, Query{Type: TypePerson, Retired: true})
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, p := range people {
		out[p.ID] = p.Facts.Name
	}
	return out, nil
}

// Me returns who the actor is; the local actor and strangers have no facts.
func (a *App) Me(ctx context.Context, actor Actor) (PersonView, error) {
	if actor.Local || actor.Person == "" {
		return PersonView{Person: Person{Stamp: Stamp{ID: actor.Person}}}, nil
	}
	p, err := get[PersonFacts](ctx, a.Store, TypePerson, actor.Person)
	if err == nil && p.Retired {
		err = missing("person")
	}
	if err != nil {
		return PersonView{}, err
	}
	ms, err := list[MembershipFacts](ctx, a.Store, Query{Type: TypeMembership, Parent: p.ID})
	v := PersonView{Person: p, SignsIn: p.Facts.Password != "", Memberships: ms}
	v.Facts.Password = ""
	return v, err
}

// SignIn returns who has a name and passphrase. The fault says the same for a
// wrong name and a wrong passphrase, after the same time.
func (a *App) SignIn(ctx context.Context, _ Actor, name, passphrase string) (Actor, error) {
	p, found, err := a.byName(ctx, a.Store, name)
	if err != nil {
		return Actor{}, err
	}
	hash := decoy()
	if found && p.Facts.Password != "" {
		hash = p.Facts.Password
	}
	if len(passphrase) > 4*maxPassphrase || !checkPassphrase(hash, passphrase) || !found || p.Facts.Password == "" {
		return Actor{}, &finding.Fault{Class: finding.Denied, ID: "sign-in-wrong"}
	}
	return Actor{Person: p.ID}, nil
}

// ownerToken lets the first owner in. A single server keeps it in memory only, so
// that a token that was read over a shoulder dies with the process; servers that
// share their facts share its hash for a day, because the owner may come to any.
type ownerToken struct {
	mu   sync.Mutex
	hash []byte
}

// FirstOwnerToken makes the token that the server prints once when nobody can
// sign in yet; a later call makes the earlier token void. Once there is an
// owner it returns nothing.
func (a *App) FirstOwnerToken(ctx context.Context, actor Actor) (string, error) {
	if err := a.may(ctx, actor, "FirstOwnerToken", ""); err != nil {
		return "", err
	}
	has, err := a.hasOwner(ctx, a.Store)
	if err != nil || has {
		return "", err
	}
	secret := make([]byte, 20)
	if _, err := io.ReadFull(a.Random, secret); err != nil {
		return "", err
	}
	token := hex.EncodeToString(secret)
	sum := sha256.Sum256([]byte(token))
	if a.Shared != nil {
		w := Waiting{Kind: waitingOwner, Key: hex.EncodeToString(sum[:]), Until: a.Now().Add(ownerTokenLife)}
		return token, a.Shared.KeepWaiting(ctx, w, mostOwnerTokens, mostOwnerTokens)
	}
	a.token.mu.Lock()
	a.token.hash = sum[:]
	a.token.mu.Unlock()
	return token, nil
}

// tokenIs reports whether a token is one that was printed.
func (a *App) tokenIs(ctx context.Context, token string) (bool, error) {
	sum := sha256.Sum256([]byte(strings.TrimSpace(token)))
	if a.Shared != nil {
		_, ok, err := a.Shared.Waiting(ctx, waitingOwner, hex.EncodeToString(sum[:]))
		return ok, err
	}
	return a.token.hash != nil && subtle.ConstantTimeCompare(a.token.hash, sum[:]) == 1, nil
}

// hasOwner reports that somebody who can sign in owns everything.
func (a *App) hasOwner(ctx context.Context, r Reader) (bool, error) {
	people, err := list[PersonFacts](ctx, r, Query{Type: TypePerson})
	if err != nil {
		return false, err
	}
	for _, p := range people {
		if p.Facts.Password == "" {
			continue
		}
		ms, err := list[MembershipFacts](ctx, r, Query{Type: TypeMembership, Parent: p.ID})
		if err != nil {
			return false, err
		}
		for _, m := range ms {
			if m.Facts.Role == Owner && m.Estate == "" {
				return true, nil
			}
		}
	}
	return false, nil
}

// FirstOwner keeps the first owner, who shows the token the server printed. It
// works once.
func (a *App) FirstOwner(ctx context.Context, _ Actor, token, name, passphrase string) (Actor, error) {
	wrong := &finding.Fault{Class: finding.Denied, ID: "token-wrong"}
	a.token.mu.Lock()
	defer a.token.mu.Unlock()
	if is, err := a.tokenIs(ctx, token); err != nil || !is {
		if err == nil {
			err = wrong
		}
		return Actor{}, err
	}
	f := PersonFacts{Name: name}
	if err := f.tidy(); err != nil {
		return Actor{}, err
	}
	var err error
	if f.Password, err = a.passphrase(passphrase); err != nil {
		return Actor{}, err
	}
	id := a.NewID()
	err = a.Store.InTx(ctx, func(tx Tx) error {
		if has, err := a.hasOwner(ctx, tx); err != nil || has {
			if err == nil {
				err = wrong
			}
			return err
		}
		if _, taken, err := a.byName(ctx, tx, f.Name); err != nil || taken {
			if err == nil {
				err = nameTaken(f.Name)
			}
			return err
		}
		self := Actor{Person: id}
		if _, err := write(ctx, tx, self, Change{Type: TypePerson, Verb: Added, ID: id, Sort: SortKey(f.Name), Version: 1}, f); err != nil {
			return err
		}
		_, err := write(ctx, tx, self, Change{Type: TypeMembership, Verb: Added, ID: membershipID(id, ""), Parent: id, Version: 1}, MembershipFacts{Role: Owner})
		return err
	})
	if err != nil {
		return Actor{}, err
	}
	a.token.hash = nil
	if a.Shared != nil {
		_ = a.Shared.DropWaiting(ctx, waitingOwner, "") // they expire in any case, and let nobody in once there is an owner
	}
	return Actor{Person: id}, nil
}

func nameTaken(name string) error {
	return &finding.Fault{Class: finding.Conflict, ID: "person-name-taken", Args: finding.Args{"name": finding.Text(clip(name))}}
}

// membershipID names a person's membership of an estate.
func membershipID(person, estate string) string {
	if estate == "" {
		estate = "all"
	}
	return person + "." + estate
}

// People returns the people; an owner sees everybody, others who shares an
// estate with them. Passphrases are never handed out.
func (a *App) People(ctx context.Context, actor Actor) ([]PersonView, error) {
	if err := a.may(ctx, actor, "People", ""); err != nil {
		return nil, err
	}
	role, err := a.role(ctx, a.Store, actor, "")
	if err != nil {
		return nil, err
	}
	mine := map[string]bool{}
	estates, err := a.visibleEstates(ctx, actor)
	if err != nil {
		return nil, err
	}
	for _, e := range estates {
		mine[e.ID] = true
	}
	people, err := list[PersonFacts](ctx, a.Store, Query{Type: TypePerson})
	if err != nil {
		return nil, err
	}
	out := []PersonView{}
	for _, p := range people {
		ms, err := list[MembershipFacts](ctx, a.Store, Query{Type: TypeMembership, Parent: p.ID})
		if err != nil {
			return nil, err
		}
		v := PersonView{Person: p, SignsIn: p.Facts.Password != "", Memberships: ms}
		v.Facts.Password = ""
		shares := role == Owner || p.ID == actor.Person
		for _, m := range ms {
			shares = shares || mine[m.Estate]
		}
		if shares {
			out = append(out, v)
		}
	}
	return out, nil
}

// AddPerson keeps a person. Without a passphrase nobody signs in by the name.
func (a *App) AddPerson(ctx context.Context, actor Actor, f PersonFacts, passphrase string) (PersonView, error) {
	if err := a.may(ctx, actor, "AddPerson", ""); err != nil {
		return PersonView{}, err
	}
	f.Password = ""
	if err := f.tidy(); err != nil {
		return PersonView{}, err
	}
	if passphrase != "" {
		var err error
		if f.Password, err = a.passphrase(passphrase); err != nil {
			return PersonView{}, err
		}
	}
	var out Person
	err := a.Store.InTx(ctx, func(tx Tx) error {
		if _, taken, err := a.byName(ctx, tx, f.Name); err != nil || taken {
			if err == nil {
				err = nameTaken(f.Name)
			}
			return err
		}
		var err error
		out, err = write(ctx, tx, actor, Change{Type: TypePerson, Verb: Added, ID: a.NewID(), Sort: SortKey(f.Name), Version: 1}, f)
		return err
	})
	out.Facts.Password = ""
	return PersonView{Person: out, SignsIn: f.Password != ""}, err
}

// selfOrOwner is the gate of use cases on a person: oneself, or an owner of
// everything.
func (a *App) selfOrOwner(ctx context.Context, actor Actor, person string) error {
	if actor.Token != "" {
		return byPerson()
	}
	if actor.Person != "" && actor.Person == person {
		p, err := get[PersonFacts](ctx, a.Store, TypePerson, person)
		if err == nil && !p.Retired {
			return nil
		}
	}
	role, err := a.everywhere(ctx, actor)
	if err != nil {
		return err
	}
	if role != Owner {
		return denied(Owner)
	}
	return nil
}

// ChangePerson keeps a person's name, language, units and theme.
func (a *App) ChangePerson(ctx context.Context, actor Actor, id string, version int, f PersonFacts) (PersonView, error) {
	if err := a.selfOrOwner(ctx, actor, id); err != nil {
		return PersonView{}, err
	}
	if err := f.tidy(); err != nil {
		return PersonView{}, err
	}
	return a.amendPerson(ctx, actor, id, version, func(tx Tx, p *PersonFacts) error {
		if other, taken, err := a.byName(ctx, tx, f.Name); err != nil {
			return err
		} else if taken && other.ID != id {
			return nameTaken(f.Name)
		}
		f.Password = p.Password
		*p = f
		return nil
	})
}

// SetPassphrase keeps a new passphrase. Oneself shows the old one; an owner
// does not.
func (a *App) SetPassphrase(ctx context.Context, actor Actor, id string, version int, old, passphrase string) (PersonView, error) {
	if err := a.selfOrOwner(ctx, actor, id); err != nil {
		return PersonView{}, err
	}
	p, err := get[PersonFacts](ctx, a.Store, TypePerson, id)
	if err != nil {
		return PersonView{}, err
	}
	if !actor.Local && actor.Person == id && !checkPassphrase(p.Facts.Password, old) {
		return PersonView{}, &finding.Fault{Class: finding.Denied, ID: "passphrase-old-wrong"}
	}
	hash, err := a.passphrase(passphrase)
	if err != nil {
		return PersonView{}, err
	}
	return a.amendPerson(ctx, actor, id, version, func(_ Tx, p *PersonFacts) error {
		p.Password = hash
		return nil
	})
}

func (a *App) amendPerson(ctx context.Context, actor Actor, id string, version int, amend func(Tx, *PersonFacts) error) (PersonView, error) {
	var out Person
	err := a.Store.InTx(ctx, func(tx Tx) error {
		p, err := get[PersonFacts](ctx, tx, TypePerson, id)
		if err != nil {
			return err
		}
		f := p.Facts
		if err := amend(tx, &f); err != nil {
			return err
		}
		out, err = write(ctx, tx, actor, Change{Type: TypePerson, Verb: Changed, ID: id, Sort: SortKey(f.Name), Version: version + 1}, f)
		return err
	})
	v := PersonView{Person: out, SignsIn: out.Facts.Password != ""}
	v.Facts.Password = ""
	return v, err
}

// RetirePerson ends a person's sign-in and sessions; what the person did stays
// named.
func (a *App) RetirePerson(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.may(ctx, actor, "RetirePerson", ""); err != nil {
		return Stamp{}, err
	}
	if id == actor.Person {
		return Stamp{}, usage("person-self", nil)
	}
	out, err := a.retire(ctx, actor, TypePerson, id, version, reason)
	if err == nil && a.Sessions != nil {
		err = a.Sessions.EndSessions(ctx, id, "")
	}
	return out, err
}

// Grant gives a person a role on an estate, in place of an earlier one. Only an
// owner of everything grants a role on everything (estate empty).
func (a *App) Grant(ctx context.Context, actor Actor, estate, person string, role Role) (Membership, error) {
	if err := a.mayGrant(ctx, actor, "Grant", estate); err != nil {
		return Membership{}, err
	}
	if role.rank() == 0 {
		return Membership{}, usage("role-unknown", finding.Args{"text": finding.Text(clip(string(role)))})
	}
	var out Membership
	err := a.Store.InTx(ctx, func(tx Tx) error {
		if _, err := tx.State(ctx, TypePerson, person); err != nil {
			return err
		}
		if estate != "" {
			if _, err := tx.State(ctx, TypeEstate, estate); err != nil {
				return err
			}
		}
		c := Change{Type: TypeMembership, Verb: Added, ID: membershipID(person, estate), Estate: estate, Parent: person, Version: 1}
		if s, err := tx.State(ctx, TypeMembership, c.ID); err == nil {
			c.Verb, c.Version = Changed, s.Version+1
			if s.Retired != "" {
				if _, err := tx.Append(ctx, actor.Person, Change{Type: TypeMembership, Verb: Restored, ID: c.ID, Estate: estate, Parent: person, Version: c.Version, Body: s.Body}); err != nil {
					return err
				}
				c.Version++
			}
		} else if !isMissing(err) {
			return err
		}
		var err error
		out, err = write(ctx, tx, actor, c, MembershipFacts{Role: role})
		return err
	})
	return out, err
}

// mayGrant asks for an owner of the estate, or of everything when no estate is
// named.
func (a *App) mayGrant(ctx context.Context, actor Actor, method, estate string) error {
	if actor.Token != "" {
		return byPerson()
	}
	if estate != "" {
		return a.mayOn(ctx, actor, method, TypeEstate, estate)
	}
	role, err := a.everywhere(ctx, actor)
	if err == nil && role != Owner {
		err = denied(Owner)
	}
	return err
}

// Revoke ends a person's role on an estate. The last owner of everything keeps
// the role.
func (a *App) Revoke(ctx context.Context, actor Actor, estate, person string) (Stamp, error) {
	if err := a.mayGrant(ctx, actor, "Revoke", estate); err != nil {
		return Stamp{}, err
	}
	if estate == "" && person == actor.Person {
		return Stamp{}, usage("person-self", nil)
	}
	s, err := a.Store.State(ctx, TypeMembership, membershipID(person, estate))
	if err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeMembership, s.ID, s.Version, "")
}
