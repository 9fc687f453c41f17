package cli

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"sapward/internal/demo"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"sapward": func() { fixRecordClock(); os.Exit(Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// Every script is a session of a person at the command line: what was typed,
// what came out, how it ended. The demo estate's files stand in estate/.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:           "testdata/script",
		UpdateScripts: os.Getenv("SAPWARD_UPDATE") != "",
		Cmds:          map[string]func(*testscript.TestScript, bool, []string){"json": jsonCmd},
		Setup: func(e *testscript.Env) error {
			for name, data := range map[string]string{ // bytes that a script cannot hold
				"latin1.csv": "tree,diameter_cm,species\nT1,39.4,Ca\xf1a\n",
				"nul.csv":    "tree,diameter_cm\nT1,39\x00.4\n",
				"bom.csv":    "\xef\xbb\xbftree,diameter_cm\r\nT1,39.4\r\n",
				"wide.csv":   "tree,diameter_cm" + strings.Repeat(",c", 198) + "\nT1,39.4" + strings.Repeat(",", 198) + "\n",
			} {
				if err := os.WriteFile(filepath.Join(e.WorkDir, name), []byte(data), 0o644); err != nil {
					return err
				}
			}
			for name, data := range demo.Files() {
				path := filepath.Join(e.WorkDir, "estate", filepath.FromSlash(name))
				if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
					return err
				}
				if err := os.WriteFile(path, data, 0o644); err != nil {
					return err
				}
			}
			return nil
		},
	})
}

// jsonCmd checks that the last standard output is one JSON document and nothing
// else, and that places in it hold what is asked: json add=164 findings.0.id=x
// head~^[0-9a-f]{64}$. A name kept with @ is compared with what stood there
// before: json @head=head keeps, json head=@head compares.
func jsonCmd(ts *testscript.TestScript, neg bool, args []string) {
	if neg {
		ts.Fatalf("json takes no !")
	}
	dec := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	dec.UseNumber()
	var doc any
	if err := dec.Decode(&doc); err != nil {
		ts.Fatalf("standard output is not JSON: %v", err)
	}
	if _, err := dec.Token(); err != io.EOF {
		ts.Fatalf("something follows the JSON document")
	}
	at := func(path string) string {
		v := doc
		for _, step := range strings.Split(path, ".") {
			switch x := v.(type) {
			case map[string]any:
				w, ok := x[step]
				if !ok {
					ts.Fatalf("%s: there is no %q", path, step)
				}
				v = w
			case []any:
				n, err := strconv.Atoi(step)
				if step == "len" {
					return strconv.Itoa(len(x))
				}
				if err != nil || n >= len(x) {
					ts.Fatalf("%s: no entry %q of %d", path, step, len(x))
				}
				v = x[n]
			default:
				ts.Fatalf("%s: nothing below %v", path, v)
			}
		}
		return fmt.Sprint(v)
	}
	for _, a := range args {
		if path, pattern, ok := strings.Cut(a, "~"); ok && !strings.Contains(path, "=") {
			if got := at(path); !regexp.MustCompile(pattern).MatchString(got) {
				ts.Fatalf("%s is %q, which does not match %s", path, got, pattern)
			}
			continue
		}
		path, want, _ := strings.Cut(a, "=")
		if name, ok := strings.CutPrefix(path, "@"); ok {
			ts.Setenv("kept_"+name, at(want))
			continue
		}
		if name, ok := strings.CutPrefix(want, "@"); ok {
			want = ts.Getenv("kept_" + name)
		}
		if got := at(path); got != want {
			ts.Fatalf("%s is %q, want %q", path, got, want)
		}
	}
}
