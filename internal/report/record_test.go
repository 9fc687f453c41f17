package report

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	ics "github.com/arran4/golang-ical"
	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"

	"sapward/apply/record"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/lang"
)

// recordOf makes a record of the invented day: entered, and signed if wanted.
func recordOf(t testing.TB, signed bool, change func(*record.Content)) *record.Record {
	t.Helper()
	data, err := os.ReadFile("../demo/files/avenue/day.yaml")
	if err != nil {
		t.Fatal(err)
	}
	c, _, err := exchange.ReadRecordContent(data, "day.yaml")
	if err != nil {
		t.Fatal(err)
	}
	card, err := cardfile.Parse(demo.Files()["avenue/card.yaml"], "card.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if c, err = record.Assemble(c, card.Card, record.CardSnapshot{Hash: card.Hash, Content: card.Canonical}); err != nil {
		t.Fatal(err)
	}
	c.Stage = record.Is("75")
	if change != nil {
		change(&c)
	}
	at := time.Date(2026, 6, 18, 8, 0, 0, 0, time.UTC)
	r, err := record.New("01890000-0000-7000-8000-000000000001", "0.1.0", "Crew lead (invented)", at, c, time.LoadLocation, jcs.Transform)
	if err != nil {
		t.Fatal(err)
	}
	if signed {
		if r, err = r.Sign(at.Add(time.Hour), "", time.LoadLocation, jcs.Transform); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

func recordInput(t testing.TB, r *record.Record, l, paper string, regimes ...string) RecordInput {
	t.Helper()
	say := lang.New(l, "metric")
	v, err := exchange.ViewRecord(r, regimes, time.LoadLocation, say.T("record-decides"))
	if err != nil {
		t.Fatal(err)
	}
	return RecordInput{Record: r, View: v, Say: say, Second: lang.New(map[string]string{"en": "es", "es": "en"}[l], "metric"), Paper: paper, Created: r.Last().At.T, Now: r.Last().At.T, Zones: time.LoadLocation}
}

// papersOf are the three papers of a record.
var papersOf = map[string]func(*recordPaper){
	"record":  func(p *recordPaper) { p.first("record-title"); p.trees(); p.versions(); p.profiles() },
	"copy":    func(p *recordPaper) { p.first("record-copy-title"); p.trees(); p.profiles() },
	"posting": func(p *recordPaper) { p.posting() },
}

// In both languages and on both papers: nothing is cut off, no identifier and no
// hole shows, nothing promises too much, the sentence that label and law decide
// stands on every page; every element has its line on the one page.
func TestRecord_Papers(t *testing.T) {
	width := widths()
	all, _ := record.Profiles()
	var every []string
	for _, p := range all {
		every = append(every, p.ID)
	}
	id := regexp.MustCompile(`\brecord-[a-z]`)
	for name, parts := range papersOf {
		for _, l := range lang.Languages {
			for _, paper := range []string{"a4", "letter"} {
				for kind, r := range map[string]*record.Record{"signed": recordOf(t, true, nil), "entered": recordOf(t, false, func(c *record.Content) {
					c.Weather, c.Regimes, c.Work.End = record.Weather{}, every, record.Fact[record.Instant]{}
				})} {
					in := recordInput(t, r, l, paper)
					seen := &placings{}
					var b bytes.Buffer
					if err := writeRecord(&b, in, seen, true, parts); err != nil {
						t.Fatal(err)
					}
					who := strings.Join([]string{name, l, paper, kind}, " ")
					for _, bad := range fits(seen, Input{Paper: paper}, width) {
						t.Errorf("%s: %s", who, bad)
					}
					decides, elements, pages := map[int]bool{}, map[string]int{}, 0
					for _, x := range seen.texts {
						pages = max(pages, x.page)
						if x.s == in.Say.T("record-decides") {
							decides[x.page] = true
						}
						if regexp.MustCompile(`^R[0-9]{2}$`).MatchString(x.s) {
							elements[x.s] = x.page
						}
						if id.MatchString(x.s) || strings.Contains(x.s, "<no value>") || tooMuch.MatchString(x.s) {
							t.Errorf("%s: page %d says %q", who, x.page, x.s)
						}
					}
					for n := 1; n <= pages; n++ {
						if !decides[n] {
							t.Errorf("%s: page %d does not say who decides", who, n)
						}
					}
					if name == "posting" {
						if pages != 1 {
							t.Errorf("%s has %d pages", who, pages)
						}
						continue
					}
					for e, page := range elements {
						if kind == "signed" && page != 1 {
							t.Errorf("%s: %s stands on page %d", who, e, page)
						}
					}
					if len(elements) != 28 {
						t.Errorf("%s: %d elements", who, len(elements))
					}
				}
			}
		}
	}
}

// The whole record lies inside the PDF byte for byte, and verifies; the same
// record gives the same bytes; the copies carry no attachment.
func TestRecord_AttachesItself(t *testing.T) {
	r := recordOf(t, true, nil)
	in := recordInput(t, r, "en", "a4")
	var a, b bytes.Buffer
	if err := Record(&a, in); err != nil {
		t.Fatal(err)
	}
	if err := Record(&b, in); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two papers of one record differ")
	}
	var c bytes.Buffer
	if err := RecordCopy(&c, in); err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(c.Bytes(), []byte("/Type /EmbeddedFile ")) || !bytes.Contains(a.Bytes(), []byte("/Type /EmbeddedFile ")) {
		t.Error("the attachment is in the wrong paper")
	}
	tool, err := exec.LookPath("pdfdetach")
	if err != nil {
		t.Skip("no pdfdetach: taking the record out of the PDF by another program was not tried")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "r.pdf")
	if err := os.WriteFile(file, a.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(tool, "-saveall", "-o", dir, file).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	got, err := os.ReadFile(filepath.Join(dir, "record.json"))
	if err != nil {
		t.Fatal(err)
	}
	back, err := record.Read(got, jcs.Transform)
	if err != nil {
		t.Fatal(err)
	}
	if fs, err := record.Verify(back, jcs.Transform); err != nil || len(fs) > 0 {
		t.Error(fs, err)
	}
	if want, _ := record.Write(r); !bytes.Equal(got, want) {
		t.Error("the record inside is another")
	}
}

// A paper for a regime that needs no person names none.
func TestRecord_PersonsOnlyWhereAsked(t *testing.T) {
	r := recordOf(t, true, nil)
	for name, parts := range papersOf {
		for _, x := range []struct {
			regime string
			crew   bool
			signer bool
		}{{"eu-1107-67", false, false}, {"us-7cfr110", false, true}, {"us-tx", true, true}} {
			seen := &placings{}
			var b bytes.Buffer
			if err := writeRecord(&b, recordInput(t, r, "en", "a4", x.regime), seen, false, parts); err != nil {
				t.Fatal(err)
			}
			all := strings.Join(texts(seen), "\n")
			if got := strings.Contains(all, "Crew member"); got != (x.crew && name != "posting") {
				t.Errorf("%s for %s: crew named %v", name, x.regime, got)
			}
			if got := strings.Contains(all, "DEMO-C-100"); got != (x.signer && name != "posting") {
				t.Errorf("%s for %s: signer named %v", name, x.regime, got)
			}
		}
	}
}

// Calendar: CRLF, folded, stable identifiers, a sequence that rises, instants in
// UTC, days whose end is the day after, no person.
func TestRecordCalendar(t *testing.T) {
	food := func(c *record.Content) { c.Products[0].PHI = record.Is(record.PHI{Days: 120}) }
	first, second := recordOf(t, false, food), recordOf(t, true, food)
	uid := map[string][]string{}
	for n, r := range []*record.Record{first, second} {
		var b bytes.Buffer
		if err := RecordCalendar(recordInput(t, r, "es", "a4")).Write(&b); err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.SplitAfter(b.String(), "\n") {
			if line != "" && !strings.HasSuffix(line, "\r\n") || len(line) > 77 {
				t.Errorf("line %q", line)
			}
		}
		for _, s := range []string{"Crew", "manager", "applicator", "DEMO-C"} {
			if strings.Contains(b.String(), s) {
				t.Errorf("the calendar names %q", s)
			}
		}
		cal, err := ics.ParseCalendar(&b)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, e := range cal.Events() {
			uid[e.Id()] = append(uid[e.Id()], e.GetProperty(ics.ComponentPropertySequence).Value)
			got = append(got, e.GetProperty(ics.ComponentPropertyDtStart).Value+" "+e.GetProperty(ics.ComponentPropertyDtEnd).Value)
		}
		// End 12:40 at +02:00 plus 12 h is 22:40 UTC; three days after the local day
		// of entry, 2026-06-18; 120 and 330 days after the work.
		want := "20260617T224000Z 20260617T224000Z|20260621 20260622|20261015 20261016|20270513 20270514"
		if s := strings.Join(got, "|"); s != want {
			t.Errorf("version %d: %s, want %s", n+1, s, want)
		}
	}
	for id, seq := range uid {
		if strings.Join(seq, " ") != "0 1" {
			t.Errorf("%s has sequences %v", id, seq)
		}
	}
	if len(uid) != 4 {
		t.Errorf("%d identifiers", len(uid))
	}
}

// Every message a record can need is in the catalogue: items, conditions,
// elements, marks, notes of profiles.
func TestRecord_EveryWordIsThere(t *testing.T) {
	var ids []string
	for _, it := range record.Items() {
		ids = append(ids, "record-item-"+record.ItemKey(it), "record-el-"+strings.ToLower(it.Element()))
	}
	for _, c := range record.Conditions() {
		ids = append(ids, "record-when-"+c)
	}
	ps, err := record.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range ps {
		ids = append(ids, p.Unconfirmed...)
		for _, d := range p.Deadlines {
			ids = append(ids, "record-due-"+d.What, "record-mark-"+string(d.Mark))
		}
		for _, a := range p.Asks {
			ids = append(ids, "record-mark-"+string(a.Mark))
		}
	}
	for _, k := range []record.Kind{record.Entered, record.Amended, record.Signed} {
		ids = append(ids, "record-state-"+string(k), "record-said-"+string(k))
	}
	for _, u := range []string{record.OpenArea, record.Enclosed, record.Propagating} {
		ids = append(ids, "record-use-"+u)
	}
	all := lang.Messages()
	for _, id := range ids {
		if _, ok := all[id]; !ok {
			t.Errorf("%s is not in the catalogue", id)
		}
	}
}

// Whatever is written into a record, its papers hold it.
func TestProp_RecordFits(t *testing.T) {
	width := widths()
	rapid.Check(t, func(r *rapid.T) {
		words := rapid.StringOfN(rapid.RuneFrom([]rune("aiWm mñÁ-_.·\u00a0\n\t漢(‹")), 1, 300, -1)
		rec := recordOf(t, false, func(c *record.Content) {
			c.Place.Field, c.Place.Description = record.Is(words.Draw(r, "field")), record.Is(words.Draw(r, "description"))
			c.Products[0].SDS, c.Stage = record.Is(words.Draw(r, "sds")), record.DoesNotApply[string]("x"+words.Draw(r, "reason"))
			c.People.Customer = record.Is(record.Party{Name: words.Draw(r, "customer")})
			c.Trees[0].Tag, c.Trees[0].Group = words.Draw(r, "tag"), words.Draw(r, "group")
		})
		name := rapid.SampledFrom([]string{"record", "copy", "posting"}).Draw(r, "of")
		in := recordInput(t, rec, rapid.SampledFrom(lang.Languages).Draw(r, "lang"), rapid.SampledFrom([]string{"a4", "letter"}).Draw(r, "paper"))
		seen := &placings{}
		var b bytes.Buffer
		if err := writeRecord(&b, in, seen, true, papersOf[name]); err != nil {
			r.Fatal(err)
		}
		for _, bad := range fits(seen, Input{Paper: in.Paper}, width) {
			r.Errorf("%s: %s", name, bad)
		}
	})
}

// A file that was made up, with hashes that fit and values no command would have
// written, still comes out on paper and in tables.
func TestRecord_MadeUpValues(t *testing.T) {
	r := recordOf(t, false, nil)
	c := &r.Versions[0].Content
	c.Trees[0].Amounts[0].Product = -1
	c.Trees[1].Amounts[0].Product = 9
	c.Products = append(c.Products, record.Product{})
	in := recordInput(t, r, "en", "a4")
	var b bytes.Buffer
	for _, write := range []func() error{
		func() error { return Record(&b, in) }, func() error { return RecordCopy(&b, in) }, func() error { return RecordPosting(&b, in) },
		func() error { return exchange.RecordCSV(&b, in.View) }, func() error { return exchange.RecordGeoJSON(&b, in.View) }, func() error { return RecordCalendar(in).Write(&b) },
	} {
		if err := write(); err != nil {
			t.Error(err)
		}
	}
}
