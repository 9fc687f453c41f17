package health

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// rWith finds R with a package, or skips with the reason. What it returns runs a
// script on lines of a file and gives the numbers of each line printed.
func rWith(t *testing.T, pkg string) func(lines []string, script string) [][]float64 {
	t.Helper()
	r, err := exec.LookPath("Rscript")
	if err == nil {
		err = exec.Command(r, "-e", "library("+pkg+")").Run()
	}
	if err != nil {
		t.Skipf("skipped: Rscript with the package %s is not there (%v)", pkg, err)
	}
	return func(lines []string, script string) (out [][]float64) {
		dir := t.TempDir()
		data, file := filepath.Join(dir, "d.csv"), filepath.Join(dir, "s.R")
		for name, text := range map[string]string{data: strings.Join(lines, "\n") + "\n", file: "a <- commandArgs(TRUE)\n" + script} {
			if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		raw, err := exec.Command(r, file, data).Output()
		if err != nil {
			t.Fatalf("%v\n%s", err, raw)
		}
		for _, l := range strings.Split(strings.TrimSpace(string(raw)), "\n") {
			var row []float64
			for _, f := range strings.Fields(l) {
				row = append(row, num(t, f))
			}
			out = append(out, row)
		}
		return out
	}
}

func csvLine(x ...float64) string {
	out := make([]string, len(x))
	for i, v := range x {
		out[i] = strconv.FormatFloat(v, 'g', 17, 64)
	}
	return strings.Join(out, ",")
}
