package crew

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func steps(t interface{ Fatalf(string, ...any) }) Steps {
	s, err := DefaultSteps()
	if err != nil {
		t.Fatalf("%v", err)
	}
	return s
}

var (
	zone    = time.FixedZone("", 2*3600)
	morning = time.Date(2026, 6, 3, 7, 0, 0, 0, zone)
)

func hours(from, to int) Window {
	return Window{Start: morning, End: morning.Add(time.Duration(to) * time.Hour), TreatFrom: morning.Add(time.Duration(from) * time.Hour)}
}

func evenPorts(n int, uptakeS int64) []Port {
	out := make([]Port, n)
	for i := range out {
		out[i] = Port{HeightM: 0.3, UptakeS: uptakeS}
	}
	return out
}

// Worked by hand with the default step times: one person, one tree 50 m off (60 s at 50 m/min), two ports of 100 s by
// hand: clean 30, mark 52, drill 45, set 30, load 44, deliver 15+16+200, seal 39, rinse 28, disinfect 40.
func TestMakeSchedule_OneTreeByHand(t *testing.T) {
	s, err := MakeSchedule(Request{
		Trees:  []DayTree{{Tree: "1", At: &Point{30, 40}, Ports: evenPorts(2, 100)}},
		People: []Person{{ID: "person-1"}}, Parking: &Point{0, 0}, Delivery: ByHand, Steps: steps(t),
		Windows: []Window{hours(1, 9)}, REIS: 12 * 3600,
	})
	if err != nil || len(s.Days) != 1 {
		t.Fatalf("%+v %v", s, err)
	}
	d := s.Days[0]
	want := []Bar{{3600, 3660, "1", StepWalk}, {3660, 3690, "1", StepCleanBark}, {3690, 3742, "1", StepMark}, {3742, 3787, "1", StepDrill},
		{3787, 3817, "1", StepSet}, {3817, 3861, "1", StepLoad}, {3861, 4092, "1", StepDeliver}, {4092, 4131, "1", StepSealPull},
		{4131, 4159, "1", StepRinse}, {4159, 4199, "1", StepDisinfect}}
	if !slices.Equal(d.People[0].Bars, want) {
		t.Errorf("bars %+v", d.People[0].Bars)
	}
	if d.LongestS != 599 || d.LowerBoundS != 599 || d.FinishS != 4199 || d.People[0].HandsOnS != 539 || d.People[0].WalkM != 50 {
		t.Errorf("%+v", d)
	}
	// Last port dry at 07:00 + 4092 s; signs down 12 h later.
	if got := d.SignsDown.Format(time.RFC3339); got != "2026-06-03T20:08:12+02:00" {
		t.Errorf("signs down %s", got)
	}
	if r := s.Returns; len(r) != 2 || r[0].Kind != ReturnSigns || r[1].Kind != ReturnClosure || r[1].On != "2027-06-03" {
		t.Errorf("returns %+v", r)
	}
}

// Worked by hand: two trees at one spot, gravity, one port, uptake 1,000 s. Hands-on first visit: clean 20, mark 46,
// drill 30, set 15, load 32, deliver 23, watch 45, disinfect 40; closing 27 + 24. One device: the second tree
// waits for the first; two devices: it is set meanwhile.
func TestMakeSchedule_DevicesLimitTreesUnderWay(t *testing.T) {
	q := Request{
		Trees:  []DayTree{{Tree: "1", At: &Point{}, Ports: evenPorts(1, 1000)}, {Tree: "2", At: &Point{}, Ports: evenPorts(1, 1000)}},
		People: []Person{{ID: "person-1"}}, Delivery: Gravity, Steps: steps(t), Windows: []Window{hours(0, 9)}, Devices: 1,
	}
	s, err := MakeSchedule(q)
	if err != nil {
		t.Fatal(err)
	}
	// One device: starting delivery from 143 to 166, dry at 1166, closed 1217; the same again: 2434.
	if d := s.Days[0]; d.FinishS != 2434 || d.UnderWayMost != 1 {
		t.Errorf("one device: finish %d, under way %d", d.FinishS, d.UnderWayMost)
	}
	q.Devices = 2
	if s, err = MakeSchedule(q); err != nil {
		t.Fatal(err)
	}
	// Two: the second is set from 251, delivery begins at 417, dry at 1417, closed at 1468.
	if d := s.Days[0]; d.FinishS != 1468 || d.UnderWayMost != 2 {
		t.Errorf("two devices: finish %d, under way %d", d.FinishS, d.UnderWayMost)
	}
	if s.Returns[0].Kind != ReturnPull || s.Returns[1].Kind != ReturnLines {
		t.Errorf("returns %+v", s.Returns[:2])
	}
	// A public site: alone, the person stays; with a second one, that one watches.
	q.Public = true
	if s, err = MakeSchedule(q); err != nil {
		t.Fatal(err)
	}
	if d := s.Days[0]; d.UnderWayMost != 1 || !slices.Contains(s.Cautions, CautionStay) {
		t.Errorf("alone on a public site: %d under way, %v", d.UnderWayMost, s.Cautions)
	}
	q.People = append(q.People, Person{ID: "person-2"})
	if s, err = MakeSchedule(q); err != nil {
		t.Fatal(err)
	}
	d := s.Days[0]
	if d.Watchers != 1 || d.People[1].Role != RoleWatcher || d.People[1].Bars[0] != (Bar{143, 1468, "", StepWatch}) {
		t.Errorf("watcher %+v", d.People[1])
	}
}

// One set of bits: the disinfectant must act for 60 s before the next hole; the second tree's bark and marks take 66 s
// here, so cleaning times of zero make the wait show. Two sets: no wait.
func TestMakeSchedule_ContactTime(t *testing.T) {
	s := steps(t)
	s.Steps = slices.Clone(s.Steps)
	for i := range s.Steps {
		if s.Steps[i].Group == GroupPrepare {
			s.Steps[i].PerTreeS, s.Steps[i].PerPortS = 0, 0
		}
	}
	q := Request{
		Trees:  []DayTree{{Tree: "1", At: &Point{}, Ports: evenPorts(1, 10)}, {Tree: "2", At: &Point{}, Ports: evenPorts(1, 10)}},
		People: []Person{{ID: "person-1"}}, Delivery: ByHand, Steps: s, Windows: []Window{hours(0, 9)}, BitSets: 1,
	}
	one, err := MakeSchedule(q)
	if err != nil {
		t.Fatal(err)
	}
	q.BitSets = 2
	two, err := MakeSchedule(q)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := one.Days[0], two.Days[0]; a.FinishS-b.FinishS != 60 || a.People[0].WaitS != 60 || a.LongestS != a.FinishS {
		t.Errorf("one set %d (split %d), two sets %d", a.FinishS, a.LongestS, b.FinishS)
	}
}

func TestMakeSchedule_HighPortsNeedTwoPeople(t *testing.T) {
	high := DayTree{Tree: "2", At: &Point{10, 0}, Ports: []Port{{HeightM: 2.0, UptakeS: 60}, {HeightM: 2.01, UptakeS: 60}}}
	q := Request{
		Trees:    []DayTree{{Tree: "1", At: &Point{}, Ports: evenPorts(2, 60)}, high, {Tree: "3", At: &Point{20, 0}, Ports: evenPorts(2, 60)}},
		Delivery: ByHand, Steps: steps(t), Windows: []Window{hours(0, 9)},
	}
	for _, c := range []struct {
		people []Person
		reason string
	}{
		{[]Person{{ID: "a"}, {ID: "b", AloftTrained: true}}, RefusedNoClimber},
		{[]Person{{ID: "a", Climber: true}, {ID: "b"}}, RefusedNoSecond},
		{[]Person{{ID: "a", Climber: true}, {ID: "b", Climber: true}}, ""},
		{[]Person{{ID: "a"}, {ID: "b", AloftTrained: true}, {ID: "c", Climber: true}}, ""},
	} {
		q.People = c.people
		s, err := MakeSchedule(q)
		if err != nil {
			t.Fatal(err)
		}
		if c.reason != "" {
			if len(s.Refused) != 1 || s.Refused[0] != (RefusedTree{"2", c.reason}) || s.Days[0].Trees != 2 {
				t.Errorf("%+v: refused %+v", c.people, s.Refused)
			}
			continue
		}
		climbs, seconds := 0, 0
		for _, p := range s.Days[0].People {
			for _, b := range p.Bars {
				if b.Tree == "2" && b.Step == StepClimb {
					climbs++
				}
				if b.Tree == "2" && b.Step == StepSecond {
					seconds++
				}
			}
		}
		if len(s.Refused) != 0 || climbs != 1 || seconds == 0 || !slices.Contains(s.Cautions, CautionAloft) {
			t.Errorf("%+v: %d climbs, %d bars of the second person, %+v", c.people, climbs, seconds, s)
		}
	}
}

// Six hours of treating, trees of about an hour each: more than one day, the repeated days at the same hours of the clock
// on the wall also when summer time ends.
func TestMakeSchedule_SeveralDays(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Rome")
	if err != nil {
		t.Skipf("no time zone data on this machine: %v", err)
	}
	start := time.Date(2026, 10, 24, 8, 0, 0, 0, loc) // clocks go back on the 25th
	q := Request{People: []Person{{ID: "a"}}, Delivery: ByHand, Steps: steps(t), RepeatDays: 2,
		Windows: []Window{{Start: start, End: start.Add(6 * time.Hour)}}}
	for i := range 20 {
		q.Trees = append(q.Trees, DayTree{Tree: fmt.Sprint(i), At: &Point{}, Ports: evenPorts(4, 900)})
	}
	s, err := MakeSchedule(q)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Days) != 3 || s.Days[1].Start.Hour() != 8 || s.Days[1].Start.Sub(start) != 25*time.Hour || len(s.Unscheduled) == 0 {
		t.Fatalf("%d days, second %v, left %v", len(s.Days), s.Days[1].Start, s.Unscheduled)
	}
	if got := s.Days[0].Trees + s.Days[1].Trees + s.Days[2].Trees + len(s.Unscheduled); got != 20 {
		t.Errorf("%d trees accounted for", got)
	}
	q.Trees[0].Ports = evenPorts(25, 900) // 25 quarter hours by hand
	if s, err = MakeSchedule(q); err != nil || s.Refused[0] != (RefusedTree{"0", RefusedTooLong}) {
		t.Errorf("%+v %v", s.Refused, err)
	}
}

func drawRequest(t *rapid.T) Request {
	q := Request{Steps: steps(t), Delivery: rapid.SampledFrom([]Delivery{ByHand, Spring, Gravity, Pressurised}).Draw(t, "delivery"),
		Devices: rapid.IntRange(0, 5).Draw(t, "devices"), Public: rapid.Bool().Draw(t, "public"), BitSets: rapid.IntRange(0, 3).Draw(t, "sets"),
		Windows: []Window{hours(rapid.IntRange(0, 2).Draw(t, "from"), rapid.IntRange(5, 10).Draw(t, "to"))}, RepeatDays: rapid.IntRange(0, 3).Draw(t, "days"),
		REIS: 3600}
	if rapid.Bool().Draw(t, "parked") {
		q.Parking = &Point{-50, 0}
	}
	for k := range rapid.IntRange(1, 5).Draw(t, "people") {
		q.People = append(q.People, Person{ID: fmt.Sprint("p", k), Climber: rapid.Bool().Draw(t, "climbs"), AloftTrained: rapid.Bool().Draw(t, "trained")})
	}
	if rapid.Bool().Draw(t, "break") {
		q.Breaks = []Break{{7200, 900}, {14400, 1800}}
	}
	n := rapid.IntRange(0, 25).Draw(t, "n")
	var stops []Stop
	for i := range n {
		s := Stop{Tree: fmt.Sprint("T", i), Health: rapid.SampledFrom([]Health{Healthy, Healthy, Suspect, Symptomatic}).Draw(t, "health")}
		if rapid.IntRange(0, 7).Draw(t, "placed") > 0 {
			s.At = &Point{float64(rapid.IntRange(0, 200).Draw(t, "x")), float64(rapid.IntRange(0, 200).Draw(t, "y"))}
		}
		stops = append(stops, s)
	}
	w, err := FindWalk(stops, WalkOptions{Parking: q.Parking, Kicks: 50})
	if err != nil {
		t.Fatalf("%v", err)
	}
	for _, i := range w.Order {
		d := DayTree{Tree: stops[i].Tree, At: stops[i].At, Health: stops[i].Health, Ports: evenPorts(rapid.IntRange(1, 8).Draw(t, "ports"), rapid.Int64Range(0, 3000).Draw(t, "uptake"))}
		if rapid.IntRange(0, 5).Draw(t, "high") == 0 {
			d.Ports[0].HeightM = 3
		}
		q.Trees = append(q.Trees, d)
	}
	return q
}

// What must hold for any day: every tree once, precedence for each person with return visits included, bars without
// gap or overlap, finish not below the lower bound, hours kept, devices not exceeded, product never running before loading
// or after pulling.
func TestMakeSchedule_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := drawRequest(t)
		s, err := MakeSchedule(q)
		if err != nil {
			t.Fatalf("%v", err)
		}
		rank := map[string]uint8{}
		for _, v := range q.Trees {
			rank[v.Tree], _ = v.Health.rank()
		}
		seen := map[string]int{}
		for _, r := range s.Refused {
			seen[r.Tree]++
		}
		for _, u := range s.Unscheduled {
			seen[u]++
		}
		reached := map[string]uint8{} // by person over all days
		for _, d := range s.Days {
			begin, dry, end := limits(hoursOf(q, d))
			for _, v := range d.Visits {
				seen[v.Tree]++
				if v.LoadS > v.DeliverS || v.DeliverS > v.DryS || v.DryS > v.PullS || v.PullS > v.ClosedS || v.DeliverS < begin || v.DryS > dry {
					t.Fatalf("visit %+v", v)
				}
			}
			for _, p := range d.People {
				at := d.BeginS
				for i, b := range p.Bars {
					if b.StartS >= b.EndS || (b.StartS != at && (p.Role != RoleWatcher || i > 0)) {
						t.Fatalf("%s: gap or overlap at %+v", p.Person, b)
					}
					at = b.EndS
					if b.Tree == "" || b.Step == StepWait {
						continue
					}
					if rank[b.Tree] < reached[p.Person] {
						t.Fatalf("%s goes back to %s", p.Person, b.Tree)
					}
					reached[p.Person] = rank[b.Tree]
				}
				if p.FinishS > end || p.FinishS > d.FinishS || p.WalkS+p.HandsOnS+p.WaitS+p.BreakS > p.FinishS {
					t.Fatalf("%+v", p)
				}
			}
			if d.FinishS-d.BeginS < d.LowerBoundS || d.LongestS < d.LowerBoundS {
				t.Fatalf("finish %d, begin %d, split %d, lower bound %d", d.FinishS, d.BeginS, d.LongestS, d.LowerBoundS)
			}
			if q.Devices > 0 && q.Delivery != ByHand && d.UnderWayMost > q.Devices {
				t.Fatalf("%d under way with %d devices", d.UnderWayMost, q.Devices)
			}
			if d.Watchers > 0 && d.UnderWayMost > d.Watchers*defaultTreesPerWatcher {
				t.Fatalf("%d under way for %d watchers", d.UnderWayMost, d.Watchers)
			}
		}
		for _, v := range q.Trees {
			if seen[v.Tree] != 1 {
				t.Fatalf("%s is accounted for %d times", v.Tree, seen[v.Tree])
			}
		}
	})
}

func hoursOf(q Request, d Day) Window {
	for k := range 10 {
		if w := q.Windows[0].later(k); w.Start.Equal(d.Start) {
			return w
		}
	}
	return Window{}
}

// By hand, without breaks or high ports, playing the pieces through gives the split's longest piece to the second.
func TestMakeSchedule_ByHandFinishEqualsSplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := drawRequest(t)
		q.Delivery, q.Breaks, q.Devices, q.BitSets = ByHand, nil, 0, 1
		for i := range q.Trees {
			q.Trees[i].Ports[0].HeightM = 0.3
		}
		s, err := MakeSchedule(q)
		if err != nil {
			t.Fatalf("%v", err)
		}
		for _, d := range s.Days {
			if d.FinishS-d.BeginS != d.LongestS {
				t.Fatalf("played %d, split %d", d.FinishS-d.BeginS, d.LongestS)
			}
		}
	})
}

// Worked by hand: 2 ports by hand plan prepare 30+52 = 82, drill 45+30 = 75 and uptake 200 s; measured 164, 100 and 150.
func TestRescale_ByHand(t *testing.T) {
	s := steps(t)
	before, _ := json.Marshal(s)
	r, err := Rescale(s, Pilot{Tree: "1", Ports: evenPorts(2, 100), Delivery: ByHand,
		MeasuredS: map[string]int64{GroupPrepare: 164, GroupDrill: 100, GroupUptake: 150}})
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Steps.step(StepMark); got.PerTreeS != 80 || got.PerPortS != 12 {
		t.Errorf("mark %+v", got)
	}
	// Drill 4/3: 15 becomes 20 exactly.
	if got := r.Steps.step(StepDrill); got.PerTreeS != 20 || got.PerPortS != 20 {
		t.Errorf("drill %+v", got)
	}
	if r.Steps.step(StepRinse) != s.step(StepRinse) || r.Uptake.Ratio != 0.75 || r.Ratios[0].Ratio != 2 {
		t.Errorf("%+v", r)
	}
	if got := ScaleUptake(evenPorts(1, 101), r.Uptake); got[0].UptakeS != 76 { // 75.75 up
		t.Errorf("uptake %+v", got)
	}
	if after, _ := json.Marshal(s); string(before) != string(after) {
		t.Error("the caller's steps were changed")
	}
	if err := r.Steps.Check(); err != nil {
		t.Error(err)
	}
}

// A day rescaled by a pilot tree never takes a group below measured/planned of its time, and at most one second a step more.
func TestRescale_RoundsUpByLessThanASecond(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := steps(t)
		m := rapid.Int64Range(1, 5000).Draw(t, "measured")
		n := rapid.IntRange(1, 20).Draw(t, "ports")
		r, err := Rescale(s, Pilot{Ports: evenPorts(n, 10), Delivery: Spring, MeasuredS: map[string]int64{GroupClose: m}})
		if err != nil {
			t.Fatalf("%v", err)
		}
		got := r.Steps.seconds(StepSealPull, n, 0) + r.Steps.seconds(StepRinse, n, 0)
		if got < m || got >= m+2*int64(n+1) {
			t.Fatalf("measured %d, rescaled %d", m, got)
		}
	})
}

func TestSteps_Refuses(t *testing.T) {
	good := string(defaultSteps)
	if _, err := ParseSteps([]byte(good)); err != nil {
		t.Fatal(err)
	}
	edit := func(f func(*Steps)) []byte {
		var s Steps
		if err := json.Unmarshal(defaultSteps, &s); err != nil {
			t.Fatal(err)
		}
		f(&s)
		out, _ := json.Marshal(s)
		return out
	}
	for name, data := range map[string][]byte{
		"not JSON":      []byte("{"),
		"unknown field": []byte(`{"schema":"sapward/crew-steps/1","pace":1}`),
		"no source":     edit(func(s *Steps) { s.Source = "" }),
		"schema":        edit(func(s *Steps) { s.Schema = "other" }),
		"speed":         edit(func(s *Steps) { s.WalkingMMin = 0 }),
		"step missing":  edit(func(s *Steps) { s.Steps = s.Steps[1:] }),
		"step twice":    edit(func(s *Steps) { s.Steps = append(s.Steps, s.Steps[0]) }),
		"unknown step":  edit(func(s *Steps) { s.Steps[0].ID = "sing" }),
		"wrong group":   edit(func(s *Steps) { s.Steps[0].Group = GroupDrill }),
		"negative time": edit(func(s *Steps) { s.Steps[0].PerPortS = -1 }),
		"contact":       edit(func(s *Steps) { s.Steps[0].ContactS = 5 }),
	} {
		if _, err := ParseSteps(data); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestMakeSchedule_Refuses(t *testing.T) {
	base := func() Request {
		return Request{Trees: []DayTree{{Tree: "1", Ports: evenPorts(1, 1)}, {Tree: "2", Ports: evenPorts(1, 1)}},
			People: []Person{{ID: "a"}}, Delivery: ByHand, Steps: steps(t), Windows: []Window{hours(0, 8)}}
	}
	if _, err := MakeSchedule(base()); err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]func(*Request){
		"precedence":       func(q *Request) { q.Trees[0].Health = Suspect },
		"tree twice":       func(q *Request) { q.Trees[1].Tree = "1" },
		"nobody":           func(q *Request) { q.People = nil },
		"person twice":     func(q *Request) { q.People = append(q.People, q.People[0]) },
		"mode":             func(q *Request) { q.Delivery = "thrown" },
		"no ports":         func(q *Request) { q.Trees[0].Ports = nil },
		"port height":      func(q *Request) { q.Trees[0].Ports = []Port{{HeightM: math.NaN()}} },
		"negative uptake":  func(q *Request) { q.Trees[0].Ports = []Port{{UptakeS: -1}} },
		"no day":           func(q *Request) { q.Windows = nil },
		"day back in time": func(q *Request) { q.Windows[0].End = morning.Add(-time.Hour) },
		"hours outside":    func(q *Request) { q.Windows[0].TreatFrom = morning.Add(-time.Hour) },
		"days overlap":     func(q *Request) { q.Windows = append(q.Windows, q.Windows[0]) },
		"break":            func(q *Request) { q.Breaks = []Break{{100, 0}} },
		"devices":          func(q *Request) { q.Devices = -1 },
		"interval":         func(q *Request) { q.REIS = -1 },
		"health":           func(q *Request) { q.Trees[0].Health = "odd" },
		"position":         func(q *Request) { q.Trees[0].At = &Point{math.Inf(1), 0} },
	} {
		q := base()
		f(&q)
		if _, err := MakeSchedule(q); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
