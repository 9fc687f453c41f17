package cli

import (
	"context"
	"io"
	"os"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"sapward/internal/app"
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

// watching is a context whose use cases show how far they are, and how to end
// the showing.
func watching(ctx context.Context, e *env, title string) (context.Context, func()) {
	var p *progress
	start := time.Now()
	ctx = app.Watched(ctx, func(done, of int64) {
		if p == nil {
			if p = newProgress(e, title, of); p == nil {
				return
			}
			p.start = start
		}
		p.add(int(done - p.done))
	})
	return ctx, func() { p.end() }
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
