package plume

import (
	"math"
	"testing"

	"sapward/flow/sap"
)

// field120x64 is the field of the benchmarks: one infusion of 27 equal ports.
func field120x64(b *testing.B, ports []Port) (*Model, Grid) {
	c := trunk()
	c.PerimeterM = 1.6
	m := treat(b, c, ports, summer)
	g, err := EvenGrid(0, 15, 120, 1.6, 64)
	if err != nil {
		b.Fatal(err)
	}
	return m, g
}

func unequal() []Port {
	ports := ring(27, infused)
	for i := range ports {
		ports[i].VolumeM3 *= 1 + 0.02*float64(i)
		ports[i].MassG *= 1 + 0.02*float64(i)
	}
	return ports
}

var at10 = sap.Moment{TimeD: 20, DistanceM: 10, Loss: 0.1}

// A further moment on a sheet that is laid: the cost inside a time loop.
func BenchmarkSheetResidue120x64(b *testing.B) {
	for name, ports := range map[string][]Port{"1port": ring(1, infused), "27equal": ring(27, infused), "27unequal": unequal()} {
		b.Run(name, func(b *testing.B) {
			m, g := field120x64(b, ports)
			s, err := m.On(g)
			if err != nil {
				b.Fatal(err)
			}
			dst := make([]float64, 120*64)
			for b.Loop() {
				if err := s.Residue(dst, at10); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Laying the sheet: everything across the grain, once for each tree.
func BenchmarkLay120x64(b *testing.B) {
	m, g := field120x64(b, ring(27, infused))
	for b.Loop() {
		if _, err := m.On(g); err != nil {
			b.Fatal(err)
		}
	}
}

// Everything from nothing: both fields and the balance.
func BenchmarkField120x64(b *testing.B) {
	m, g := field120x64(b, ring(27, infused))
	p := []sap.Moment{{}, at10}
	for b.Loop() {
		if _, err := m.Field(g, p); err != nil {
			b.Fatal(err)
		}
	}
}

// The problem that bench/plume gives to NumPy and SciPy: the dispersion patch
// with the lateral variance of its age, which factorises.
func BenchmarkPatch120x64(b *testing.B) {
	w := newTwin(120, 64)
	k := Dispersion{DispersivityM: w.alongM}
	along, across, dst := make([]float64, w.rows), make([]float64, w.columns), make([]float64, w.rows*w.columns)
	for b.Loop() {
		x := w.speed * problemDays
		left := math.Exp(-w.loss * problemDays)
		for i := range along {
			along[i] = left * k.Patch(w.height(i), problemHalf, x)
		}
		for j := range across {
			across[j] = Around(w.arc(j), problemHalfWide, 2*w.acrossM*x, w.around)
		}
		for i, a := range along {
			row := dst[i*w.columns : (i+1)*w.columns]
			for j, c := range across {
				row[j] = a * c
			}
		}
	}
}

// The same problem by the twin (finite volumes, 120 x 64).
func BenchmarkTwin120x64(b *testing.B) {
	w := newTwin(120, 64)
	for b.Loop() {
		w.run(problemDays)
	}
}

func BenchmarkAccountDaily(b *testing.B) {
	m, _ := field120x64(b, ring(27, infused))
	p := path(365, 20, 1, 200)
	for b.Loop() {
		if _, err := m.Account(p); err != nil {
			b.Fatal(err)
		}
	}
}
