package cli

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/exchange"
	"sapward/internal/store"
	"sapward/measure/tree"
)

// dataFolder is where the app's data are when nobody says where.
const dataFolder = "sapward-data"

// dataOption names the data folder or the database.
type dataOption struct {
	Data string `help:"Data folder (sapward-data if neither this nor a database is named)." env:"SAPWARD_DATA"`
	databaseOption
}

// databaseOption names a database that several servers may share.
type databaseOption struct {
	Database string `help:"PostgreSQL database instead of the data folder: postgres://user@host:5432/name." env:"SAPWARD_DATABASE"`
}

// folder is the data folder.
func (d dataOption) folder() string {
	if d.Data == "" {
		return dataFolder
	}
	return d.Data
}

// place is where the facts are: one of the two, never a guess between them.
func (d dataOption) place() (string, error) {
	if d.Database == "" {
		return d.folder(), nil
	}
	if d.Data != "" {
		return "", usage("data-and-database", finding.Args{"folder": finding.Text(d.Data), "database": finding.Text(store.Shown(d.Database))})
	}
	return d.Database, nil
}

// open opens the app where the facts are.
func (d dataOption) open(ctx context.Context, readOnly bool) (*app.App, *store.Store, error) {
	place, err := d.place()
	if err != nil {
		return nil, nil, err
	}
	return openApp(ctx, place, readOnly)
}

type checkCmd struct{ dataOption }

// Run verifies a data folder, also while it is served.
func (c checkCmd) Run(e *env) error {
	ctx := context.Background()
	a, s, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer s.Close()
	report, err := a.Check(ctx, app.Local(), nil)
	if err != nil {
		return err
	}
	if len(report.Findings) > 0 {
		e.status = exitRefused
	}
	if e.globals.JSON {
		type line struct {
			finding.Finding
			Text string `json:"text"`
		}
		doc := struct {
			Schema      string `json:"schema"`
			Engine      string `json:"engine"`
			Clean       bool   `json:"clean"`
			Events      int64  `json:"events"`
			Rows        int64  `json:"rows"`
			Attachments int    `json:"attachments"`
			Head        string `json:"head"`
			Findings    []line `json:"findings"`
		}{"sapward/check/1", Version, len(report.Findings) == 0, report.Events, report.Rows, report.Attachments, report.Head, []line{}}
		for _, f := range report.Findings {
			doc.Findings = append(doc.Findings, line{f, e.sentence(f)})
		}
		return e.printJSON(doc)
	}
	for _, f := range report.Findings {
		e.println(e.sentence(f))
	}
	id := "check-clean"
	if len(report.Findings) > 0 {
		id = "check-unclean"
	}
	e.println(e.say.Say(id, finding.Args{"count": finding.Count(len(report.Findings)), "events": finding.Count(int(report.Events)), "rows": finding.Count(int(report.Rows)), "files": finding.Count(report.Attachments)}))
	if c.Database != "" {
		e.println(e.say.Say("check-head", finding.Args{"head": finding.Text(report.Head)}))
	}
	return nil
}

// sentence is a finding with its way out in one line.
func (e *env) sentence(f finding.Finding) string {
	text, mend := e.say.Finding(f)
	return strings.TrimSpace(text + " " + mend)
}

type backupCmd struct {
	Into string `arg:"" help:"Folder that the backup's own folder is made in."`
	dataOption
}

// Run writes a checked copy, also while the data are served.
func (c backupCmd) Run(e *env) error {
	ctx := context.Background()
	a, s, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer s.Close()
	r, err := a.Backup(ctx, app.Local(), c.Into)
	if err != nil {
		return err
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema string `json:"schema"`
			Engine string `json:"engine"`
			app.BackupReport
		}{store.ManifestSchema, Version, r})
	}
	e.println(e.say.Say("backup-done", finding.Args{"folder": finding.Text(r.Folder), "events": finding.Count(int(r.Events)), "files": finding.Count(r.Attachments)}))
	return nil
}

type restoreCmd struct {
	Backup       string `arg:"" help:"Folder that sapward backup wrote."`
	ReplaceNewer bool   `name:"replace-newer" help:"Also where the data folder holds facts that the backup does not know; they are moved aside."`
	dataOption
}

// Run puts a backup in the place of the data.
func (c restoreCmd) Run(e *env) error {
	if _, err := c.place(); err != nil {
		return err
	}
	if c.Database != "" {
		return c.into(e)
	}
	report, aside, err := store.Restore(context.Background(), c.Backup, c.folder(), c.ReplaceNewer)
	if err != nil {
		return err
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema string `json:"schema"`
			Engine string `json:"engine"`
			Folder string `json:"folder"`
			Aside  string `json:"aside,omitempty"`
			Events int64  `json:"events"`
			Head   string `json:"head"`
		}{"sapward/restore/1", Version, c.folder(), aside, report.Events, report.Head})
	}
	e.println(e.say.Say("restore-done", finding.Args{"folder": finding.Text(c.folder()), "events": finding.Count(int(report.Events))}))
	if aside != "" {
		e.println(e.say.Say("restore-aside", finding.Args{"folder": finding.Text(aside)}))
	}
	return nil
}

// into puts a backup into an empty database.
func (c restoreCmd) into(e *env) error {
	ctx := context.Background()
	to, err := openStore(ctx, c.Database, false)
	if err != nil {
		return err
	}
	defer to.Close()
	show := e.far("move-progress")
	report, err := store.RestoreInto(ctx, c.Backup, to, show.at)
	show.end()
	if err != nil {
		return err
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema   string `json:"schema"`
			Engine   string `json:"engine"`
			Database string `json:"database"`
			Events   int64  `json:"events"`
			Head     string `json:"head"`
		}{"sapward/restore/1", Version, store.Shown(c.Database), report.Events, report.Head})
	}
	e.println(e.say.Say("restore-done", finding.Args{"folder": finding.Text(store.Shown(c.Database)), "events": finding.Count(int(report.Events))}))
	return nil
}

type importCmd struct {
	File   string `arg:"" help:"CSV, XLSX, GeoJSON, GeoPackage or GPX; trees are found again by their tag, so the same file twice changes nothing."`
	Estate string `help:"Name of the estate; made if there is none of the name." required:""`
	Block  string `help:"Name of the block; made if there is none of the name." required:""`
	Kind   string `help:"What the table holds." enum:"trees,wounds,limbs,obstacles,history,boundary" default:"trees"`
	Try    bool   `help:"Say what would be done and keep nothing."`
	dataOption
}

// Run imports one table into a block.
func (c importCmd) Run(e *env) error {
	ctx := context.Background()
	f, err := os.Open(c.File)
	if err != nil {
		return finding.Faults{fileFault("file-unreadable", c.File, err)}
	}
	defer f.Close()
	a, s, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer s.Close()
	block, err := c.place(ctx, a)
	if err != nil {
		return err
	}
	var r app.ImportResult
	far := e.far("import-progress")
	defer far.end()
	ctx = app.Watched(ctx, far.at)
	switch {
	case block == "": // tried for a block that is not there: every tree would be new
		r.Table, err = readers{}.Trees(f, c.File, nil, func(trees []tree.Tree) error { r.Add += len(trees); return nil })
	case c.Try:
		r.ImportPreview, err = a.PreviewImport(ctx, app.Local(), block, c.Kind, c.File, f, nil)
	default:
		r, err = a.Import(ctx, app.Local(), block, c.Kind, c.File, f, nil)
	}
	far.end()
	if err != nil {
		return err
	}
	for _, n := range r.Table.Notes { // what was left out of a file of places, or looks wrong in it
		if strings.HasPrefix(n.ID, "gis-") {
			fmt.Fprintln(e.stderr, e.sentence(n))
		}
	}
	if e.globals.JSON {
		strangers := r.Strangers
		if strangers == nil {
			strangers = []string{}
		}
		return e.printJSON(struct {
			Schema    string   `json:"schema"`
			Engine    string   `json:"engine"`
			Kept      bool     `json:"kept"`
			Add       int      `json:"add"`
			Change    int      `json:"change"`
			Same      int      `json:"same"`
			Strangers []string `json:"strangers"`
		}{"sapward/import/1", Version, !c.Try, r.Add, r.Change, r.Same, strangers})
	}
	id := "import-done"
	if c.Try {
		id = "import-would"
	}
	e.println(e.say.Say(id, finding.Args{"block": finding.Text(c.Block), "add": finding.Count(r.Add), "change": finding.Count(r.Change), "same": finding.Count(r.Same)}))
	if len(r.Strangers) > 0 {
		e.println(e.say.Say("import-strangers", finding.Args{"trees": finding.Text(strings.Join(r.Strangers, ", "))}))
	}
	return nil
}

// place finds the block by the names of estate and block, or makes them. With
// --try nothing is made: without a block, a table of trees may still be tried.
func (c importCmd) place(ctx context.Context, a *app.App) (string, error) {
	estates, err := a.Estates(ctx, app.Local())
	if err != nil {
		return "", err
	}
	estate := ""
	for _, x := range estates {
		if strings.EqualFold(x.Facts.Name, c.Estate) {
			estate = x.ID
		}
	}
	if estate == "" && c.Try {
		return c.nowhere("estate", c.Estate, estates)
	}
	if estate == "" {
		x, err := a.AddEstate(ctx, app.Local(), app.EstateFacts{Name: c.Estate})
		if err != nil {
			return "", err
		}
		estate = x.ID
	}
	view, err := a.Estate(ctx, app.Local(), estate)
	if err != nil {
		return "", err
	}
	for _, b := range view.Blocks {
		if strings.EqualFold(b.Facts.Name, c.Block) {
			return b.ID, nil
		}
	}
	if c.Try {
		return c.nowhere("block", c.Block, nil)
	}
	b, err := a.AddBlock(ctx, app.Local(), estate, app.BlockFacts{Name: c.Block})
	return b.ID, err
}

// nowhere is the place of a table that is tried for a block nobody made yet.
func (c importCmd) nowhere(what, name string, estates []app.EstateLine) (string, error) {
	if c.Kind == "trees" {
		return "", nil
	}
	var names []string
	for _, x := range estates {
		names = append(names, x.Facts.Name)
	}
	if len(names) == 0 {
		names = []string{"–"}
	}
	return "", usage("serve-name-unknown", finding.Args{"what_by": finding.Text("kind-" + what), "name": finding.Text(name), "names": finding.Text(strings.Join(names, ", "))})
}

type exportCmd struct {
	Into   string   `arg:"" help:"Folder to write; complete or not at all."`
	Estate string   `help:"Name of the estate; not needed where there is one."`
	Format []string `help:"Write the trees also in these formats: geojson, gpkg, gpx, xlsx." enum:"geojson,gpkg,gpx,xlsx"`
	dataOption
}

// Run writes everything of an estate into a folder.
func (c exportCmd) Run(e *env) error {
	ctx := context.Background()
	a, s, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer s.Close()
	estates, err := a.Estates(ctx, app.Local())
	if err != nil {
		return err
	}
	var id, name string
	var names []string
	for _, x := range estates {
		names = append(names, x.Facts.Name)
		if strings.EqualFold(x.Facts.Name, c.Estate) || c.Estate == "" && len(estates) == 1 {
			id, name = x.ID, x.Facts.Name
		}
	}
	if id == "" && c.Estate == "" && len(names) > 0 {
		return usage("serve-estate-needed", finding.Args{"names": finding.Text(strings.Join(names, ", "))})
	}
	if id == "" {
		return usage("serve-name-unknown", finding.Args{"what_by": finding.Text("kind-estate"), "name": finding.Text(c.Estate), "names": finding.Text(strings.Join(names, ", "))})
	}
	known := []string{"estate.json", "events.jsonl", "cards/*.yaml", "*/*.csv", "*/*.json", "*/trees.*", "*/files/*", "*/plans/*/*.json"}
	err = exchange.WriteFolder(filepath.Clean(c.Into), known, func(f *exchange.Folder) error {
		return a.Export(ctx, app.Local(), id, folderArchive{f}, tablesOut{formats: c.Format})
	})
	if err != nil {
		return err
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema string `json:"schema"`
			Engine string `json:"engine"`
			Estate string `json:"estate"`
			Folder string `json:"folder"`
		}{"sapward/export/1", Version, name, c.Into})
	}
	e.println(e.say.Say("export-done", finding.Args{"name": finding.Text(name), "folder": finding.Text(c.Into)}))
	return nil
}

// folderArchive lets an export go into a folder.
type folderArchive struct{ *exchange.Folder }

// File writes one file of the export.
func (f folderArchive) File(name string, write func(io.Writer) error) error {
	return f.Folder.File(name, write)
}
