package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	validate "github.com/santhosh-tekuri/jsonschema/v6"

	"sapward/internal/app"
	"sapward/internal/demo"
)

// followSchemas are the published schemas of the documents of follow-up.
var followSchemas = []struct {
	file, id, title string
	of              any
}{
	{"../../docs/schema/ratings.schema.json", "sapward/ratings/1", "Sapward ratings", &ratingsDocument{}},
	{"../../docs/schema/survival.schema.json", "sapward/survival/1", "Sapward survival", &survivalDocument{}},
	{"../../docs/schema/efficacy.schema.json", "sapward/efficacy/1", "Sapward efficacy", &efficacyDocument{}},
	{"../../docs/schema/decline.schema.json", "sapward/decline/1", "Sapward decline", &declineDocument{}},
	{"../../docs/schema/season.schema.json", "sapward/season/1", "Sapward season report", &seasonDocument{}},
}

func TestFollowSchema_IsFresh(t *testing.T) {
	for _, x := range followSchemas {
		want := generateTrialSchema(t, x.of, x.id, x.title)
		if *update {
			if err := os.WriteFile(x.file, want, 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		got, err := os.ReadFile(x.file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s is stale; run this test with -args -update", x.file)
		}
	}
}

// What the commands write of the demo's two seasons, and of little, fits the
// published schemas; a field that they do not know does not.
func TestFollowSchema_HoldsForDocuments(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	put := func(name, text string) string {
		if err := os.WriteFile(at(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return at(name)
	}
	for name, data := range demo.Files() {
		if file, ok := strings.CutPrefix(name, "chestnut/"); ok {
			put(file, string(data))
		}
	}
	a, s, err := openApp(t.Context(), at("data"), false)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.FillDemo(t.Context(), app.Local(), demo.Files()); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for i, all := range [][][]string{
		{{"ratings", at("ratings.csv")}, {"ratings", at("closure.csv")}, {"ratings", put("class.csv", "tree,treatment,date,class,cause\na,x,2026-05-01,1,\nb,y,2026-05-01,2,wind\na,x,2026-06-01,1,\nb,y,2026-06-01,3,other: hail\n"), "--max-class", "4"}},
		{{"survival", at("deaths.csv")}, {"survival", put("few.csv", "tree,treatment,days,died,row\na,x,10,0,1\nb,y,20,0,1\n"), "--strata", "row"}, {"survival", put("apart.csv", "tree,treatment,days,died\na,x,1,1\nb,x,2,1\nc,x,3,1\nd,y,9,0\ne,y,9,0\n")}},
		{{"efficacy", put("counts.csv", "role,dead,total\ntreated,2,40\nuntreated,12,40\n")}, {"efficacy", put("none.csv", "role,before,after\ntreated,50,0\nuntreated,40,60\n")}},
		{{"decline", at("residues.csv"), "--effective", "0.4 mg/kg", "--min-interval-d", "60"}, {"decline", put("one.csv", "tree,date,mg_kg\na,2026-05-01,2\n")}, {"decline", at("residues.csv"), "--errors", "proportional", "--model", "sfo"}},
		{{"season", "--data", at("data"), "--block", "Chestnuts", "--out", at("s.pdf")}, {"season", "--data", at("data"), "--block", "Avenue", "--out", at("a.pdf")}},
	} {
		data, err := os.ReadFile(followSchemas[i].file)
		if err != nil {
			t.Fatal(err)
		}
		doc, err := validate.UnmarshalJSON(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		c := validate.NewCompiler()
		if err := c.AddResource("s.json", doc); err != nil {
			t.Fatal(err)
		}
		s, err := c.Compile("s.json")
		if err != nil {
			t.Fatal(err)
		}
		for _, args := range all {
			out, errs, status := run(t, append(args, "--json")...)
			if status != 0 {
				t.Errorf("%v ended with %d: %s", args, status, errs)
				continue
			}
			value, err := validate.UnmarshalJSON(strings.NewReader(out))
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Validate(value); err != nil {
				t.Errorf("%v: %v", args, err)
			}
			value.(map[string]any)["surprise"] = 1
			if s.Validate(value) == nil {
				t.Errorf("%v: an unknown field passes the schema", args)
			}
		}
	}
	out, _, _ := run(t, "season", "--data", at("data"), "--block", "Chestnuts", "--out", at("s.pdf"), "--json")
	if now := time.Now().UTC(); now.Year() == 2026 && !strings.Contains(out, `"currency":"EUR"`) && !strings.Contains(out, `"currency": "EUR"`) {
		t.Error("the season tells no cost")
	}
}
