package draw

import (
	"fmt"
	"math"
)

// The pictures of the tests. All trees, people and numbers are invented.

func exRing(n int, width float64, w Words) Ring {
	r := Ring{Frame: Frame{WidthPx: width, ID: fmt.Sprintf("ring%d", n), Title: "Ring of tree 12", Desc: "Cross section with ports.", Heading: "Tree 12 (invented)", Words: w},
		DiameterCm: math.Max(20, float64(n)*3.2), BarkMm: 14, SapwoodMm: 45, MarkDeg: 20, Unit: LengthUnit{1, 1},
		OldHoles: []OldHole{{AzimuthDeg: 200, HoleMm: 6, DepthMm: 40, KeepOutCm: 5, Label: "2025"}, {AzimuthDeg: 310, HoleMm: 6, DepthMm: 40, KeepOutCm: 5, Label: "2024", Closed: true}},
		Blocked:  []Blocked{{FromDeg: 92, ToDeg: 108, Label: "Bark fold"}}}
	girth := math.Pi * r.DiameterCm
	for i := range n {
		tape := (float64(i) + 0.4) * girth / float64(n)
		v := "4.5 mL"
		if i%4 == 1 {
			v = "5.0 mL"
		}
		r.Ports = append(r.Ports, RingPort{i + 1, 20 + tape/girth*360, tape, 30, 6, v})
	}
	return r
}

func exUnrolled(n int, width float64) Unrolled {
	r := exRing(n, width, english())
	u := Unrolled{Frame: r.Frame, GirthCm: math.Pi * r.DiameterCm, MarkDeg: 20, LeftDeg: 315, Unit: r.Unit,
		OldHoles: []OldHole{{AzimuthDeg: 200, HeightCm: 22, KeepOutCm: 5, BelowCm: 30, AboveCm: 200, Label: "2025"}, {AzimuthDeg: 310, HeightCm: 60, KeepOutCm: 5, BelowCm: 30, AboveCm: 30, Label: "2024", Closed: true}},
		Blocked:  []Blocked{{FromDeg: 92, ToDeg: 108, Label: "Bark fold"}, {FromDeg: 230, ToDeg: 262, FromCm: 50, ToCm: 85, Label: "Canker"}}}
	u.ID = fmt.Sprintf("unrolled%d", n)
	for i, p := range r.Ports {
		u.Ports = append(u.Ports, TrunkPort{p.Number, p.AzimuthDeg, 15 + 2.5*float64(i%2)})
	}
	return u
}

func exLimbs(width float64) Limbs {
	return Limbs{Frame: Frame{WidthPx: width, ID: "limbs", Title: "Limbs of tree 12", Desc: "Sketch.", Heading: "Limbs of tree 12 (invented)", Words: english()},
		DiameterCm: 62, ViewDeg: 180, ClimbM: 2, Unit: LengthUnit{1, 0}, TrunkPorts: 9, TrunkHeight: 0.2, TrunkAmount: "81 mL",
		Limbs: []Limb{{"Limb 1", 95, 2.4, 28, 3, "18 mL"}, {"Limb 2", 250, 2.9, 24, 2, "13 mL"}, {"Limb 3", 10, 3.2, 20, 0, ""}, {"Limb 4", 190, 3.6, 16, 1, "6 mL"}, {"Limb 5", 130, 3.9, 14, 1, "5 mL"}}}
}

// exMap is an avenue (two rows along a bearing) or, for many trees, a grid.
func exMap(n int, avenue bool, width float64) BlockMap {
	m := BlockMap{Frame: Frame{WidthPx: width, ID: fmt.Sprintf("map%d", n), Title: "Block", Desc: "Map of the block.", Heading: "Demo estate, avenue (invented)", Words: english()},
		Classes: []string{"6 ports", "8 ports", "10 ports", "12 ports"}, HasParking: true, ParkXM: -14, ParkYM: -8}
	rng := uint32(7)
	next := func() float64 { rng = rng*1664525 + 1013904223; return float64(rng>>8) / (1 << 24) }
	for i := range n {
		var x, y float64
		if avenue {
			along, side := float64(i/2)*9+next(), float64(i%2)*12-6+next()
			s, c := math.Sincos(0.6)
			x, y = along*c-side*s, along*s+side*c
		} else {
			x, y = float64(i%50)*6, float64(i/50)*6
		}
		st := Planned
		switch i % 17 {
		case 3, 4, 5:
			st = Done
		case 9:
			st = Return
		case 12:
			st = Suspect
		case 15:
			st = Refused
		}
		m.Trees = append(m.Trees, MapTree{Tag: fmt.Sprintf("A%d", i+1), XM: x, YM: y, Class: int(next() * 3.99), Status: st})
	}
	a, b := Walk{Person: "Person 1"}, Walk{Person: "Person 2"}
	for i := range n / 2 {
		if avenue {
			a.Trees = append(a.Trees, 2*i)
			b.Trees = append(b.Trees, 2*i+1)
			continue
		}
		row := i / 50
		j := i
		if row%2 == 1 {
			j = row*50 + 49 - i%50
		}
		a.Trees = append(a.Trees, j)
		b.Trees = append(b.Trees, n-1-j)
	}
	m.Walks = []Walk{a, b}
	return m
}

func exDay(width float64) Day {
	d := Day{Frame: Frame{WidthPx: width, ID: "day", Title: "Day", Desc: "The day.", Heading: "Monday 4 May (invented)", Words: english()},
		Kinds:   []string{"Mark and drill", "Set and load", "Deliver", "Watch", "Seal", "Walk", "Return visit", "Rinse"},
		Markers: []DayMarker{{15*60 + 40, "Last port dry", false}, {16 * 60, "Return list done", false}, {20 * 60, "REI ends", true}}}
	for p := range 4 {
		r := DayRow{Person: fmt.Sprintf("Person %d", p+1)}
		at := 7*60 + 30 + float64(p)*10
		for i := range 18 {
			k := i % 6
			w := []float64{28, 22, 55, 18, 12, 8}[k]
			if i == 9 {
				r.Bars = append(r.Bars, DayBar{at, at + 30, -1})
				at += 30
			}
			r.Bars = append(r.Bars, DayBar{at, at + w, k})
			at += w
		}
		r.Bars = append(r.Bars, DayBar{at, at + 20, 6}, DayBar{at + 20, at + 35, 7})
		d.Rows = append(d.Rows, r)
	}
	return d
}

func exDots(width float64) DotPlot {
	d := DotPlot{Frame: Frame{WidthPx: width, ID: "dots", Title: "Diameters", Desc: "Measured diameters.", Heading: "Diameters of 40 trunks (invented)", Words: english()},
		Unit: LengthUnit{1, 1}, Bands: []DotBand{{30, 36, "6 ports"}, {36, 42, "7 ports"}, {42, 48, "8 ports"}, {48, 54, "9 ports"}, {54, 60, "10 ports"}}}
	sum := 0.0
	for i := range 40 {
		v := 44 + 7*math.Sin(float64(i)*2.4) + 4*math.Sin(float64(i)*1.13+1) + float64(i%3)
		d.ValuesCm = append(d.ValuesCm, v)
		sum += v
	}
	d.MeanCm = sum / 40
	d.LowCm, d.HighCm = d.MeanCm-1.9, d.MeanCm+1.9
	return d
}

func exHeat(width float64) HeatMap {
	h := HeatMap{Frame: Frame{WidthPx: width, ID: "heat", Title: "Sapwood", Desc: "Concentration in the sapwood.", Heading: "Day 30, median of draws (invented)", Words: english()},
		TopM: 6, LeftDeg: 315, Low: 0.01, High: 100, Effective: 0.5, Unit: "mg/L", ValueName: "In the sap"}
	for r := range 24 {
		row := make([]float64, 72)
		for i := range row {
			z := float64(r) / 24 * 6
			az := float64(i) * 5
			for p := range 7 {
				dz := math.Abs(math.Mod(az-20-float64(p)*360/7+540, 360) - 180)
				row[i] += 6 * math.Exp(-dz*dz/(2*(40+z*60))) * math.Exp(-(z-1.5)*(z-1.5)/2.5)
			}
		}
		h.Values = append(h.Values, row)
	}
	return h
}

func exBand(width float64, log bool) BandChart {
	c := BandChart{Frame: Frame{WidthPx: width, ID: "band", Title: "Level over time", Desc: "Median and band.", Heading: "Level in the crown (invented)", Words: english()},
		XLabel: "Days after treatment", YLabel: "mg/L sap", LogY: log, Level: 0.5, LevelLabel: "Effective level you entered"}
	for k, name := range []string{"Injection", "Infusion", "Injection, 2 visits", "None"} {
		r := Series{Name: name}
		for d := 0.0; d <= 360; d += 5 {
			m := (1-math.Exp(-d/(8+6*float64(k))))*(6-1.4*float64(k))*math.Exp(-d/(120+40*float64(k))) + 0.01
			r.X, r.P50, r.P10, r.P90 = append(r.X, d), append(r.P50, m), append(r.P10, m/1.8), append(r.P90, m*1.6)
		}
		c.Series = append(c.Series, r)
	}
	if !log {
		c.Series = c.Series[:2]
	}
	return c
}

func exHours(width float64) Hours {
	h := Hours{Frame: Frame{WidthPx: width, ID: "hours", Title: "Treatable hours", Desc: "Hours by day.", Heading: "Treatable hours (invented)", Words: english()},
		Reasons: []string{"Dark", "Too cold", "Too hot", "Rain", "Air too moist", "Air too dry", "Card: hours"}}
	for d, name := range []string{"Mon 4 May", "Tue 5 May", "Wed 6 May", "Thu 7 May", "Fri 8 May", "Sat 9 May", "Sun 10 May"} {
		day := HoursDay{Label: name}
		for i := range 24 {
			switch {
			case i < 6 || i > 20:
				day.State[i] = 1
			case i < 8+d%2:
				day.State[i] = 5
			case d == 1 && i > 12:
				day.State[i] = 4
			case d == 3 && i > 11 && i < 17:
				day.State[i] = 3
			case d == 4 && i < 10:
				day.State[i] = 2
			case d == 5 && i > 13:
				day.State[i] = 6
			case i > 18:
				day.State[i] = 7
			}
			if d == 6 && i > 15 {
				day.State[i] = -1
			}
		}
		h.Days = append(h.Days, day)
	}
	return h
}
