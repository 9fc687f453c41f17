package plume

import (
	"bytes"
	"fmt"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// Another program: the patch problem on 120 x 64 cells by the method of lines,
// with SciPy solve_ivp (RK45) and R deSolve (ode45). Held against the closed
// form (1.2 % in L1 and L2, 1.5 % of the peak: the grid's error) and against the twin with central faces, which
// is the same set of equations (1e-3 of the peak: Heun's steps).
func TestClosedForm_AgreesWithOtherSolvers(t *testing.T) {
	w := newTwin(120, 64)
	var args []string
	for _, v := range []float64{120, 64, w.low, w.high, w.around, problemDays, w.speed, w.loss, w.alongM, w.acrossM, problemHalf, problemHalfWide} {
		args = append(args, strconv.FormatFloat(v, 'g', -1, 64))
	}
	for _, program := range []struct {
		name, needs string
		command     []string
	}{
		{"SciPy", "/usr/bin/python3 with SciPy", []string{"/usr/bin/python3", "testdata/twin_scipy.py"}},
		{"deSolve", "Rscript with deSolve", []string{"Rscript", "testdata/twin_desolve.R"}},
	} {
		t.Run(program.name, func(t *testing.T) {
			out, err := exec.Command(program.command[0], append(program.command[1:], args...)...).Output()
			if err != nil {
				fmt.Println("plume:", program.name, "is not here, its comparison is skipped")
				t.Skip("needs " + program.needs)
			}
			var got []float64
			for _, line := range strings.Fields(string(bytes.TrimSpace(out))) {
				v, err := strconv.ParseFloat(line, 64)
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, v)
			}
			want := w.closed()
			if len(got) != len(want) {
				t.Fatalf("%d values, want %d", len(got), len(want))
			}
			l1, l2, top := norms(want, got)
			_, _, twin := norms(w.run(problemDays), got)
			t.Logf("closed form from %s: L1 %.2g, L2 %.2g, largest %.2g; twin from %s: %.2g of the peak", program.name, l1, l2, top, program.name, twin)
			if l1 > 0.012 || l2 > 0.012 || top > 0.015 {
				t.Errorf("closed form from %s: L1 %.3g, L2 %.3g, largest %.3g", program.name, l1, l2, top)
			}
			if twin > 1e-3 {
				t.Errorf("twin from %s: %.2g of the peak", program.name, twin)
			}
		})
	}
}
