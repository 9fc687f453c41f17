// Command pages measures the app's pages as people load them: 50 signed-in
// browsers at once over a block of 100,000 trees, or over many blocks, each
// opening one page after the other with a pause between. It prints what the
// first opening of a page takes, by page the median, the 95th and the 99th
// percentile, and how much memory the process held at most.
package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"flag"
	"fmt"
	"io"
	random "math/rand/v2"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"runtime/pprof"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/store"
	"sapward/internal/web"
	"sapward/measure/tree"
)

type readers struct{ app.TableReader }

func (readers) ReadCard(text []byte, name string) (app.ReadCard, error) {
	l, err := cardfile.Parse(text, name)
	return app.ReadCard{Card: l.Card, Hash: l.Hash, Canonical: l.Canonical, Place: l.Place}, err
}

func (readers) Trees(r io.Reader, name string, match app.Columns, visit func([]tree.Tree) error) (app.Table, error) {
	_, err := exchange.EachInventory(r, name, match, visit)
	return app.Table{}, err
}

func (readers) Names() []string { return nil }

func must(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func table(block, n int) []byte {
	var b bytes.Buffer
	b.WriteString("tree,species,wood,girth_cm,measured_at_m,bark_mm,height_m,crown_m,status,rating_pct,x_m,y_m\n")
	for i := range n {
		fmt.Fprintf(&b, "%s,Ulmus minor,ring-porous,%d.%d,1.37,14,16,7,healthy,2,%d,%d\n", tag(block, i+1), 70+i%80, i%10, i%400*8, i/400*8)
	}
	return b.Bytes()
}

// tag is the tag of a tree; a block of many has its number before it.
func tag(block, n int) string {
	if block == 0 {
		return fmt.Sprintf("T%06d", n)
	}
	return fmt.Sprintf("B%03d-%06d", block, n)
}

// stage is a server over an invented estate.
type stage struct {
	estate, draft, plan string
	blocks              []string
	trees               []string // identifiers of some
}

func over(s *store.Store) *app.App {
	return app.New(app.Config{Store: s, Keeper: s, Sessions: s, CardReader: readers{}, Tables: readers{}, Engine: "bench", Now: time.Now, Random: rand.Reader, NewID: func() string { return uuid.Must(uuid.NewV7()).String() }})
}

const passphrase = "four words of oak"

func build(ctx context.Context, s *store.Store, blocks, trees, planned int) *stage {
	a := over(s)
	me := app.Local()
	out := &stage{}
	e, err := a.AddEstate(ctx, me, app.EstateFacts{Name: "Invented estate", Territory: "DEMO"})
	must(err)
	out.estate = e.ID
	block := func(k int, name string, n int) string {
		b, err := a.AddBlock(ctx, me, e.ID, app.BlockFacts{Name: name, Site: "elm", AreaHa: "1000"})
		must(err)
		_, err = a.Import(ctx, me, b.ID, app.TableTrees, "trees.csv", bytes.NewReader(table(k, n)), nil)
		must(err)
		return b.ID
	}
	if blocks == 1 {
		out.blocks = []string{block(0, "large", trees)}
	} else {
		for k := range blocks {
			out.blocks = append(out.blocks, block(k+1, fmt.Sprintf("Block %03d", k+1), trees))
		}
	}
	small := block(0, "small", planned)
	card, err := a.AddCard(ctx, me, string(demo.Files()["avenue/card.yaml"]))
	must(err)
	w, err := a.AddPerson(ctx, me, app.PersonFacts{Name: "owner"}, passphrase)
	must(err)
	_, err = a.Grant(ctx, me, "", w.ID, app.Owner)
	must(err)
	_, err = a.CheckCard(ctx, app.Actor{Person: w.ID}, card.ID, card.Facts.Hash, "")
	must(err)
	f := app.DraftFacts{Name: "bench", Card: card.ID, Brief: brief.Brief{Method: "injection", Target: "vascular wilt", On: "2027-06-17", Bloom: "no", CertificateTo: "2030-12-31"}}
	d, err := a.AddDraft(ctx, me, small, f)
	must(err)
	p, err := a.ApprovePlan(ctx, me, d.ID, d.Version)
	must(err)
	out.plan = p.ID
	d, err = a.AddDraft(ctx, me, small, f)
	must(err)
	out.draft = d.ID
	for k := 0; k < len(out.blocks); k += max(len(out.blocks)/20, 1) {
		page, err := a.Trees(ctx, me, app.TreeQuery{Block: out.blocks[k], Limit: 1000})
		must(err)
		for i := 0; i < len(page.Trees); i += 100 {
			out.trees = append(out.trees, page.Trees[i].ID)
		}
	}
	return out
}

// page is one page of the round.
type page struct {
	name string
	path func(n int) string
}

func (s *stage) pages(trees int) []page {
	fixed := func(path string) func(int) string { return func(int) string { return path } }
	in := func(n int) (path string, number int) {
		k := n / 7 % len(s.blocks)
		if len(s.blocks) > 1 {
			number = k + 1
		}
		return "/blocks/" + s.blocks[k], number
	}
	// some is a tag without its last figures, so that several trees begin so
	some := func(block, n, figures int) string { t := tag(block, n); return t[:len(t)-figures] }
	return []page{
		{"estates", fixed("/estates")},
		{"estate", fixed("/estates/" + s.estate)},
		{"block", func(n int) string { b, _ := in(n); return b }},
		{"list of trees", func(n int) string {
			b, k := in(n)
			return b + "/trees?after=" + url.QueryEscape(app.SortKey(tag(k, n%trees)))
		}},
		{"trees by a text", func(n int) string { b, k := in(n); return b + "/trees?q=" + some(k, n%trees, 2) }},
		{"tree", func(n int) string { return "/trees/" + s.trees[n%len(s.trees)] }},
		{"draft", fixed("/drafts/" + s.draft)},
		{"plan", fixed("/plans/" + s.plan)},
		{"search a tag", func(n int) string { _, k := in(n); return "/search?q=" + some(k, n%trees, 1) }},
		{"search in vain", fixed("/search?q=zzz")},
	}
}

// get opens a page and reads it to its end.
func get(c *http.Client, address string) (time.Duration, error) {
	start := time.Now()
	res, err := c.Get(address)
	if err != nil {
		return 0, err
	}
	defer res.Body.Close()
	if _, err := io.Copy(io.Discard, res.Body); err != nil {
		return 0, err
	}
	if res.StatusCode != http.StatusOK {
		return 0, fmt.Errorf("%s: status %d", address, res.StatusCode)
	}
	return time.Since(start), nil
}

func main() {
	blocks := flag.Int("blocks", 1, "blocks, beside the one that is planned")
	trees := flag.Int("trees", 100_000, "trees of each block")
	planned := flag.Int("planned", 1000, "trees of the block that a plan and a draft are of")
	users := flag.Int("users", 50, "browsers at once")
	rounds := flag.Int("rounds", 6, "times each opens every page")
	pause := flag.Duration("pause", time.Second, "between two pages of one browser; half to one and a half of it")
	profile := flag.String("profile", "", "file for a profile of the rounds")
	flag.Parse()
	ctx := context.Background()
	dir, err := os.MkdirTemp("", "sapward-bench-*")
	must(err)
	defer os.RemoveAll(dir)
	folder := filepath.Join(dir, "data")
	s, err := store.Open(ctx, store.Options{Dir: folder})
	must(err)
	start := time.Now()
	built := build(ctx, s, *blocks, *trees, *planned)
	must(s.Close())
	fmt.Printf("%d blocks of %d trees imported in %.0f s\n", *blocks, *trees, time.Since(start).Seconds())
	report("after the import")

	// Opened again, so that nothing is warm.
	s, err = store.Open(ctx, store.Options{Dir: folder})
	must(err)
	defer s.Close()
	h, err := web.New(over(s), web.Options{Version: "bench"})
	must(err)
	server := httptest.NewServer(h)
	defer server.Close()
	jar, err := cookiejar.New(nil)
	must(err)
	many := &http.Transport{MaxIdleConnsPerHost: *users, MaxConnsPerHost: *users}
	c := &http.Client{Jar: jar, Transport: many}
	res, err := c.PostForm(server.URL+"/signin", url.Values{"name": {"owner"}, "passphrase": {passphrase}})
	must(err)
	res.Body.Close()

	pages := built.pages(*trees)
	fmt.Printf("first opening, alone, of %d blocks of %d trees and a plan of %d\n", *blocks, *trees, *planned)
	for _, p := range pages {
		d, err := get(c, server.URL+p.path(1))
		must(err)
		fmt.Printf("  %-16s %7.0f ms\n", p.name, d.Seconds()*1000)
	}
	if *profile != "" {
		f, err := os.Create(*profile)
		must(err)
		must(pprof.StartCPUProfile(f))
	}
	took := make([][]time.Duration, len(pages))
	var mu sync.Mutex
	var wg sync.WaitGroup
	start = time.Now()
	for u := range *users {
		wg.Go(func() {
			dice := random.New(random.NewPCG(1, uint64(u)))
			for range *rounds {
				for _, k := range dice.Perm(len(pages)) {
					time.Sleep(*pause/2 + time.Duration(dice.Float64()*float64(*pause)))
					d, err := get(c, server.URL+pages[k].path(dice.IntN(1<<30)))
					must(err)
					mu.Lock()
					took[k] = append(took[k], d)
					mu.Unlock()
				}
			}
		})
	}
	wg.Wait()
	pprof.StopCPUProfile()
	all := slices.Concat(took...)
	fmt.Printf("%d browsers, %d pages in %.1f s (%.0f pages/s)\n", *users, len(all), time.Since(start).Seconds(), float64(len(all))/time.Since(start).Seconds())
	fmt.Printf("  %-16s %8s %8s %8s\n", "page, ms", "p50", "p95", "p99")
	for k, p := range pages {
		line(p.name, took[k])
	}
	line("all", all)
	report("at the end")
}

// report prints the most memory this process ever held, where the system says it.
func report(when string) {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return
	}
	for l := range strings.Lines(string(text)) {
		if strings.HasPrefix(l, "VmHWM:") {
			fmt.Printf("most memory %s: %s\n", when, strings.TrimSpace(strings.TrimPrefix(strings.TrimSpace(l), "VmHWM:")))
		}
	}
}

func line(name string, d []time.Duration) {
	slices.Sort(d)
	ms := func(pct int) float64 { return d[min(len(d)*pct/100, len(d)-1)].Seconds() * 1000 }
	fmt.Printf("  %-16s %8.1f %8.1f %8.1f\n", name, ms(50), ms(95), ms(99))
}
