package protect

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"sapward/flow/plume"
)

// Handed to the NumPy version of the same sum (bench/protect).
type benchDraw struct {
	Level, Tube, Lateral, Grain, Anisotropy, HalfLife, Carry, Speed, Unit float64
	Sources                                                               []plume.Source
	Coverage                                                              []float64 // ours, at the nodes
}

type benchCase struct {
	Method          string
	PerimeterM      float64
	Flow, Heat      []float64 // at the nodes
	Springs         []int
	Heights, Shares []float64
	Draws           []benchDraw
	// Seconds of ours by workers and draws.
	Seconds map[string]float64
}

// With SAPWARD_BENCH=folder the reference case of MODEL section 2 is timed and
// handed over. 365 days; injection 11 ports, infusion 27.
func BenchmarkHandsOver(t *testing.B) {
	dir := os.Getenv("SAPWARD_BENCH")
	if dir == "" {
		t.Skip("a benchmark, not a check: bench/protect/run.sh sets SAPWARD_BENCH")
	}
	c := reference(t, "ring-porous")
	c.HorizonD = 365
	c, err := c.complete()
	if err != nil {
		t.Fatal(err)
	}
	draws, err := Draws(c, 2000, 1)
	if err != nil {
		t.Fatal(err)
	}
	var out []benchCase
	for _, x := range []Treatment{injection(t, 11, 30), infusion(t, 27, 30)} {
		e, err := newEngine(c, x)
		if err != nil {
			t.Fatal(err)
		}
		b := benchCase{Method: string(x.Method()), PerimeterM: c.Tree.PerimeterM, Seconds: map[string]float64{}}
		for _, n := range e.nodes {
			b.Flow, b.Heat, b.Springs = append(b.Flow, n.flow), append(b.Heat, n.heat), append(b.Springs, n.springs)
		}
		for _, h := range e.heights {
			b.Heights, b.Shares = append(b.Heights, h.z), append(b.Shares, h.share)
		}
		for _, run := range []struct {
			name       string
			n, workers int
		}{{"500 draws, 1 core", 500, 1}, {"1000 draws, 1 core", 1000, 1}, {"2000 draws, 1 core", 2000, 1}, {"2000 draws, 2 cores", 2000, 2}} {
			best := 0.0
			for range 3 {
				begin := time.Now()
				if _, err := Evaluate(c, x, draws[:run.n], run.workers); err != nil {
					t.Fatal(err)
				}
				if s := time.Since(begin).Seconds(); best == 0 || s < best {
					best = s
				}
			}
			b.Seconds[run.name] = best
		}
		s := e.scratch()
		for i := range draws[:200] {
			d := &draws[i]
			v := &d.value
			if err := e.run(s, d); err != nil {
				t.Fatal(err)
			}
			sources, _, err := plume.Emplace(e.column(d), s.ports, e.entry(d))
			if err != nil {
				t.Fatal(err)
			}
			b.Draws = append(b.Draws, benchDraw{
				Level: v[inLevel], Tube: v[inTubes], Lateral: v[inLateral], Grain: v[inGrain], Anisotropy: v[inAnisotropy], HalfLife: v[inHalfLife], Carry: v[inCarry],
				Speed: v[inFlux] / (v[inWater] * v[inRetardation]), Unit: 1 / (v[inWater] * v[inRetardation] * v[inDepth] / 1000), Sources: sources, Coverage: append([]float64(nil), s.crown...),
			})
		}
		out = append(out, b)
	}
	data, err := json.Marshal(out)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "cases.json"), data, 0o600); err != nil {
		t.Fatal(err)
	}
}
