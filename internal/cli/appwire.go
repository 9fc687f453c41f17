package cli

import (
	"bytes"
	"context"
	"crypto/rand"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/follow/trial"
	"sapward/internal/app"
	"sapward/internal/cardfile"
	"sapward/internal/exchange"
	"sapward/internal/store"
	"sapward/measure/civil"
	"sapward/measure/tree"
)

// readers reads cards and tables for the app with the same code as the other
// commands.
type readers struct{}

// ReadCard reads a card's text.
func (readers) ReadCard(text []byte, name string) (app.ReadCard, error) {
	l, err := cardfile.Parse(text, name)
	if err != nil {
		return app.ReadCard{}, err
	}
	out := app.ReadCard{Card: l.Card, Hash: l.Hash, Canonical: l.Canonical, Place: l.Place}
	for _, e := range l.Understood {
		out.Understood = append(out.Understood, app.Echo(e))
	}
	return out, nil
}

// Trees reads a table of trees; headers that are not matched are read as
// exchange reads them.
func (readers) Trees(r io.Reader, name string, match app.Columns, visit func([]tree.Tree) error) (app.Table, error) {
	sum, err := exchange.EachInventory(r, name, match, visit)
	t := app.Table{Headers: sum.Headers, Rows: sum.Rows, Notes: sum.Notes}
	use := map[int]string{}
	for _, c := range sum.Columns {
		use[c.Place] = c.Column
	}
	for i, h := range sum.Headers {
		t.Columns = append(t.Columns, app.ColumnUse{Header: h, Column: use[i+1], Place: i + 1})
	}
	return t, err
}

// Wounds reads old holes.
func (readers) Wounds(r io.Reader, name string) ([]tree.Wound, error) {
	x, _, err := exchange.ReadWounds(r, name)
	return x, err
}

// Limbs reads limbs.
func (readers) Limbs(r io.Reader, name string) ([]tree.Limb, error) {
	x, _, err := exchange.ReadLimbs(r, name)
	return x, err
}

// Obstacles reads arcs where no port may go.
func (readers) Obstacles(r io.Reader, name string) ([]tree.Obstacle, error) {
	x, _, err := exchange.ReadObstacles(r, name)
	return x, err
}

// History reads earlier treatments.
func (readers) History(r io.Reader, name string) ([]tree.Treatment, error) {
	x, _, err := exchange.ReadHistory(r, name)
	return x, err
}

// Follow reads a table of follow-up.
func (readers) Follow(kind, name string, data []byte, zero civil.Date) (app.FollowRows, error) {
	x, err := exchange.ReadFollow(kind, name, data, zero)
	return app.FollowRows(x), err
}

// TrialResults reads the results of a trial.
func (readers) TrialResults(name string, data []byte, value string) ([]trial.Observation, error) {
	x, _, err := exchange.ReadResultsFrom(bytes.NewReader(data), name, value)
	return x, err
}

// WeatherDay reads a table of weather and works out the day of work, with the
// code of sapward plan and sapward weather.
func (readers) WeatherDay(r io.Reader, name string, q app.WeatherQuestion) (app.WeatherDay, error) {
	var out app.WeatherDay
	wx, err := exchange.ReadWeatherFrom(r, name, exchange.WeatherOptions{Zone: q.Zone})
	if err != nil {
		return out, err
	}
	so := siteOptions{Reference: string(weather.FAO56)}
	opts := weather.Options{Reference: weather.FAO56}
	if _, faults := so.judge(wx, wx.Problems); len(faults) > 0 {
		return out, faults
	}
	w := &waterDays{site: q.Site, opts: opts, zone: q.Zone}
	if err := w.read(so, wx, nil, q.On, 0); err != nil {
		return out, err
	}
	out.DailyMm, out.SunriseH, out.SunsetH = w.days[0].ET0Mm, w.days[0].SunriseH, w.days[0].SunsetH
	rules := weather.Rules{Practice: weather.DefaultPractice(), Label: labelRules(q.Timing)}
	hours, ps := weather.Assess(wx.Series, q.Site, rules, weather.Situation{Bloom: bloomState(q.Bloom, q.Timing.Bloom)}, opts)
	if _, faults := so.judge(wx, ps); len(faults) > 0 {
		return out, faults
	}
	for _, h := range hours {
		if civil.Date(weather.DateOf(h.Start.In(q.Zone))) == q.On {
			out.Hours = append(out.Hours, h)
		}
	}
	out.Windows = weather.Windows(out.Hours)
	return out, nil
}

// Names are the columns a header can be matched to.
func (readers) Names() []string { return exchange.TreeColumns() }

// tablesOut writes the tables of an export, readable by import again; formats
// are those that trees are written in beside CSV.
type tablesOut struct{ formats []string }

func tableRows(w io.Writer, columns ...string) *exchange.RowWriter {
	out := exchange.NewRowWriter(w)
	for _, c := range columns {
		out.Text(c)
	}
	out.End()
	return out
}

func tableRow(w *exchange.RowWriter, cells ...string) {
	for _, c := range cells {
		w.Text(c)
	}
	w.End()
}

func optionalNumber(x *float64) string {
	if x == nil {
		return ""
	}
	return strconv.FormatFloat(*x, 'f', -1, 64)
}

func degrees(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// Trees writes one row a stem. A column that no tree fills is left out where it
// would make the table unreadable: stem, and one of diameter and girth.
func (tablesOut) Trees(w io.Writer, trees []app.TreeFacts) error {
	columns, rows := treeTable(trees)
	out := tableRows(w, columns...)
	for _, r := range rows {
		tableRow(out, r...)
	}
	return out.Close()
}

// treeTable lays trees out as a table, a row a stem, places last.
func treeTable(trees []app.TreeFacts) (columns []string, rows [][]string) {
	stems := false
	for _, t := range trees {
		stems = stems || len(t.Stems) > 1
		for _, s := range t.Stems {
			stems = stems || s.Name != ""
		}
	}
	columns = []string{"tree"}
	if stems {
		columns = append(columns, "stem")
	}
	columns = append(columns, "diameter_cm", "girth_cm", "measured_at_m", "bark_mm", "flare_girth_cm", "species", "wood", "age_class", "height_m", "crown_m", "status", "rating_pct", "bearing", "lat", "lon", "x_m", "y_m")
	for _, t := range trees {
		list := t.Stems
		if len(list) == 0 {
			list = []app.StemFacts{{}}
		}
		for _, s := range list {
			cells := []string{t.Tag}
			if stems {
				cells = append(cells, s.Name)
			}
			bearing := ""
			if t.Bearing != nil {
				bearing = yes(*t.Bearing)
			}
			rows = append(rows, append(cells, s.DiameterCM, s.GirthCM, s.MeasuredAtM, s.BarkMM, s.FlareGirthCM, t.Species, t.Wood, t.AgeClass, t.HeightM, t.CrownM, t.Status, t.CrownLossPct, bearing, optionalNumber(t.Lat), optionalNumber(t.Lon), optionalNumber(t.XM), optionalNumber(t.YM)))
		}
	}
	return columns, rows
}

// Wounds writes one row a wound.
func (tablesOut) Wounds(w io.Writer, wounds []app.TreeWound) error {
	out := tableRows(w, "tree", "stem", "azimuth_deg", "height_cm", "year", "closed", "hole_mm", "depth_mm", "made_on", "closed_on")
	for _, x := range wounds {
		tableRow(out, x.Tree, x.Stem, degrees(x.AzimuthDeg), x.HeightCM, strconv.Itoa(x.Year), yes(x.Closed), x.HoleMM, x.DepthMM, x.On, x.ClosedOn)
	}
	return out.Close()
}

// Limbs writes one row a limb.
func (tablesOut) Limbs(w io.Writer, trees []app.TreeFacts) error {
	out := tableRows(w, "tree", "limb", "azimuth_deg", "height_m", "diameter_cm")
	for _, t := range trees {
		for _, l := range t.Limbs {
			tableRow(out, t.Tag, l.Name, degrees(l.AzimuthDeg), l.HeightM, l.DiameterCM)
		}
	}
	return out.Close()
}

// Obstacles writes one row an arc.
func (tablesOut) Obstacles(w io.Writer, trees []app.TreeFacts) error {
	out := tableRows(w, "tree", "stem", "from_deg", "to_deg", "kind")
	for _, t := range trees {
		for _, o := range t.Obstacles {
			tableRow(out, t.Tag, o.Stem, degrees(o.FromDeg), degrees(o.ToDeg), o.Kind)
		}
	}
	return out.Close()
}

// History writes one row a tree treated, or one for the whole block.
func (tablesOut) History(w io.Writer, block string, apps []app.ApplicationFacts) error {
	out := tableRows(w, "tree", "product", "active", "active_g", "product_ml", "date_end", "block", "area_ha", "method")
	for _, a := range apps {
		if len(a.Trees) == 0 {
			tableRow(out, "", a.Product, a.Active, a.ActiveG, a.ProductML, a.DateEnd, block, a.AreaHa, a.Method)
		}
		for _, t := range a.Trees {
			tableRow(out, t.Tag, a.Product, a.Active, t.ActiveG, t.ProductML, a.DateEnd, block, a.AreaHa, a.Method)
		}
	}
	return out.Close()
}

// openStore opens a data folder or a database.
func openStore(ctx context.Context, place string, readOnly bool) (*store.Store, error) {
	o := store.Options{Dir: place, ReadOnly: readOnly}
	if store.IsDatabase(place) {
		o.Dir, o.Database = "", place
	} else if strings.Contains(place, "://") {
		return nil, &finding.Fault{Class: finding.Usage, ID: "database-url", Args: finding.Args{"reason": finding.Text(store.Shown(place))}}
	}
	return store.Open(ctx, o)
}

// openApp opens a data folder or a database and the use cases over it. The caller closes the
// store.
func openApp(ctx context.Context, place string, readOnly bool) (*app.App, *store.Store, error) {
	s, err := openStore(ctx, place, readOnly)
	if err != nil {
		return nil, nil, err
	}
	c := app.Config{
		Store: s, Keeper: s, Sessions: s, CardReader: readers{}, Tables: readers{}, Weather: readers{}, Follow: readers{}, Engine: Version, Now: time.Now,
		NewID: func() string { return uuid.Must(uuid.NewV7()).String() }, Random: rand.Reader,
	}
	if s.Shared() {
		c.Shared, c.News = s, s
	}
	return app.New(c), s, nil
}
