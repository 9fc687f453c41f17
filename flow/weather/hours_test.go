package weather

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// plain is a period that every rule of fullRules allows.
func plain(loc *time.Location) period {
	start := time.Date(2026, time.June, 10, 10, 0, 0, 0, loc)
	return period{start: start, end: start.Add(time.Hour), daylight: 1, temp: new(22.0), rh: new(60.0), vpd: new(1.06), rain: new(0.0)}
}

func fullRules() Rules {
	p := DefaultPractice()
	p.FoliageMonths = []time.Month{5, 6, 7, 8, 9}
	return Rules{
		Label:    Label{TempMinC: new(8.0), TempMaxC: new(30.0), Months: []time.Month{5, 6, 7}, HourFromH: new(6.0), HourToH: new(20.0), BloomForbidden: true},
		Practice: p,
	}
}

// TestRules_EachRule moves one fact of a sound hour at a time.
func TestRules_EachRule(t *testing.T) {
	loc := zone(t, "America/Chicago")
	sound := Situation{Bloom: NotInBloom, Soil: SoilMoist}
	if v := fullRules().verdict(plain(loc), sound); v.Status != Suitable || !v.Best {
		t.Fatalf("sound hour: %+v", v)
	}
	at := func(h, m int) func(*period, *Situation, *Rules) {
		return func(p *period, _ *Situation, _ *Rules) {
			p.start = time.Date(2026, time.June, 10, h, m, 0, 0, loc)
			p.end = p.start.Add(time.Hour)
		}
	}
	for _, c := range []struct {
		name      string
		move      func(*period, *Situation, *Rules)
		status    Status
		code      string
		authority Authority
		effect    Effect
	}{
		{"too cold for the label", func(p *period, _ *Situation, _ *Rules) { p.temp = new(7.9) }, Forbidden, RuleLabelTempMin, AuthorityLabel, EffectBlocks},
		{"at the label's minimum", func(p *period, _ *Situation, _ *Rules) { p.temp = new(8.0) }, Suitable, RuleLabelTempMin, AuthorityLabel, EffectAllows},
		{"too hot for the label", func(p *period, _ *Situation, _ *Rules) { p.temp = new(30.1) }, Forbidden, RuleLabelTempMax, AuthorityLabel, EffectBlocks},
		{"an advisory label", func(p *period, _ *Situation, r *Rules) { p.temp = new(30.1); r.Label.Advisory = true }, Unsuitable, RuleLabelTempMax, AuthorityLabel, EffectBlocks},
		{"temperature unknown", func(p *period, _ *Situation, _ *Rules) { p.temp = nil }, Open, RuleLabelTempMax, AuthorityLabel, EffectOpen},
		{"nothing known", func(p *period, _ *Situation, _ *Rules) { p.temp, p.rh, p.vpd = nil, nil, nil }, NoData, RuleNoData, AuthorityPractice, EffectUnknown},
		{"month", func(p *period, _ *Situation, _ *Rules) {
			p.start = p.start.AddDate(0, 2, 0)
			p.end = p.end.AddDate(0, 2, 0)
		}, Forbidden, RuleLabelMonths, AuthorityLabel, EffectBlocks},
		{"last hour of the label", at(19, 0), Suitable, RuleLabelHours, AuthorityLabel, EffectAllows},
		{"half past the label's last", at(19, 30), Forbidden, RuleLabelHours, AuthorityLabel, EffectBlocks},
		{"before the label's first", at(5, 0), Forbidden, RuleLabelHours, AuthorityLabel, EffectBlocks},
		{"in bloom", func(_ *period, s *Situation, _ *Rules) { s.Bloom = InBloom }, Forbidden, RuleLabelBloom, AuthorityLabel, EffectBlocks},
		{"bloom not said", func(_ *period, s *Situation, _ *Rules) { s.Bloom = "" }, Open, RuleLabelBloom, AuthorityLabel, EffectOpen},
		{"bloom by dates", func(_ *period, s *Situation, _ *Rules) {
			s.BloomFrom, s.BloomTo = Date{2026, 6, 1}, Date{2026, 6, 10}
		}, Forbidden, RuleLabelBloom, AuthorityLabel, EffectBlocks},
		{"bloom is over", func(_ *period, s *Situation, _ *Rules) {
			s.Bloom, s.BloomFrom, s.BloomTo = InBloom, Date{2026, 6, 1}, Date{2026, 6, 9}
		}, Suitable, RuleLabelBloom, AuthorityLabel, EffectAllows},
		{"dark", func(p *period, _ *Situation, _ *Rules) { p.daylight = 0.4 }, Unsuitable, RuleDaylight, AuthorityPractice, EffectBlocks},
		{"rain", func(p *period, _ *Situation, _ *Rules) { p.rain = new(0.2) }, Unsuitable, RuleRain, AuthorityPractice, EffectBlocks},
		{"rain unknown", func(p *period, _ *Situation, _ *Rules) { p.rain = nil }, Suitable, RuleRain, AuthorityPractice, EffectUnknown},
		{"fog", func(p *period, _ *Situation, _ *Rules) { p.rh = new(97.0) }, Unsuitable, RuleFog, AuthorityPractice, EffectBlocks},
		{"air too moist", func(p *period, _ *Situation, _ *Rules) { p.vpd = new(0.49) }, Unsuitable, RuleVPDMin, AuthorityPractice, EffectBlocks},
		{"air too dry", func(p *period, _ *Situation, _ *Rules) { p.vpd = new(2.01) }, Unsuitable, RuleVPDMax, AuthorityPractice, EffectBlocks},
		{"practice heat", func(p *period, _ *Situation, r *Rules) { p.temp = new(32.5); r.Label.TempMaxC = nil }, Unsuitable, RuleTempMax, AuthorityPractice, EffectBlocks},
		{"no leaves", func(_ *period, _ *Situation, r *Rules) { r.Practice.FoliageMonths = []time.Month{7} }, Unsuitable, RuleFoliage, AuthorityPractice, EffectBlocks},
		{"leaves not said", func(_ *period, _ *Situation, r *Rules) { r.Practice.FoliageMonths = nil }, Suitable, RuleFoliage, AuthorityPractice, EffectUnknown},
		{"dry soil", func(_ *period, s *Situation, _ *Rules) { s.Soil = SoilDry }, Unsuitable, RuleSoil, AuthorityPractice, EffectBlocks},
		{"wet soil", func(_ *period, s *Situation, _ *Rules) { s.Soil = SoilWaterlogged }, Unsuitable, RuleSoil, AuthorityPractice, EffectBlocks},
		{"soil not said", func(_ *period, s *Situation, _ *Rules) { s.Soil = "" }, Suitable, RuleSoil, AuthorityPractice, EffectUnknown},
		{"estimated", func(p *period, _ *Situation, _ *Rules) { p.estimated = true }, Suitable, RuleHoursEstimated, AuthorityEstimate, EffectNote},
		{"wet day", func(p *period, _ *Situation, _ *Rules) { p.estimated, p.rainDay = true, new(3.0) }, Unsuitable, RuleRainDay, AuthorityEstimate, EffectBlocks},
		{"a drop in the day", func(p *period, _ *Situation, _ *Rules) { p.estimated, p.rainDay = true, new(0.4) }, Suitable, RuleRainDay, AuthorityEstimate, EffectAllows},
		{"forbidden and unsuitable", func(p *period, _ *Situation, _ *Rules) { p.temp, p.rain = new(40.0), new(3.0) }, Forbidden, RuleRain, AuthorityPractice, EffectBlocks},
		{"open and unsuitable", func(p *period, s *Situation, _ *Rules) { s.Bloom, p.rain = "", new(3.0) }, Unsuitable, RuleLabelBloom, AuthorityLabel, EffectOpen},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, s, r := plain(loc), sound, fullRules()
			c.move(&p, &s, &r)
			v := r.verdict(p, s)
			if v.Status != c.status {
				t.Errorf("%s, want %s: %+v", v.Status, c.status, v.Reasons)
			}
			if !slices.ContainsFunc(v.Reasons, func(x Reason) bool {
				return x.Code == c.code && x.Authority == c.authority && x.Effect == c.effect
			}) {
				t.Errorf("no %s %s %s in %+v", c.authority, c.code, c.effect, v.Reasons)
			}
		})
	}
}

func TestInsideClock(t *testing.T) {
	for _, c := range []struct {
		from, to, open, shut float64
		want                 bool
	}{
		{6, 7, 6, 20, true}, {5.5, 6.5, 6, 20, false}, {19, 20, 6, 20, true}, {23, 24, 0, 24, true},
		{22, 23, 21, 5, true}, {23.5, 24.5, 21, 5, true}, {4, 5, 21, 5, true}, {4.5, 5.5, 21, 5, false}, {12, 13, 21, 5, false}, {20.5, 21.5, 21, 5, false},
	} {
		if got := insideClock(c.from, c.to, c.open, c.shut); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

func TestRules_Check(t *testing.T) {
	for name, r := range map[string]Rules{
		"temperatures crossed": {Label: Label{TempMinC: new(20.0), TempMaxC: new(10.0)}},
		"one end of the hours": {Label: Label{HourFromH: new(6.0)}},
		"month 13":             {Label: Label{Months: []time.Month{13}}},
		"humidity":             {Practice: Practice{FogRHPct: new(970.0)}},
		"deficit crossed":      {Practice: Practice{VPDMinKPa: new(3.0), VPDMaxKPa: new(1.0)}},
	} {
		if r.Check().Err() == nil {
			t.Errorf("%s: accepted", name)
		}
		if v, ps := Assess(Series{Kind: KindHourly, StepH: 1, Loc: time.UTC}, Site{}, r, Situation{}, Options{}); v != nil || ps.Err() == nil {
			t.Errorf("%s: assessed", name)
		}
	}
	if ps := fullRules().Check(); len(ps) > 0 {
		t.Error(ps)
	}
}

// TestAssess_EveryHour: a record with a gap over a change of the clock gets a
// verdict for every hour, each beginning where the last ended; nights are
// unsuitable for want of daylight; windows cover the same time.
func TestAssess_EveryHour(t *testing.T) {
	loc := zone(t, "Europe/Madrid")
	rows := hourRows(time.Date(2026, time.October, 23, 0, 0, 0, 0, loc), 97)
	rows = append(rows[:50:50], rows[55:]...)
	s, _ := NewSeries(rows, SeriesOptions{Location: loc})
	site := Site{LatitudeDeg: 40.4, LongitudeDeg: new(-3.7), ElevationM: new(650.0)}
	got, ps := Assess(s, site, Rules{Practice: DefaultPractice()}, Situation{}, Options{})
	if len(ps) > 0 || len(got) != 97 {
		t.Fatalf("%d hours, %v", len(got), ps)
	}
	empty := 0
	for i, v := range got {
		if i > 0 && !v.Start.Equal(got[i-1].End) {
			t.Errorf("hour %d starts %v, last ended %v", i, v.Start, got[i-1].End)
		}
		if len(v.Reasons) == 0 {
			t.Errorf("hour %d without a reason", i)
		}
		switch h := v.Start.Hour(); {
		case v.Status == NoData:
			empty++
		case h < 7 || h > 20:
			if v.Status != Unsuitable {
				t.Errorf("%v: %s", v.Start, v.Status)
			}
		case h == 10 || h == 11:
			if v.Status != Suitable || !v.Best {
				t.Errorf("%v: %s, best %v, %+v", v.Start, v.Status, v.Best, v.Reasons)
			}
		}
	}
	if empty != 5 {
		t.Errorf("%d hours without data, want 5", empty)
	}
	windows := Windows(got)
	total := 0.0
	for i, w := range windows {
		total += w.HoursH
		if i > 0 && !w.Start.Equal(windows[i-1].End) {
			t.Errorf("window %d does not join", i)
		}
		if len(w.Why) == 0 || (w.Rank > 0) != (w.Status == Suitable) {
			t.Errorf("window %+v", w)
		}
	}
	if total != 97 {
		t.Errorf("windows hold %g h, want 97", total)
	}
	if b, err := json.Marshal(windows); err != nil || len(b) == 0 {
		t.Error(err)
	}
}

// TestWindows_Rank: the window with more of the mid and late morning comes first,
// then the longer, then the earlier; and its best hours are bounded.
func TestWindows_Rank(t *testing.T) {
	start := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
	verdict := func(h int, status Status, best bool, code string) HourVerdict {
		at := start.Add(time.Duration(h) * time.Hour)
		return HourVerdict{Start: at, End: at.Add(time.Hour), Status: status, Best: best,
			Reasons: []Reason{{Code: code, Authority: AuthorityPractice, Effect: map[bool]Effect{true: EffectAllows, false: EffectBlocks}[status == Suitable], Value: new(float64(h)), Limit: new(5.0)}}}
	}
	in := []HourVerdict{
		verdict(0, Suitable, false, "a"), verdict(1, Suitable, true, "a"),
		verdict(2, Unsuitable, true, "b"), verdict(3, Unsuitable, true, "c"),
		verdict(4, Suitable, true, "a"), verdict(5, Suitable, true, "a"),
		verdict(6, Unsuitable, false, "b"),
		verdict(7, Suitable, false, "a"), verdict(8, Suitable, false, "a"), verdict(9, Suitable, false, "a"),
		verdict(11, Suitable, false, "a"),
		verdict(13, Suitable, false, "a"), verdict(14, Suitable, false, "a"), verdict(15, Suitable, false, "a"), verdict(16, Suitable, false, "a"),
		verdict(18, Suitable, false, "a"),
	}
	got := Windows(in)
	var ranks []int
	for _, w := range got {
		ranks = append(ranks, w.Rank)
	}
	if !slices.Equal(ranks, []int{2, 0, 0, 1, 0, 4, 5, 3, 6}) {
		t.Errorf("ranks %v", ranks)
	}
	first := got[3]
	if !first.BestStart.Equal(in[4].Start) || !first.BestEnd.Equal(in[5].End) || first.BestH != 2 {
		t.Errorf("best hours %+v", first)
	}
	if w := first.Why[0]; *w.Low != 4 || *w.High != 5 || *w.Limit != 5 {
		t.Errorf("range %+v", w)
	}
	if len(Windows(nil)) != 0 {
		t.Error("windows of nothing")
	}
}

// TestEstimateHours: the curve of a day comes within 0.6 C of its extremes (the
// middle of an hour lies up to 30 minutes from a turning point; half a wave of
// 15 C in 4.5 h then wants 15/2 (1 - cos(30/270 pi)) = 0.45 C), stays inside them,
// keeps the day's radiation to 1e-6 MJ, and joins the next day without a jump.
func TestEstimateHours(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lat := rapid.Float64Range(-85, 85).Draw(t, "lat")
		first := Date{2026, 1, 1}.Add(rapid.IntRange(0, 360).Draw(t, "day"))
		var rows []Row
		lowest, highest := math.Inf(1), math.Inf(-1)
		for k := range 3 {
			lo := rapid.Float64Range(5, 15).Draw(t, "tmin")
			hi := lo + rapid.Float64Range(2, 15).Draw(t, "range")
			r := Row{Date: first.Add(k)}
			r.Set("tmin_c", lo)
			r.Set("tmax_c", hi)
			rows = append(rows, r)
			lowest, highest = min(lowest, lo), max(highest, hi)
		}
		s, ps := NewSeries(rows, SeriesOptions{})
		if len(ps) > 0 {
			t.Fatal(ps)
		}
		site := Site{LatitudeDeg: lat, LongitudeDeg: new(rapid.Float64Range(-8, 8).Draw(t, "lon")), ElevationM: new(200.0)}
		got, ps := EstimateHours(s, site, Options{})
		if len(ps) > 0 || len(got.Rows) != 72 {
			t.Fatalf("%d hours, %v", len(got.Rows), ps)
		}
		days, _ := s.DailyET0(site, Options{})
		for k, day := range days {
			solar, top, bottom := 0.0, math.Inf(-1), math.Inf(1)
			for _, r := range got.Rows[24*k : 24*k+24] {
				solar += *r.SolarMJM2
				top, bottom = max(top, *r.TempC), min(bottom, *r.TempC)
				if *r.RHPct > 100+1e-9 || *r.TempC < lowest-1e-9 || *r.TempC > highest+1e-9 {
					t.Fatalf("%v: %g C, %g %%", r.Time, *r.TempC, *r.RHPct)
				}
			}
			if math.Abs(solar-day.RsMJM2D) > 1e-6 {
				t.Fatalf("hours hold %g MJ, day %g", solar, day.RsMJM2D)
			}
			if polar := math.Abs(lat) > 60; !polar && (top > highest || day.TmaxC-top > 0.6 || bottom-day.TminC > 0.6) {
				t.Fatalf("day %d: %g to %g, given %g to %g", k, bottom, top, day.TminC, day.TmaxC)
			}
		}
		for i := 1; i < len(got.Rows); i++ {
			if step := math.Abs(*got.Rows[i].TempC - *got.Rows[i-1].TempC); step > (highest-lowest)*0.75 {
				t.Fatalf("jump of %g C at %v", step, got.Rows[i].Time)
			}
		}
	})
}

// TestAssess_Daily: verdicts from days say that they are estimates, a wet day
// is out, a missing day leaves a gap, and summer days have the hours the clock
// gives them.
func TestAssess_Daily(t *testing.T) {
	loc := zone(t, "America/New_York")
	wet := good(2)
	wet.Set("rain_mm", 12)
	s, _ := NewSeries([]Row{good(1), wet, good(4)}, SeriesOptions{Location: loc})
	site := Site{LatitudeDeg: 41, ElevationM: new(50.0)}
	got, ps := Assess(s, site, fullRules(), Situation{Bloom: NotInBloom, Soil: SoilMoist}, Options{})
	if ps.Err() != nil || len(got) != 96 {
		t.Fatalf("%d hours, %v", len(got), ps)
	}
	status := map[int]map[Status]int{}
	for _, v := range got {
		d := v.Start.Day()
		if status[d] == nil {
			status[d] = map[Status]int{}
		}
		status[d][v.Status]++
		if d != 3 && (!v.Estimated || !slices.ContainsFunc(v.Reasons, func(r Reason) bool { return r.Authority == AuthorityEstimate })) {
			t.Fatalf("%v does not say estimate", v.Start)
		}
	}
	if status[1][Suitable] == 0 || status[2][Suitable] != 0 || status[3][NoData] != 24 || status[4][Suitable] == 0 {
		t.Errorf("%v", status)
	}
	for _, w := range Windows(got) {
		if w.Status == Suitable && !w.Estimated {
			t.Errorf("window %v not marked estimated", w.Start)
		}
	}
	march, _ := NewSeries([]Row{{Date: Date{2026, time.March, 8}, TminC: new(4.0), TmaxC: new(15.0)}}, SeriesOptions{Location: loc})
	if v, _ := Assess(march, site, Rules{}, Situation{}, Options{}); len(v) != 23 {
		t.Errorf("%d hours on the day the clock goes forward, want 23", len(v))
	}
}

// TestEstimateHours_Neighbours: the evening falls towards the next day's minimum
// and the small hours come down from the last day's maximum; without a neighbour
// the day's own extremes serve.
func TestEstimateHours_Neighbours(t *testing.T) {
	day := func(d int, lo, hi float64) Row {
		return dayRow(d, map[string]float64{"tmin_c": lo, "tmax_c": hi})
	}
	site := Site{LatitudeDeg: 45, LongitudeDeg: new(0.0), ElevationM: new(0.0)}
	at := func(rows []Row, date, hour int) float64 {
		s, _ := NewSeries(rows, SeriesOptions{})
		h, ps := EstimateHours(s, site, Options{})
		if len(ps) > 0 {
			t.Fatal(ps)
		}
		for _, r := range h.Rows {
			if r.Time.Day() == date && r.Time.Hour() == hour {
				return *r.TempC
			}
		}
		t.Fatalf("no hour %d on day %d", hour, date)
		return 0
	}
	alone := []Row{day(2, 10, 20)}
	cold, hot := []Row{day(2, 10, 20), day(3, 0, 20)}, []Row{day(1, 10, 40), day(2, 10, 20)}
	apart := []Row{day(2, 10, 20), day(5, 0, 40)}
	if a, c := at(alone, 2, 23), at(cold, 2, 23); c > a-3 {
		t.Errorf("before a cold day %.2f, alone %.2f", c, a)
	}
	if a, h := at(alone, 2, 0), at(hot, 2, 0); h < a+3 {
		t.Errorf("after a hot day %.2f, alone %.2f", h, a)
	}
	// Before the gap 2 May must fall back on itself at both ends.
	for _, hour := range []int{0, 23} {
		if a, b := at(alone, 2, hour), at(apart, 2, hour); a != b {
			t.Errorf("hour %d: %.4f beside a gap, %.4f alone", hour, b, a)
		}
	}
	// A warm day before and none after: the evening still falls to the day's own minimum.
	if a, h := at(alone, 2, 23), at([]Row{day(1, 2, 40), day(2, 10, 20)}, 2, 23); a != h {
		t.Errorf("evening %.4f, alone %.4f", h, a)
	}
	// None before, a day after: the small hours come from the day's own maximum.
	if a, c := at(alone, 2, 0), at([]Row{day(2, 10, 20), day(3, 2, 40)}, 2, 0); a != c {
		t.Errorf("small hours %.4f, alone %.4f", c, a)
	}
}

// TestAssess_HourlyHumidity: without a humidity column the day's least temperature
// stands for the dew point and the reasons say estimated; with any of the three
// columns they do not.
func TestAssess_HourlyHumidity(t *testing.T) {
	site := Site{LatitudeDeg: 45, LongitudeDeg: new(0.0)}
	for column, estimated := range map[string]bool{"": true, "rh_pct": false, "tdew_c": false, "vapour_kpa": false} {
		rows := hourRows(time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), 24)
		for i := range rows {
			rows[i].RHPct = nil
			if column != "" {
				rows[i].Set(column, map[string]float64{"rh_pct": 60, "tdew_c": 8, "vapour_kpa": 1.1}[column])
			}
		}
		s, _ := NewSeries(rows, SeriesOptions{})
		got, ps := Assess(s, site, Rules{Practice: DefaultPractice()}, Situation{}, Options{})
		if len(ps) > 0 || got[13].VPDKPa == nil {
			t.Fatalf("%q: %v", column, ps)
		}
		for _, r := range got[13].Reasons {
			if (r.Code == RuleVPDMax || r.Code == RuleFog) && r.Estimated != estimated {
				t.Errorf("%q: %+v", column, r)
			}
			if r.Code == RuleTempMax && r.Estimated {
				t.Errorf("%q: %+v", column, r)
			}
		}
	}
}

// TestAssess_LongGap: a slip in the year does not make a million hours.
func TestAssess_LongGap(t *testing.T) {
	start := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	rows := append(hourRows(start, 24), hourRows(start.AddDate(180, 0, 0), 24)...)
	s, _ := NewSeries(rows, SeriesOptions{})
	got, _ := Assess(s, Site{LatitudeDeg: 45}, Rules{}, Situation{}, Options{})
	if len(got) != 49 || got[24].Status != NoData || !got[24].End.Equal(rows[24].Time) {
		t.Errorf("%d verdicts", len(got))
	}
}

// TestAssess_UnevenGap: the last piece of a gap ends where the data begin again.
func TestAssess_UnevenGap(t *testing.T) {
	start := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	rows := append(hourRows(start, 5), hourRows(start.Add(6*time.Hour+40*time.Minute), 5)...)
	s, _ := NewSeries(rows, SeriesOptions{})
	got, _ := Assess(s, Site{LatitudeDeg: 45}, Rules{}, Situation{}, Options{})
	for i := 1; i < len(got); i++ {
		if !got[i].Start.Equal(got[i-1].End) {
			t.Errorf("%v does not join %v", got[i].Start, got[i-1].End)
		}
	}
	if len(got) != 12 {
		t.Errorf("%d verdicts, want 10 and 2 empty", len(got))
	}
}
