package cli

import (
	"encoding/json"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/exchange"
)

type trialCmd struct {
	Design  trialDesignCmd  `cmd:"" help:"Lay out a trial: blocks, treatments dealt by a printed seed, map, labels, assessor's sheet."`
	Power   trialPowerCmd   `cmd:"" help:"How many trees: the planned analysis simulated from your own variation."`
	Analyse trialAnalyseCmd `cmd:"" help:"The analysis by the design: means, intervals, comparisons, permutation test, residuals."`
}

type trialDesignCmd struct {
	File         string   `arg:"" help:"Trees of the block, CSV or XLSX: tree; diameter_cm, crown_class, distance_m, status, x_m, y_m."`
	Treatments   []string `help:"Treatments, the untreated among them, such as untreated,injection,infusion." sep:","`
	Control      string   `help:"Name of the untreated control."`
	Design       string   `help:"crd (completely randomised), rcbd (complete blocks) or split-plot." default:"rcbd"`
	Subs         []string `help:"Levels of the second factor, for a split plot." sep:","`
	Replicates   int      `help:"Plots of each treatment." default:"4"`
	TreesPerPlot int      `help:"Trees of one plot; above 1 they are sub-samples." default:"1"`
	BlockBy      string   `help:"Blocks by order, size, crown, distance or column." default:"order"`
	BlockColumn  string   `help:"Column that holds the blocks, with --block-by column."`
	Buffer       int      `help:"Trees left out between plots, in the order of the file."`
	GraftM       float64  `name:"graft-m" help:"Root-graft distance in m: nearer trees of other plots are left out."`
	Unit         string   `help:"What gets a treatment of its own: tree or plot."`
	PreRated     bool     `help:"Trees were rated before the treatment and the ratings are kept."`
	Blinded      bool     `help:"The assessor will not know the treatments."`
	Seed         uint64   `help:"Seed of the dealing; the same seed gives the same layout." default:"1"`
	Name         string   `help:"Name of the trial, for the papers."`
	Paper        string   `help:"Paper of the PDFs: a4 or letter; by default letter with US units."`
	Out          string   `help:"Folder for layout.json, tables, map, labels and assessor's sheet; complete or not at all."`
}

// trialLayoutSchema names the document of a layout.
const trialLayoutSchema = "sapward/trial-layout/1"

type trialLayoutDocument struct {
	followHead
	Name string `json:"name,omitempty"`
	trial.Layout
	Notes []saidNote `json:"notes"`
}

func (c trialDesignCmd) Run(e *env) error {
	by := trial.BlockBy(strings.ToLower(c.BlockBy))
	if (c.BlockColumn != "") != (by == trial.ByColumn) {
		return usage("trial-block-column", nil)
	}
	size, err := e.paperSize(c.Paper)
	if err != nil {
		return err
	}
	sites, sum, err := exchange.ReadSites(c.File, c.BlockColumn)
	if err != nil {
		return err
	}
	layout, err := trial.LayOut(trial.Distances(sites), trial.Request{
		Design: trial.Design(strings.ToLower(c.Design)), Treatments: trimmed(c.Treatments), Control: c.Control, Subs: trimmed(c.Subs), Replicates: c.Replicates,
		TreesPerPlot: c.TreesPerPlot, BlockBy: by, BufferTrees: c.Buffer, GraftM: c.GraftM, Unit: c.Unit, PreRated: c.PreRated, Blinded: c.Blinded, Seed: c.Seed,
	})
	if err != nil {
		return inFile(err, sum.File)
	}
	doc := trialLayoutDocument{Name: c.Name, Layout: layout, Notes: e.saidNotes(layout.Notes)}
	doc.followHead = followHead{Schema: trialLayoutSchema, Engine: Version, Meaning: []string{}}
	doc.mean(e)
	if c.Out != "" {
		if err := doc.write(e, c.Out, size); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	doc.print(e)
	if c.Out != "" {
		e.println("")
		e.println(e.say.Say("trial-written", finding.Args{"folder": finding.Text(c.Out)}))
	}
	return nil
}

// trimmed cuts blanks off names.
func trimmed(in []string) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = strings.TrimSpace(s)
	}
	return out
}

// inFile names the file on faults that know only that the input is at fault.
func inFile(err error, file string) error {
	fs := finding.AsFaults(err)
	out := make(finding.Faults, len(fs))
	for i, f := range fs {
		c := *f
		if c.Class == finding.BadInput && c.Where.File == "" {
			c.Where.File = file
		}
		out[i] = &c
	}
	return out
}

// paperSize is the paper of a PDF.
func (e *env) paperSize(asked string) (string, error) {
	switch asked {
	case "a4", "letter":
		return asked, nil
	case "":
		if e.say.US {
			return "letter", nil
		}
		return "a4", nil
	}
	return "", usage("trial-paper", finding.Args{"paper": finding.Text(asked)})
}

func (d *trialLayoutDocument) mean(e *env) {
	say := func(id string, a finding.Args) { d.Meaning = append(d.Meaning, e.say.Say(id, a)) }
	a := finding.Args{"plots": finding.Count(len(d.Plots)), "treatments": finding.Text(strings.Join(d.Treatments, ", ")), "replicates": finding.Count(d.Replicates),
		"trees": finding.Count(d.TreesPerPlot), "seed": finding.Text(strconv.FormatUint(d.Seed, 10)), "df": finding.Count(d.ResidualDF)}
	say("trial-layout-mean-"+string(d.Design), a)
	if d.BlockBy != "" {
		say("trial-layout-by-"+string(d.BlockBy), nil)
	}
	say("trial-layout-seed", a)
	say("trial-layout-df", a)
}

func (d *trialLayoutDocument) print(e *env) {
	say := e.say
	e.println(say.Say("trial-layout-head", finding.Args{"design": finding.Text(say.T("trial-design-" + string(d.Design))), "plots": finding.Count(len(d.Plots)), "seed": finding.Text(strconv.FormatUint(d.Seed, 10))}))
	e.title(say.T("trial-head-letters"))
	t := e.heads("trial-col-letter", "col-treatment")
	for _, l := range d.LetterList() {
		t.row(l[0], l[1])
	}
	e.printf("%s", t)
	e.title(say.T("trial-head-plots"))
	split := d.Design == trial.SplitPlot
	heads := []string{">trial-col-plot", "trial-col-block", "col-treatment"}
	if split {
		heads = append(heads, "trial-col-sub")
	}
	t = e.heads(append(heads, "trial-col-letter", ">trial-col-size", "trial-col-trees")...)
	for _, p := range d.Plots {
		cells := []string{strconv.Itoa(p.Plot), dash(p.Block), p.Treatment}
		if split {
			cells = append(cells, p.Sub)
		}
		size := noFigure
		if p.SizeCM != nil {
			size = say.Length(*p.SizeCM)
		}
		t.row(append(cells, p.Letter, size, shortList(p.Trees, 6))...)
	}
	e.printf("%s", t)
	e.printMeaning(d.followHead, d.Notes)
}

func dash(s string) string {
	if s == "" {
		return noFigure
	}
	return s
}

// shortList names at most n and how many more.
func shortList(names []string, n int) string {
	if len(names) <= n {
		return strings.Join(names, " ")
	}
	return strings.Join(names[:n], " ") + " +" + strconv.Itoa(len(names)-n)
}

// readLayout reads a layout document back.
func (e *env) readLayout(path string) (*trialLayoutDocument, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, finding.Faults{fileFault("trial-layout-unreadable", path, err)}
	}
	var d trialLayoutDocument
	bad := func(cause error) error {
		return finding.Faults{{Class: finding.BadInput, ID: "trial-layout-foreign", Where: finding.Where{File: path}, Cause: cause}}
	}
	if err := json.Unmarshal(data, &d); err != nil {
		return nil, bad(err)
	}
	if d.Schema != trialLayoutSchema || len(d.Plots) == 0 || !d.Design.Known() {
		return nil, bad(nil)
	}
	return &d, nil
}

// plotted gives rows the treatment and block of their plot by the layout, and
// adds the plots that have no row.
func (d *trialLayoutDocument) plotted(rows []trial.Observation) ([]trial.Observation, error) {
	byPlot, byTree := map[string]trial.Plot{}, map[string]trial.Plot{}
	for _, p := range d.Plots {
		byPlot[strconv.Itoa(p.Plot)] = p
		for _, t := range p.Trees {
			byTree[t] = p
		}
	}
	var fs finding.Faults
	out, seen := slices.Clone(rows), map[int]bool{}
	for i := range out {
		r := &out[i]
		p, ok := byPlot[r.Plot]
		if r.Plot == "" {
			p, ok = byTree[r.Tree]
		}
		a := finding.Args{"plot": finding.Text(r.Plot), "tree": finding.Text(r.Tree)}
		switch {
		case !ok && r.Plot == "":
			fs = append(fs, finding.Bad("trial-tree-not-laid", r.Where, a))
			continue
		case !ok:
			fs = append(fs, finding.Bad("trial-plot-not-laid", r.Where, a))
			continue
		case r.Tree != "" && !slices.Contains(p.Trees, r.Tree):
			a["plot"] = finding.Text(strconv.Itoa(p.Plot))
			fs = append(fs, finding.Bad("trial-tree-other-plot", r.Where, a))
			continue
		case r.Treatment != "" && r.Treatment != p.Treatment:
			a["treatment"], a["laid"] = finding.Text(r.Treatment), finding.Text(p.Treatment)
			a["plot"] = finding.Text(strconv.Itoa(p.Plot))
			fs = append(fs, finding.Bad("trial-treatment-other", r.Where, a))
			continue
		}
		seen[p.Plot] = true
		r.Plot, r.Block, r.Treatment, r.Sub = strconv.Itoa(p.Plot), p.Block, p.Treatment, p.Sub
	}
	for _, p := range d.Plots {
		if !seen[p.Plot] {
			out = append(out, trial.Observation{Plot: strconv.Itoa(p.Plot), Block: p.Block, Treatment: p.Treatment, Sub: p.Sub})
		}
	}
	return out, fs.OrNil()
}

// write makes the folder of a layout.
func (d *trialLayoutDocument) write(e *env, dir, size string) error {
	known := []string{"layout.json", "plots.csv", "trees.csv", "assessor.csv", "map.pdf", "labels.pdf", "assessor.pdf"}
	return exchange.WriteFolder(dir, known, func(f *exchange.Folder) error {
		files := []trialFile{{"layout.json", func(w io.Writer) error { return writeJSON(w, d) }}, {"plots.csv", d.plotTable}, {"trees.csv", d.treeTable}, {"assessor.csv", d.assessorTable}}
		for _, x := range append(files, d.papers(e, size)...) {
			if err := f.File(x.name, x.write); err != nil {
				return err
			}
		}
		return nil
	})
}

func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// csvTable writes a table with its header.
func csvTable(w io.Writer, head []string, rows func(*exchange.RowWriter)) error {
	t := exchange.NewRowWriter(w)
	for _, h := range head {
		t.Text(h)
	}
	t.End()
	rows(t)
	return t.Close()
}

func (d *trialLayoutDocument) plotTable(w io.Writer) error {
	return csvTable(w, []string{"plot", "block", "main_plot", "treatment", "sub", "letter", "trees", "mean_size_cm", "mean_distance_m"}, func(t *exchange.RowWriter) {
		for _, p := range d.Plots {
			t.Int(p.Plot)
			t.Text(p.Block)
			optionalInt(t, p.Main)
			t.Text(p.Treatment)
			t.Text(p.Sub)
			t.Text(p.Letter)
			t.Text(strings.Join(p.Trees, " "))
			optional(t, p.SizeCM, 1)
			optional(t, p.DistanceM, 1)
			t.End()
		}
	})
}

func optionalInt(t *exchange.RowWriter, n int) {
	if n == 0 {
		t.Blank()
		return
	}
	t.Int(n)
}

func optional(t *exchange.RowWriter, p *float64, decimals int) {
	if p == nil {
		t.Blank()
		return
	}
	t.Float(*p, decimals)
}

func (d *trialLayoutDocument) treeTable(w io.Writer) error {
	return csvTable(w, []string{"tree", "role", "plot", "x_m", "y_m"}, func(t *exchange.RowWriter) {
		for _, x := range d.Trees {
			t.Text(x.Tree)
			t.Text(x.Role)
			optionalInt(t, x.Plot)
			optional(t, x.X, 2)
			optional(t, x.Y, 2)
			t.End()
		}
	})
}

// assessorTable is the table an assessor fills in; it tells neither treatment
// nor block.
func (d *trialLayoutDocument) assessorTable(w io.Writer) error {
	return csvTable(w, []string{"plot", "tree", "date", "value", "reason", "assessor"}, func(t *exchange.RowWriter) {
		for _, p := range d.Plots {
			for _, tree := range p.Trees {
				t.Int(p.Plot)
				t.Text(tree)
				for range 4 {
					t.Blank()
				}
				t.End()
			}
		}
	})
}
