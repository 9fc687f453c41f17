package app

import (
	"context"
	"strings"
	"time"

	"sapward/finding"
)

// TokenFacts are what a program shows to act for a person. The secret is in no
// event: its hash lies beside the facts, and a backup leaves it out, so that one
// that was withdrawn does not come back with a copy of earlier days.
type TokenFacts struct {
	Name        string `json:"name"` // what it is for
	Role        Role   `json:"role"` // the most it can be
	Person      string `json:"person"`
	Only        string `json:"estate,omitempty"` // the one estate it reaches; empty: all of the person's
	MadeAt      string `json:"made_at"`
	ExpiresAt   string `json:"expires_at"`
	WithdrawnAt string `json:"withdrawn_at,omitempty"`
}

// Token is a token as it is kept. Its parent is the person.
type Token = Kept[TokenFacts]

// TokenLine is a token in a list.
type TokenLine struct {
	Token
	Owner   string // name of whose it is
	Expired bool
	Void    bool // without a secret: from a backup
}

// Bounds of tokens (program defaults).
const (
	TokenDays     = 90  // until it expires, where nothing is said
	MostTokenDays = 366 // that may be asked for
	mostTokens    = 50  // of a person that work at one time
)

// tokenPrefix lets a scanner of leaked secrets tell what it found.
const tokenPrefix = "sapward_"

// TokenOrder is what AddToken is told.
type TokenOrder struct {
	Name   string
	Role   Role
	Estate string // empty: all of the person's
	Days   int    // 0: TokenDays
}

// AddToken makes a token for a program of the actor's and returns it as text,
// which is kept nowhere: 160 random bits behind its identifier. Its role is no
// more than the actor's own there.
func (a *App) AddToken(ctx context.Context, actor Actor, o TokenOrder) (Token, string, error) {
	if err := a.may(ctx, actor, "AddToken", ""); err != nil {
		return Token{}, "", err
	}
	f := TokenFacts{Name: o.Name, Role: o.Role, Person: actor.Person, Only: strings.TrimSpace(o.Estate)}
	var faults finding.Faults
	words(&faults, "name", &f.Name, 80)
	need(&faults, "name", f.Name)
	if o.Days == 0 {
		o.Days = TokenDays
	}
	if o.Days < 1 || o.Days > MostTokenDays {
		faults = append(faults, usage("token-days", finding.Args{"most": finding.Count(MostTokenDays)}))
	}
	if f.Role.rank() == 0 {
		faults = append(faults, usage("role-unknown", finding.Args{"text": finding.Text(clip(string(f.Role)))}))
	}
	if err := faults.OrNil(); err != nil {
		return Token{}, "", err
	}
	if f.Only != "" {
		if err := a.mayOn(ctx, actor, "Estate", TypeEstate, f.Only); err != nil {
			return Token{}, "", err
		}
	}
	have, err := a.role(ctx, a.Store, actor, f.Only)
	if err != nil {
		return Token{}, "", err
	}
	if !have.Allows(f.Role) {
		return Token{}, "", usage("token-role", finding.Args{"role_by": finding.Text("role-" + string(have))})
	}
	if a.Beside == nil {
		return Token{}, "", usage("request-key-here", nil)
	}
	mine, err := a.tokens(ctx, func(t Token) bool { return t.Facts.Person == actor.Person && a.works(t) })
	if err != nil {
		return Token{}, "", err
	}
	if len(mine) >= mostTokens {
		return Token{}, "", usage("token-many", finding.Args{"most": finding.Count(mostTokens)})
	}
	secret, err := a.secret()
	if err != nil {
		return Token{}, "", err
	}
	now := a.Now().UTC()
	f.MadeAt, f.ExpiresAt = now.Format(TimeForm), now.AddDate(0, 0, o.Days).Format(TimeForm)
	c := Change{Type: TypeToken, ID: a.NewID(), Estate: f.Only}
	if !actor.Local {
		c.Parent = actor.Person
	}
	c.Sort = c.ID
	if err := a.Beside.KeepSecret(ctx, c.ID, hashText(secret)); err != nil { // without the token it opens nothing
		return Token{}, "", err
	}
	out, err := add(ctx, a, actor, c, f)
	return out, tokenPrefix + c.ID + "." + secret, err
}

func (a *App) works(t Token) bool {
	return !t.Retired && t.Facts.WithdrawnAt == "" && a.Now().Before(parseTime(t.Facts.ExpiresAt))
}

func (a *App) tokens(ctx context.Context, wanted func(Token) bool) ([]Token, error) {
	all, err := list[TokenFacts](ctx, a.Store, Query{Type: TypeToken})
	out := []Token{}
	for i := len(all) - 1; i >= 0; i-- {
		if wanted(all[i]) {
			out = append(out, all[i])
		}
	}
	return out, err
}

// Tokens returns the actor's own tokens, newest first; an owner sees also those
// of others that are for the owner's estates alone, an owner of everything all.
func (a *App) Tokens(ctx context.Context, actor Actor) ([]TokenLine, error) {
	if err := a.may(ctx, actor, "Tokens", ""); err != nil {
		return nil, err
	}
	owns, err := a.ownsToken(ctx, actor)
	if err != nil {
		return nil, err
	}
	tokens, err := a.tokens(ctx, owns)
	if err != nil {
		return nil, err
	}
	out := []TokenLine{}
	for _, t := range tokens {
		hash, err := a.Beside.Secret(ctx, t.ID)
		if err != nil {
			return nil, err
		}
		out = append(out, TokenLine{Token: t, Owner: a.nameOf(ctx, a.Store, t.Facts.Person), Expired: !a.Now().Before(parseTime(t.Facts.ExpiresAt)), Void: hash == "" && t.Facts.WithdrawnAt == ""})
	}
	return out, nil
}

// ownsToken tells which tokens an actor sees and may withdraw.
func (a *App) ownsToken(ctx context.Context, actor Actor) (func(Token) bool, error) {
	all, err := a.everywhere(ctx, actor)
	if err != nil {
		return nil, err
	}
	mine := map[string]bool{}
	if all != Owner {
		estates, err := a.visibleEstates(ctx, actor)
		if err != nil {
			return nil, err
		}
		for _, e := range estates {
			role, err := a.role(ctx, a.Store, actor, e.ID)
			if err != nil {
				return nil, err
			}
			mine[e.ID] = role == Owner
		}
	}
	return func(t Token) bool {
		if actor.Token != "" { // a program knows of itself
			return t.ID == actor.Token
		}
		return all == Owner || t.Facts.Person == actor.Person || mine[t.Facts.Only]
	}, nil
}

// WithdrawToken ends a token at once.
func (a *App) WithdrawToken(ctx context.Context, actor Actor, id string) (Token, error) {
	if actor.Person == "" {
		return Token{}, denied(Viewer)
	}
	owns, err := a.ownsToken(ctx, actor)
	if err != nil {
		return Token{}, err
	}
	t, err := get[TokenFacts](ctx, a.Store, TypeToken, id)
	if err != nil {
		return t, err
	}
	if !owns(t) {
		return Token{}, missing("token")
	}
	if err := a.Beside.DropSecret(ctx, id); err != nil {
		return t, err
	}
	if t.Facts.WithdrawnAt != "" {
		return t, nil
	}
	f := t.Facts
	f.WithdrawnAt = a.Now().UTC().Format(TimeForm)
	return change(ctx, a, actor, TypeToken, Changed, id, t.Version, "", "", f)
}

// Bearer returns who acts with a token: its person, with what the token leaves of
// the roles that the person holds at this moment. One that is unknown, withdrawn
// or mistyped, and one of a person who left, are told alike.
func (a *App) Bearer(ctx context.Context, _ Actor, text string) (Actor, error) {
	none := &finding.Fault{Class: finding.Denied, ID: "token-unknown"}
	rest, ok := strings.CutPrefix(text, tokenPrefix)
	if !ok || a.Beside == nil {
		return Actor{}, none
	}
	id, secret, ok := cutCode(rest)
	if !ok {
		return Actor{}, none
	}
	hash, err := a.Beside.Secret(ctx, id)
	if err != nil {
		return Actor{}, err
	}
	if same := sameText(orElse(hash, hashText("none")), hashText(secret)); hash == "" || !same {
		return Actor{}, none
	}
	t, err := get[TokenFacts](ctx, a.Store, TypeToken, id)
	if isMissing(err) {
		return Actor{}, none
	}
	if err != nil {
		return Actor{}, err
	}
	if t.Retired || t.Facts.WithdrawnAt != "" {
		return Actor{}, none
	}
	out := Actor{Person: t.Facts.Person, Local: t.Facts.Person == LocalPerson, Token: t.ID, Most: t.Facts.Role, Only: t.Facts.Only}
	if !out.Local {
		p, err := get[PersonFacts](ctx, a.Store, TypePerson, out.Person)
		if isMissing(err) || err == nil && p.Retired {
			return Actor{}, none
		}
		if err != nil {
			return Actor{}, err
		}
	}
	if until := parseTime(t.Facts.ExpiresAt); !a.Now().Before(until) {
		return Actor{}, &finding.Fault{Class: finding.Denied, ID: "token-expired", Args: finding.Args{"on": finding.Text(until.Format(time.DateOnly))}}
	}
	return out, nil
}
