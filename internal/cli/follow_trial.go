package cli

import (
	"encoding/json"
	"os"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/exchange"
	"sapward/internal/report"
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
	doc := e.trials().Layout(c.Name, layout)
	if c.Out != "" {
		if err := writeTrial(c.Out, report.TrialLayoutNames, doc.Files(e.say, size)); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	e.printTrialLayout(doc)
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

func (e *env) printTrialLayout(d report.TrialLayoutDocument) {
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
	e.printMeaning(followHead{Meaning: d.Meaning}, d.Notes)
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

// trials puts results of trials into documents.
func (e *env) trials() report.TrialWriter { return report.TrialWriter{Say: e.say, Engine: Version} }

// readLayout reads a layout document back.
func (e *env) readLayout(path string) (*report.TrialLayoutDocument, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, finding.Faults{fileFault("trial-layout-unreadable", path, err)}
	}
	var d report.TrialLayoutDocument
	bad := func(cause error) error {
		return finding.Faults{{Class: finding.BadInput, ID: "trial-layout-foreign", Where: finding.Where{File: path}, Cause: cause}}
	}
	if err := json.Unmarshal(data, &d); err != nil {
		return nil, bad(err)
	}
	if d.Schema != report.TrialLayoutSchema || len(d.Plots) == 0 || !d.Design.Known() {
		return nil, bad(nil)
	}
	return &d, nil
}

// writeTrial makes a trial's folder.
func writeTrial(dir string, known []string, files []report.TrialFile) error {
	return exchange.WriteFolder(dir, known, func(f *exchange.Folder) error {
		for _, x := range files {
			if err := f.File(x.Name, x.Write); err != nil {
				return err
			}
		}
		return nil
	})
}
