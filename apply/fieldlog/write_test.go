package fieldlog_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"sapward/apply/fieldlog"
)

// Events written in one step are the same, byte by byte, as events written one
// by one with each taken before the next.
func TestProp_WriteAllIsWriteAndAdd(t *testing.T) {
	p := pack(t, 30, 42)
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		one, all := fieldlog.NewLog(p), fieldlog.NewLog(p)
		n := uint64(0)
		event := func(kinds ...fieldlog.Kind) fieldlog.Event {
			n++
			return fieldlog.Event{ID: uuid(n, 1), Day: p.Day, Device: uuid(0xD, 1), Person: "p1", Seq: int64(n), At: fmt.Sprintf("2026-06-15T07:%02d:00+02:00", n%60),
				Kind: kinds[r.IntN(len(kinds))], Tree: p.Trees[r.IntN(2)].Tag, Port: 1 + r.IntN(3), Text: " text ", Reading: "101.5 cm", Taped: "girth", VolumeUL: ul(1000)}
		}
		for range r.IntN(170) { // notes of others that have not seen one another
			e := event(fieldlog.Mark, fieldlog.Note)
			e.Schema = fieldlog.EventSchema
			for _, l := range []*fieldlog.Log{one, all} {
				if _, err := l.Add(e); err != nil {
					t.Fatal(err)
				}
			}
		}
		var list []fieldlog.Event
		tape := r.IntN(2) == 0
		for k := range 1 + r.IntN(12) {
			e := event(fieldlog.Start, fieldlog.Mark, fieldlog.Drill, fieldlog.Set, fieldlog.Load, fieldlog.Note)
			if k == 0 && tape {
				e.Kind = fieldlog.Tape
			}
			list = append(list, e)
		}
		got, err := all.WriteAll(list)
		if err != nil {
			t.Fatal(err)
		}
		for i, e := range list {
			w, err := one.Write(e)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := one.Add(w); err != nil {
				t.Fatal(err)
			}
			a, _ := w.Canonical()
			b, _ := got[i].Canonical()
			if string(a) != string(b) {
				t.Fatalf("event %d of %d\n one by one %s\n in one     %s", i, len(list), a, b)
			}
		}
		if all.Len() != one.Len()-len(list) {
			t.Fatal("the log took what was only written")
		}
	})
}
