package api

import (
	"encoding/base64"
	"encoding/json"
	"net/http"
	"reflect"

	"sapward/finding"
	"sapward/internal/app"
)

// operations are all operations of the interface.
func operations() []*op {
	t := &table{}
	for _, part := range []struct {
		tag string
		put func(*table)
	}{{"Estates", estates}, {"Blocks", blocks}, {"Trees", trees}, {"Cards", cards}, {"Plans", plans}, {"Days", days}, {"Records", records}, {"Follow-up", followUp}, {"Files", files}, {"About", about_}} {
		t.tag = part.tag
		part.put(t)
	}
	return t.ops
}

// Page is a list, or a part of one.
type Page[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next,omitempty"` // cursor of the part after this; absent at the end
}

func whole[T any](items []T) Page[T] {
	if items == nil {
		items = []T{}
	}
	return Page[T]{Items: items}
}

// list is read for a whole list.
func list[T any](t *table, path, name, use, title string, f func(c *call) ([]T, error)) *op {
	return read(t, path, name, use, title, func(c *call) (Page[T], error) {
		items, err := f(c)
		return whole(items), err
	})
}

// EstateLine is an estate of a list.
type EstateLine struct {
	Thing[app.EstateFacts]
	Role   app.Role `json:"role"`    // of who asks
	Blocks int      `json:"blocks"`  // in use
	Trees  int      `json:"trees"`   // in use
	DueNow int      `json:"due_now"` // things due today or overdue
}

// DueItem is one thing that is due.
type DueItem struct {
	Kind      string `json:"kind"`                // treat, check-card, re-enter, harvest-from, signs-down, close-wounds, treat-again, rate or treat-residue
	On        string `json:"on"`                  // day, in the estate's zone
	At        string `json:"at,omitempty"`        // RFC 3339, where the hour matters
	Overdue   bool   `json:"overdue"`             // today or before
	Block     string `json:"block,omitempty"`     // identifier
	Name      string `json:"name,omitempty"`      // of the block, or of the card
	Ref       string `json:"ref,omitempty"`       // plan, card or application it follows from
	Count     int    `json:"count,omitempty"`     // wounds to look at
	By        string `json:"by,omitempty"`        // last day, of treat-residue
	Treatment string `json:"treatment,omitempty"` // whose residue it is, of treat-residue
}

func dueItems(in []app.DueItem) []DueItem {
	out := []DueItem{}
	for _, d := range in {
		out = append(out, DueItem(d))
	}
	return out
}

// Hit is something that was found.
type Hit struct {
	Type   app.Type `json:"type"` // estate, block, tree, card or plan
	ID     string   `json:"id"`
	Estate string   `json:"estate,omitempty"`
	Parent string   `json:"parent,omitempty"`
	Text   string   `json:"text"` // what it is called
}

// PersonLine is a person with the roles.
type PersonLine struct {
	ID      string     `json:"id"`
	Name    string     `json:"name"`
	SignsIn bool       `json:"signs_in"` // has a passphrase
	Roles   []RoleLine `json:"roles"`
}

// RoleLine is a role on an estate.
type RoleLine struct {
	Estate string   `json:"estate,omitempty"` // absent: on everything
	Role   app.Role `json:"role"`
}

func roleLines(ms []app.Membership) []RoleLine {
	out := []RoleLine{}
	for _, m := range ms {
		out = append(out, RoleLine{m.Estate, m.Facts.Role})
	}
	return out
}

var (
	reasonParam = text("reason", "Why; it stands in the history.")
	limitParam  = count("limit", "At most so many.")
)

func estates(t *table) {
	list(t, "estates", "listEstates", "Estates", "Estates that the caller has a role on", func(c *call) ([]EstateLine, error) {
		es, err := c.h.app.Estates(c.ctx, c.actor)
		var out []EstateLine
		for _, e := range es {
			out = append(out, EstateLine{thing(e.Estate), e.Role, e.Blocks, e.Trees, e.Due})
		}
		return out, err
	})
	makes(t, "estates", "addEstate", "AddEstate", "Keep a new estate", func(c *call, in app.EstateFacts) (app.Estate, error) {
		return c.h.app.AddEstate(c.ctx, c.actor, in)
	}).example(app.EstateFacts{Name: "Invented estate", Zone: "Europe/Madrid", Territory: "ES"})
	one(t, "estates/{id}", "getEstate", "Estate", "An estate", func(c *call) (app.Estate, error) {
		v, err := c.h.app.Estate(c.ctx, c.actor, c.id())
		return v.Estate, err
	})
	changes(t, http.MethodPut, "estates/{id}", "changeEstate", "ChangeEstate", "Keep new facts of an estate", func(c *call, in app.EstateFacts) (app.Estate, error) {
		return c.h.app.ChangeEstate(c.ctx, c.actor, c.id(), c.version, in, c.text("reason"))
	}).asks(reasonParam)
	turns(t, http.MethodDelete, "estates/{id}", "retireEstate", "RetireEstate", "Take an estate out of use; its facts stay", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireEstate(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
	list(t, "estates/{id}/due", "listDue", "Due", "What is due on an estate, earliest first", func(c *call) ([]DueItem, error) {
		d, err := c.h.app.Due(c.ctx, c.actor, c.id())
		return dueItems(d), err
	})
	list(t, "search", "search", "Search", "Estates, blocks, trees, cards and plans by how their name, tag or species begins", func(c *call) ([]Hit, error) {
		hits, err := c.h.app.Search(c.ctx, c.actor, c.text("q"), c.number("limit"))
		var out []Hit
		for _, x := range hits {
			out = append(out, Hit(x))
		}
		return out, err
	}).asks(text("q", "How it begins; capitals and accents do not matter.").must(), count("limit", "At most so many, 1 to 100; 20 where nothing is said."))
	list(t, "people", "listPeople", "People", "People who share an estate with the caller, with their roles", func(c *call) ([]PersonLine, error) {
		ps, err := c.h.app.People(c.ctx, c.actor)
		var out []PersonLine
		for _, p := range ps {
			out = append(out, PersonLine{p.ID, p.Facts.Name, p.SignsIn, roleLines(p.Memberships)})
		}
		return out, err
	})
	one(t, "settings", "getSettings", "Settings", "Settings that hold for everybody: units, paper, currency, prices, step times", func(c *call) (app.Settings, error) {
		return c.h.app.Settings(c.ctx, c.actor)
	})
}

// BlockLine is a block of a list.
type BlockLine struct {
	Thing[app.BlockFacts]
	Count BlockCount `json:"count"`
}

// BlockCount is how many trees a block has.
type BlockCount struct {
	Trees      int            `json:"trees"`    // in use
	Measured   int            `json:"measured"` // with at least one tape reading
	ByStatus   map[string]int `json:"by_status"`
	OpenWounds int            `json:"open_wounds"`
}

// Place is where a tree stands and how it is.
type Place struct {
	ID         string   `json:"id"`
	Tag        string   `json:"tag"`
	Status     string   `json:"status,omitempty"`
	DiameterCM float64  `json:"diameter_cm"`   // of the thickest stem; 0: not measured
	Stems      int      `json:"stems"`         // with a reading
	XM         *float64 `json:"x_m,omitempty"` // east on the block's own grid
	YM         *float64 `json:"y_m,omitempty"` // north on the block's own grid
	Lat        *float64 `json:"lat,omitempty"`
	Lon        *float64 `json:"lon,omitempty"`
}

func blocks(t *table) {
	list(t, "estates/{id}/blocks", "listBlocks", "Estate", "Blocks of an estate, by name", func(c *call) ([]BlockLine, error) {
		v, err := c.h.app.Estate(c.ctx, c.actor, c.id())
		var out []BlockLine
		for _, b := range v.Blocks {
			out = append(out, BlockLine{thing(b.Block), BlockCount(b.Count)})
		}
		return out, err
	})
	makes(t, "estates/{id}/blocks", "addBlock", "AddBlock", "Keep a new block of an estate", func(c *call, in app.BlockFacts) (app.Block, error) {
		return c.h.app.AddBlock(c.ctx, c.actor, c.id(), in)
	}).example(app.BlockFacts{Name: "Avenue", AreaHa: "1.2", Site: "elm", Species: "Ulmus minor"})
	one(t, "blocks/{id}", "getBlock", "Block", "A block", func(c *call) (app.Block, error) {
		v, err := c.h.app.Block(c.ctx, c.actor, c.id())
		return v.Block, err
	})
	changes(t, http.MethodPut, "blocks/{id}", "changeBlock", "ChangeBlock", "Keep new facts of a block", func(c *call, in app.BlockFacts) (app.Block, error) {
		return c.h.app.ChangeBlock(c.ctx, c.actor, c.id(), c.version, in, c.text("reason"))
	}).asks(reasonParam)
	turns(t, http.MethodDelete, "blocks/{id}", "retireBlock", "RetireBlock", "Take a block out of use; its facts stay", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireBlock(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
	turns(t, http.MethodPost, "blocks/{id}/restore", "restoreBlock", "RestoreBlock", "Bring a retired block back", func(c *call) (app.Stamp, error) {
		return c.h.app.RestoreBlock(c.ctx, c.actor, c.id(), c.version)
	})
	list(t, "blocks/{id}/places", "listPlaces", "Places", "Where the trees of a block stand and how they are, for a map", func(c *call) ([]Place, error) {
		ps, err := c.h.app.Places(c.ctx, c.actor, c.id())
		out := make([]Place, len(ps))
		for i, p := range ps {
			out[i] = Place(p)
		}
		return out, err
	})
}

// cursor is a place in a list as callers see it.
func cursor(k app.Key) string {
	if k == (app.Key{}) {
		return ""
	}
	data, _ := json.Marshal(k)
	return base64.RawURLEncoding.EncodeToString(data)
}

func (c *call) after(name string) (k app.Key, err error) {
	s := c.text(name)
	if s == "" {
		return k, nil
	}
	data, err := base64.RawURLEncoding.DecodeString(s)
	if err == nil {
		err = json.Unmarshal(data, &k)
	}
	if err != nil || len(s) > 2000 || k == (app.Key{}) {
		return k, &finding.Fault{Class: finding.Usage, ID: "api-cursor", Args: finding.Args{"name": finding.Text(name)}}
	}
	return k, nil
}

// raw is an operation whose answer is bytes that somebody else wrote.
func raw[O any](t *table, path, name, use, title string, f func(c *call) ([]byte, error)) *op {
	return t.add(&op{method: http.MethodGet, path: path, name: name, use: use, title: title, out: reflect.TypeFor[O](), status: http.StatusOK, run: func(c *call) (*reply, error) {
		data, err := f(c)
		return &reply{raw: data}, err
	}})
}
