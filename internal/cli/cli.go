// Package cli is the command line: it reads files, calls the core, and prints.
package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/alecthomas/kong"

	"sapward/finding"
	"sapward/internal/lang"
)

// Version is the engine's version; every document carries it. A release stamps
// its own when it is linked (tools/release).
var Version = "0.1.0"

// Exit statuses (docs/decisions: exit status).
const (
	exitDone    = 0 // done, also when facts are open
	exitRefused = 1 // a rule is violated
	exitBad     = 2 // bad input or usage
)

// Globals are the options of every command.
type Globals struct {
	JSON  bool   `help:"Print one JSON document and nothing else."`
	Units string `help:"Units to show: metric or us." enum:"metric,us" default:"metric"`
	Lang  string `help:"Language: en or es." enum:"en,es" default:"en" env:"SAPWARD_LANG"`
}

// grammar is the whole command line.
type grammar struct {
	Globals

	Demo     demoCmd     `cmd:"" help:"The app filled with an invented estate; with --once, its files planned and printed."`
	Sample   sampleCmd   `cmd:"" help:"What a few taped trunks tell; which trunks to tape."`
	Card     cardCmd     `cmd:"" help:"Label cards: new, check, schema."`
	Plan     planCmd     `cmd:"" help:"Plan a block: ports, volumes and places for every tree."`
	Gate     gateCmd     `cmd:"" help:"This morning: go or not, item by item."`
	Weather  weatherCmd  `cmd:"" help:"Reference evapotranspiration, vapour-pressure deficit and the hours to treat in."`
	Movement movementCmd `cmd:"" help:"Where the active goes in one planned tree: a model estimate with typical values."`
	Compare  compareCmd  `cmd:"" help:"Injection beside infusion: how soon, how much, how long, with what is not known."`
	Ratings  ratingsCmd  `cmd:"" help:"Disease progress by treatment and tree, from ratings."`
	Survival survivalCmd `cmd:"" help:"Which trees live longer: Kaplan-Meier, log-rank test, hazard ratio."`
	Efficacy efficacyCmd `cmd:"" help:"How much better the treated fared, with its interval, from counts."`
	Decline  declineCmd  `cmd:"" help:"How the residue declines and when to treat again, from assays."`
	Season   seasonCmd   `cmd:"" help:"Season report of a block of the app, one page for its owner."`
	Trial    trialCmd    `cmd:"" help:"Which way is better: lay out a trial, how many trees, analyse it."`
	Record   recordCmd   `cmd:"" help:"The application record: new, show, sign, amend, export, check, profiles."`
	Serve    serveCmd    `cmd:"" help:"The app in the browser: estates, blocks, cards, plans and their history."`
	Import   importCmd   `cmd:"" help:"Put a table of trees, wounds, limbs, obstacles or history into the app's data."`
	Export   exportCmd   `cmd:"" help:"Write everything of an estate out of the app's data."`
	Backup   backupCmd   `cmd:"" help:"A checked copy of the app's data, also while they are served."`
	Restore  restoreCmd  `cmd:"" help:"Put a backup in the place of the app's data."`
	Move     moveCmd     `cmd:"" help:"Carry the app's data from a folder into a PostgreSQL database, or back."`
	Check    checkCmd    `cmd:"" help:"Verify the app's data: chain, tables, files, integrity."`
	Version  versionCmd  `cmd:"" help:"Print the version."`
}

// env is what a command works with.
type env struct {
	stdin          io.Reader
	stdout, stderr io.Writer
	globals        Globals
	say            *lang.Printer
	status         int // what the command ends with when it returns no error
}

// exit carries an exit status out of kong's own handling of --help.
type exit int

// Main runs one command and returns its exit status.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) (status int) {
	defer func() {
		if r := recover(); r != nil {
			code, ok := r.(exit)
			if !ok {
				panic(r)
			}
			status = int(code)
		}
	}()
	var g grammar
	parser, err := kong.New(&g,
		kong.Name("sapward"),
		kong.Description("From the tape to a plan inside the label: which trees, how many ports, where, how much.\nThe container label and local law decide."),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { panic(exit(code)) }),
		kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		fmt.Fprintln(stderr, err)
		return exitBad
	}
	ctx, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintln(stderr, "sapward: "+err.Error())
		fmt.Fprintln(stderr, lang.New(wanted(args), "metric").T("usage-hint"))
		return exitBad
	}
	out := &sink{w: stdout}
	e := &env{stdin: stdin, stdout: out, stderr: stderr, globals: g.Globals, say: lang.New(g.Lang, g.Units)}
	err = ctx.Run(e)
	if out.err != nil { // nothing that was said can be relied on
		e.globals.JSON = false
		return e.fail(&finding.Fault{Class: finding.Storage, ID: "output-unwritable", Cause: out.err, Args: finding.Args{"reason": finding.Text(reason(out.err))}})
	}
	if err != nil {
		return e.fail(err)
	}
	return e.status
}

// sink remembers the first error of standard output, so that a full disk
// behind it is never taken for success.
type sink struct {
	w   io.Writer
	err error
}

func (s *sink) Write(b []byte) (int, error) {
	if s.err != nil {
		return 0, s.err
	}
	n, err := s.w.Write(b)
	s.err = err
	return n, err
}

// reason is what the operating system said, without the path.
func reason(err error) string {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}

// wanted finds the language asked for when the arguments could not be parsed.
func wanted(args []string) string {
	for i, a := range args {
		if a == "--lang=es" || a == "--lang" && i+1 < len(args) && args[i+1] == "es" {
			return "es"
		}
	}
	return "en"
}

// fail prints every fault, one a line, and returns the exit status. Under
// --json the same faults are one document on standard output.
func (e *env) fail(err error) int {
	faults := finding.AsFaults(err)
	status := exitBad
	lines := make([]string, len(faults))
	for i, f := range faults {
		lines[i] = e.say.Fault(f)
		status = max(status, f.ExitStatus())
	}
	if e.globals.JSON {
		type jsonFault struct {
			ID    string        `json:"id"`
			Class finding.Class `json:"class"`
			finding.Where
			Args finding.Args `json:"args,omitempty"`
			Text string       `json:"text"`
		}
		doc := struct {
			Schema string      `json:"schema"`
			Engine string      `json:"engine"`
			Faults []jsonFault `json:"faults"`
		}{"sapward/faults/1", Version, nil}
		for i, f := range faults {
			doc.Faults = append(doc.Faults, jsonFault{f.ID, f.Class, f.Where, f.Args, lines[i]})
		}
		if err := e.printJSON(doc); err != nil {
			fmt.Fprintln(e.stderr, err)
		}
	}
	for _, l := range lines {
		fmt.Fprintln(e.stderr, l)
	}
	return status
}

// printJSON writes one indented document to standard output.
func (e *env) printJSON(v any) error {
	enc := json.NewEncoder(e.stdout)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

func (e *env) printf(format string, args ...any) { fmt.Fprintf(e.stdout, format, args...) }
func (e *env) println(s string)                  { fmt.Fprintln(e.stdout, s) }

// usage is a usage fault.
func usage(id string, args finding.Args) error {
	return finding.Faults{{Class: finding.Usage, ID: id, Args: args}}
}

// fileFault says that a file could not be read or written.
func fileFault(id, path string, err error) *finding.Fault {
	return &finding.Fault{Class: finding.BadInput, ID: id, Where: finding.Where{File: path}, Args: finding.Args{"reason": finding.Text(reason(err))}, Cause: err}
}

// readFile reads a file, or standard input for "-".
func (e *env) readFile(path string) ([]byte, error) {
	if path == "-" {
		return io.ReadAll(e.stdin)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, finding.Faults{fileFault("card-file-unreadable", path, err)}
	}
	return data, nil
}

type versionCmd struct{}

func (versionCmd) Run(e *env) error {
	e.println("sapward " + Version)
	return nil
}

// title underlines a heading.
func (e *env) title(s string) {
	e.printf("\n%s\n%s\n", s, strings.Repeat("─", len([]rune(s))))
}
