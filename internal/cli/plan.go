package cli

import (
	"bufio"
	"errors"
	"io"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/exchange"
	"sapward/internal/report"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"
)

type planCmd struct {
	Trees string `arg:"" help:"TREES.csv or .xlsx: tree and one of diameter_cm diameter_in girth_cm girth_in."`
	planOptions
	crewOptions
	uptakeOptions
	modelOptions
	Out   string `help:"Folder to write plan.json, plan.csv, plan.xlsx and plan.pdf to; complete or not at all."`
	Name  string `help:"Name of the block, for the paper."`
	Paper string `help:"Paper of plan.pdf: a4 or letter (default by --units)." enum:",a4,letter" default:""`
	CSV   bool   `name:"csv" help:"Print plan.csv, one row a port, and nothing else."`
}

// planOptions are the options that decide a plan, shared with comparisons.
type planOptions struct {
	Card          string            `help:"Label card (YAML)." required:""`
	Method        string            `help:"injection or infusion." enum:",injection,infusion" default:""`
	Basis         string            `help:"fills (few volumes), tree (each its own) or mean (one dose)." enum:"fills,tree,mean" default:"fills"`
	Fills         int               `help:"At most so many fills (1 to 4), nearest to the targets; 0: as few as possible."`
	Level         string            `help:"low, target, high, or a rate such as '3 mL/cm'." default:"target"`
	On            string            `help:"Day of work, 2026-06-03."`
	Site          string            `help:"Site as the card names it."`
	Target        string            `help:"Target as the card names it."`
	Territory     string            `help:"Where the trees stand, as the registration names it."`
	AreaHa        string            `name:"area_ha" help:"Treated area in hectares."`
	Bloom         string            `help:"Are the trees in bloom: no, yes or after (petals fallen)." enum:",no,yes,after" default:""`
	HarvestFrom   string            `name:"harvest-from" help:"First day of harvest."`
	CertificateTo string            `name:"certificate-valid-to" help:"Last day the applicator's certificate is valid."`
	BlockTrees    int               `name:"block-trees" help:"Trees in the block, when only some are taped."`
	Wounds        string            `help:"WOUNDS.csv: old holes."`
	Limbs         string            `help:"LIMBS.csv."`
	LimbShare     string            `name:"limb-share" help:"Share of the dose for limb ports, such as '20 %'." default:"0 %"`
	Obstacles     string            `help:"OBSTACLES.csv: arcs where no port may go."`
	History       string            `help:"HISTORY.csv: earlier treatments."`
	GraduationML  string            `name:"graduation_ml" help:"Graduation of the syringe or bottle in mL (program default 0.5 for injection, 50 for infusion)."`
	MarkAzimuth   float64           `name:"mark-azimuth" help:"Azimuth of the painted mark, degrees from north." default:"0"`
	Override      map[string]string `help:"Set an advisory rule aside: ID=REASON, printed on the record." mapsep:"none"`
	Seed          uint64            `help:"Seed kept on the plan." default:"1"`
}

// request reads the options and every file they name, and gathers all that is
// wrong with them at once.
func (o planOptions) request(e *env) (plan.Request, cardfile.Loaded, error) {
	var faults finding.Faults
	take := func(err error) {
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
		}
	}
	loaded, findings, err := e.loadCard(o.Card)
	take(err)
	faults = append(faults, refusing(loaded, findings)...)
	r, err := o.brief().Request()
	take(err)
	r.Engine, r.CardHash, r.Card = Version, loaded.Hash, loaded.Card
	if o.Wounds != "" {
		r.Wounds, _, err = exchange.ReadWoundsFile(o.Wounds)
		take(err)
	}
	if o.Limbs != "" {
		r.Limbs, _, err = exchange.ReadLimbsFile(o.Limbs)
		take(err)
	}
	if o.Obstacles != "" {
		r.Obstacles, _, err = exchange.ReadObstaclesFile(o.Obstacles)
		take(err)
	}
	if o.History != "" {
		r.History, _, err = exchange.ReadHistoryFile(o.History)
		take(err)
	}
	return r, loaded, faults.OrNil()
}

// brief is the words of the options.
func (o planOptions) brief() brief.Brief {
	return brief.Brief{
		Method: o.Method, Basis: o.Basis, Fills: o.Fills, Level: o.Level, On: o.On, Site: o.Site, Target: o.Target, Territory: o.Territory,
		AreaHa: o.AreaHa, Bloom: o.Bloom, HarvestFrom: o.HarvestFrom, CertificateTo: o.CertificateTo, BlockTrees: o.BlockTrees,
		LimbShare: o.LimbShare, GraduationML: o.GraduationML, MarkAzimuth: o.MarkAzimuth, Overrides: o.Override, Seed: o.Seed,
	}
}

// canClimb reports whether a crew has a climber and, besides, a second trained
// person.
func canClimb(crew []exchange.Member) bool {
	for i, c := range crew {
		for k, s := range crew {
			if c.Climber && s.TrainedSecond && i != k {
				return true
			}
		}
	}
	return false
}

// readTrees scans the trees and tells what was read in a way nobody expects.
func (e *env) readTrees(path string) (*exchange.TreeReader, error) {
	trees, err := exchange.OpenTrees(path)
	if err != nil {
		return nil, err
	}
	for _, n := range trees.Notes {
		text, mend := e.say.Finding(n)
		if mend != "" {
			text += " " + mend
		}
		if _, err := io.WriteString(e.stderr, path+": "+text+"\n"); err != nil {
			return nil, err
		}
	}
	return trees, nil
}

func (c planCmd) Run(e *env) error {
	r, _, err := c.request(e)
	faults := finding.AsFaults(err)
	if _, err := c.gear(nil); err != nil {
		faults = append(faults, finding.AsFaults(err)...)
	} else if _, r.Climber, err = c.members(); err != nil {
		return err
	}
	trees, treeErr := e.readTrees(c.Trees)
	if treeErr != nil {
		faults = append(faults, finding.AsFaults(treeErr)...)
	}
	if err := faults.OrNil(); err != nil {
		return err
	}
	// Each tree is read once or twice to decide and once more to lay out its ports.
	bar := newProgress(e, e.say.T("progress-plan"), 2*int64(trees.Trees))
	defer bar.end()
	src := counted(plan.Source(trees.Each), bar)
	job, err := plan.Decide(r, src)
	if err != nil {
		return err
	}
	if job.Plan.Verdict == plan.Refused || job.Plan.Totals.RefusedTrees > 0 {
		e.status = exitRefused
	}
	if c.CSV {
		return writeCSV(e.stdout, job, src)
	}
	drinks, err := c.drinks(c, r, label.Method(job.Plan.Method))
	if err != nil {
		return err
	}
	p, block, err := c.equip(job, r, trees, drinks)
	if err != nil {
		return err
	}
	job.AddOutfit(p.Outfit)
	if err := c.layout(e, r, job, trees); err != nil {
		return err
	}
	laid := p.Trees
	p = job.Plan
	p.Trees = laid
	if c.Out != "" {
		if err := writePlan(c.Out, job, trees, c.paper(e, job, p, r, block)); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		w := bufio.NewWriterSize(e.stdout, 1<<16)
		if err := planJSON(w, job, trees, nil); err != nil {
			return err
		}
		return w.Flush()
	}
	first := p.Trees
	if first == nil {
		if first, err = firstTrees(job, trees); err != nil {
			return err
		}
	}
	e.printPlan(job, first)
	if c.Out != "" {
		e.println("")
		e.println(e.say.Say("plan-written", finding.Args{"folder": finding.Text(c.Out), "ports": finding.Number(float64(job.Plan.Totals.Ports), "")}))
	}
	return nil
}

// paper returns what writes plan.pdf, or nil for a block too large for paper.
// The date inside is the day of work, so that the same plan gives the same
// bytes.
func (c planCmd) paper(e *env, job *plan.Job, p plan.Plan, r plan.Request, block []tree.Tree) func(io.Writer) error {
	if p.Totals.Trees > equipLimit || p.Totals.Planned > 0 && p.Trees == nil {
		return nil
	}
	size := c.Paper
	if size == "" {
		size = "a4"
		if e.say.US {
			size = "letter"
		}
	}
	if e.say.US {
		p.ClassCard = job.ClassCard(exact.Frac(254, 1000))
	}
	created := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	if !r.On.IsZero() {
		created = r.On.In(time.UTC)
	}
	in := report.Input{
		Plan: p, Name: c.Name, Block: block, Wounds: r.Wounds, Obstacles: r.Obstacles, Limbs: r.Limbs,
		Say: e.say, Paper: size, Created: created, CardText: r.Card,
	}
	return func(w io.Writer) error { return report.Plan(w, in) }
}

// firstTrees lays out as many trees as the screen shows.
func firstTrees(job *plan.Job, trees *exchange.TreeReader) ([]plan.Tree, error) {
	var first []plan.Tree
	err := job.Lay(plan.Source(trees.Each), func(ts []plan.Tree) error {
		first = append(first, ts[:min(len(ts), shownTrees-len(first))]...)
		if len(first) == shownTrees {
			return errEnough
		}
		return nil
	})
	if err != nil && err != errEnough {
		return nil, err
	}
	return first, nil
}

// errEnough ends laying out trees once the screen is full.
var errEnough = errors.New("enough trees for the screen")

// planFiles are the names this command writes; a folder holding anything else
// is not touched.
var planFiles = []string{"plan.json", "plan.csv", "plan.pdf", "plan.xlsx", "gate.json"}

// writePlan writes the plan's folder in one go.
func writePlan(dir string, job *plan.Job, trees *exchange.TreeReader, paper func(io.Writer) error) error {
	return exchange.WriteFolder(strings.TrimRight(dir, "/"), planFiles, func(f *exchange.Folder) error {
		err := f.File("plan.csv", func(csv io.Writer) error {
			return f.File("plan.json", func(doc io.Writer) error {
				w := bufio.NewWriterSize(doc, 1<<16)
				rows := exchange.NewPortRows(csv)
				if err := planJSON(w, job, trees, rows); err != nil {
					return err
				}
				if err := rows.Close(); err != nil {
					return err
				}
				return w.Flush()
			})
		})
		if err == nil && paper != nil {
			err = f.File("plan.pdf", paper)
		}
		if err != nil || job.Plan.Totals.Ports > exchange.PortSheetLimit {
			return err
		}
		return f.File("plan.xlsx", func(w io.Writer) error { return writeSheet(w, job, trees) })
	})
}

// writeSheet writes the ports as a workbook, columns as in plan.csv.
func writeSheet(w io.Writer, job *plan.Job, trees *exchange.TreeReader) error {
	s, err := exchange.NewPortSheet(w)
	if err != nil {
		return err
	}
	err = job.Lay(plan.Source(trees.Each), func(ts []plan.Tree) error {
		for i := range ts {
			if err := s.Tree(&ts[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if closeErr := s.Close(); err == nil {
		err = closeErr
	}
	return err
}

// planJSON writes the plan document, its trees as they are worked out; rows,
// if not nil, gets the same trees for plan.csv.
func planJSON(w *bufio.Writer, job *plan.Job, trees *exchange.TreeReader, rows *exchange.PortRows) error {
	var also func(*plan.Tree) error
	if rows != nil {
		also = func(t *plan.Tree) error { rows.Tree(t); return rows.Err() }
	}
	return brief.WriteDocument(w, job, plan.Source(trees.Each), also)
}

// writeCSV writes plan.csv alone.
func writeCSV(w io.Writer, job *plan.Job, src plan.Source) error {
	rows := exchange.NewPortRows(w)
	err := job.Lay(src, func(ts []plan.Tree) error {
		for i := range ts {
			rows.Tree(&ts[i])
		}
		return rows.Err()
	})
	if err != nil {
		return err
	}
	return rows.Close()
}
