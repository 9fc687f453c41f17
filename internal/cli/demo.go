package cli

import (
	"io"
	"os"
	"path/filepath"
	"strings"

	"sapward/finding"
	"sapward/internal/demo"
	"sapward/internal/exchange"
)

type demoCmd struct {
	Data string `help:"Folder for the demo estate's files; the app's data lie beside it, under the same name with -app." default:"sapward-demo"`
	Once bool   `help:"Write the estate's files, plan them, print and end."`
	listenOptions
}

// Run opens the app filled with the invented estate. With --once it writes the
// estate's files instead and runs the commands listed in its
// commands.txt exactly as a person would type them in that folder.
func (c demoCmd) Run(e *env) error {
	if !c.Once {
		return c.serve(e, serving{data: filepath.Clean(c.Data) + "-app", fill: true})
	}
	files := demo.Files()
	if there := c.standing(); there {
		return c.show(e, files, "demo-kept")
	}
	known := make([]string, 0, len(files)+4)
	for name := range files {
		known = append(known, name)
	}
	known = append(known, "avenue/plan/*", "avenue/compare/*", "chestnut/plan/*", "avenue/plan", "avenue/compare", "chestnut/plan")
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
	return c.show(e, files, "demo-written")
}

// standing reports whether the folder already holds a demo estate. It may have
// been changed by its owner, and is then planned as it stands.
func (c demoCmd) standing() bool {
	_, err := os.Stat(filepath.Join(c.Data, "commands.txt"))
	return err == nil
}

// show runs the estate's commands as a person would type them in its folder.
func (c demoCmd) show(e *env, files map[string][]byte, said string) error {
	if e.globals.JSON {
		return c.runJSON(e, files)
	}
	e.println(e.say.Say(said, finding.Args{"folder": finding.Text(c.Data)}))
	for _, line := range strings.Split(strings.TrimSpace(string(files["commands.txt"])), "\n") {
		e.printf("\n$ sapward %s\n\n", line)
		if status := Main(c.arguments(e, line), strings.NewReader(""), e.stdout, e.stderr); status == exitBad {
			e.status = status
		}
	}
	e.println("")
	e.println(e.say.Say("demo-next", finding.Args{"folder": finding.Text(c.Data)}))
	return nil
}

// runJSON runs the same commands and tells how each ended.
func (c demoCmd) runJSON(e *env, files map[string][]byte) error {
	type ran struct {
		Command string `json:"command"`
		Status  int    `json:"status"`
	}
	doc := struct {
		Schema   string   `json:"schema"`
		Engine   string   `json:"engine"`
		Folder   string   `json:"folder"`
		Files    []string `json:"files"`
		Commands []ran    `json:"commands"`
	}{"sapward/demo/1", Version, c.Data, demo.Names(), nil}
	for _, line := range strings.Split(strings.TrimSpace(string(files["commands.txt"])), "\n") {
		status := Main(c.arguments(e, line), strings.NewReader(""), io.Discard, e.stderr)
		doc.Commands = append(doc.Commands, ran{"sapward " + line, status})
	}
	return e.printJSON(doc)
}

// arguments are the words of a command with the estate's files found in its
// folder.
func (c demoCmd) arguments(e *env, line string) []string {
	args := words(line)
	for i, a := range args {
		if i > 0 && (strings.HasPrefix(a, "avenue/") || strings.HasPrefix(a, "chestnut/")) {
			args[i] = filepath.Join(c.Data, filepath.FromSlash(a))
		}
	}
	return append(args, "--lang="+e.globals.Lang, "--units="+e.globals.Units)
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
