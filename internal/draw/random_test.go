package draw

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"
)

// Any sensible input gives a picture whose texts stay inside and apart.
func TestDrawings_AnyInput(t *testing.T) {
	widths := rapid.Float64Range(320, 1300)
	t.Run("unrolled", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			u := exUnrolled(rapid.IntRange(0, 60).Draw(t, "n"), widths.Draw(t, "width"))
			u.MarkDeg = rapid.Float64Range(0, 360).Draw(t, "mark")
			u.GirthCm = rapid.Float64Range(30, 600).Draw(t, "girth")
			if rapid.Bool().Draw(t, "inches") {
				u.Unit = LengthUnit{1 / 2.54, 1}
			}
			for i := range u.OldHoles {
				u.OldHoles[i].AzimuthDeg = rapid.Float64Range(0, 360).Draw(t, "az")
				u.OldHoles[i].HeightCm = rapid.Float64Range(0, 90).Draw(t, "height")
			}
			see(t)(DrawUnrolled(u))
		})
	})
	t.Run("limbs", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			l := exLimbs(widths.Draw(t, "width"))
			l.ViewDeg = rapid.Float64Range(0, 360).Draw(t, "view")
			l.Limbs = nil
			for i := range rapid.IntRange(0, 12).Draw(t, "n") {
				l.Limbs = append(l.Limbs, Limb{fmt.Sprintf("Limb %d", i+1), rapid.Float64Range(0, 360).Draw(t, "az"), rapid.Float64Range(0.5, 9).Draw(t, "height"),
					rapid.Float64Range(4, 60).Draw(t, "diameter"), rapid.IntRange(0, 9).Draw(t, "ports"), "118.5 mL"})
			}
			see(t)(DrawLimbs(l))
		})
	})
	t.Run("day", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			d := exDay(widths.Draw(t, "width"))
			d.TwelveHour = rapid.Bool().Draw(t, "12 h")
			d.Markers = nil
			for i := range rapid.IntRange(0, 6).Draw(t, "n") {
				d.Markers = append(d.Markers, DayMarker{rapid.Float64Range(0, 3000).Draw(t, "at"), fmt.Sprintf("Marker number %d", i), i%2 == 0})
			}
			see(t)(DrawDay(d))
		})
	})
	t.Run("dots", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			d := exDots(widths.Draw(t, "width"))
			d.ValuesCm = rapid.SliceOfN(rapid.Float64Range(10, 120), 1, 200).Draw(t, "values")
			see(t)(DrawDotPlot(d))
		})
	})
	t.Run("band", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			c := exBand(widths.Draw(t, "width"), rapid.Bool().Draw(t, "log"))
			k := rapid.Float64Range(1e-6, 1e6).Draw(t, "scale")
			c.Level *= k
			for i := range c.Series {
				for _, v := range [][]float64{c.Series[i].P10, c.Series[i].P50, c.Series[i].P90} {
					for j := range v {
						v[j] *= k
					}
				}
			}
			see(t)(DrawBandChart(c))
		})
	})
	t.Run("heat", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			h := exHeat(widths.Draw(t, "width"))
			h.Low = rapid.Float64Range(1e-5, 1).Draw(t, "low")
			h.High = h.Low * rapid.Float64Range(2, 1e7).Draw(t, "span")
			h.TopM = rapid.Float64Range(0.3, 30).Draw(t, "top")
			see(t)(DrawHeatMap(h))
		})
	})
	t.Run("map", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			m := exMap(2, false, widths.Draw(t, "width"))
			m.Trees, m.Walks = nil, nil
			for i := range rapid.IntRange(1, 80).Draw(t, "n") {
				m.Trees = append(m.Trees, MapTree{Tag: fmt.Sprintf("T%d", i), XM: rapid.Float64Range(-500, 500).Draw(t, "x"), YM: rapid.Float64Range(-50, 50).Draw(t, "y"), Class: i % 4, Status: Status(i % 5), Href: "/x", Marked: i%7 == 0})
			}
			see(t)(DrawBlockMap(m))
		})
	})
}

// see fails the test when a drawing refuses or has a fault.
func see(t *rapid.T) func(Scene, error) {
	return func(s Scene, err error) {
		if err == nil {
			err = fault(s)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
