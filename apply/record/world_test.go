package record

import (
	"encoding/json"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/gowebpki/jcs"

	"sapward/measure/civil"
)

func canon(b []byte) ([]byte, error) { return jcs.Transform(b) }

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func at(s string) Instant { return Instant{must(time.Parse(time.RFC3339, s))} }

func day(s string) civil.Date { return must(civil.Parse(s)) }

// full is an invented record in which every item is recorded.
const full = `{
 "invented": true, "regimes": [],
 "products": [{"name": "Invented Product A", "registration": "DEMO-0001", "territory": ["DEMO"], "actives": [{"name": "invented active a", "content": "200 g/L"}],
  "total": "281.5 mL", "leaked": "1.5 mL", "rate": {"amount": "3 mL/cm", "basis": "diameter"}, "mix": "281.5 mL", "rei": {"hours": 12}, "phi": {"days": 120}, "sds": "folder 3", "interval_d": 330, "containers": ["C-17"]}],
 "work": {"date": "2026-06-17", "start": "2026-06-17T08:05:00+02:00", "end": "2026-06-17T12:40:00+02:00", "zone": "Europe/Madrid", "method": "injection", "equipment": "hand syringes", "type_of_use": "open",
  "spot": "three elms at the gate", "nursery_or_greenhouse": false},
 "place": {"description": "avenue, north side", "county": "Invented County", "section": "S12 T3N R4E, invented meridian", "map": "map 7", "agency_id": "A-1", "legal": "lot 4", "parcel": "P-0007", "address": "1 Invented Road", "postcode": "00000", "field": "avenue", "lat": 45.9, "lon": -0.25},
 "area": "0.03 ha", "trees_treated": 3, "trees_planted": 164,
 "site": {"name": "elm", "code": "1ULMG"}, "stage": "75", "target": {"name": "vascular wilt"},
 "people": {"applicator": {"name": "Certified applicator", "number": "C-100", "expires": "2026-12-31", "address": "2 Invented Road"}, "appliers": [{"name": "Crew member 1"}], "supervisor": "Certified applicator",
  "customer": {"name": "Estate manager", "address": "1 Invented Road"}, "company": {"name": "Invented Tree Care", "address": "2 Invented Road", "licence": "L-9"}},
 "weather": {"temperature": "21 Cel", "wind_speed": "2.5 m/s", "wind_direction": "nnw"},
 "permits": {"operator_id": "O-1", "site_id": "S-1", "permit": "PM-1"}, "training": "folder 4",
 "law": {"restricted_use": true, "stage_restricted": true, "hours_restricted": true, "area_is_days_total": true},
 "trees": [
  {"tree": "E001", "diameter_cm": 39.4, "ports": 8, "amounts": [{"product": 0, "product_ml": 118.5, "leaked_ml": 1.5}], "load": "1", "sequence": 1},
  {"tree": "E002", "diameter_cm": 30, "ports": 6, "amounts": [{"product": 0, "product_ml": 90, "leaked_ml": 0}], "load": "1", "sequence": 2},
  {"tree": "E003", "diameter_cm": 24.3, "ports": 5, "amounts": [{"product": 0, "product_ml": 73, "leaked_ml": 0}], "load": "1", "sequence": 3}]
}`

// world decodes the full record with other regimes.
func world(t testing.TB, regimes ...string) Content {
	t.Helper()
	var c Content
	if err := strict([]byte(full), &c); err != nil {
		t.Fatal(err)
	}
	c.Regimes = regimes
	return c
}

// without takes an item out of a content, by its place in JSON.
func without(t testing.TB, c Content, path ...string) Content {
	t.Helper()
	data, err := marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(data, &m); err != nil {
		t.Fatal(err)
	}
	at := m
	for _, p := range path[:len(path)-1] {
		switch x := at[p].(type) {
		case map[string]any:
			at = x
		case []any:
			at = x[0].(map[string]any)
		default:
			t.Fatalf("no %v", path)
		}
	}
	delete(at, path[len(path)-1])
	if data, err = json.Marshal(m); err != nil {
		t.Fatal(err)
	}
	var out Content
	if err := strict(data, &out); err != nil {
		t.Fatal(err)
	}
	return out
}
