// Command operate measures what a server costs: from start to the first page,
// and its resident memory idle, with the demo estate and with many trees.
//
//	go run ./bench/operate -program ./sapward
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"
)

func main() {
	program := flag.String("program", "./sapward", "the program, as make build makes it")
	trees := flag.Int("trees", 100_000, "trees of the largest block")
	database := flag.String("database", "", "an empty PostgreSQL database, measured as well")
	flag.Parse()
	if err := run(*program, *trees, *database); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(program string, trees int, database string) error {
	dir, err := os.MkdirTemp("", "sapward-operate-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	program, err = filepath.Abs(program)
	if err != nil {
		return err
	}
	fmt.Println("| server | start to first page, ms | resident MB at once | after up to 60 pages | most ever |")
	fmt.Println("|---|---|---|---|---|")
	for i := range 2 { // the first makes the folder
		name := []string{"empty folder, made at the start", "empty folder"}[i]
		if err := measure(name, program, nil, "serve", "--data", filepath.Join(dir, "empty")); err != nil {
			return err
		}
	}
	for i := range 2 {
		name := []string{"demo estate, filled at the start", "demo estate"}[i]
		if err := measure(name, program, pagesOf, "demo", "--data", filepath.Join(dir, "demo")); err != nil {
			return err
		}
	}
	table := filepath.Join(dir, "trees.csv")
	if err := write(table, trees); err != nil {
		return err
	}
	many := filepath.Join(dir, "many")
	took, most, err := imported(program, table, "--data", many)
	if err != nil {
		return err
	}
	if err := measure(fmt.Sprintf("%d trees", trees), program, pagesOf, "serve", "--data", many); err != nil {
		return err
	}
	if database != "" {
		if err := measure("PostgreSQL, empty", program, nil, "serve", "--database", database); err != nil {
			return err
		}
		out, err := exec.Command(program, "move", "--from", many, "--to", database).CombinedOutput()
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		if err := measure(fmt.Sprintf("PostgreSQL, %d trees", trees), program, pagesOf, "serve", "--database", database); err != nil {
			return err
		}
	}
	fmt.Printf("\nimport of %d trees: %.1f s, most resident %d MB\n", trees, took.Seconds(), most)
	return nil
}

// write makes a table of invented trees.
func write(path string, n int) error {
	var b bytes.Buffer
	b.WriteString("tree,species,wood,girth_cm,measured_at_m,x_m,y_m\n")
	for i := range n {
		fmt.Fprintf(&b, "T%06d,Ulmus minor,ring-porous,%d.%d,1.37,%d,%d\n", i, 60+i%180, i%10, 8*(i%400), 8*(i/400))
	}
	return os.WriteFile(path, b.Bytes(), 0o600)
}

func imported(program, table string, place ...string) (time.Duration, int64, error) {
	begin := time.Now()
	c := exec.Command(program, append([]string{"import", table, "--estate", "Invented estate", "--block", "Large"}, place...)...)
	if out, err := c.CombinedOutput(); err != nil {
		return 0, 0, fmt.Errorf("%w: %s", err, out)
	}
	most := int64(0)
	if u, ok := c.ProcessState.SysUsage().(*syscall.Rusage); ok {
		most = u.Maxrss >> 10
	}
	return time.Since(begin), most, nil
}

// pagesOf opens the pages of a server: estates, the estate, its blocks, trees.
func pagesOf(base string) error {
	seen := map[string]bool{}
	next := []string{"/estates"}
	link := regexp.MustCompile(`href="(/(?:estates|blocks|trees|drafts|plans)/[0-9a-f-]{36}(?:/trees)?)"`)
	for begin := time.Now(); len(next) > 0 && time.Since(begin) < time.Minute && len(seen) < 60; next = next[1:] {
		if seen[next[0]] {
			continue
		}
		seen[next[0]] = true
		res, err := http.Get(base + next[0])
		if err != nil {
			return err
		}
		text, err := io.ReadAll(res.Body)
		res.Body.Close()
		if err != nil {
			return err
		}
		for _, m := range link.FindAllSubmatch(text, -1) {
			next = append(next, string(m[1]))
		}
	}
	return nil
}

// measure starts a server, opens its first page, then others.
func measure(name, program string, more func(base string) error, args ...string) (err error) {
	c := exec.Command(program, append(args, "--listen", "127.0.0.1:0")...)
	out, err := c.StdoutPipe()
	if err != nil {
		return err
	}
	begin := time.Now()
	if err := c.Start(); err != nil {
		return err
	}
	defer func() {
		err = errors.Join(err, c.Process.Signal(os.Interrupt), c.Wait())
	}()
	head := make([]byte, 4096)
	n, err := out.Read(head)
	if err != nil {
		return err
	}
	base := regexp.MustCompile(`http://[0-9.:]+`).FindString(string(head[:n]))
	res, err := http.Get(base + "/estates")
	if err != nil {
		return err
	}
	_, err = io.Copy(io.Discard, res.Body)
	res.Body.Close()
	if err != nil {
		return err
	}
	first := time.Since(begin)
	time.Sleep(time.Second)
	at, _ := memory(c.Process.Pid)
	after := "-"
	if more != nil {
		if err := more(base); err != nil {
			return err
		}
		x, _ := memory(c.Process.Pid)
		after = strconv.FormatInt(x, 10)
	}
	_, most := memory(c.Process.Pid)
	fmt.Printf("| %s | %d | %d | %s | %d |\n", name, first.Milliseconds(), at, after, most)
	return nil
}

// memory is resident memory now and at most, in MB, where Linux tells.
func memory(pid int) (now, most int64) {
	data, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	for _, l := range strings.Split(string(data), "\n") {
		f := strings.Fields(l)
		if len(f) < 2 {
			continue
		}
		n, _ := strconv.ParseInt(f[1], 10, 64)
		switch f[0] {
		case "VmRSS:":
			now = n >> 10
		case "VmHWM:":
			most = n >> 10
		}
	}
	return now, most
}
