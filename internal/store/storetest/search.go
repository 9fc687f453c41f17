package storetest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/internal/app"
)

const (
	secondEstate = "estate-2"
	secondBlock  = "block-2"
)

// search finds names from each of their words on, tags and species from their
// beginning, whatever the case and accents, in the estates asked for.
func search(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	other := app.Change{Type: app.TypeEstate, Verb: app.Added, ID: secondEstate, Estate: secondEstate, Version: 1, Body: body(app.EstateFacts{Name: "Álamo Alto", Zone: "UTC"})}
	otherBlock := app.Change{Type: app.TypeBlock, Verb: app.Added, ID: secondBlock, Estate: secondEstate, Parent: secondEstate, Version: 1, Body: body(app.BlockFacts{Name: "North Avenue", Species: "Ulmus minor"})}
	grown := func(tag, species, in, estate string) app.Change {
		c := treeOf(tag, 1, "")
		c.ID, c.Parent, c.Estate = in+"-"+tag, in, estate
		c.Body = body(app.TreeFacts{Tag: tag, Species: species})
		return c
	}
	put(t, ctx, s, estate(1, "Old park"), block(), other, otherBlock,
		grown("AV-12", "Ulmus minor", blockID, estateID), grown("AV-2", "Ñandubay", blockID, estateID), grown("U%_1", "", blockID, estateID),
		grown("AV-3", "Ulmus minor", secondBlock, secondEstate), grown("u-lower", "Ulmus minor", secondBlock, secondEstate))
	both := []string{estateID, secondEstate}
	find := func(text string, in []string, want ...string) {
		t.Helper()
		hits, err := s.Search(ctx, app.SearchQuery{Text: text, Estates: in, Limit: 20})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, h := range hits {
			got = append(got, string(h.Type)+" "+h.Text)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%q found %q, want %q", text, got, want)
		}
	}
	find("old", both, "estate Old park")
	find("PARK", both, "estate Old park")
	find("ark", both)
	find("alamo", both, "estate Álamo Alto")
	find("ÁLAMO  alto", both, "estate Álamo Alto")
	find("alto", []string{estateID})
	find("ave", both, "block North Avenue")
	find("minor", both, "block North Avenue")
	find("av-", both, "tree AV-2", "tree AV-3", "tree AV-12")
	find("Av-", []string{secondEstate}, "tree AV-3")
	find("AV-12", both, "tree AV-12")
	find("12", both, "tree AV-12") // nothing begins so
	find("ulmus m", both, "block North Avenue", "tree AV-3", "tree AV-12", "tree u-lower")
	find("nandu", both, "tree AV-2")
	find("u%", both, "tree U%_1")
	find("u_", both)
	find("%", both, "tree U%_1")
	find("", both)
	find("av-", nil)

	again := otherBlock
	again.Version, again.Verb, again.Body = 2, app.Changed, body(app.BlockFacts{Name: "South side"})
	gone := grown("AV-3", "Ulmus minor", secondBlock, secondEstate)
	gone.Version, gone.Verb = 2, app.Retired
	put(t, ctx, s, again, gone)
	find("avenue", both)
	find("side", both, "block South side")
	find("av-", both, "tree AV-2", "tree AV-12")
	again.Version, again.Verb = 3, app.Retired
	put(t, ctx, s, again)
	find("south", both)

	if hits, err := s.Search(ctx, app.SearchQuery{Text: "av", Estates: both, Limit: 1}); err != nil || len(hits) != 1 {
		t.Errorf("at most one: %v %v", hits, err)
	}
}

// thousand writes many new things in one transaction and finds them as if they
// had been written one by one, faults included.
func thousand(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	const n = 5000
	put(t, ctx, s, estate(1, "e"), block(), treeOf("K77", 1, "70"))
	trees := func() (cs []app.Change) {
		for i := range n {
			c := treeOf(fmt.Sprintf("M%d", i), 1, pickGirth(i))
			cs = append(cs, c)
		}
		return cs
	}
	wound := func(i int) app.Change {
		return app.Change{Type: app.TypeWound, Verb: app.Imported, ID: fmt.Sprintf("wound-%d", i), Estate: estateID, Parent: fmt.Sprintf("tree-M%d", i), Version: 1, Body: body(app.WoundFacts{HeightCM: "10", HoleMM: "6", Year: 2026})}
	}
	must := func(name string, bad func([]app.Change) []app.Change, want func(error) bool) {
		t.Helper()
		err := s.InTx(ctx, func(tx app.Tx) error { _, err := tx.Append(ctx, "p", bad(trees())...); return err })
		if !want(err) {
			t.Errorf("%s: %v", name, err)
		}
		if es, err := s.Events(ctx, app.EventQuery{}); err != nil || len(es) != 3 {
			t.Fatalf("%s left %d events, %v", name, len(es), err)
		}
	}
	must("a tag that is there already", func(cs []app.Change) []app.Change {
		cs[3000] = treeOf("K77", 1, "70")
		cs[3000].ID = "another"
		return cs
	}, func(err error) bool { return class(err, finding.Conflict) })
	must("a tree that is there already", func(cs []app.Change) []app.Change {
		cs[4999] = treeOf("K77", 1, "70")
		return cs
	}, func(err error) bool {
		var c *app.Conflict
		return errors.As(err, &c) && c.ID == "tree-K77" && strings.Contains(string(c.Yours), "K77")
	})
	must("a block that is not there", func(cs []app.Change) []app.Change {
		cs[10].Parent = "nowhere"
		return cs
	}, func(err error) bool { return class(err, finding.Missing) })
	must("a body that is no JSON", func(cs []app.Change) []app.Change {
		cs[100].Body = json.RawMessage("{")
		return cs
	}, func(err error) bool { return err != nil })
	must("an unclean text", func(cs []app.Change) []app.Change {
		cs[100].Sort = "\xff"
		return cs
	}, func(err error) bool { return class(err, finding.Usage) })
	stop, cancel := context.WithCancel(ctx)
	cancel()
	if err := s.InTx(ctx, func(tx app.Tx) error { _, err := tx.Append(stop, "p", trees()...); return err }); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}

	all := trees()
	for i := range 100 {
		all = append(all, wound(i))
	}
	all = append(all, treeOf("K77", 2, "71"))
	es := put(t, ctx, s, all...)
	if len(es) != n+101 || es[0].Seq != 4 {
		t.Fatalf("%d events from %d on", len(es), es[0].Seq)
	}
	for i, e := range es {
		if e.Act != es[0].ID || i > 0 && (e.Seq != es[i-1].Seq+1 || e.Prev != es[i-1].Hash || e.ID <= es[i-1].ID) {
			t.Fatalf("event %d does not follow: %+v", i, e)
		}
	}
	c, err := s.BlockCounts(ctx, []string{blockID})
	if err != nil || c[blockID].Trees != n+1 || c[blockID].OpenWounds != 100 || c[blockID].Measured != n+1-n/10 {
		t.Errorf("%+v %v", c, err)
	}
	p, err := s.Places(ctx, blockID)
	if err != nil || len(p) != n+1 || p[0].Tag != "K77" || p[1].Tag != "M0" || p[1].Stems != 0 || p[2].Stems != 1 {
		t.Errorf("%d places, %+v, %v", len(p), p[:3], err)
	}
	if r, err := s.Readings(ctx, "tree-M1"); err != nil || len(r) != 1 || r[0].DiameterCM < 31.8 || r[0].DiameterCM > 31.9 {
		t.Errorf("%+v %v", r, err)
	}
	if r, err := s.Readings(ctx, "tree-K77"); err != nil || len(r) != 2 {
		t.Errorf("%+v %v", r, err)
	}
}

func pickGirth(i int) string {
	if i%10 == 0 {
		return ""
	}
	return "100"
}
