package store

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"sapward/internal/app"
)

// last is the greatest character there is: text that begins with a key sorts
// from the key to the key and this. Both databases have to compare bytes (in
// PostgreSQL the collation "C").
const last = "\U0010FFFF"

// Search finds estates, blocks, cards, plans, trials and trees, in that order.
func (r reader) Search(ctx context.Context, q app.SearchQuery) ([]app.Hit, error) {
	key := searchKey(q.Text)
	out := []app.Hit{}
	if key == "" {
		return out, nil
	}
	for _, t := range []app.Type{app.TypeEstate, app.TypeBlock, app.TypeCard, app.TypePlan, app.TypeTrial} {
		if err := r.named(ctx, &out, t, key, q); err != nil {
			return nil, err
		}
	}
	// The trees of all estates are gathered, then put in the order of tags.
	trees := []placed{}
	for _, column := range []string{"tag_key", "species_key"} {
		for _, e := range q.Estates {
			if err := r.treesBy(ctx, &trees, "SELECT id, estate_id, parent_id, tag, sort FROM trees WHERE estate_id = ? AND "+column+" >= ? AND "+column+" < ? AND retired_at IS NULL ORDER BY "+column+", id LIMIT ?", q.Limit-len(out)-len(trees), e, key, key+last); err != nil {
				return nil, err
			}
		}
	}
	if len(out) == 0 && len(trees) == 0 {
		for _, e := range q.Estates {
			if err := r.treesBy(ctx, &trees, `SELECT id, estate_id, parent_id, tag, sort FROM trees WHERE id IN (SELECT id FROM trees WHERE estate_id = ? AND tag_key LIKE ? ESCAPE '\') AND retired_at IS NULL LIMIT ?`, q.Limit-len(trees), e, like(key)); err != nil {
				return nil, err
			}
		}
	}
	slices.SortStableFunc(trees, func(a, b placed) int {
		return cmp.Or(strings.Compare(a.sort, b.sort), strings.Compare(a.ID, b.ID))
	})
	for i, t := range trees {
		if i == 0 || t.ID != trees[i-1].ID { // its tag may begin as its species does
			out = append(out, t.Hit)
		}
	}
	return out, nil
}

// placed is a tree that was found, with its place in a list.
type placed struct {
	app.Hit
	sort string
}

func (r reader) treesBy(ctx context.Context, to *[]placed, query string, limit int, args ...any) error {
	if limit <= 0 {
		return nil
	}
	rows, err := r.q.QueryContext(ctx, query, append(args, limit)...)
	if err != nil {
		return storeFault("", err)
	}
	defer rows.Close()
	for rows.Next() {
		p := placed{Hit: app.Hit{Type: app.TypeTree}}
		if err := rows.Scan(&p.ID, &p.Estate, &p.Parent, &p.Text, &p.sort); err != nil {
			return storeFault("", err)
		}
		*to = append(*to, p)
	}
	return storeFault("", rows.Err())
}

// named finds things of one type by their names.
func (r reader) named(ctx context.Context, to *[]app.Hit, t app.Type, key string, q app.SearchQuery) error {
	rows, err := r.q.QueryContext(ctx, "SELECT entity_id, estate_id, parent_id, text FROM names WHERE type = ? AND key >= ? AND key < ? ORDER BY key, entity_id", string(t), key, key+last)
	if err != nil {
		return storeFault("", err)
	}
	defer rows.Close()
	mine := map[string]bool{"": true}
	for _, e := range q.Estates {
		mine[e] = true
	}
	seen := map[string]bool{}
	for len(*to) < q.Limit && rows.Next() {
		h := app.Hit{Type: t}
		if err := rows.Scan(&h.ID, &h.Estate, &h.Parent, &h.Text); err != nil {
			return storeFault("", err)
		}
		if mine[h.Estate] && !seen[h.ID] {
			seen[h.ID] = true
			*to = append(*to, h)
		}
	}
	return storeFault("", rows.Err())
}
