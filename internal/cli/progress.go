package cli

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"sapward/finding"
	"sapward/measure/tree"
	"sapward/plan"
)

// patience is how long a command may take before it shows how far it is.
const patience = time.Second

// progress shows on a terminal how far a long reading is; in a file or pipe it
// is silent.
type progress struct {
	out   io.Writer
	title string
	total int64
	done  int64
	start time.Time
	bars  *mpb.Progress
	bar   *mpb.Bar
}

// newProgress starts to count towards a total, or returns nil where standard
// error is no terminal.
func newProgress(e *env, title string, total int64) *progress {
	f, ok := e.stderr.(*os.File)
	if !ok || total <= 0 {
		return nil
	}
	if info, err := f.Stat(); err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return nil
	}
	return &progress{out: f, title: title, total: total, start: time.Now()}
}

// add counts n more.
func (p *progress) add(n int) {
	if p == nil {
		return
	}
	p.done = min(p.done+int64(n), p.total)
	if p.bar == nil {
		if time.Since(p.start) < patience {
			return
		}
		p.bars = mpb.New(mpb.WithOutput(p.out), mpb.WithWidth(40))
		p.bar = p.bars.AddBar(p.total, mpb.PrependDecorators(decor.Name(p.title+" ")), mpb.AppendDecorators(decor.Percentage()), mpb.BarRemoveOnComplete())
	}
	p.bar.SetCurrent(p.done)
}

// end takes the bar away.
func (p *progress) end() {
	if p == nil || p.bar == nil {
		return
	}
	p.bar.Abort(true)
	p.bars.Wait()
	p.bar = nil
}

// counted is a source that tells progress of every tree it yields.
func counted(src plan.Source, p *progress) plan.Source {
	if p == nil {
		return src
	}
	return func(yield func([]tree.Tree) error) error {
		return src(func(trees []tree.Tree) error {
			p.add(len(trees))
			return yield(trees)
		})
	}
}

// farness shows how far a long work of the store is: as a bar on a terminal, and
// elsewhere as a line on standard error now and then.
type farness struct {
	e    *env
	id   string
	bar  *progress
	said time.Time
}

// saying is how often a line is written where there is no terminal (program
// default).
const saying = 10 * time.Second

// far begins to show; id is the message of its line.
func (e *env) far(id string) *farness { return &farness{e: e, id: id, said: time.Now()} }

func (f *farness) at(done, of int64) {
	if f.bar == nil {
		if f.bar = newProgress(f.e, f.e.say.T(f.id+"-title"), of); f.bar == nil {
			if time.Since(f.said) > saying {
				f.said = time.Now()
				fmt.Fprintln(f.e.stderr, f.e.say.Say(f.id, finding.Args{"done": finding.Text(strconv.FormatInt(done, 10)), "of": finding.Text(strconv.FormatInt(of, 10)), "percent": finding.Count(int(100 * done / max(of, 1)))}))
			}
			return
		}
	}
	f.bar.add(int(done - f.bar.done))
}

func (f *farness) end() { f.bar.end() }
