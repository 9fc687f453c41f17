package web

import (
	"archive/zip"
	"bytes"
	"io"
	"log/slog"
	"net/http"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

type dataPage struct {
	Blocks    []option
	Block     string
	Kinds     []option
	Kind      string
	Estates   []option
	Formats   []option // that trees are exported in beside CSV
	MayImport bool
	MayBackup bool
	Faults    []string
	Backup    *app.BackupReport
	Job       *jobView
	File      string
}

func (c *call) dataPage() (dataPage, error) {
	ctx := c.r.Context()
	p := dataPage{Block: c.field("block"), Kind: c.field("kind")}
	estates, err := c.s.app.Estates(ctx, c.actor)
	if err != nil {
		return p, err
	}
	for _, e := range estates {
		if c.may("Export", e.ID) {
			p.Estates = append(p.Estates, option{e.ID, e.Facts.Name})
		}
		if !c.may("Import", e.ID) {
			continue
		}
		p.MayImport = true
		v, err := c.s.app.Estate(ctx, c.actor, e.ID)
		if err != nil {
			return p, err
		}
		for _, b := range v.Blocks {
			p.Blocks = append(p.Blocks, option{b.ID, e.Facts.Name + " / " + b.Facts.Name})
		}
	}
	for _, k := range []string{app.TableTrees, app.TableWounds, app.TableLimbs, app.TableObstacles, app.TableHistory, app.TableBoundary} {
		p.Kinds = append(p.Kinds, option{k, c.T("web-table-" + k)})
	}
	p.Formats = []option{{"geojson", "+ GeoJSON"}, {"gpkg", "+ GeoPackage"}, {"gpx", "+ GPX"}, {"xlsx", "+ XLSX"}}
	p.MayBackup = c.may("Backup", "") && c.s.opt.BackupDir != ""
	p.Job = c.job()
	return p, nil
}

func (s *Server) data(c *call) error {
	p, err := c.dataPage()
	if err != nil {
		return err
	}
	return c.show("data", c.T("web-nav-data"), p)
}

type previewPage struct {
	app.ImportPreview
	Token, File, BlockID, BlockName string
	Faults                          []string
	Match                           app.Columns
	Names                           []option
	Notes                           []said
	Nothing                         bool
}

// preview takes a file, or the columns a person matched, and says what an
// import would do.
func (s *Server) preview(c *call) error {
	token := c.field("token")
	f, ok, err := s.waiting(c, token)
	if err != nil {
		return err
	}
	if !ok {
		file, header, err := c.r.FormFile("file")
		if err != nil {
			return c.dataFault(c.T("web-file-needed"))
		}
		defer file.Close()
		data, err := io.ReadAll(file)
		if err != nil {
			return err
		}
		token = s.token()
		f = upload{name: header.Filename, block: c.field("block"), kind: c.field("kind"), person: c.actor.Person, data: data, at: time.Now()}
		if !tableName(f.name) {
			return c.dataFault(c.T("web-file-kind"))
		}
		if err := s.wait(c, token, f); err != nil {
			return err
		}
	}
	return c.previewed(token, f)
}

// tableName reports whether a file's name is one of a table.
func tableName(name string) bool {
	for _, ext := range []string{".csv", ".xlsx", ".txt", ".tsv", ".geojson", ".json", ".gpkg", ".gpx"} {
		if strings.HasSuffix(strings.ToLower(name), ext) {
			return true
		}
	}
	return false
}

func (c *call) dataFault(line string) error {
	p, err := c.dataPage()
	if err != nil {
		return err
	}
	p.Faults = []string{line}
	return c.again("data", c.T("web-nav-data"), p)
}

// matched are the columns a person chose; nil where none were asked for.
func (c *call) matched() app.Columns {
	if c.field("matched") == "" {
		return nil
	}
	m := app.Columns{}
	for i := 0; i < 512; i++ {
		h, there := c.r.Form["h"+strconv.Itoa(i)]
		if !there {
			break
		}
		m[h[0]] = c.field("m" + strconv.Itoa(i))
	}
	return m
}

func (c *call) previewed(token string, f upload) error {
	ctx := c.r.Context()
	b, err := c.s.app.Block(ctx, c.actor, f.block)
	if err != nil {
		return err
	}
	p := previewPage{Token: token, File: f.name, BlockID: b.ID, BlockName: b.Facts.Name, Match: c.matched()}
	pre, err := c.s.app.PreviewImport(ctx, c.actor, f.block, f.kind, f.name, bytes.NewReader(f.data), p.Match)
	p.ImportPreview = pre
	fs, bad := usable(err)
	if err != nil && !bad {
		return err
	}
	p.Faults = c.lines(fs)
	p.Nothing = !bad && pre.Add+pre.Change == 0
	p.Names = []option{{"", c.T("web-column-unused")}}
	for _, n := range pre.Names {
		p.Names = append(p.Names, option{n, n})
	}
	p.Notes = c.sayAll(pre.Table.Notes)
	trail := append(c.blockTrail(b.Estate, b.Block), crumb{c.T("web-nav-data"), "/data?block=" + b.ID})
	title := c.S("web-preview-title", "file", f.name)
	if bad {
		return c.again("preview", title, p, trail...)
	}
	return c.show("preview", title, p, trail...)
}

// importFile keeps what was previewed.
func (s *Server) importFile(c *call) error {
	token := c.field("token")
	f, ok, err := s.waiting(c, token)
	if err != nil {
		return err
	}
	if !ok {
		return c.dataFault(c.T("web-file-gone"))
	}
	out, err := s.app.Import(c.r.Context(), c.actor, f.block, f.kind, f.name, bytes.NewReader(f.data), c.matched())
	if _, bad := usable(err); bad {
		return c.previewed(token, f)
	}
	if err != nil {
		return err
	}
	s.waited(c, token)
	return c.gone("/blocks/"+f.block, c.S("web-done-imported", "add", out.Add, "change", out.Change, "same", out.Same), out.Act)
}

// zipArchive takes the files of an export.
type zipArchive struct{ w *zip.Writer }

func (z zipArchive) File(name string, write func(io.Writer) error) error {
	f, err := z.w.Create(name)
	if err != nil {
		return err
	}
	return write(f)
}

// export sends everything of an estate as one archive.
func (s *Server) export(c *call) error {
	e, err := s.app.Estate(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	if !c.may("Export", e.ID) {
		return &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	if s.opt.Tables == nil {
		return missingPage()
	}
	tables := s.opt.Tables
	if more, ok := tables.(interface {
		With(format string) app.ExportWriter
	}); ok {
		tables = more.With(c.r.URL.Query().Get("format"))
	}
	h := c.w.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Disposition", `attachment; filename="`+fileName(e.Facts.Name)+`.zip"`)
	z := zip.NewWriter(c.w)
	if err := s.app.Export(c.r.Context(), c.actor, e.ID, zipArchive{z}, tables); err != nil {
		s.log.Error("export", slog.Any("err", err))
		panic(http.ErrAbortHandler) // the browser sees a broken download, not half an archive
	}
	return z.Close()
}

func (s *Server) backup(c *call) error {
	if s.opt.BackupDir == "" {
		return missingPage()
	}
	out, err := s.app.Backup(c.r.Context(), c.actor, s.opt.BackupDir)
	if err != nil {
		return err
	}
	p, err := c.dataPage()
	if err != nil {
		return err
	}
	p.Backup = &out
	return c.show("data", c.T("web-nav-data"), p)
}
