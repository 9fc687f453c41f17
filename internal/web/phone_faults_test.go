package web_test

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/storage"
	"github.com/chromedp/chromedp"
)

// some notes n things about the day without touching a screen.
func some(t *testing.T, ctx context.Context, n int) {
	t.Helper()
	eval[bool](t, ctx, fmt.Sprintf(`(async()=>{for(let i=0;i<%d;i++)await sapwardPage.note([{kind:"note",text:"note "+i}]);return true})()`, n))
}

func reopen(t *testing.T, ctx context.Context, f *fakeDay) {
	t.Helper()
	do(t, ctx, chromedp.Navigate("about:blank"), chromedp.Navigate(f.URL+"/phone/#/walk"))
	wait(t, ctx, ready)
}

// The browser empties the store while notes wait: the page says what is lost,
// fetches what the server has, and goes on counting where it was.
func TestPhone_EmptiedStoreIsNoticed(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	some(t, ctx, 3)
	sent(t, ctx)
	offline(t, ctx, true)
	some(t, ctx, 2)
	do(t, ctx, chromedp.Navigate("about:blank"))
	offline(t, ctx, false)
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, storage.ClearDataForOrigin, storage.ClearDataForOriginParams{Origin: f.URL, StorageTypes: "indexeddb"})
		return err
	}))
	do(t, ctx, chromedp.Navigate(f.URL+"/phone/"))
	wait(t, ctx, ready)
	wait(t, ctx, `document.querySelector(".banners").textContent.includes("3 notes came back from the server; 2 had not been sent and are lost")`)
	some(t, ctx, 1)
	sent(t, ctx)
	if seqs := eval[[]int](t, ctx, `sapwardPage.state.own.map(e=>e.seq)`); fmt.Sprint(seqs) != "[1 2 3 6]" {
		t.Errorf("numbers after the loss: %v", seqs)
	}
	if all, _ := f.kinds(); all != 4 {
		t.Errorf("%d events on the server", all)
	}
	// everything gone, the second memory too: the cookie alone brings the day back
	do(t, ctx, chromedp.Navigate("about:blank"), chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, storage.ClearDataForOrigin, storage.ClearDataForOriginParams{Origin: f.URL, StorageTypes: "indexeddb,local_storage,service_workers,cache_storage"})
		return err
	}), chromedp.Navigate(f.URL+"/phone/"))
	wait(t, ctx, ready)
	noted(t, ctx, 4)
	some(t, ctx, 1)
	if last := eval[int](t, ctx, `sapwardPage.state.own.at(-1).seq`); last != 7 {
		t.Errorf("the next number is %d, want 7", last)
	}
}

// A clock a day wrong is shown and never corrected.
func TestPhone_ClockADayWrong(t *testing.T) {
	f := newFake(t, demoPack(t))
	f.ahead = 24 * time.Hour
	ctx := joined(t, f)
	wait(t, ctx, `document.querySelector(".banners").textContent.includes("This phone's clock is 24 h behind.")`)
	before := time.Now().Add(-time.Minute)
	some(t, ctx, 1)
	sent(t, ctx)
	at, err := time.Parse(time.RFC3339Nano, eval[string](t, ctx, `sapwardPage.state.own[0].at`))
	if err != nil || at.Before(before) || at.After(time.Now().Add(time.Minute)) {
		t.Errorf("the note's time is %v (%v); the phone's own clock counts", at, err)
	}
	f.set(func(f *fakeDay) { f.ahead = 90 * time.Second })
	sent(t, ctx)
	wait(t, ctx, `!document.querySelector(".banners").textContent.includes("clock")`)
}

// shelves lists the caches; none while the page is opening anew.
func shelves(t *testing.T, ctx context.Context) []string {
	t.Helper()
	limited, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	names, err := chromedp.Run(limited, chromedp.Evaluate[[]string](`caches.keys()`, chromedp.EvalAwaitPromise))
	if err != nil {
		return nil
	}
	return names
}

// A new version of the page comes while notes wait: it waits for a tap, nothing
// is lost, and the notes go out from the new page.
func TestPhone_UpdateWhileNotesWait(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	sent(t, ctx)
	f.set(func(f *fakeDay) { f.fail = 1 })
	some(t, ctx, 4)
	f.set(func(f *fakeDay) { f.prefix = "next" })
	eval[bool](t, ctx, `window.same=true,navigator.serviceWorker.getRegistration().then(r=>r.update()).then(()=>true)`)
	wait(t, ctx, `document.querySelector(".banners").textContent.includes("New version: tap to use it")`)
	some(t, ctx, 1)
	if !eval[bool](t, ctx, `window.same===true`) {
		t.Error("the page was changed under the reader's hands")
	}
	eval[bool](t, ctx, `[...document.querySelectorAll(".banner")].find(e=>e.textContent.includes("New version")).click(),true`)
	wait(t, ctx, ready+`&&window.same===undefined`)
	noted(t, ctx, 5)
	var names []string
	for end := time.Now().Add(15 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if names = shelves(t, ctx); len(names) == 1 && strings.HasPrefix(names[0], "sapward-phone-next") {
			break
		}
	}
	if len(names) != 1 || !strings.HasPrefix(names[0], "sapward-phone-next") {
		t.Errorf("shelves: %v", names)
	}
	wait(t, ctx, ready)
	noted(t, ctx, 5)
	f.set(func(f *fakeDay) { f.fail = 0 })
	sent(t, ctx)
	if all, _ := f.kinds(); all != 5 {
		t.Errorf("%d events on the server, want 5", all)
	}
	offline(t, ctx, true)
	reopen(t, ctx, f)
	noted(t, ctx, 5)
	whole(t, ctx, "after the update")
}

// A phone that was signed out, or whose notes the server does not take, keeps
// everything, says so, and writes it to a file.
func TestPhone_KeepsWhatIsNotTaken(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	sent(t, ctx)
	f.set(func(f *fakeDay) { f.refuse = true })
	some(t, ctx, 2)
	eval[bool](t, ctx, `sapwardPage.sync()`)
	wait(t, ctx, `sapwardPage.state.refused===2&&document.querySelector(".banners").textContent.includes("2 notes were not taken")`)
	f.set(func(f *fakeDay) { f.refuse, f.revoked = false, true })
	some(t, ctx, 1)
	eval[bool](t, ctx, `sapwardPage.sync()`)
	wait(t, ctx, `document.querySelector(".banners").textContent.includes("signed out by the crew lead")`)
	reopen(t, ctx, f)
	noted(t, ctx, 3)
	wait(t, ctx, `document.querySelector(".status").textContent.includes("3 notes still here")`)
	file := eval[string](t, ctx, `sapwardPage.exported().then(b=>b.text())`)
	if n := strings.Count(file, `"kind":"note"`); n != 3 {
		t.Errorf("the file holds %d notes", n)
	}
	if !eval[bool](t, ctx, `sapwardPage.exported().then(b=>b.text()).then(s=>JSON.parse(s).events.length===3)`) {
		t.Error("the file is no JSON")
	}
	f.set(func(f *fakeDay) { f.revoked = false })
	sent(t, ctx)
	wait(t, ctx, `!document.querySelector(".banners").textContent.includes("signed out")`)
	if all, _ := f.kinds(); all != 1 {
		t.Errorf("%d events on the server: what was refused is not sent again", all)
	}
}

// A disk that does not take a note: the screen says so and nothing is half
// there.
func TestPhone_SaysWhenANoteCannotBeKept(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	eval[bool](t, ctx, `(()=>{const add=IDBObjectStore.prototype.add;IDBObjectStore.prototype.add=function(v){throw new DOMException("full","QuotaExceededError")};window.mend=()=>{IDBObjectStore.prototype.add=add};return true})()`)
	eval[bool](t, ctx, `location.hash="#/tree/E001",true`)
	tap(t, ctx, "I am at this tree")
	wait(t, ctx, `document.getElementById("say").textContent.includes("NOT noted")`)
	if got := eval[string](t, ctx, `document.querySelector(".state").textContent`); !strings.Contains(got, "to do") {
		t.Errorf("the tree is %q after a note that was not kept", got)
	}
	eval[bool](t, ctx, `window.mend(),true`)
	tap(t, ctx, "I am at this tree")
	noted(t, ctx, 1)
	wait(t, ctx, `document.querySelector(".state").textContent.includes("under way")`)
}

// Two pages of one phone, and the same button hit twice: numbers stay unique.
func TestPhone_TwoPagesOfOnePhone(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	other, cancel := chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(other); err != nil { // the first call opens the tab and carries no deadline
		t.Fatal(err)
	}
	do(t, other, chromedp.Navigate(f.URL+"/phone/"))
	wait(t, other, ready)
	for range 3 {
		some(t, ctx, 2)
		some(t, other, 2)
	}
	sent(t, ctx)
	wait(t, ctx, `sapwardPage.state.own.length===12`)
	if seqs := eval[string](t, ctx, `sapwardPage.state.own.map(e=>e.seq).join()`); seqs != "1,2,3,4,5,6,7,8,9,10,11,12" {
		t.Errorf("numbers: %s", seqs)
	}
	if all, _ := f.kinds(); all != 12 {
		t.Errorf("%d events on the server", all)
	}
	eval[bool](t, ctx, `location.hash="#/tree/E001",true`)
	tap(t, ctx, "I am at this tree")
	noted(t, ctx, 13)
	eval[bool](t, ctx, `(()=>{const b=document.querySelector(".bar .main");b.click();b.click();b.click();return true})()`)
	wait(t, ctx, `sapwardPage.state.writing===0&&sapwardPage.state.own.length>13`)
	time.Sleep(200 * time.Millisecond)
	if n := eval[int](t, ctx, `sapwardPage.state.own.filter(e=>e.kind==="mark"&&e.port===1).length`); n != 1 {
		t.Errorf("three taps made %d notes", n)
	}
}

// RFC 9562 (2024), appendix A.6, and the order of identifiers; numbers as they
// are typed.
func TestPhone_IdentifiersAndNumbers(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	if got := eval[string](t, ctx, `sapwardPage.uuidOf(0x017F22E279B0,0xCC3,new Uint8Array([0x98,0xC4,0xDC,0x0C,0x0C,0x07,0x39,0x8F]))`); got != "017f22e2-79b0-7cc3-98c4-dc0c0c07398f" {
		t.Errorf("the example of RFC 9562 A.6 is %s", got)
	}
	if !eval[bool](t, ctx, `(()=>{const t=Date.now()+1e6;let last="";for(let i=0;i<20000;i++){const id=sapwardPage.uuidv7(i%7===0?t-5e5:t);if(id<=last||!/^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/.test(id))return false;last=id}return true})()`) {
		t.Error("identifiers of one millisecond, or of a clock set back, are out of order")
	}
	for in, want := range map[string]string{"1.5": "1.5", "1,5": "1.5", "0,125": "0.125", "12": "12", " 3 ": "3", "": "null", "1,234": "unclear", "1.2.3": "unclear", "1,2.3": "unclear", "-1": "unclear", "1e3": "unclear", "0": "0"} {
		if got := eval[string](t, ctx, fmt.Sprintf(`String(sapwardPage.readNumber(%q))`, in)); got != want {
			t.Errorf("%q reads as %s, want %s", in, got, want)
		}
	}
	for min, want := range map[int]string{0: "2026-06-17T10:00:00.000+00:00", -210: "2026-06-17T06:30:00.000-03:30", 345: "2026-06-17T15:45:00.000+05:45"} {
		if got := eval[string](t, ctx, fmt.Sprintf(`sapwardPage.localTime(new Date("2026-06-17T10:00:00Z"),%d)`, min)); got != want {
			t.Errorf("offset %d: %s, want %s", min, got, want)
		}
	}
}

// A whole day of 60 trees with ten kills, on a bad line at the end.
func TestPhone_SixtyTreesTenKills(t *testing.T) {
	if os.Getenv("SAPWARD_SOAK") == "" {
		t.Skip("skipped: the day of 60 trees takes minutes; SAPWARD_SOAK=1 runs it")
	}
	p := demoPack(t)
	f := newFake(t, p)
	ctx := joined(t, f)
	had, trees := 0, 0
	for i := range p.Trees {
		n := 0
		for _, u := range p.Trees[i].Units {
			n += len(u.Ports)
		}
		if n < 2 {
			continue
		}
		switch trees % 12 {
		case 0:
			offline(t, ctx, true)
		case 10:
			offline(t, ctx, false)
		}
		had = walkTree(t, ctx, p.Trees[i].Tag, n, had)
		if trees++; trees%6 == 0 {
			reopen(t, ctx, f)
			noted(t, ctx, had)
		}
		if trees == 60 {
			break
		}
	}
	offline(t, ctx, false)
	f.set(func(f *fakeDay) { f.drop, f.fail, f.lose = 0.3, 0.3, 3 })
	sent(t, ctx)
	if all, by := f.kinds(); all != had {
		t.Errorf("%d events on the server, %d noted: %v", all, had, by)
	}
	t.Logf("%d trees, %d notes, %d messages of events came", trees, had, f.received)
}
