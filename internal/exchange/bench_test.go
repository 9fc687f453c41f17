package exchange

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"sapward/measure/tree"
)

// rowsOf writes an invented table of n trees.
func rowsOf(n int) []byte {
	var b bytes.Buffer
	w := NewRowWriter(&b)
	for _, h := range []string{"tree", "diameter_cm", "species", "x_m", "y_m", "status"} {
		w.Text(h)
	}
	w.End()
	for i := range n {
		w.Text(fmt.Sprintf("T%07d", i))
		w.Fixed(int64(100+i%900), 1)
		w.Text("elm")
		w.Fixed(int64(i%1000)*50, 1)
		w.Fixed(int64(i/1000)*50, 1)
		w.Text("healthy")
		w.End()
	}
	w.Close()
	return b.Bytes()
}

func millionFile(b *testing.B) string {
	path := filepath.Join(b.TempDir(), "trees.csv")
	if err := os.WriteFile(path, rowsOf(1_000_000), 0o666); err != nil {
		b.Fatal(err)
	}
	return path
}

func BenchmarkScanMillion(b *testing.B) {
	path := millionFile(b)
	b.ReportAllocs()
	for b.Loop() {
		sum, err := Scan(path)
		if err != nil || sum.Trees != 1_000_000 {
			b.Fatal(sum.Trees, err)
		}
	}
}

func BenchmarkEachMillion(b *testing.B) {
	path := millionFile(b)
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		if err := Each(path, func(c []tree.Tree) error { n += len(c); return nil }); err != nil || n != 1_000_000 {
			b.Fatal(n, err)
		}
	}
}

// BenchmarkScanMemory reports the heap in use while a million tags are held.
func BenchmarkScanMemory(b *testing.B) {
	path := millionFile(b)
	for b.Loop() {
		src, err := openPath(path)
		if err != nil {
			b.Fatal(err)
		}
		runtime.GC()
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		seen := newRoll(path)
		_, err = readTrees(src, seen, true, nil)
		if err != nil {
			b.Fatal(err)
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/1e6, "MB-held")
		runtime.KeepAlive(seen)
	}
}

// BenchmarkWriteRows writes rows of plan.csv's shape; a million an iteration.
func BenchmarkWriteRows(b *testing.B) {
	b.ReportAllocs()
	var total int64
	for b.Loop() {
		count := &counter{}
		w := NewRowWriter(count)
		for i := range 1_000_000 {
			w.Text("T0001234")
			w.Blank()
			w.Int(i%12 + 1)
			w.Text("root flare")
			w.Float(float64(i%360)+0.5, 1)
			w.Float(float64(i%1250)/10, 1)
			w.Fixed(150, 1)
			w.Fixed(35, 0)
			w.Fixed(125, 1)
			w.Fixed(125, 2)
			w.End()
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
		total = count.n
	}
	b.SetBytes(total)
}

type counter struct{ n int64 }

func (c *counter) Write(p []byte) (int, error) {
	c.n += int64(len(p))
	return io.Discard.Write(p)
}
