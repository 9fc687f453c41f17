package exchange

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"

	"sapward/apply/record"
	"sapward/finding"
)

// recordDay is the demo's invented day.
func recordDay(t testing.TB) record.Content {
	t.Helper()
	data, err := os.ReadFile("../demo/files/avenue/day.yaml")
	if err != nil {
		t.Fatal(err)
	}
	c, _, err := ReadRecordContent(data, "day.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if c, err = record.AddUp(c); err != nil {
		t.Fatal(err)
	}
	return c
}

func recordView(t testing.TB, c record.Content, regimes ...string) RecordView {
	t.Helper()
	at := time.Date(2026, 6, 18, 8, 0, 0, 0, time.UTC)
	r, err := record.New("01890000-0000-7000-8000-000000000001", "0", "Crew lead (invented)", at, c, time.LoadLocation, jcs.Transform)
	if err != nil {
		t.Fatal(err)
	}
	v, err := ViewRecord(r, regimes, time.LoadLocation, "Not legal advice")
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The blank file is read, and nothing in it is recorded.
func TestRecordBlank_RecordsNothing(t *testing.T) {
	c, _, err := ReadRecordContent(RecordBlank(), "blank.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range record.Items() {
		if s := it.Of(&c); s != record.NotRecorded {
			t.Errorf("%s is %d in the blank file", it, s)
		}
		for _, name := range strings.FieldsFunc(it.Path(), func(r rune) bool { return strings.ContainsRune(".[]", r) }) {
			if !bytes.Contains(RecordBlank(), []byte(name)) && name != "sequence" && name != "actives" {
				t.Errorf("%s is filled at %s, which the blank file does not name", it, it.Path())
			}
		}
	}
}

// All problems of a file at once, each at its place.
func TestReadRecordContent_NamesEveryProblem(t *testing.T) {
	const file = `regimes: us-tx
work: {date: 03/04/26, start: "2026-06-17T08:05", surprise: 1}
area: 3 acre-feet
stage: {none: ""}
trees_treated: 2.5
law: {restricted_use: yes please}
weather:
  wind_speed: 5 knots
  wind_direction: 400
  temperature: 21
products: {name: x}
people: {applicator: {name: a, expires: soon}}
`
	_, _, err := ReadRecordContent([]byte(file), "f.yaml")
	var got []string
	for _, f := range finding.AsFaults(err) {
		got = append(got, f.Where.String()+" "+f.ID+" "+f.Args["path"].Text)
	}
	want := []string{
		"f.yaml:1:10 record-not-list regimes",
		"f.yaml:2:14 record-date work.date",
		"f.yaml:2:31 record-instant work.start",
		"f.yaml:2:51 record-key-unknown work.surprise",
		"f.yaml:3:7 unit-unknown area",
		"f.yaml:4:9 record-none-reason stage",
		"f.yaml:5:16 record-not-whole trees_treated",
		"f.yaml:6:23 record-not-bool law.restricted_use",
		"f.yaml:8:15 record-wind-unit weather.wind_speed",
		"f.yaml:9:19 record-direction weather.wind_direction",
		"f.yaml:10:16 unit-missing weather.temperature",
		"f.yaml:11:11 record-not-list products",
		"f.yaml:12:41 record-date people.applicator.expires",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// Content written out, read and changed by path: the rest stays as it was.
func TestSetRecordContent(t *testing.T) {
	c := recordDay(t)
	same, err := SetRecordContent(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	a, _ := json.Marshal(c)
	b, _ := json.Marshal(same)
	if !bytes.Equal(a, b) {
		t.Errorf("nothing was set and\n%s\nbecame\n%s", a, b)
	}
	got, err := SetRecordContent(c, []string{"weather.wind_speed=0 m/s", "weather.wind_direction=calm", "stage={none: no scale for this tree}", "products[0].rate.amount=2.5 mL/cm", "people.customer=null", "people.company.name=Invented Tree Care", "trees[1].ports=7", "permits.permit=P-1"})
	if err != nil {
		t.Fatal(err)
	}
	if got.Weather.WindSpeed.Value.String() != "0 m/s" || got.Stage.State != record.None || got.Products[0].Rate.Value.Amount != "2.5 mL/cm" || got.People.Customer.State != record.NotRecorded ||
		got.People.Company.Value.Name != "Invented Tree Care" || got.Trees[1].Ports.Value != 7 || got.Permits.Permit.Value != "P-1" || got.Products[0].Rate.Value.Basis != "diameter" {
		t.Errorf("%+v", got)
	}
	for _, s := range []string{"weather.wind=1 m/s", "stage", "=x", "products[x].name=a", "trees[9].ports=1", "weather.wind_speed=fast", "law.restricted_use=maybe", "trees_treated=a: b: c"} {
		if _, err := SetRecordContent(c, []string{s}); err == nil {
			t.Errorf("%s is taken", s)
		}
	}
}

// Whatever the bytes, the reader answers or refuses.
func FuzzReadRecordContent(f *testing.F) {
	f.Add([]byte("regimes: [us-tx]\nstage: {none: x}\ntrees: [{tree: a}]"))
	f.Add(RecordBlank())
	f.Add([]byte("a: &x {b: *x}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, _, err := ReadRecordContent(data, "x")
		if err == nil {
			record.Complete(&c)
			record.Validate(&c, time.LoadLocation)
			if _, err := record.ForRegimes(&c, []string{"us-tx"}); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// One row a product and group, RFC 4180 and the design's rules: CRLF, dot
// decimals, units in columns of their own, ISO dates, no formula, nothing empty
// that is not listed as not recorded.
func TestRecordCSV(t *testing.T) {
	c := recordDay(t)
	c.Place.Description = record.Is(`=HYPERLINK("x";"y")`)
	c.Products[0].Name = record.Is("Invented Product A")
	var b bytes.Buffer
	if err := RecordCSV(&b, recordView(t, c)); err != nil {
		t.Fatal(err)
	}
	if bytes.Count(b.Bytes(), []byte("\r\n")) != 3 || bytes.Contains(bytes.ReplaceAll(b.Bytes(), []byte("\r\n"), nil), []byte("\n")) {
		t.Errorf("lines do not end in CRLF: %q", b.String())
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	cell := func(row int, name string) string {
		i := slices.Index(rows[0], name)
		if i < 0 {
			t.Fatalf("no column %s", name)
		}
		return rows[row][i]
	}
	for name, want := range map[string]string{
		"product": "Invented Product A", "tree_group": "large", "trees": "1", "tree_tags": "E001", "ports": "9", "product_amount": "118.5", "product_amount_unit": "mL", "leaked_amount": "1.5",
		"mix_amount": "", "total_product": "281.5", "rate": "3 mL/cm", "rate_basis": "diameter", "product_per_tree": "118.5",
		// 281.5 mL on 0.03 ha: 0.2815 L / 0.03 ha = 9.3833... L/ha
		"product_per_area": "9.383", "product_per_area_unit": "L/ha",
		"date_start": "2026-06-17", "date_end": "2026-06-17", "start": "2026-06-17T08:05:00+02:00", "zone": "Europe/Madrid", "place_description": `'=HYPERLINK("x";"y")`,
		"lat": "45.9002", "lon": "-0.2501", "area": "0.03", "area_unit": "ha", "trees_treated": "3", "temperature": "21", "temperature_unit": "Cel", "wind_speed": "2.5", "wind_direction": "NNW",
		"applicator_number": "DEMO-C-100", "applied_by": "Crew member 1 (invented); Crew member 2 (invented)", "state": "entered", "loads": "A:1=E001",
		"not_recorded": "R02 R03 R08.x", "does_not_apply": "R06 R23.permit", "decides": "Not legal advice",
	} {
		if got := cell(1, name); name != "not_recorded" && got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if got := cell(2, "product_amount"); got != "163" || cell(2, "trees") != "2" || cell(2, "tree_tags") != "E027 E075" {
		t.Errorf("second group: %q of %s trees", got, cell(2, "trees"))
	}
	missing := strings.Fields(cell(1, "not_recorded"))
	for _, it := range []string{"R02", "R13", "R19", "R21"} {
		if !slices.Contains(missing, it) {
			t.Errorf("%s is not listed as not recorded: %v", it, missing)
		}
	}
}

// R reads the file as numbers, dates and texts.
func TestRecordCSV_ReadsInR(t *testing.T) {
	rscript, err := exec.LookPath("Rscript")
	if err != nil {
		t.Skip("no Rscript: reading the file in another program was not tried")
	}
	var b bytes.Buffer
	if err := RecordCSV(&b, recordView(t, recordDay(t))); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(rscript, "-e", `x <- read.csv(file("stdin")); cat(nrow(x), sum(x$product_amount), class(x$wind_speed), format(as.Date(x$date_start[1]) + 1), is.na(x$mix_amount[1]), x$tree_tags[2])`)
	cmd.Stdin = &b
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if got := string(out); got != "2 281.5 numeric 2026-06-18 TRUE E027 E075" {
		t.Errorf("R reads %s", got)
	}
}

// Longitude first, at most 7 decimals, a null geometry where nobody recorded
// the place, a box around all, no person.
func TestRecordGeoJSON(t *testing.T) {
	c := recordDay(t)
	long, _ := record.Dec("45.900210123456")
	c.Trees[0].Lat = record.Is(long)
	var b bytes.Buffer
	if err := RecordGeoJSON(&b, recordView(t, c)); err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Type     string
		BBox     []json.Number
		Features []struct {
			Type       string
			ID         string
			Geometry   *struct{ Coordinates []json.Number }
			Properties map[string]any
		}
	}
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Type != "FeatureCollection" || len(doc.Features) != 4 || doc.Features[3].Geometry != nil {
		t.Fatalf("%s", b.String())
	}
	if got := doc.Features[1].Geometry.Coordinates; got[0] != "-0.25012" || got[1] != "45.9002101" {
		t.Errorf("E001 stands at %v", got)
	}
	if want := []json.Number{"-0.25012", "45.9002", "-0.25003", "45.90028"}; !slices.Equal(doc.BBox, want) {
		t.Errorf("box %v, want %v", doc.BBox, want)
	}
	for _, s := range []string{"Crew", "manager", "applicator", "DEMO-C-100"} {
		if strings.Contains(b.String(), s) {
			t.Errorf("the places name %q", s)
		}
	}
}

// Persons that no regime of the export asks for are in none of its files.
func TestRecordExports_LeavePersonsOut(t *testing.T) {
	c := recordDay(t)
	var b bytes.Buffer
	if err := RecordCSV(&b, recordView(t, c, "eu-1107-67")); err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{"Crew", "manager", "Certified", "DEMO-C-100"} {
		if strings.Contains(b.String(), s) {
			t.Errorf("an export that needs no person names %q", s)
		}
	}
	b.Reset()
	if err := RecordCSV(&b, recordView(t, c, "us-7cfr110")); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "DEMO-C-100") || strings.Contains(b.String(), "Crew member") || strings.Contains(b.String(), "manager") {
		t.Errorf("an export for 7 CFR 110 holds %s", b.String())
	}
}

// Any texts survive CSV: as many fields in every row, and the texts come back.
func TestProp_RecordCSV(t *testing.T) {
	base := recordDay(t)
	rapid.Check(t, func(r *rapid.T) {
		c := base
		s := rapid.StringOfN(rapid.RuneFrom([]rune("=+-@\"',;a1 é\n\t漢")), 1, 20, -1).Draw(r, "text")
		c.Place.Field = record.Is(s)
		var b bytes.Buffer
		if err := RecordCSV(&b, recordView(t, c)); err != nil {
			r.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			r.Fatal(err)
		}
		got := rows[1][slices.Index(rows[0], "field")]
		if strings.ContainsAny(s[:1], "=+-@\t\r") {
			if got[0] != '\'' {
				r.Fatalf("%q is not guarded", got)
			}
			got = got[1:]
		}
		if got != strings.ReplaceAll(s, "\r\n", "\n") {
			r.Fatalf("%q came back as %q", s, got)
		}
	})
}
