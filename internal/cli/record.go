package cli

import (
	"bytes"
	"cmp"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/gowebpki/jcs"

	"sapward/apply/record"
	"sapward/finding"
	"sapward/internal/cardfile"
	"sapward/internal/exchange"
)

// Clock and identifiers of records: the machine's. No option sets the clock, so
// that nothing is ever entered with an earlier date.
var (
	recordClock = time.Now
	recordID    = func() string { return uuid.Must(uuid.NewV7()).String() }
)

type recordCmd struct {
	New      recordNewCmd      `cmd:"" help:"Record what was done, from a file filled in by hand; --blank prints that file."`
	Show     recordShowCmd     `cmd:"" help:"Show a record: every element, what is missing and where it is filled, dates, versions."`
	Sign     recordSignCmd     `cmd:"" help:"Sign as the certified applicator named in the record."`
	Amend    recordAmendCmd    `cmd:"" help:"Add a changed version with a reason; the old ones stay."`
	Export   recordExportCmd   `cmd:"" help:"Write a record out: PDF, CSV, JSON, GeoJSON, calendar, customer copy, posting sheet."`
	Check    recordCheckCmd    `cmd:"" help:"Verify hashes, chain and signatures of record files."`
	Profiles recordProfilesCmd `cmd:"" help:"List the regimes: what each asks, since when, from which source, what is not confirmed."`
}

// zone finds a time zone in the embedded data.
func zone(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, errors.New("no zone")
	}
	return time.LoadLocation(name)
}

// openRecord reads a record file and refuses one that was tampered with.
func (e *env) openRecord(path string) (*record.Record, []byte, error) {
	data, err := e.readFile(path)
	if err != nil {
		return nil, nil, err
	}
	r, err := record.Read(data, jcs.Transform)
	if err != nil {
		return nil, nil, placed(err, path, nil)
	}
	bad, err := record.Verify(r, jcs.Transform)
	if err != nil {
		return nil, nil, err
	}
	if len(bad) > 0 {
		var faults finding.Faults
		for _, f := range bad {
			faults = append(faults, finding.Bad(f.ID, finding.Where{File: path}, f.Args))
		}
		return nil, nil, faults
	}
	return r, data, nil
}

// placed gives faults their file, and their place where the path is known.
func placed(err error, file string, places map[string]finding.Where) error {
	fs := finding.AsFaults(err)
	for _, f := range fs {
		if f.Where.File != "" {
			continue
		}
		f.Where.File = file
		for p := f.Args["path"].Text; p != ""; {
			if w, ok := places[p]; ok {
				f.Where = w
				break
			}
			p = p[:max(strings.LastIndexAny(p, ".["), 0)]
		}
	}
	slices.SortStableFunc(fs, func(a, b *finding.Fault) int {
		return cmp.Or(cmp.Compare(a.Where.Line, b.Where.Line), cmp.Compare(a.Where.Column, b.Where.Column))
	})
	return fs
}

// createFile writes a file that must not exist yet: aside, then linked into its
// place, so that it is either whole or absent.
func createFile(path string, data []byte) error {
	exists := func() error {
		return finding.Faults{{Class: finding.Conflict, ID: "record-file-exists", Where: finding.Where{File: path}}}
	}
	if _, err := os.Lstat(path); err == nil {
		return exists()
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".sapward-*")
	if err != nil {
		return finding.Faults{fileFault("record-file-unwritable", path, err)}
	}
	defer os.Remove(f.Name())
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if c := f.Close(); err == nil {
		err = c
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Link(f.Name(), path)
	}
	if errors.Is(err, fs.ErrExist) {
		return exists()
	}
	if err != nil { // a disk without links: create it in place, still without overwriting
		if g, err2 := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644); err2 == nil {
			_, err = g.Write(data)
			if s := g.Sync(); err == nil {
				err = s
			}
			if c := g.Close(); err == nil {
				err = c
			}
			if err != nil {
				os.Remove(path)
			}
		} else {
			err = err2
		}
	}
	if err != nil {
		return finding.Faults{fileFault("record-file-unwritable", path, err)}
	}
	return nil
}

// replaceRecord writes a record over the file it was read from, unless somebody
// else changed it meanwhile.
func replaceRecord(path string, was []byte, r *record.Record) error {
	now, err := os.ReadFile(path)
	if err != nil {
		return finding.Faults{fileFault("card-file-unreadable", path, err)}
	}
	if !bytes.Equal(now, was) {
		return finding.Faults{{Class: finding.Conflict, ID: "record-file-changed", Where: finding.Where{File: path}}}
	}
	data, err := record.Write(r)
	if err != nil {
		return err
	}
	return exchange.WriteFile(path, data)
}

type recordNewCmd struct {
	File   string   `arg:"" optional:"" help:"What was done: a YAML or JSON file; - for standard input."`
	Blank  bool     `help:"Print the file to fill in."`
	Card   string   `help:"The product's label card; its content is kept in the record."`
	Use    int      `help:"Which use of the card, counted from 1." default:"0"`
	Method string   `help:"Choose the card's use by method: injection or infusion."`
	Regime []string `help:"Regimes the record must satisfy, added to those in the file."`
	By     string   `help:"Who enters it: a name or a role."`
	Out    string   `help:"The record file to make." placeholder:"RECORD.json"`
}

// Run records what was done.
func (c recordNewCmd) Run(e *env) error {
	if c.Blank {
		_, err := e.stdout.Write(exchange.RecordBlank())
		return err
	}
	var faults finding.Faults
	for _, x := range []struct{ name, value string }{{"FILE", c.File}, {"--by", c.By}, {"--out", c.Out}} {
		if strings.TrimSpace(x.value) == "" {
			faults = append(faults, finding.AsFaults(usage("record-option-needed", finding.Args{"option": finding.Text(x.name)}))...)
		}
	}
	if len(faults) > 0 {
		return faults
	}
	content, places, err := e.recordContent(c.File)
	if err != nil {
		return err
	}
	if content, err = e.withCard(content, c.Card, c.Method, c.Use); err != nil {
		return err
	}
	content.Regimes = union(content.Regimes, c.Regime)
	r, err := record.New(recordID(), Version, c.By, recordClock().Truncate(time.Second), content, zone, jcs.Transform)
	if err != nil {
		return placed(err, c.File, places)
	}
	data, err := record.Write(r)
	if err != nil {
		return err
	}
	if err := createFile(c.Out, data); err != nil {
		return err
	}
	return e.recordDone(r, "record-made", c.Out)
}

// recordContent reads a file of what was done.
func (e *env) recordContent(path string) (record.Content, map[string]finding.Where, error) {
	data, err := e.readFile(path)
	if err != nil {
		return record.Content{}, nil, err
	}
	return exchange.ReadRecordContent(data, path)
}

// union adds identifiers that are not there yet.
func union(have, more []string) []string {
	out := append([]string(nil), have...)
	for _, m := range more {
		m = strings.TrimSpace(m)
		there := m == ""
		for _, h := range out {
			there = there || h == m
		}
		if !there {
			out = append(out, m)
		}
	}
	return out
}

// withCard fills in what the card says. Without a card nothing is filled but
// the sums of the trees.
func (e *env) withCard(c record.Content, path, method string, use int) (record.Content, error) {
	if path == "" {
		return record.AddUp(c)
	}
	loaded, findings, err := e.loadCard(path)
	if err != nil {
		return c, err
	}
	if fs := refusing(loaded, findings); len(fs) > 0 {
		return c, fs
	}
	if method == "" {
		method, _ = c.Work.Method.Known()
	}
	i := use - 1
	if use <= 0 {
		i = -1
		for k, u := range loaded.Card.Uses {
			if method == string(u.Method) || method == "" && len(loaded.Card.Uses) == 1 {
				i = k
				break
			}
		}
	}
	if i < 0 || i >= len(loaded.Card.Uses) {
		return c, usage("record-which-use", finding.Args{"count": finding.Count(len(loaded.Card.Uses))})
	}
	out, err := record.Assemble(c, loaded.Card, record.CardSnapshot{Hash: loaded.Hash, Content: loaded.Canonical, Use: i})
	if err != nil {
		return c, placed(err, path, nil)
	}
	return out, nil
}

// again fills a corrected content from the card kept in the record: the card
// as it was at the work, not as it is now.
func again(c, old record.Content) (record.Content, error) {
	c.Invented = c.Invented || old.Invented
	if old.Card == nil {
		return record.AddUp(c)
	}
	card, err := cardfile.Parse(old.Card.Content, "card")
	if err != nil {
		return c, err
	}
	out, err := record.Assemble(c, card.Card, *old.Card)
	out.PracticeOnly = old.PracticeOnly
	return out, err
}

type recordSignCmd struct {
	File       string `arg:"" help:"The record."`
	Incomplete string `help:"Why it is signed though something is missing; stands in the signature." placeholder:"REASON"`
}

// Run signs the newest version.
func (c recordSignCmd) Run(e *env) error {
	r, was, err := e.openRecord(c.File)
	if err != nil {
		return err
	}
	r, err = r.Sign(recordClock().Truncate(time.Second), c.Incomplete, zone, jcs.Transform)
	if err != nil {
		return placed(err, c.File, nil)
	}
	if err := replaceRecord(c.File, was, r); err != nil {
		return err
	}
	return e.recordDone(r, "record-signed", c.File)
}

type recordAmendCmd struct {
	File   string   `arg:"" help:"The record."`
	Set    []string `help:"A value to put in, such as weather.wind_speed='2.5 m/s'; repeat it for more." placeholder:"PATH=VALUE" sep:"none"`
	With   string   `help:"A whole file of what was done, corrected, in place of single values." placeholder:"FILE"`
	Regime []string `help:"Regimes to add."`
	Reason string   `help:"Why; a must once the record was signed."`
	By     string   `help:"Who amends: a name or a role."`
}

// Run adds an amended version.
func (c recordAmendCmd) Run(e *env) error {
	if strings.TrimSpace(c.By) == "" {
		return usage("record-option-needed", finding.Args{"option": finding.Text("--by")})
	}
	r, was, err := e.openRecord(c.File)
	if err != nil {
		return err
	}
	content := r.Last().Content
	var places map[string]finding.Where
	from := ""
	if c.With != "" {
		from = c.With
		old := content
		if content, places, err = e.recordContent(c.With); err != nil {
			return err
		}
		if content, err = again(content, old); err != nil {
			return placed(err, c.With, places)
		}
	}
	if content, err = exchange.SetRecordContent(content, c.Set); err != nil {
		return err
	}
	content.Regimes = union(content.Regimes, c.Regime)
	r, err = r.Amend(c.By, c.Reason, recordClock().Truncate(time.Second), content, zone, jcs.Transform)
	if err != nil {
		return placed(err, from, places)
	}
	if err := replaceRecord(c.File, was, r); err != nil {
		return err
	}
	return e.recordDone(r, "record-amended", c.File)
}

type recordCheckCmd struct {
	Files []string `arg:"" help:"The record files."`
}

// Run verifies record files; a version tampered with is named.
func (c recordCheckCmd) Run(e *env) error {
	type line struct {
		File string `json:"file"`
		finding.Finding
		Text string `json:"text"`
	}
	lines := []line{}
	versions := 0
	for _, path := range c.Files {
		data, err := e.readFile(path)
		if err != nil {
			return err
		}
		r, err := record.Read(data, jcs.Transform)
		if err != nil {
			return placed(err, path, nil)
		}
		fs, err := record.Verify(r, jcs.Transform)
		if err != nil {
			return err
		}
		versions += len(r.Versions)
		for _, f := range fs {
			lines = append(lines, line{path, f, e.sentence(f)})
		}
	}
	if len(lines) > 0 {
		e.status = exitRefused
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema   string `json:"schema"`
			Engine   string `json:"engine"`
			Clean    bool   `json:"clean"`
			Versions int    `json:"versions"`
			Findings []line `json:"findings"`
		}{"sapward/record-check/1", Version, len(lines) == 0, versions, lines})
	}
	for _, l := range lines {
		e.println(l.File + ": " + l.Text)
	}
	id := "record-check-clean"
	if len(lines) > 0 {
		id = "record-check-unclean"
	}
	e.println(e.say.Say(id, finding.Args{"files": finding.Count(len(c.Files)), "versions": finding.Count(versions), "count": finding.Count(len(lines))}))
	return nil
}
