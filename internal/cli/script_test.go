package cli

import (
	"os"
	"path/filepath"
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
