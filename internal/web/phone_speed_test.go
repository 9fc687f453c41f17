package web_test

import (
	"context"
	"encoding/json"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"
)

// worked is the processor time of the tab in ms since it went to its address:
// its scripts, and all it did.
func worked(t *testing.T, ctx context.Context) (scripts, all float64) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		if _, err := cdp.Call(ctx, tg, performance.Enable, performance.EnableParams{TimeDomain: performance.EnableTimeDomainThreadTicks}); err != nil {
			return err
		}
		r, err := cdp.Call(ctx, tg, performance.GetMetrics, cdp.Empty{})
		if err != nil {
			return err
		}
		for _, m := range r.Metrics {
			switch m.Name {
			case "ScriptDuration":
				scripts = m.Value * 1000
			case "ThreadTime":
				all = m.Value * 1000
			}
		}
		return nil
	}))
	return scripts, all
}

// collected gives back the memory of what is no longer there.
var collected = chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
	_, err := cdp.Call(ctx, tg, heapprofiler.CollectGarbage, cdp.Empty{})
	return err
})

// best and the median of some figures.
func spread(x []float64) (best, median float64) {
	slices.Sort(x)
	return x[0], x[len(x)/2]
}

const turned = `(async()=>{const l=[];for(const h of ["#/tree/E006","#/tree/E006/port/1","#/walk","#/day","#/tree/E007"]){const t=performance.now();location.hash=h;await new Promise(r=>addEventListener("hashchange",()=>requestAnimationFrame(()=>setTimeout(r)),{once:true}));l.push(performance.now()-t)}return l})()`

// tapped presses the button below on five trees: how long until the next frame
// is painted (the button shows that it was heard), and until the note is on the
// disk and its screen is painted.
const tapped = `(async()=>{const frame=()=>new Promise(r=>requestAnimationFrame(()=>{const c=new MessageChannel();c.port1.onmessage=()=>r(performance.now());c.port2.postMessage(0)}));
	const heard=[],noted=[];for(const tree of TREES){location.hash="#/tree/"+tree;await new Promise(r=>setTimeout(r,500));const n=sapwardPage.state.own.length;const t=performance.now();document.querySelector(".bar .main").click();
	const first=frame().then(x=>heard.push(x-t));while(sapwardPage.state.own.length===n||sapwardPage.state.writing)await new Promise(r=>setTimeout(r));noted.push(await frame()-t);await first}
	return [heard,noted]})()`

// How fast the page of 164 trees is, written down and not judged: opened from
// the phone's own files, from screen to screen, from a tap to its answer.
func TestPhone_SpeedIsWrittenDown(t *testing.T) {
	rounds := 3
	if n, err := strconv.Atoi(os.Getenv("SAPWARD_ROUNDS")); err == nil {
		rounds = n
	}
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	halfway(t, ctx)
	offline(t, ctx, true)
	for _, times := range []float64{1, 4} {
		at := map[string][]float64{}
		var open, scripts, all, turn, heard, noted, many []float64
		slowly(t, ctx, times)
		for range rounds {
			// The page before is gone and its memory given back, as when a person opens the page.
			do(t, ctx, chromedp.Navigate("about:blank"), collected, chromedp.Sleep(2*time.Second), chromedp.Navigate(f.URL+"/phone/#/walk"))
			wait(t, ctx, ready)
			s, a := worked(t, ctx)
			scripts, all = append(scripts, s), append(all, a)
			open = append(open, eval[float64](t, ctx, `sapwardPage.marks.ready`))
			wait(t, ctx, `sapwardPage.marks.read`)
			var marks map[string]float64
			if err := json.Unmarshal([]byte(eval[string](t, ctx, `JSON.stringify(sapwardPage.marks)`)), &marks); err != nil {
				t.Fatal(err)
			}
			for k, v := range marks {
				at[k] = append(at[k], v)
			}
			turn = append(turn, eval[[]float64](t, ctx, turned)...)
		}
		n := map[float64]int{1: 6, 4: 20}[times]
		for _, r := range []struct {
			trees string
			noted *[]float64
		}{{"start", &noted}, {"mark", &many}} {
			var trees []string
			for k := range 5 {
				trees = append(trees, "E0"+strconv.Itoa(100 + n + k)[1:])
			}
			list, _ := json.Marshal(trees)
			got := eval[[][]float64](t, ctx, `(TREES=>`+tapped+`)(`+string(list)+`)`)
			heard, *r.noted = append(heard, got[0]...), got[1]
		}
		for _, k := range []string{"kept", "seen", "core", "open", "ready", "read"} {
			b, m := spread(at[k])
			t.Logf("processor %gx slower: %-5s %5.0f ms at best, %5.0f ms in the median of %d", times, k, b, m, len(at[k]))
		}
		for _, x := range []struct {
			what string
			v    []float64
		}{{"usable", open}, {"scripts until usable (processor)", scripts}, {"tab until usable (processor)", all}, {"screen to screen", turn}, {"tap to the next frame", heard}, {"tap to noted on screen", noted}, {"tap to noted, all ports of a tree", many}} {
			b, m := spread(x.v)
			t.Logf("processor %gx slower: %s %.0f ms at best, %.0f ms in the median, %.0f ms at most of %d", times, x.what, b, m, slices.Max(x.v), len(x.v))
		}
	}
	slowly(t, ctx, 1)
}
