package app

import (
	"context"

	"sapward/finding"
)

// FeedFacts are an address at which calendar programs find the due dates of an
// estate without signing in. The secret part of the address is kept as a hash.
type FeedFacts struct {
	TokenHash string `json:"token_hash,omitempty"` // SHA-256; empty once revoked
	Lang      string `json:"lang"`                 // that the entries are written in: en, es
	MadeAt    string `json:"made_at"`
	RevokedAt string `json:"revoked_at,omitempty"`
}

// Feed is an address as it is kept. Its parent is the estate.
type Feed = Kept[FeedFacts]

// mostFeeds bounds the addresses of an estate that work at one time.
const mostFeeds = 20

// Feeds returns the addresses of an estate that still work, without their
// secrets, which nobody keeps.
func (a *App) Feeds(ctx context.Context, actor Actor, estate string) ([]Feed, error) {
	if err := a.mayOn(ctx, actor, "Feeds", TypeEstate, estate); err != nil {
		return nil, err
	}
	return a.feeds(ctx, estate)
}

func (a *App) feeds(ctx context.Context, estate string) ([]Feed, error) {
	all, err := list[FeedFacts](ctx, a.Store, Query{Type: TypeFeed, Parent: estate})
	out := all[:0]
	for _, f := range all {
		if f.Facts.TokenHash != "" {
			out = append(out, f)
		}
	}
	return out, err
}

// AddFeed makes an address for an estate's due dates and returns its secret part,
// which is kept nowhere: 160 random bits behind the feed's identifier.
func (a *App) AddFeed(ctx context.Context, actor Actor, estate, language string) (Feed, string, error) {
	if err := a.mayOn(ctx, actor, "AddFeed", TypeEstate, estate); err != nil {
		return Feed{}, "", err
	}
	if language != "en" && language != "es" {
		return Feed{}, "", usage("feed-language", finding.Args{"text": finding.Text(clip(language))})
	}
	have, err := a.feeds(ctx, estate)
	if err != nil {
		return Feed{}, "", err
	}
	if len(have) >= mostFeeds {
		return Feed{}, "", usage("feed-many", finding.Args{"most": finding.Count(mostFeeds)})
	}
	secret, err := a.secret()
	if err != nil {
		return Feed{}, "", err
	}
	id := a.NewID()
	f := FeedFacts{TokenHash: hashText(secret), Lang: language, MadeAt: a.Now().UTC().Format(TimeForm)}
	out, err := add(ctx, a, actor, Change{Type: TypeFeed, ID: id, Estate: estate, Parent: estate, Sort: id}, f)
	return out, id + "." + secret, err
}

// RevokeFeed ends an address: whoever asks there gets nothing more.
func (a *App) RevokeFeed(ctx context.Context, actor Actor, id, reason string) (Feed, error) {
	if err := a.mayOn(ctx, actor, "RevokeFeed", TypeFeed, id); err != nil {
		return Feed{}, err
	}
	f, err := get[FeedFacts](ctx, a.Store, TypeFeed, id)
	if err != nil || f.Facts.RevokedAt != "" {
		return f, err
	}
	facts := f.Facts
	facts.TokenHash, facts.RevokedAt = "", a.Now().UTC().Format(TimeForm)
	return change(ctx, a, actor, TypeFeed, Changed, id, f.Version, "", reason, facts)
}

// DueCalendar is what an address gives: dates and the names of estate, blocks and
// products, and nothing of any person.
type DueCalendar struct {
	Feed   string // identifier of the feed
	Estate string
	Lang   string
	Items  []DueItem
}

// Calendar returns what is due on the estate of an address. Nobody has to be
// signed in: the address is the key. An unknown, a revoked and a mistyped one
// are told alike, with a Missing fault.
func (a *App) Calendar(ctx context.Context, _ Actor, token string) (DueCalendar, error) {
	none := &finding.Fault{Class: finding.Missing, ID: "feed-unknown"}
	id, secret, ok := cutCode(token)
	if !ok {
		return DueCalendar{}, none
	}
	f, err := get[FeedFacts](ctx, a.Store, TypeFeed, id)
	if isMissing(err) {
		return DueCalendar{}, none
	}
	if err != nil {
		return DueCalendar{}, err
	}
	if f.Retired || f.Facts.TokenHash == "" || !sameText(f.Facts.TokenHash, hashText(secret)) {
		return DueCalendar{}, none
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, f.Estate)
	if err != nil {
		return DueCalendar{}, err
	}
	if e.Retired {
		return DueCalendar{}, none
	}
	items, err := a.due(ctx, e)
	return DueCalendar{Feed: f.ID, Estate: e.Facts.Name, Lang: f.Facts.Lang, Items: items}, err
}
