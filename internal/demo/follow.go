package demo

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
)

// The invented story of two seasons: a strip of 45 young chestnuts at the edge
// of the block, 15 injected, 15 infused and 15 untreated, rated from the day of
// treatment on. It shows the program and proves nothing.

// ratedDays are the days of the visits, from the treatment on: six in the first
// season, six in the second.
var ratedDays = []int{0, 14, 42, 70, 98, 126, 330, 358, 386, 414, 442, 470}

// stripTree is one tree of the strip: when half its crown is gone, and how fast
// that goes.
type stripTree struct {
	tag, treatment string
	half, rate     float64 // day; 1/day. half 0: stays healthy
	gone           int     // day it was removed for another reason; 0: stays
	diameter       float64
}

// strip is the invented trees and what happens to them.
func strip(rng *rand.Rand) []stripTree {
	order := []string{"untreated", "injection", "infusion"}
	sick := map[string]int{"untreated": 11, "injection": 4, "infusion": 6}
	first := map[string]float64{"untreated": 150, "injection": 330, "infusion": 280}
	n := map[string]int{}
	var out []stripTree
	for block := range 15 {
		rng.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		for k, name := range order {
			t := stripTree{tag: fmt.Sprintf("T%02d", 3*block+k+1), treatment: name, diameter: round1(15 + 4*rng.Float64())}
			if n[name] < sick[name] {
				t.half, t.rate = first[name]+320*rng.Float64(), 0.018+0.014*rng.Float64()
			}
			n[name]++
			out = append(out, t)
		}
	}
	removed := map[string]int{"untreated": 386, "infusion": 98, "injection": 414}
	for i := len(out) - 1; i >= 0; i-- { // of the last, healthy ones of each treatment
		if day := removed[out[i].treatment]; day > 0 && out[i].half == 0 {
			out[i].gone = day
			delete(removed, out[i].treatment)
		}
	}
	return out
}

// severity is the share of the crown that has wilted on a day, percent.
func (t stripTree) severity(day int) float64 {
	if t.half == 0 {
		return 0
	}
	return 100 / (1 + math.Exp(-t.rate*(float64(day)-t.half)))
}

// followUp writes the strip's tables: trees, ratings, deaths and assays.
func followUp(rng *rand.Rand, files map[string][]byte) {
	trees := strip(rng)
	var table, ratings, deaths, assays bytes.Buffer
	table.WriteString(invented + "tree,species,wood,diameter_cm,measured_at_m,status,x_m,y_m\n")
	ratings.WriteString(invented + "tree,treatment,day,rating_pct,status,cause\n")
	deaths.WriteString(invented + "tree,treatment,days,died\n")
	assays.WriteString(invented + "tree,day,mg_kg,tissue\n")
	ends := map[string]string{}
	for i, t := range trees {
		fmt.Fprintf(&table, "%s,Castanea sativa,ring-porous,%.1f,1.30,healthy,%d.0,%d.0\n", t.tag, t.diameter, 8*(i%15), 215+8*(i/15))
		ends[t.tag] = fmt.Sprintf("%s,%s,%d,0\n", t.tag, t.treatment, ratedDays[len(ratedDays)-1])
	}
	over := map[string]bool{}
	for _, day := range ratedDays {
		for _, t := range trees {
			if over[t.tag] {
				continue
			}
			line := func(rating, status, cause string) {
				fmt.Fprintf(&ratings, "%s,%s,%d,%s,%s,%s\n", t.tag, t.treatment, day, rating, status, cause)
			}
			s := t.severity(day)
			switch {
			case t.gone > 0 && day >= t.gone:
				over[t.tag] = true
				line("", "removed", "other: felled for a track")
				ends[t.tag] = fmt.Sprintf("%s,%s,%d,0\n", t.tag, t.treatment, day)
			case s > 93:
				over[t.tag] = true
				line("", "dead", "disease")
				ends[t.tag] = fmt.Sprintf("%s,%s,%d,1\n", t.tag, t.treatment, day)
			case day != ratedDays[0] && day != ratedDays[len(ratedDays)-1] && rng.IntN(60) == 0:
				line("", "missed", "")
			default:
				line(fmt.Sprintf("%.0f", math.Min(100, 5*math.Round((s+6*rng.Float64())/5))), "", "")
			}
		}
	}
	for _, t := range trees {
		deaths.WriteString(ends[t.tag])
	}
	for _, x := range []struct {
		treatment  string
		start, dt  float64 // mg/kg; half-life, d
		firstTrees int
	}{{"injection", 3.6, 178, 5}, {"infusion", 1.9, 205, 5}} {
		taken := 0
		for _, t := range trees {
			if t.treatment != x.treatment || t.half > 0 || t.gone > 0 || taken == x.firstTrees {
				continue
			}
			taken++
			for _, day := range []int{14, 42, 98, 330, 358, 386} {
				c := x.start * math.Exp(-math.Ln2*float64(day)/x.dt) * math.Exp(0.14*rng.NormFloat64())
				value := fmt.Sprintf("%.2f", c)
				if c < 0.05 {
					value = "<0.05"
				}
				fmt.Fprintf(&assays, "%s,%d,%s,sapwood\n", t.tag, day, value)
			}
		}
	}
	files["chestnut/closure.csv"] = wounds(rng, trees)
	files["chestnut/strip.csv"] = table.Bytes()
	files["chestnut/ratings.csv"] = ratings.Bytes()
	files["chestnut/deaths.csv"] = deaths.Bytes()
	files["chestnut/residues.csv"] = assays.Bytes()
}

// wounds are looks at the holes of six trees of each method; infusion's are
// wider and close later.
func wounds(rng *rand.Rand, trees []stripTree) []byte {
	var out bytes.Buffer
	out.WriteString(invented + "tree,treatment,day,port,closure_pct\n")
	for _, x := range []struct {
		treatment string
		half      float64 // days until half of a hole has closed
	}{{"injection", 130}, {"infusion", 210}} {
		taken := 0
		for _, t := range trees {
			if t.treatment != x.treatment || t.half > 0 || t.gone > 0 || taken == 6 {
				continue
			}
			taken++
			for port := 1; port <= 3; port++ {
				half := x.half * (0.75 + 0.5*rng.Float64())
				for _, day := range []int{42, 126, 330, 414} {
					fmt.Fprintf(&out, "%s,%s,%d,%d,%.0f\n", t.tag, t.treatment, day, port, math.Min(100, 5*math.Round(10*float64(day)/half)))
				}
			}
		}
	}
	return out.Bytes()
}
