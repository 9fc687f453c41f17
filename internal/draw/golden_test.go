package draw

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"
)

var (
	update = flag.Bool("update", false, "write the golden SVG files anew")
	out    = flag.String("out", "", "folder to write every example to, as SVG and PDF, for looking at")
)

// example is one picture; golden ones are kept in testdata.
type example struct {
	name   string
	golden bool
	make   func() (Scene, error)
}

func examples() []example {
	var all []example
	add := func(name string, golden bool, f func() (Scene, error)) {
		all = append(all, example{name, golden, f})
	}
	for _, w := range []float64{340, 640} {
		for _, n := range []int{3, 7, 24, 60} {
			add(fmt.Sprintf("ring_%d_%g", n, w), n == 7 || (n == 60 && w == 340), func() (Scene, error) { return DrawRing(exRing(n, w, english())) })
			add(fmt.Sprintf("unrolled_%d_%g", n, w), n == 7, func() (Scene, error) { return DrawUnrolled(exUnrolled(n, w)) })
		}
		add(fmt.Sprintf("limbs_%g", w), true, func() (Scene, error) { return DrawLimbs(exLimbs(w)) })
		add(fmt.Sprintf("map_avenue_%g", w), w == 340, func() (Scene, error) { return DrawBlockMap(exMap(164, true, w)) })
		add(fmt.Sprintf("map_grid_%g", w), false, func() (Scene, error) { return DrawBlockMap(exMap(2000, false, w)) })
		add(fmt.Sprintf("day_%g", w), true, func() (Scene, error) { return DrawDay(exDay(w)) })
		add(fmt.Sprintf("dots_%g", w), true, func() (Scene, error) { return DrawDotPlot(exDots(w)) })
		add(fmt.Sprintf("heat_%g", w), w == 340, func() (Scene, error) { return DrawHeatMap(exHeat(w)) })
		add(fmt.Sprintf("band_log_%g", w), true, func() (Scene, error) { return DrawBandChart(exBand(w, true)) })
		add(fmt.Sprintf("band_%g", w), false, func() (Scene, error) { return DrawBandChart(exBand(w, false)) })
		add(fmt.Sprintf("hours_%g", w), true, func() (Scene, error) { return DrawHours(exHours(w)) })
	}
	add("map_avenue_1200", false, func() (Scene, error) { return DrawBlockMap(exMap(164, true, 1200)) })
	add("map_grid_1200", false, func() (Scene, error) { return DrawBlockMap(exMap(2000, false, 1200)) })
	add("map_few_340", true, func() (Scene, error) { return DrawBlockMap(exMap(30, false, 340)) })
	add("ring_es_340", true, func() (Scene, error) {
		r := exRing(7, 340, spanish())
		for i := range r.Ports {
			r.Ports[i].VolumeLabel = "4,5 mL"
		}
		return DrawRing(r)
	})
	return all
}

var day = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

func TestGolden(t *testing.T) {
	for _, e := range examples() {
		t.Run(e.name, func(t *testing.T) {
			s, err := e.make()
			if err != nil {
				t.Fatal(err)
			}
			if *out != "" {
				pdf, err := s.PDF(day)
				if err != nil {
					t.Fatal(err)
				}
				for ext, b := range map[string][]byte{"svg": s.SVG(), "pdf": pdf} {
					if err := os.WriteFile(filepath.Join(*out, e.name+"."+ext), b, 0o644); err != nil {
						t.Fatal(err)
					}
				}
			}
			if !e.golden {
				return
			}
			file := filepath.Join("testdata", e.name+".svg")
			got := s.SVGInline()
			if *update {
				if err := os.WriteFile(file, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s differs; look at it with -out DIR, then accept it with -update", file)
			}
		})
	}
}
