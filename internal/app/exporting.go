package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"sapward/finding"
)

// Archive takes the files of an export.
type Archive interface {
	File(name string, write func(io.Writer) error) error
}

// ExportWriter writes the tables of an export; names are file names in the
// archive. It is wired to internal/exchange.
type ExportWriter interface {
	Trees(w io.Writer, trees []TreeFacts) error
	Wounds(w io.Writer, wounds []TreeWound) error
	Limbs(w io.Writer, trees []TreeFacts) error
	Obstacles(w io.Writer, trees []TreeFacts) error
	History(w io.Writer, block string, apps []ApplicationFacts) error
}

// PlaceWriter is an ExportWriter that also writes trees in formats of mapping
// programs and workbooks: a file trees.EXT for each format it names.
type PlaceWriter interface {
	PlaceFormats() []string
	Places(format string, w io.Writer, block Block, trees []TreeFacts) error
}

// FollowWriter is an ExportWriter that also writes the tables of follow-up.
type FollowWriter interface {
	Ratings(w io.Writer, f FollowFacts, visits []VisitFacts) error
	Deaths(w io.Writer, deaths []DeathRow) error
	Assays(w io.Writer, assays []AssayFacts) error
	Counts(w io.Writer, counts []CountFacts) error
}

// DeathRow is one tree of a table of deaths: until when it was watched, and
// whether it had died then of what counts.
type DeathRow struct {
	Tree, Treatment, From, On string
	Died                      bool
}

// Export writes everything of an estate: tables that Import reads again, cards
// as they were typed, plans as they were signed, attached files, and the events
// one a line.
func (a *App) Export(ctx context.Context, actor Actor, estate string, to Archive, tables ExportWriter) error {
	if err := a.mayOn(ctx, actor, "Export", TypeEstate, estate); err != nil {
		return err
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, estate)
	if err != nil {
		return err
	}
	if err := to.File("estate.json", writeJSON(e.Facts)); err != nil {
		return err
	}
	blocks, err := list[BlockFacts](ctx, a.Store, Query{Type: TypeBlock, Parent: estate})
	if err != nil {
		return err
	}
	places := map[string]place{estate: {"", e.Facts.Name}}
	for i, b := range blocks {
		if err := a.exportBlock(ctx, folderName(i+1, b.Facts.Name), b, to, tables, places); err != nil {
			return err
		}
	}
	files, err := list[AttachmentFacts](ctx, a.Store, Query{Type: TypeAttachment, Estate: estate})
	if err != nil {
		return err
	}
	cards, err := a.cards(ctx, true)
	if err != nil {
		return err
	}
	for i, c := range cards {
		vs, err := a.versions(ctx, a.Store, c.ID)
		if err != nil {
			return err
		}
		for _, v := range vs {
			name := "cards/" + folderName(i+1, v.Facts.Product) + "-" + v.Hash[:12] + ".yaml"
			err := to.File(name, func(w io.Writer) error { _, err := io.WriteString(w, v.Facts.Text); return err })
			if err != nil {
				return err
			}
		}
	}
	for i, c := range cards {
		beside, err := list[AttachmentFacts](ctx, a.Store, Query{Type: TypeAttachment, Parent: c.ID})
		if err != nil {
			return err
		}
		places[c.ID] = place{"cards/" + folderName(i+1, c.Facts.Product) + "/", c.Facts.Product}
		files = append(files, beside...)
	}
	if err := a.exportFiles(ctx, files, to, places); err != nil {
		return err
	}
	return to.File("events.jsonl", func(w io.Writer) error {
		enc := json.NewEncoder(w)
		enc.SetEscapeHTML(false)
		return a.Store.EachEvent(ctx, func(ev Event) error {
			if ev.Estate != estate && ev.Type != TypeCard && ev.Type != TypeCheck {
				return nil
			}
			return enc.Encode(secret(ev))
		})
	})
}

// place is where an export puts the files kept beside a thing, and how it names
// the thing.
type place struct{ dir, name string }

// exportedFile is a line of files.json: a file and what it is kept beside.
type exportedFile struct {
	Path string `json:"path"`
	Name string `json:"name"`
	Type string `json:"type"`
	Size int64  `json:"size"`
	Hash string `json:"sha256"`
	Of   Type   `json:"of"`
	By   string `json:"of_name,omitempty"`
	Note string `json:"note,omitempty"`
	At   string `json:"at"`
}

// exportFiles writes the files kept beside things, each in the folder of its
// thing, and a list of them. A file of a thing that is out of
// use stands under other.
func (a *App) exportFiles(ctx context.Context, files []Attachment, to Archive, places map[string]place) error {
	if len(files) == 0 {
		return nil
	}
	var listed []exportedFile
	once := map[string]bool{}
	for _, f := range files {
		p, known := places[f.Parent]
		if !known {
			p = place{"other/", ""}
		}
		name := p.dir + "files/" + f.Facts.Hash[:12] + "-" + safeName(f.Facts.Name)
		listed = append(listed, exportedFile{Path: name, Name: f.Facts.Name, Type: f.Facts.Type, Size: f.Facts.Size, Hash: f.Facts.Hash, Of: f.Facts.Of, By: p.name, Note: f.Facts.Note, At: f.At.UTC().Format(TimeForm)})
		if once[name] { // the same bytes under the same name beside the same thing
			continue
		}
		once[name] = true
		if err := a.exportFile(ctx, to, name, f.Facts.Hash); err != nil {
			return err
		}
	}
	return to.File("files.json", writeJSON(listed))
}

func (a *App) exportFile(ctx context.Context, to Archive, name, hash string) error {
	r, err := a.Store.OpenFile(ctx, hash)
	if err != nil {
		return err
	}
	defer r.Close()
	return to.File(name, func(w io.Writer) error { _, err := io.Copy(w, r); return err })
}

// exportPlaces says where the files of a block's things go.
func (a *App) exportPlaces(ctx context.Context, dir string, b Block, places map[string]place) error {
	places[b.ID] = place{dir + "/", b.Facts.Name}
	trees := map[string]string{} // tree -> folder
	n := 0
	err := a.Store.EachTree(ctx, b.ID, func(states []State) error {
		facts, err := decodeAll[TreeFacts](states)
		for i, f := range facts {
			n++
			at := dir + "/trees/" + folderName(n, f.Tag) + "/"
			trees[states[i].ID] = f.Tag
			places[states[i].ID] = place{at, f.Tag}
		}
		return err
	})
	if err != nil {
		return err
	}
	wounds, err := a.Store.BlockWounds(ctx, b.ID)
	if err != nil {
		return err
	}
	for _, w := range wounds {
		if tag, there := trees[w.Parent]; there {
			places[w.ID] = place{places[w.Parent].dir + "wounds/", tag}
		}
	}
	for _, t := range []Type{TypeDraft, TypeApplication} {
		things, err := list[struct {
			Name    string `json:"name"`
			Product string `json:"product"`
		}](ctx, a.Store, Query{Type: t, Parent: b.ID, Retired: true})
		if err != nil {
			return err
		}
		for i, x := range things {
			name := x.Facts.Name
			if name == "" {
				name = x.Facts.Product
			}
			places[x.ID] = place{dir + "/" + string(t) + "s/" + folderName(i+1, name) + "/", name}
		}
	}
	return nil
}

func (a *App) exportBlock(ctx context.Context, dir string, b Block, to Archive, tables ExportWriter, places map[string]place) error {
	g, err := a.gather(ctx, b.ID)
	if err != nil {
		return err
	}
	in := g.inputs
	if err := to.File(dir+"/block.json", writeJSON(b.Facts)); err != nil {
		return err
	}
	for _, f := range []struct {
		name string
		some bool
		to   func(io.Writer) error
	}{
		{"trees.csv", len(in.Trees) > 0, func(w io.Writer) error { return tables.Trees(w, in.Trees) }},
		{"wounds.csv", len(in.Wounds) > 0, func(w io.Writer) error { return tables.Wounds(w, in.Wounds) }},
		{"limbs.csv", len(g.limbs) > 0, func(w io.Writer) error { return tables.Limbs(w, in.Trees) }},
		{"obstacles.csv", len(g.obstacles) > 0, func(w io.Writer) error { return tables.Obstacles(w, in.Trees) }},
		{"history.csv", len(in.Applications) > 0, func(w io.Writer) error { return tables.History(w, b.Facts.Name, in.Applications) }},
	} {
		if f.some {
			if err := to.File(dir+"/"+f.name, f.to); err != nil {
				return err
			}
		}
	}
	if pw, ok := tables.(PlaceWriter); ok && len(in.Trees) > 0 {
		for _, format := range pw.PlaceFormats() {
			if err := to.File(dir+"/trees."+format, func(w io.Writer) error { return pw.Places(format, w, b, in.Trees) }); err != nil {
				return err
			}
		}
	}
	if fw, ok := tables.(FollowWriter); ok {
		if err := a.exportFollow(ctx, dir, b, to, fw, places); err != nil {
			return err
		}
	}
	plans, err := list[PlanFacts](ctx, a.Store, Query{Type: TypePlan, Parent: b.ID, Retired: true})
	if err != nil {
		return err
	}
	for i, p := range plans {
		at := dir + "/plans/" + folderName(i+1, p.Facts.On)
		if err := errors.Join(a.exportFile(ctx, to, at+"/plan.json", p.Facts.Document.Hash), a.exportFile(ctx, to, at+"/inputs.json", p.Facts.Inputs.Hash)); err != nil {
			return err
		}
		places[p.ID] = place{at + "/", p.Facts.Name}
		gates, err := a.Store.States(ctx, Query{Type: TypeGate, Parent: p.ID, Retired: true})
		if err != nil {
			return err
		}
		for _, g := range gates {
			places[g.ID] = place{at + "/gates/", p.Facts.Name}
		}
	}
	return a.exportPlaces(ctx, dir, b, places)
}

func writeJSON(v any) func(io.Writer) error {
	return func(w io.Writer) error {
		enc := json.NewEncoder(w)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		return enc.Encode(v)
	}
}

// folderName makes a name of letters, digits and hyphens, numbered so that two
// never meet.
func folderName(n int, name string) string {
	return fmt.Sprintf("%03d-%s", n, safeName(name))
}

// safeName keeps letters, digits, hyphen and dot; all else becomes a hyphen.
func safeName(name string) string {
	out := []byte{}
	for _, c := range []byte(name) {
		switch {
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9', c == '-', c == '.' && len(out) > 0:
			out = append(out, c)
		case c >= 'A' && c <= 'Z':
			out = append(out, c+'a'-'A')
		case len(out) > 0 && out[len(out)-1] != '-':
			out = append(out, '-')
		}
	}
	if len(out) == 0 {
		return "x"
	}
	if len(out) > 60 {
		out = out[:60]
	}
	return string(out)
}

// Backup writes a verified copy of everything under dir.
func (a *App) Backup(ctx context.Context, actor Actor, dir string) (BackupReport, error) {
	if err := a.may(ctx, actor, "Backup", ""); err != nil {
		return BackupReport{}, err
	}
	if a.Keeper == nil {
		return BackupReport{}, &finding.Fault{Class: finding.Internal, ID: "internal", Args: finding.Args{"cause": finding.Text("no keeper")}}
	}
	return a.Keeper.Backup(ctx, dir)
}

// Check verifies everything that is kept.
func (a *App) Check(ctx context.Context, actor Actor, progress func(done, of int64)) (CheckReport, error) {
	if err := a.may(ctx, actor, "Check", ""); err != nil {
		return CheckReport{}, err
	}
	if a.Keeper == nil {
		return CheckReport{}, &finding.Fault{Class: finding.Internal, ID: "internal", Args: finding.Args{"cause": finding.Text("no keeper")}}
	}
	return a.Keeper.Check(ctx, progress)
}
