package api

import (
	"archive/zip"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

// Imported says what a table would do, or did.
type Imported struct {
	Kind      string            `json:"kind"`
	Add       int               `json:"add"`            // things that are new
	Change    int               `json:"change"`         // things whose facts differ
	Same      *int              `json:"same,omitempty"` // things that are kept already; absent where the answer was made again from what was kept
	Rows      int               `json:"rows,omitempty"`
	Strangers []string          `json:"strangers"` // tags the table names that the block does not hold
	Columns   []app.ColumnUse   `json:"columns"`   // what each header was read as
	Notes     []finding.Finding `json:"notes"`
	Examples  []ImportExample   `json:"examples"`      // some of the trees that would be added or changed
	Act       string            `json:"act,omitempty"` // of an import that kept something; undo takes it
}

// ImportExample is one tree that would be added or changed.
type ImportExample struct {
	Tag     string       `json:"tag"`
	New     bool         `json:"new"`
	Changes []CardChange `json:"changes"`
}

func imported(p app.ImportPreview) Imported {
	out := Imported{Kind: p.Kind, Add: p.Add, Change: p.Change, Same: &p.Same, Rows: p.Table.Rows, Strangers: p.Strangers, Columns: p.Table.Columns, Notes: p.Table.Notes, Examples: []ImportExample{}}
	for _, e := range p.Examples {
		x := ImportExample{e.Tag, e.New, []CardChange{}}
		for _, c := range e.Changes {
			x.Changes = append(x.Changes, CardChange(c))
		}
		out.Examples = append(out.Examples, x)
	}
	return out
}

var tableTypes = []string{"text/csv", "text/tab-separated-values", "text/plain", "application/json", "application/geo+json", "application/gpx+xml", "application/geopackage+sqlite3", "application/octet-stream", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}

// matched reads Header:column pairs; nil where none were given.
func (c *call) matched() (app.Columns, error) {
	if len(c.query["match"]) == 0 {
		return nil, nil
	}
	m := app.Columns{}
	for _, s := range c.query["match"] {
		i := strings.LastIndexByte(s, ':')
		if i < 0 {
			return nil, &finding.Fault{Class: finding.Usage, ID: "api-match-column", Args: finding.Args{"text": finding.Text(clip(s))}}
		}
		m[s[:i]] = s[i+1:]
	}
	return m, nil
}

// Undoing names an act to take back.
type Undoing struct {
	Act string `json:"act"` // as a thing, an event or an import names it
}

// Undone says what was taken back.
type Undone struct {
	Act    string `json:"act"`    // of the taking back
	Events int    `json:"events"` // that were taken back
}

func undone(events []app.Event) Undone {
	out := Undone{Events: len(events)}
	if len(events) > 0 {
		out.Act = events[0].Act
	}
	return out
}

func files(t *table) {
	kinds := []string{app.TableTrees, app.TableWounds, app.TableLimbs, app.TableObstacles, app.TableHistory, app.TableBoundary}
	ask := []param{text("kind", "What the table holds.", kinds...).must(), text("name", "File name; its ending tells CSV, TSV, XLSX, GeoJSON, GeoPackage and GPX apart.").must(),
		{name: "match", about: "Header:column, as often as there are headers that are to be read otherwise than by their name; an empty column leaves one out.", kind: "string", many: true}}
	act(t, http.MethodPost, "blocks/{id}/imports/preview", "previewImport", "PreviewImport", "Say what a table would do, or everything that is wrong with it", http.StatusOK, func(c *call, _ none) (Imported, error) {
		m, err := c.matched()
		if err != nil {
			return Imported{}, err
		}
		p, err := c.h.app.PreviewImport(c.ctx, c.actor, c.id(), c.text("kind"), c.text("name"), c.file(), m)
		return imported(p), err
	}).uploads(tableTypes...).asks(ask...)
	counted := func(c *call, events []app.Event) (*reply, error) {
		out := Imported{Kind: c.text("kind"), Strangers: []string{}, Columns: []app.ColumnUse{}, Notes: []finding.Finding{}, Examples: []ImportExample{}, Act: events[0].Act}
		for _, e := range events {
			if e.Version == 1 {
				out.Add++
			} else {
				out.Change++
			}
		}
		return &reply{body: out}, nil
	}
	o := act(t, http.MethodPost, "blocks/{id}/imports", "importTable", "Import", "Read a table of a block and keep it", http.StatusOK, func(c *call, _ none) (Imported, error) {
		m, err := c.matched()
		if err != nil {
			return Imported{}, err
		}
		r, err := c.h.app.Import(c.ctx, c.actor, c.id(), c.text("kind"), c.text("name"), c.file(), m)
		out := imported(r.ImportPreview)
		out.Act = r.Act
		return out, err
	}).uploads(tableTypes...).asks(ask...).says("At most 32 MB. A tree is found by its tag, a hole by its place, an earlier treatment by product and day; a column that the file does not have leaves what is kept as it is.")
	o.makes, o.again = true, counted
	o = act(t, http.MethodPost, "blocks/{id}/follow/imports", "importFollowUp", "ImportFollow", "Read a table of follow-up of a block and keep it", http.StatusOK, func(c *call, _ none) (Imported, error) {
		r, err := c.h.app.ImportFollow(c.ctx, c.actor, c.id(), c.text("kind"), c.text("name"), c.file())
		return Imported{Kind: r.Kind, Add: r.Add, Change: r.Change, Same: &r.Same, Rows: r.Rows, Strangers: []string{}, Columns: []app.ColumnUse{}, Notes: r.Notes, Examples: []ImportExample{}, Act: r.Act}, err
	}).uploads(tableTypes...).asks(text("kind", "What the table holds.", app.FollowTables...).must(), text("name", "File name.").must())
	o.makes, o.again = true, counted
	t.add(&op{method: http.MethodGet, path: "estates/{id}/export.zip", name: "exportEstate", use: "Export", title: "Everything of an estate as files", about: "Tables that an import reads again, cards as they were typed, plans as they were signed, attached files, and the events one a line.", media: "application/zip", status: http.StatusOK, run: export}).
		asks(text("format", "A format that trees are written in beside CSV.", "geojson", "gpkg", "gpx", "xlsx"))
	of := []string{"estate", "block", "tree", "wound", "card", "draft", "plan", "gate", "application"}
	beside := []param{text("of", "Type of the thing.", of...).must(), text("id", "Identifier of the thing.").must()}
	list(t, "attachments", "listAttachments", "Attachments", "Files kept beside a thing", func(c *call) ([]Thing[app.AttachmentFacts], error) {
		as, err := c.h.app.Attachments(c.ctx, c.actor, app.Type(c.text("of")), c.text("id"))
		return things(as), err
	}).asks(beside...)
	makes(t, "attachments", "attach", "Attach", "Keep a file beside a thing", func(c *call, _ none) (app.Attachment, error) {
		return c.h.app.Attach(c.ctx, c.actor, app.Type(c.text("of")), c.text("id"), c.text("name"), c.r.Header.Get("Content-Type"), c.text("note"), c.file())
	}).uploads("image/jpeg", "image/png", "image/webp", "image/heic", "application/pdf", "text/plain", "text/csv", "application/json", "application/geo+json", "application/gpx+xml", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet").
		asks(beside...).asks(text("name", "File name that is shown.").must(), text("note", "What it is.")).says("At most 32 MB.")
	one(t, "attachments/{id}", "getAttachment", "OpenAttachment", "What is known of a kept file", func(c *call) (app.Attachment, error) {
		a, f, err := c.h.app.OpenAttachment(c.ctx, c.actor, c.id())
		if err == nil {
			f.Close()
		}
		return a, err
	})
	t.add(&op{method: http.MethodGet, path: "attachments/{id}/content", name: "getAttachmentContent", use: "OpenAttachment", title: "The bytes of a kept file, as a download", media: "application/octet-stream", status: http.StatusOK, run: func(c *call) (*reply, error) {
		a, f, err := c.h.app.OpenAttachment(c.ctx, c.actor, c.id())
		if err != nil {
			return nil, err
		}
		return &reply{stream: func(w http.ResponseWriter) error {
			defer f.Close()
			w.Header().Set("Content-Type", "application/octet-stream")
			w.Header().Set("Content-Disposition", "attachment")
			w.Header().Set("Content-Length", strconv.FormatInt(a.Facts.Size, 10))
			_, _ = io.Copy(w, f)
			return nil
		}}, nil
	}})
	turns(t, http.MethodDelete, "attachments/{id}", "retireAttachment", "RetireAttachment", "Take a file out of the lists; its bytes stay", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireAttachment(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
}

// zipArchive takes the files of an export.
type zipArchive struct{ z *zip.Writer }

func (a zipArchive) File(name string, write func(io.Writer) error) error {
	w, err := a.z.Create(name)
	if err != nil {
		return err
	}
	return write(w)
}

func export(c *call) (*reply, error) {
	e, err := c.h.app.Estate(c.ctx, c.actor, c.id())
	if err != nil {
		return nil, err
	}
	if c.h.opt.Tables == nil || !c.h.app.MayDo(c.ctx, c.actor, "Export", e.ID) {
		return nil, &finding.Fault{Class: finding.Denied, ID: "app-denied", Args: finding.Args{"role_by": finding.Text("role-" + string(app.Adviser))}}
	}
	tables := c.h.opt.Tables
	if more, ok := tables.(interface {
		With(format string) app.ExportWriter
	}); ok {
		tables = more.With(c.text("format"))
	}
	return &reply{stream: func(w http.ResponseWriter) error {
		w.Header().Set("Content-Type", "application/zip")
		w.Header().Set("Content-Disposition", `attachment; filename="estate.zip"`)
		z := zip.NewWriter(w)
		if err := c.h.app.Export(c.ctx, c.actor, e.ID, zipArchive{z}, tables); err != nil {
			c.h.log.Error("export", slog.Any("err", err))
			panic(http.ErrAbortHandler) // a broken download, not half an archive
		}
		return z.Close()
	}}, nil
}

// Me is who asks.
type Me struct {
	Person string     `json:"person"`           // identifier; local: whoever is at the machine
	Name   string     `json:"name,omitempty"`   // of the person
	Token  string     `json:"token,omitempty"`  // identifier of the token, where one was shown
	Most   app.Role   `json:"most,omitempty"`   // the most that the token can be
	Only   string     `json:"estate,omitempty"` // the one estate that the token reaches
	Roles  []RoleLine `json:"roles"`            // of the person
}

// TokenLine is a token of a list.
type TokenLine struct {
	Thing[app.TokenFacts]
	Owner   string `json:"owner"` // name of whose it is
	Expired bool   `json:"expired"`
	Void    bool   `json:"void"` // without a secret: the data came from a backup
}

func about_(t *table) {
	read(t, "me", "getMe", "Me", "Who asks, and as what", func(c *call) (Me, error) {
		p, err := c.h.app.Me(c.ctx, c.actor)
		out := Me{Person: c.actor.Person, Name: p.Facts.Name, Token: c.actor.Token, Most: c.actor.Most, Only: c.actor.Only, Roles: roleLines(p.Memberships)}
		if c.actor.Local {
			out.Roles = []RoleLine{{Role: app.Owner}}
		}
		return out, err
	})
	list(t, "tokens", "listTokens", "Tokens", "Tokens of the caller; an owner sees those of others too", func(c *call) ([]TokenLine, error) {
		ts, err := c.h.app.Tokens(c.ctx, c.actor)
		var out []TokenLine
		for _, x := range ts {
			out = append(out, TokenLine{thing(x.Token), x.Owner, x.Expired, x.Void})
		}
		return out, err
	}).says("Tokens are made by a person on the page Settings. A token sees itself.")
	act(t, http.MethodDelete, "tokens/{id}", "withdrawToken", "WithdrawToken", "End a token at once; a token can end itself", http.StatusOK, func(c *call, _ none) (Thing[app.TokenFacts], error) {
		k, err := c.h.app.WithdrawToken(c.ctx, c.actor, c.id())
		return thing(k), err
	})
	read(t, "history", "listHistory", "Audit", "Events of an estate, or of everything, newest first", func(c *call) (Page[app.Event], error) {
		q := app.EventQuery{Estate: c.text("estate"), By: c.text("by"), Type: app.Type(c.text("type")), Entity: c.text("entity"), Before: int64(c.number("before")), Limit: c.number("limit")}
		p, err := c.h.app.Audit(c.ctx, c.actor, q)
		out := whole(p.Events)
		if p.Next > 0 {
			out.Next = strconv.FormatInt(p.Next, 10)
		}
		return out, err
	}).asks(text("estate", "Identifier; absent: everything, for which a role on everything is needed."), text("by", "Identifier of the person."), text("type", "Type of the things.", typeWords()...), text("entity", "Identifier of the thing; what has it as parent is included."),
		count("before", "Cursor: next of the part before."), count("limit", "At most so many, 1 to 500; 100 where nothing is said."))
	list(t, "history/{type}/{id}", "getHistory", "History", "Events of one thing, newest first", func(c *call) ([]app.Event, error) {
		kind := app.Type(c.r.PathValue("type"))
		if !has(typeWords(), string(kind)) {
			return nil, &finding.Fault{Class: finding.Missing, ID: "api-address"}
		}
		return c.h.app.History(c.ctx, c.actor, kind, c.id())
	})
	o := act(t, http.MethodPost, "undo", "undo", "Undo", "Take back an act of the caller's own, while nothing has changed since", http.StatusOK, func(c *call, in Undoing) (Undone, error) {
		events, err := c.h.app.Undo(c.ctx, c.actor, in.Act)
		return undone(events), err
	})
	o.again = func(c *call, events []app.Event) (*reply, error) { return &reply{body: undone(events)}, nil }
	t.add(&op{method: http.MethodGet, path: "problems/{code}", name: "explainProblem", title: "What a code of a problem means", media: "text/plain", status: http.StatusOK, open: true, run: func(c *call) (*reply, error) {
		return &reply{stream: func(w http.ResponseWriter) error { c.h.explain(w, c.r); return nil }}, nil
	}})
	t.add(&op{method: http.MethodGet, path: "openapi.json", name: "getDocument", title: "This document", media: "application/json", status: http.StatusOK, open: true, run: func(c *call) (*reply, error) {
		return &reply{raw: c.h.document}, nil
	}})
}

// typeWords are the types that a caller can ask for by name.
func typeWords() []string {
	var out []string
	for _, t := range app.Types {
		out = append(out, string(t))
	}
	return out
}

func rawJSON(data []byte) json.RawMessage { return json.RawMessage(data) }
