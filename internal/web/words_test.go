package web

import (
	"io/fs"
	"os"
	"regexp"
	"strings"
	"testing"

	"sapward/internal/lang"
)

// Every text of a page comes from the catalogue, in both languages; what is
// put together from a value is checked by its beginning.
func TestTemplates_SayOnlyWhatTheCatalogueKnows(t *testing.T) {
	all := lang.Messages()
	whole := regexp.MustCompile(`\.(?:T|L|S|Say) "([a-z0-9-]+)"`)
	chosen := regexp.MustCompile(`\.(?:T|L|S) \((?:print|pick[^)]*?) ?"([a-z0-9-]+)"(?: "([a-z0-9-]+)")?`)
	found := 0
	check := func(name, text string) {
		for _, m := range whole.FindAllStringSubmatch(text, -1) {
			found++
			if _, ok := all[m[1]]; !ok {
				t.Errorf("%s: %q is not in the catalogue", name, m[1])
			}
		}
		for _, m := range chosen.FindAllStringSubmatch(text, -1) {
			for _, id := range m[1:] {
				if id == "" {
					continue
				}
				some := false
				for k := range all {
					some = some || strings.HasPrefix(k, id)
				}
				if !some {
					t.Errorf("%s: nothing in the catalogue begins with %q", name, id)
				}
			}
		}
	}
	entries, err := fs.ReadDir(templateFiles, "templates")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		data, err := templateFiles.ReadFile("templates/" + e.Name())
		if err != nil {
			t.Fatal(err)
		}
		check(e.Name(), string(data))
	}
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		data, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		check(f.Name(), string(data))
		for _, m := range regexp.MustCompile(`\.(?:T|L|S)\("([a-z0-9-]+)"`).FindAllStringSubmatch(string(data), -1) {
			found++
			if _, ok := all[m[1]]; !ok && !strings.HasSuffix(m[1], "-") {
				t.Errorf("%s: %q is not in the catalogue", f.Name(), m[1])
			}
		}
	}
	if found < 300 {
		t.Errorf("only %d texts found; the walk is broken", found)
	}
}

// A page holds no words of its own: between tags stand only what templates put
// there, figures, units and marks.
func TestTemplates_HoldNoWords(t *testing.T) {
	action := regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	tag := regexp.MustCompile(`(?s)<(script|style|pre|svg|kbd)\b.*?</(script|style|pre|svg|kbd)>|<[^>]*>`)
	word := regexp.MustCompile(`\p{L}{3,}`)
	allowed := regexp.MustCompile(`^(Sapward|PDF|CSV|JSON|GeoJSON|ISC|idb|wasm|exec|ZIP|Tab|English|Espa.ol|htmx|BSD|Atkinson|Hyperlegible|Next|SIL|OFL|nbsp|amp|doctype|html|aria|describedby|invalid|true|low|target|high)$`)
	entries, _ := fs.ReadDir(templateFiles, "templates")
	for _, e := range entries {
		data, _ := templateFiles.ReadFile("templates/" + e.Name())
		text := tag.ReplaceAllString(action.ReplaceAllString(string(data), " "), " ")
		for _, w := range word.FindAllString(text, -1) {
			if !allowed.MatchString(w) {
				t.Errorf("%s: %q stands in the page instead of the catalogue", e.Name(), w)
			}
		}
	}
}

// Where a message tells the reader to use an option of the command line, the
// pages have a way out of their own.
func TestWays_SpeakOfButtons(t *testing.T) {
	all := lang.Messages()
	option := regexp.MustCompile(`--[a-z]`)
	// These are said of files and folders that the pages do not take.
	elsewhere := regexp.MustCompile(`^(weather|movement|trial|gate|sample|usage|serve|restore)-|^(store-missing|store-in-use|rows-block|interval-needs-day-zero|day-zero-needed|plan-not-one|plan-unreadable|option-unknown|output-unwritable|usage-hint)$`)
	for id, m := range all {
		if !option.MatchString(m.ENMend) || elsewhere.MatchString(id) {
			continue
		}
		if _, ok := all["web-mend-"+id]; !ok {
			t.Errorf("%s speaks of the command line (%q); web-mend-%s is missing", id, m.ENMend, id)
		}
	}
}
