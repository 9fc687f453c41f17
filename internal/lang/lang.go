// Package lang turns findings, faults and captions into sentences in English
// and Spanish, metric or US units. The catalogue is the folder messages: one
// file a subject, both languages side by side.
package lang

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"sort"
	"strconv"
	"strings"
	"sync"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"golang.org/x/text/language"

	"sapward/finding"
)

//go:embed messages/*.json
var files embed.FS

// Message is one entry of the catalogue. Mend says how to put things right.
type Message struct {
	EN     string `json:"en"`
	ENMend string `json:"en_mend,omitempty"`
	ES     string `json:"es"`
	ESMend string `json:"es_mend,omitempty"`
}

// Languages are the languages the program speaks.
var Languages = []string{"en", "es"}

type catalogue struct {
	bundle   *i18n.Bundle
	messages map[string]Message
}

// load reads the catalogue once. A broken catalogue is a programmer's mistake
// that the tests catch.
var load = sync.OnceValue(func() catalogue {
	c := catalogue{bundle: i18n.NewBundle(language.English), messages: map[string]Message{}}
	names, err := fs.Glob(files, "messages/*.json")
	if err != nil {
		panic(err)
	}
	sort.Strings(names)
	for _, name := range names {
		data, err := files.ReadFile(name)
		if err != nil {
			panic(err)
		}
		var m map[string]Message
		if err := json.Unmarshal(data, &m); err != nil {
			panic(fmt.Sprintf("lang: %s: %v", name, err))
		}
		for id, msg := range m {
			if _, twice := c.messages[id]; twice {
				panic("lang: " + id + " stands in two files")
			}
			c.messages[id] = msg
			add := func(tag language.Tag, id, text string) {
				if text != "" {
					if err := c.bundle.AddMessages(tag, &i18n.Message{ID: id, Other: text}); err != nil {
						panic(err)
					}
				}
			}
			add(language.English, id, msg.EN)
			add(language.English, id+".mend", msg.ENMend)
			add(language.Spanish, id, msg.ES)
			add(language.Spanish, id+".mend", msg.ESMend)
		}
	}
	return c
})

// Messages returns the whole catalogue by identifier, for tests.
func Messages() map[string]Message { return load().messages }

// Printer speaks one language in one system of units.
type Printer struct {
	Lang string
	US   bool
	loc  *i18n.Localizer
}

// New returns a printer. lang is en or es; units is metric or us.
func New(lang, units string) *Printer {
	return &Printer{Lang: lang, US: units == "us", loc: i18n.NewLocalizer(load().bundle, lang)}
}

// Say returns the message with its arguments filled in. An identifier that is
// not in the catalogue is returned as it is.
func (p *Printer) Say(id string, args finding.Args) string {
	data := make(map[string]string, len(args))
	for k, v := range args {
		data[k] = p.Value(v)
	}
	s, err := p.loc.Localize(&i18n.LocalizeConfig{MessageID: id, TemplateData: data})
	if err != nil {
		return id
	}
	return strings.ReplaceAll(s, "<no value>", "…") // an argument that differs between trees
}

// Has reports whether the catalogue knows an identifier.
func (p *Printer) Has(id string) bool {
	s, err := p.loc.Localize(&i18n.LocalizeConfig{MessageID: id})
	return err == nil && s != ""
}

// T is Say without arguments.
func (p *Printer) T(id string) string { return p.Say(id, nil) }

// mend returns the way out for an identifier, or nothing.
func (p *Printer) mend(id string, args finding.Args) string {
	m := load().messages[id]
	if m.ENMend == "" {
		return ""
	}
	return p.Say(id+".mend", args)
}

// Finding returns a finding's sentence and its way out.
func (p *Printer) Finding(f finding.Finding) (text, mend string) {
	args := p.named(f.Args)
	if _, given := args["count"]; !given && f.TreeCount > 0 {
		args["count"] = finding.Count(f.TreeCount)
	}
	args["trees"] = finding.Text(TreeList(f))
	return p.Say(f.ID, args), p.mend(f.ID, args)
}

// named copies arguments; one whose name ends in _by is itself a message, such
// as the rule that sets a bound, and is said in words.
func (p *Printer) named(in finding.Args) finding.Args {
	args := finding.Args{}
	for k, v := range in {
		if v.IsText && strings.HasSuffix(k, "_by") {
			v = finding.Text(p.Say(v.Text, in))
		}
		args[k] = v
	}
	return args
}

// TreeList writes the tags of a finding, with how many more there are.
func TreeList(f finding.Finding) string {
	const shown = 8
	tags := f.Trees
	if len(tags) > shown {
		tags = tags[:shown]
	}
	s := strings.Join(tags, ", ")
	if more := f.TreeCount - len(tags); more > 0 {
		s += " +" + strconv.Itoa(more)
	}
	return s
}

// Sentence returns a fault's sentence and its way out, without its place.
func (p *Printer) Sentence(f *finding.Fault) (text, mend string) {
	args := p.named(f.Args)
	return p.Say(f.ID, args), p.mend(f.ID, args)
}

// Fault returns a fault in one line: where, what, how to mend it.
func (p *Printer) Fault(f *finding.Fault) string {
	var b strings.Builder
	if w := f.Where.String(); w != "" {
		b.WriteString(w + ": ")
	}
	args := p.named(f.Args)
	b.WriteString(p.Say(f.ID, args))
	if m := p.mend(f.ID, args); m != "" {
		b.WriteString(" " + m)
	}
	return b.String()
}

// Value writes an argument for the reader.
func (p *Printer) Value(v finding.Value) string {
	if v.IsText {
		return v.Text
	}
	switch v.Unit {
	case "cm":
		return p.Length(v.Number)
	case "m":
		return p.Height(v.Number)
	case "ha":
		return p.Area(v.Number)
	case "Cel":
		return p.Temperature(v.Number)
	case "g/ha":
		return p.PerArea(v.Number)
	case "pct":
		return Figure(v.Number, 1) + " %"
	case "deg":
		return Figure(v.Number, 1) + "°"
	case "mL":
		return p.Volume(v.Number)
	case "":
		return Figure(v.Number, 3)
	}
	return Figure(v.Number, 2) + " " + v.Unit
}

// Figure writes a number with at most the given decimals, a point as decimal
// mark and no grouping: 1.234 must mean the same to every reader.
func Figure(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// Fixed writes a number with exactly the given decimals.
func Fixed(x float64, decimals int) string { return strconv.FormatFloat(x, 'f', decimals, 64) }

// Exact unit sizes used for showing figures (NIST SP 811, 2008, appendix B).
const (
	cmPerInch  = 2.54
	mPerFoot   = 0.3048
	haPerAcre  = 0.40468564224
	mLPerOunce = 29.5735295625
	mLPerGal   = 3785.411784
	gPerPound  = 453.59237
)

// Length writes a trunk-sized length given in cm.
func (p *Printer) Length(cm float64) string {
	if p.US {
		return Figure(cm/cmPerInch, 1) + " in"
	}
	return Figure(cm, 1) + " cm"
}

// Height writes a tree-sized length given in m.
func (p *Printer) Height(m float64) string {
	if p.US {
		return Figure(m/mPerFoot, 1) + " ft"
	}
	return Figure(m, 2) + " m"
}

// Area writes an area given in ha.
func (p *Printer) Area(ha float64) string {
	if p.US {
		return Figure(ha/haPerAcre, 2) + " ac"
	}
	return Figure(ha, 2) + " ha"
}

// Temperature writes a temperature given in degrees Celsius.
func (p *Printer) Temperature(c float64) string {
	if p.US {
		return Figure(c*9/5+32, 0) + " °F"
	}
	return Figure(c, 1) + " °C"
}

// PerArea writes a mass per area given in g/ha.
func (p *Printer) PerArea(gha float64) string {
	if p.US {
		return Figure(gha/gPerPound*haPerAcre, 3) + " lb/ac"
	}
	return Figure(gha, 1) + " g/ha"
}

// Volume writes a volume given in mL. What a syringe holds stays in mL in both
// systems, because that is what its scale shows; larger amounts add L, or US
// fl oz and gal.
func (p *Printer) Volume(mL float64) string {
	a := math.Abs(mL)
	if a < 1000 {
		return Figure(mL, 3) + " mL"
	}
	s := Figure(mL/1000, 3) + " L"
	switch {
	case p.US && a >= mLPerGal:
		s += " (" + Figure(mL/mLPerGal, 2) + " US gal)"
	case p.US:
		s += " (" + Figure(mL/mLPerOunce, 1) + " US fl oz)"
	}
	return s
}
