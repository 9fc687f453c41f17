package web_test

import (
	"bytes"
	"crypto/rand"
	"fmt"
	"io"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/follow/trial"
	"sapward/internal/app"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/store"
	"sapward/internal/web"
	"sapward/measure/civil"
	"sapward/measure/tree"
)

// reader reads cards and tables for the app as the command line does.
type reader struct{}

func (reader) ReadCard(text []byte, name string) (app.ReadCard, error) {
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

func (reader) Trees(r io.Reader, name string, match app.Columns, visit func([]tree.Tree) error) (app.Table, error) {
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
func (reader) Wounds(r io.Reader, name string) ([]tree.Wound, error) {
	x, _, err := exchange.ReadWounds(r, name)
	return x, err
}
func (reader) Limbs(r io.Reader, name string) ([]tree.Limb, error) {
	x, _, err := exchange.ReadLimbs(r, name)
	return x, err
}
func (reader) Obstacles(r io.Reader, name string) ([]tree.Obstacle, error) {
	x, _, err := exchange.ReadObstacles(r, name)
	return x, err
}
func (reader) History(r io.Reader, name string) ([]tree.Treatment, error) {
	x, _, err := exchange.ReadHistory(r, name)
	return x, err
}

// WeatherDay stands for a table of weather with one day of six treatable hours;
// the reading itself is tested where it is wired.
func (reader) WeatherDay(r io.Reader, name string, q app.WeatherQuestion) (app.WeatherDay, error) {
	data, err := io.ReadAll(r)
	if err != nil || !strings.HasPrefix(string(data), "time,") {
		return app.WeatherDay{}, finding.Faults{finding.Bad("column-missing", finding.Where{File: name, Line: 1}, finding.Args{"column": finding.Text("time")})}
	}
	out := app.WeatherDay{DailyMm: 5, SunriseH: 5.5, SunsetH: 21}
	day := time.Date(q.On.Year, q.On.Month, q.On.Day, 0, 0, 0, 0, q.Zone)
	for h := range 24 {
		x := weather.HourVerdict{Start: day.Add(time.Duration(h) * time.Hour), End: day.Add(time.Duration(h+1) * time.Hour), Status: weather.Suitable}
		if h < 8 || h >= 14 {
			x.Status, x.Reasons = weather.Unsuitable, []weather.Reason{{Code: weather.RuleTempMax, Authority: weather.AuthorityPractice, Effect: weather.EffectBlocks}}
		}
		out.Hours = append(out.Hours, x)
	}
	out.Windows = weather.Windows(out.Hours)
	return out, nil
}

// Follow reads a table of follow-up.
func (reader) Follow(kind, name string, data []byte, zero civil.Date) (app.FollowRows, error) {
	x, err := exchange.ReadFollow(kind, name, data, zero)
	return app.FollowRows(x), err
}

// TrialResults reads the results of a trial.
func (reader) TrialResults(name string, data []byte, value string) ([]trial.Observation, error) {
	x, _, err := exchange.ReadResultsFrom(bytes.NewReader(data), name, value)
	return x, err
}
func (reader) Names() []string { return exchange.TreeColumns() }

// sheets writes the tables of an export.
type sheets struct{}

func (sheets) Trees(w io.Writer, ts []app.TreeFacts) error {
	_, err := fmt.Fprintf(w, "tree\n%d trees\n", len(ts))
	return err
}
func (sheets) Wounds(io.Writer, []app.TreeWound) error                 { return nil }
func (sheets) Limbs(io.Writer, []app.TreeFacts) error                  { return nil }
func (sheets) Obstacles(io.Writer, []app.TreeFacts) error              { return nil }
func (sheets) History(io.Writer, string, []app.ApplicationFacts) error { return nil }

// stage is a server with an app behind it.
type stage struct {
	url        string
	app        *app.App
	close      func()
	passphrase string

	estate, avenue, chestnut, tree, card, draft, plan string
}

// empty serves an app without any facts.
func empty(t *testing.T, o web.Options) *stage {
	t.Helper()
	m, err := store.Open(t.Context(), store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	a := app.New(app.Config{Store: m, Sessions: m, CardReader: reader{}, Tables: reader{}, Weather: reader{}, Follow: reader{}, Engine: "test", Now: time.Now, NewID: func() string { return uuid.Must(uuid.NewV7()).String() }, Random: rand.Reader})
	o.Version, o.Tables = "test", sheets{}
	h, err := web.New(a, o)
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return &stage{url: s.URL, app: a, close: func() { m.Close() }}
}

// filled serves the invented demo estate with an owner who signs in.
func filled(t *testing.T, o web.Options) *stage {
	t.Helper()
	s := empty(t, o)
	ctx := t.Context()
	if err := s.app.FillDemo(ctx, app.Local(), demo.Files()); err != nil {
		t.Fatal(err)
	}
	s.passphrase = "four words of oak"
	p, err := s.app.AddPerson(ctx, app.Local(), app.PersonFacts{Name: "owner"}, s.passphrase)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.app.Grant(ctx, app.Local(), "", p.ID, app.Owner); err != nil {
		t.Fatal(err)
	}
	es, err := s.app.Estates(ctx, app.Local())
	if err != nil || len(es) == 0 {
		t.Fatal(err)
	}
	s.estate = es[0].ID
	e, err := s.app.Estate(ctx, app.Local(), s.estate)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range e.Blocks {
		plans, err := s.app.Plans(ctx, app.Local(), b.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range plans {
			if p.Type == app.TypeDraft {
				s.draft = p.ID
			} else {
				s.plan = p.ID
			}
		}
		if b.Facts.Name == "Avenue" {
			s.avenue = b.ID
		} else {
			s.chestnut = b.ID
		}
	}
	page, err := s.app.Trees(ctx, app.Local(), app.TreeQuery{Block: s.avenue, Text: "E003"})
	if err != nil {
		t.Fatal(err)
	}
	s.tree = page.Trees[0].ID
	cards, err := s.app.Cards(ctx, app.Local())
	if err != nil {
		t.Fatal(err)
	}
	s.card = cards[0].ID
	return s
}
