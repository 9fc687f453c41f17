package cli

import (
	"io"
	"path/filepath"
	"strings"

	"sapward/finding"
	"sapward/internal/demo"
	"sapward/internal/exchange"
)

type demoCmd struct {
	Data string `help:"Folder for the demo estate's files." default:"sapward-demo"`
	Once bool   `help:"Write, plan, print and end."`
}

// Run writes the invented estate's files, then runs the commands listed in its
// commands.txt exactly as a person would type them in that folder.
func (c demoCmd) Run(e *env) error {
	files := demo.Files()
	known := make([]string, 0, len(files)+4)
	for name := range files {
		known = append(known, name)
	}
	known = append(known, "avenue/plan/*", "chestnut/plan/*", "avenue/plan", "chestnut/plan")
	err := exchange.WriteFolder(c.Data, known, func(f *exchange.Folder) error {
		for _, name := range demo.Names() {
			if err := f.File(name, func(w io.Writer) error {
				_, err := w.Write(files[name])
				return err
			}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	e.println(e.say.Say("demo-written", finding.Args{"folder": finding.Text(c.Data)}))
	for _, line := range strings.Split(strings.TrimSpace(string(files["commands.txt"])), "\n") {
		args := words(line)
		e.printf("\n$ sapward %s\n\n", line)
		for i, a := range args {
			if i > 0 && (strings.HasPrefix(a, "avenue/") || strings.HasPrefix(a, "chestnut/")) {
				args[i] = filepath.Join(c.Data, filepath.FromSlash(a))
			}
		}
		args = append(args, "--lang="+e.globals.Lang, "--units="+e.globals.Units)
		if status := Main(args, strings.NewReader(""), e.stdout, e.stderr); status == exitBad {
			e.status = status
		}
	}
	e.println("")
	e.println(e.say.Say("demo-next", finding.Args{"folder": finding.Text(c.Data)}))
	return nil
}

// words splits a command line at spaces, keeping "quoted words" together.
func words(line string) []string {
	var out []string
	var w strings.Builder
	quoted := false
	for _, r := range line {
		switch {
		case r == '"':
			quoted = !quoted
		case r == ' ' && !quoted:
			if w.Len() > 0 {
				out = append(out, w.String())
			}
			w.Reset()
		default:
			w.WriteRune(r)
		}
	}
	if w.Len() > 0 {
		out = append(out, w.String())
	}
	return out
}
