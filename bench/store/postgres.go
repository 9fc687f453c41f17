package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"sapward/internal/app"
	"sapward/internal/store"
	"sapward/internal/store/storetest"
)

// postgres measures durable writes to a PostgreSQL server of its own: the
// store's, and by bare pgx the same two rows a commit, prepared, with the same
// indexes and the same durability.
func postgres(ctx context.Context, body string) {
	const writes = 2000
	server, err := storetest.NewPostgres()
	if err != nil {
		fmt.Println("PostgreSQL       skipped:", err)
		return
	}
	defer server.Close()
	address, err := server.New()
	must(err)
	other, err := server.New()
	must(err)
	s, err := store.Open(ctx, store.Options{Database: address})
	must(err)
	defer s.Close()
	ours := func(from, n int) time.Duration {
		start := time.Now()
		for v := from; v < from+n; v++ {
			must(s.InTx(ctx, func(tx app.Tx) error {
				_, err := tx.Append(ctx, "p", app.Change{Type: app.TypeEstate, Verb: app.Changed, ID: "e", Estate: "e", Sort: "e", Version: v, Body: json.RawMessage(body)})
				return err
			}))
		}
		return time.Since(start)
	}
	db, err := pgx.Connect(ctx, other)
	must(err)
	defer db.Close(ctx)
	_, err = db.Exec(ctx, "CREATE TABLE events (seq BIGINT PRIMARY KEY, id TEXT, entity TEXT, parent TEXT, estate TEXT, act TEXT, at TEXT, body TEXT, prev TEXT, hash TEXT, version BIGINT, UNIQUE (entity, version)); CREATE INDEX a ON events (parent, seq); CREATE INDEX b ON events (estate, seq); CREATE INDEX c ON events (act, seq); CREATE TABLE estates (id TEXT PRIMARY KEY, version BIGINT, body TEXT); INSERT INTO estates VALUES ('e', 0, '')")
	must(err)
	hash := strings.Repeat("a", 64)
	bare := func(from, n int) time.Duration {
		start := time.Now()
		for v := from; v < from+n; v++ {
			tx, err := db.Begin(ctx)
			must(err)
			id := uuid.NewString()
			_, err = tx.Exec(ctx, "INSERT INTO events VALUES ($1, $2, 'e', '', 'e', $3, $4, $5, $6, $7, $8)", v, id, id, "2026-06-03T07:15:00.000Z", body, hash, hash, v)
			must(err)
			_, err = tx.Exec(ctx, "UPDATE estates SET version = $1, body = $2 WHERE id = 'e' AND version = $3", v, body, v-1)
			must(err)
			must(tx.Commit(ctx))
		}
		return time.Since(start)
	}
	var a, b time.Duration
	for round := range 4 { // by turns, so that both meet the same disk
		b += bare(1+round*writes/4, writes/4)
		a += ours(1+round*writes/4, writes/4)
	}
	fmt.Printf("PostgreSQL       store %.0f/s  bare pgx %.0f/s  ratio %.2f (guide 1.5)\n", writes/a.Seconds(), writes/b.Seconds(), a.Seconds()/b.Seconds())

	// Two servers at once on one database share one chain.
	two, err := store.Open(ctx, store.Options{Database: address})
	must(err)
	defer two.Close()
	start := time.Now()
	done := make(chan error, 2)
	for n, x := range []*store.Store{s, two} {
		go func() {
			var all error
			for v := 1; v <= writes/4; v++ {
				id := fmt.Sprint("two-", n)
				all = errors.Join(all, x.InTx(ctx, func(tx app.Tx) error {
					_, err := tx.Append(ctx, "p", app.Change{Type: app.TypeEstate, Verb: app.Changed, ID: id, Estate: id, Sort: "e", Version: v, Body: json.RawMessage(body)})
					return err
				}))
			}
			done <- all
		}()
	}
	must(errors.Join(<-done, <-done))
	fmt.Printf("two servers      %.0f/s together\n", writes/2/time.Since(start).Seconds())
}
