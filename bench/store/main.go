// Command store measures the app's store beside bare SQLite and, where a
// PostgreSQL server is installed, beside bare pgx, in one run: durable writes with the same pragmas, import and pages of 100,000 trees, a plan of
// 10,000 trees worked out again. Figures of one machine; read the ratios.
package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/google/uuid"

	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/store"
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

func table(n int) []byte {
	var b bytes.Buffer
	b.WriteString("tree,species,wood,girth_cm,measured_at_m,bark_mm,height_m,crown_m,status,rating_pct,x_m,y_m\n")
	for i := range n {
		fmt.Fprintf(&b, "T%06d,Ulmus minor,ring-porous,%d.%d,1.37,14,16,7,healthy,2,%d,%d\n", i+1, 70+i%80, i%10, i%400*8, i/400*8)
	}
	return b.Bytes()
}

func quantiles(d []time.Duration) (p50, p99 time.Duration) {
	slices.Sort(d)
	return d[len(d)/2], d[len(d)*99/100]
}

func main() {
	writesOnly := flag.Bool("writes", false, "durable writes only")
	flag.Parse()
	ctx := context.Background()
	dir, err := os.MkdirTemp("", "sapward-bench-*")
	must(err)
	defer os.RemoveAll(dir)

	// Durable writes: the same two rows a commit, prepared, the same pragmas.
	const writes = 2000
	s, err := store.Open(ctx, store.Options{Dir: filepath.Join(dir, "w")})
	must(err)
	body, _ := json.Marshal(app.EstateFacts{Name: "estate", Zone: "UTC"})
	ours := func(from, n int) time.Duration {
		start := time.Now()
		for v := from; v < from+n; v++ {
			must(s.InTx(ctx, func(tx app.Tx) error {
				_, err := tx.Append(ctx, "p", app.Change{Type: app.TypeEstate, Verb: app.Changed, ID: "e", Estate: "e", Sort: "e", Version: v, Body: body})
				return err
			}))
		}
		return time.Since(start)
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "bare.db")+"?_pragma=journal_mode(wal)&_pragma=synchronous(full)&_pragma=foreign_keys(1)&_pragma=busy_timeout(10000)&_pragma=wal_autocheckpoint(2000)&_txlock=immediate")
	must(err)
	db.SetMaxOpenConns(1)
	_, err = db.Exec("CREATE TABLE events (seq INTEGER PRIMARY KEY, id TEXT, entity TEXT, parent TEXT, estate TEXT, act TEXT, at TEXT, body TEXT, prev TEXT, hash TEXT, version INTEGER, UNIQUE (entity, version)); CREATE INDEX a ON events (parent, seq); CREATE INDEX b ON events (estate, seq); CREATE INDEX c ON events (act, seq); CREATE TABLE estates (id TEXT PRIMARY KEY, version INTEGER, body TEXT); INSERT INTO estates VALUES ('e', 0, '')")
	must(err)
	ins, err := db.Prepare("INSERT INTO events VALUES (?, ?, 'e', '', 'e', ?, ?, ?, ?, ?, ?)")
	must(err)
	upd, err := db.Prepare("UPDATE estates SET version = ?, body = ? WHERE id = 'e' AND version = ?")
	must(err)
	hash := string(bytes.Repeat([]byte("a"), 64))
	bare := func(from, n int) time.Duration {
		start := time.Now()
		for v := from; v < from+n; v++ {
			tx, err := db.Begin()
			must(err)
			id := uuid.NewString()
			_, err = tx.Stmt(ins).Exec(v, id, id, "2026-06-03T07:15:00.000Z", string(body), hash, hash, v)
			must(err)
			_, err = tx.Stmt(upd).Exec(v, string(body), v-1)
			must(err)
			must(tx.Commit())
		}
		return time.Since(start)
	}
	var a, b time.Duration
	const turns = 20
	var ratios []float64
	for turn := range turns { // by turns, so that both meet the same disk
		x, y := bare(1+turn*writes/turns, writes/turns), ours(1+turn*writes/turns, writes/turns)
		b, a = b+x, a+y
		ratios = append(ratios, y.Seconds()/x.Seconds())
	}
	slices.Sort(ratios)
	fmt.Printf("durable writes   store %.0f/s  bare SQLite %.0f/s  ratio %.2f, of %d turns the middle one %.2f (guide 1.5)\n", writes/a.Seconds(), writes/b.Seconds(), a.Seconds()/b.Seconds(), turns, ratios[turns/2])
	must(s.Close())
	if *writesOnly {
		return
	}
	postgres(ctx, string(body))

	s, err = store.Open(ctx, store.Options{Dir: filepath.Join(dir, "t")})
	must(err)
	u := app.New(app.Config{Store: s, Keeper: s, CardReader: readers{}, Tables: readers{}, Engine: "bench", Now: time.Now, Random: rand.Reader, NewID: func() string { return uuid.Must(uuid.NewV7()).String() }})
	me := app.Local()
	e, err := u.AddEstate(ctx, me, app.EstateFacts{Name: "Invented estate", Territory: "DEMO"})
	must(err)
	block := func(name string, n int) string {
		k, err := u.AddBlock(ctx, me, e.ID, app.BlockFacts{Name: name, Site: "elm", AreaHa: "1000"})
		must(err)
		start := time.Now()
		r, err := u.Import(ctx, me, k.ID, app.TableTrees, "trees.csv", bytes.NewReader(table(n)), nil)
		must(err)
		fmt.Printf("import           %d trees in %.1f s\n", r.Add, time.Since(start).Seconds())
		return k.ID
	}
	small, large := block("small", 10_000), block("large", 100_000)

	var page, counts, search []time.Duration
	after := app.Key{}
	for range 400 {
		start := time.Now()
		p, err := u.Trees(ctx, me, app.TreeQuery{Block: large, Limit: 100, After: after})
		must(err)
		page = append(page, time.Since(start))
		after = p.Next
		start = time.Now()
		_, err = u.Block(ctx, me, large)
		must(err)
		counts = append(counts, time.Since(start))
	}
	for range 30 {
		start := time.Now()
		_, err = u.Search(ctx, me, "T0999", 20)
		must(err)
		search = append(search, time.Since(start))
	}
	for _, x := range []struct {
		name string
		d    []time.Duration
	}{{"100 trees of 100,000", page}, {"block of 100,000", counts}, {"search 110,000 tags", search}} {
		p50, p99 := quantiles(x.d)
		fmt.Printf("%-22s p50 %.2f ms  p99 %.2f ms\n", x.name, p50.Seconds()*1000, p99.Seconds()*1000)
	}

	card, err := u.AddCard(ctx, me, string(demo.Files()["avenue/card.yaml"]))
	must(err)
	d := app.DraftFacts{Card: card.ID, Brief: brief.Brief{Method: "injection", Target: "vascular wilt", On: "2027-06-17", Bloom: "no", CertificateTo: "2030-12-31"}}
	var again []time.Duration
	for i := range 12 {
		d.Brief.Level, d.Brief.Seed = []string{"target", "low", "high"}[i%3], uint64(i+1) // never the same: it would be remembered
		start := time.Now()
		o, err := u.TryPlan(ctx, me, small, d)
		must(err)
		if i == 0 {
			fmt.Printf("plan of 10,000   first time %.0f ms, %d ports\n", time.Since(start).Seconds()*1000, o.Plan.Totals.Ports)
			continue
		}
		again = append(again, time.Since(start))
	}
	p50, p99 := quantiles(again)
	fmt.Printf("plan of 10,000   again p50 %.0f ms  greatest %.0f ms (guide 200 ms)\n", p50.Seconds()*1000, p99.Seconds()*1000)
	start := time.Now()
	r, err := u.Check(ctx, me, nil)
	must(err)
	fmt.Printf("check            %d events, %d findings in %.1f s\n", r.Events, len(r.Findings), time.Since(start).Seconds())
	must(s.Close())
}
