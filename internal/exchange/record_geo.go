package exchange

import (
	"encoding/json"
	"io"
	"strings"

	"sapward/apply/record"
	"sapward/numeric/exact"
)

// position is a GeoJSON position: longitude, latitude, at most 7 decimals.
type position [2]json.Number

type geometry struct {
	Type        string   `json:"type"`
	Coordinates position `json:"coordinates"`
}

type feature struct {
	Type       string         `json:"type"`
	ID         string         `json:"id"`
	Geometry   *geometry      `json:"geometry"` // null where the place is not recorded (RFC 7946, 3.2)
	Properties map[string]any `json:"properties"`
}

// RecordGeoJSON writes where a record's work was done (RFC 7946): the place, and
// every tree with what it got. Positions are longitude and latitude, WGS 84, at
// most 7 decimals. A tree whose position nobody recorded has a null geometry. No
// person's data is in it.
func RecordGeoJSON(w io.Writer, v RecordView) error {
	c := &v.Version.Content
	features := []feature{}
	var lows, highs position
	set := false
	point := func(lat, lon record.Fact[record.Degree]) *geometry {
		la, ok1 := lat.Known()
		lo, ok2 := lon.Known()
		if !ok1 || !ok2 {
			return nil
		}
		p := position{decimals7(lo), decimals7(la)}
		if !set {
			lows, highs, set = p, p, true
		}
		for i := range p {
			if less(p[i], lows[i]) {
				lows[i] = p[i]
			}
			if less(highs[i], p[i]) {
				highs[i] = p[i]
			}
		}
		return &geometry{"Point", p}
	}
	text := func(m map[string]any, name string, f record.Fact[string]) {
		if s, ok := f.Known(); ok {
			m[name] = s
		}
	}
	place := map[string]any{"kind": "place", "record": v.ID, "version": v.Version.Number}
	for name, f := range map[string]record.Fact[string]{"description": c.Place.Description, "county": c.Place.County, "section": c.Place.Section, "map": c.Place.Map,
		"agency_id": c.Place.AgencyID, "legal": c.Place.Legal, "parcel": c.Place.Parcel, "field": c.Place.Field, "site": c.Site.Name, "site_eppo": c.Site.Code} {
		text(place, name, f)
	}
	if d, ok := c.Work.Date.Known(); ok {
		place["date_start"], place["date_end"] = d.From.String(), d.To.String()
	}
	if m, ok := c.Area.Known(); ok {
		place["area"], place["area_unit"] = json.Number(m.Value.String()), m.Unit
	}
	features = append(features, feature{"Feature", v.ID, point(c.Place.Lat, c.Place.Lon), place})
	for i := range c.Trees {
		t := &c.Trees[i]
		m := map[string]any{"kind": "tree", "tree": t.Tag}
		if t.Stem != "" {
			m["stem"] = t.Stem
		}
		if t.Group != "" {
			m["group"] = t.Group
		}
		number(m, "diameter_cm", t.Diameter)
		number(m, "accuracy_m", t.Accuracy)
		if n, ok := t.Ports.Known(); ok {
			m["ports"] = n
		}
		var amounts []map[string]any
		for _, a := range t.Amounts {
			x := map[string]any{}
			if a.Product >= 0 && a.Product < len(c.Products) {
				text(x, "product", c.Products[a.Product].Name)
				text(x, "registration", c.Products[a.Product].Registration)
			}
			number(x, "product_ml", a.ProductML)
			number(x, "mix_ml", a.MixML)
			number(x, "leaked_ml", a.LeakedML)
			amounts = append(amounts, x)
		}
		m["amounts"] = amounts
		id := v.ID + "/" + t.Tag
		if t.Stem != "" {
			id += "/" + t.Stem
		}
		features = append(features, feature{"Feature", id, point(t.Lat, t.Lon), m})
	}
	doc := map[string]any{"type": "FeatureCollection", "features": features, "schema": "sapward/record-places/1", "invented": c.Invented, "decides": v.Decides}
	if set {
		doc["bbox"] = []json.Number{lows[0], lows[1], highs[0], highs[1]}
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(doc)
}

func number(m map[string]any, name string, f record.Fact[record.Decimal]) {
	if d, ok := f.Known(); ok {
		m[name] = json.Number(d.String())
	}
}

// decimals7 cuts a coordinate to 7 decimals, about a centimetre.
func decimals7(d record.Decimal) json.Number {
	s := d.String()
	if i := strings.IndexByte(s, '.'); i >= 0 && len(s) > i+8 {
		s = strings.TrimRight(strings.TrimRight(s[:i+8], "0"), ".")
	}
	if s == "-0" || s == "-" || s == "" {
		s = "0"
	}
	return json.Number(s)
}

func less(a, b json.Number) bool {
	x, _ := exact.Decimal(string(a))
	y, _ := exact.Decimal(string(b))
	return x.Less(y)
}
