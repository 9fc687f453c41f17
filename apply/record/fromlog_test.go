package record

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"sapward/apply/fieldlog"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"
)

// logged is a day of three invented trees of 40 cm as a phone noted it: T01 read
// in full with a measured leak, T02 with a port that nobody read, T03 untouched.
func logged(t *testing.T, readAll bool) (*fieldlog.Log, *fieldlog.Pack) {
	t.Helper()
	lat, lon := 45.90021, -0.25012
	p := &fieldlog.Pack{Schema: fieldlog.PackSchema, Day: id(0xDA1), Zone: "Europe/Madrid", On: "2026-06-17", Method: "injection", GradUL: 500, HoleUM: 6000,
		Product: fieldlog.Product{Name: "Invented Product A", Registration: "DEMO-0001", Restricted: true, Invented: true},
		People:  []fieldlog.Person{{ID: "p1", Name: "Crew member 1"}, {ID: "p2", Name: "Crew member 2"}},
		Request: plan.Request{Card: label.Card{}, On: civil.Date{Year: 2026, Month: 6, Day: 17}}}
	for i := range 3 {
		s := tree.FromDiameter(q.Cm(exact.Frac(394, 10)))
		s.MeasuredAt = q.Known(q.Cm(exact.Int(137)))
		tag := fmt.Sprintf("T%02d", i+1)
		unit := plan.Tree{Tag: tag, DiameterCM: 39.4, GirthCM: 123.8, High: 60000, Dose: 28000, Product: 28000, Ports: []plan.Port{{N: 1, Where: "trunk", Volume: 14000}, {N: 2, Where: "trunk", AlongCM: 60, Volume: 14000}}}
		p.Trees = append(p.Trees, fieldlog.PackTree{Tag: tag, Order: i + 1, Person: "p1", Taped: tree.Tree{Tag: tag, Stems: []tree.Stem{s}}, Units: []plan.Tree{unit}, Lat: &lat, Lon: &lon})
	}
	l := fieldlog.NewLog(p)
	clock := time.Date(2026, 6, 17, 8, 5, 0, 250_000_000, time.FixedZone("", 7200))
	seq := int64(0)
	note := func(e fieldlog.Event) {
		seq++
		clock = clock.Add(time.Minute)
		e.ID, e.Device, e.Person, e.Seq, e.At = id(uint64(clock.Unix())), id(0xD), "p1", seq, clock.Format("2006-01-02T15:04:05.000Z07:00")
		e, err := l.Write(e)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Add(e); err != nil {
			t.Fatalf("%s: %v", e.Kind, err)
		}
	}
	ul := func(n int64) *int64 { return &n }
	for _, tag := range []string{"T01", "T02"} {
		note(fieldlog.Event{Kind: fieldlog.Start, Tree: tag})
		for n := 1; n <= 2; n++ {
			note(fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: n})
			note(fieldlog.Event{Kind: fieldlog.Set, Tree: tag, Port: n})
			note(fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: n, VolumeUL: ul(14000), Container: "C-17"})
			note(fieldlog.Event{Kind: fieldlog.Begin, Tree: tag, Port: n})
			switch {
			case tag == "T01" && n == 1:
				note(fieldlog.Event{Kind: fieldlog.Leak, Tree: tag, Port: n, LostUL: ul(1500)})
				note(fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: n, LeftUL: ul(0)})
			case tag == "T01":
				note(fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: n, LeftUL: ul(2500)})
			case n == 1 || readAll:
				note(fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: n, LeftUL: ul(0)})
			}
			note(fieldlog.Event{Kind: fieldlog.Seal, Tree: tag, Port: n})
		}
	}
	return l, p
}

func id(n uint64) string { return fmt.Sprintf("%08x-0000-7000-8000-%012x", n&0xffffffff, n) }

// By hand: T01 got 14 + 11.5 = 25.5 mL, of which 1.5 mL leaked; T02 28 mL where
// it was read. T03 is not in the record.
func TestFromLog(t *testing.T) {
	l, p := logged(t, true)
	c, err := FromLog(Content{Regimes: []string{"us-tx"}}, l, p, zones)
	if err != nil {
		t.Fatal(err)
	}
	if c, err = AddUp(c); err != nil {
		t.Fatal(err)
	}
	x := c.Trees[0]
	if len(c.Trees) != 2 || x.Tag != "T01" || x.Amounts[0].ProductML.Value.String() != "25.5" || x.Amounts[0].LeakedML.Value.String() != "1.5" || x.Diameter.Value.String() != "39.4" ||
		x.Height.Value.String() != "1.37" || x.Ports.Value != 2 || x.Lat.Value.String() != "45.90021" || x.Lon.Value.String() != "-0.25012" {
		t.Errorf("%+v", c.Trees)
	}
	pr := c.Products[0]
	if pr.Total.Value.String() != "53.5 mL" || pr.Leaked.Value.String() != "1.5 mL" || pr.Mix.State != None || pr.Name.Value != "Invented Product A" || !slices.Equal(pr.Containers, []string{"C-17"}) && len(pr.Containers) != 1 {
		t.Errorf("%+v", pr)
	}
	if c.TreesTreated.Value != 2 || c.Work.Date.Value.String() != "2026-06-17" || len(c.People.Appliers.Value) != 1 || c.Weather.WindSpeed.State != NotRecorded {
		t.Errorf("%+v", c)
	}
	// 23 minutes of notes from 08:05:00.25; the start is taken down, the end up.
	if got := c.Work.Start.Value.T.Format(time.RFC3339Nano); got[:13] != "2026-06-17T08" || len(got) != 25 {
		t.Errorf("starts %s", got)
	}
	if e, s := c.Work.End.Value.T, c.Trees[1].End.Value.T; !e.Equal(s) || e.Nanosecond() != 0 {
		t.Errorf("ends %s, the last tree %s", e, s)
	}
	if fs := refusing(Validate(&c, zones)); len(fs) > 0 {
		t.Error(fs)
	}
	if c, err = FromLog(Content{Regimes: []string{"eu-2023-564"}}, l, p, zones); err != nil || !c.People.Appliers.IsZero() {
		t.Error("names of the crew are taken though nobody asks", err)
	}
}

// A device that nobody read leaves tree and total not recorded, never zero.
func TestFromLog_Unread(t *testing.T) {
	l, p := logged(t, false)
	c, err := FromLog(Content{Regimes: []string{"us-tx"}}, l, p, zones)
	if err == nil {
		c, err = AddUp(c)
	}
	if err != nil {
		t.Fatal(err)
	}
	if !c.Trees[1].Amounts[0].ProductML.IsZero() || !c.Products[0].Total.IsZero() {
		t.Errorf("%+v", c.Products[0].Total)
	}
	got := Complete(&c)
	if !slices.ContainsFunc(got.Gaps, func(g Gap) bool { return g.Items[0] == "R04" }) {
		t.Error("the total is not missed")
	}
}
