package demo

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"sapward/follow/trial"
)

// The invented story of two seasons: a strip of 45 young chestnuts at the edge
// of the block, a trial in 15 blocks of neighbours: 15 injected, 15 infused and
// 15 untreated as the trial's seed dealt them, rated from the day of treatment
// on. It shows the program and proves nothing.

// TrialSeed is the seed that dealt the treatments of the strip.
const TrialSeed = 785264

// TrialTreatments are the treatments of the strip, the control first.
var TrialTreatments = []string{"untreated", "injection", "infusion"}

// dealt is the treatment of each tree of the strip, by the design that the
// demo's commands ask for.
func dealt() map[string]string {
	sites := make([]trial.Site, 45)
	for i := range sites {
		sites[i].Tree = fmt.Sprintf("T%02d", i+1)
	}
	l, err := trial.LayOut(sites, trial.Request{Design: trial.RCBD, Treatments: TrialTreatments, Control: TrialTreatments[0], Replicates: 15, BlockBy: trial.ByOrder, Seed: TrialSeed})
	if err != nil {
		panic(err) // a constant design cannot fail
	}
	out := map[string]string{}
	for _, p := range l.Plots {
		out[p.Trees[0]] = p.Treatment
	}
	return out
}

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
	// Each goes to the place in its block that the trial dealt to its treatment.
	by := dealt()
	for i := range out {
		for k := range 3 {
			if tag := fmt.Sprintf("T%02d", i/3*3+k+1); by[tag] == out[i].treatment {
				out[i].tag = tag
			}
		}
	}
	return out
}

// lines gathers the lines of a table and writes them by their keys.
type lines map[string]string

func (l lines) write(b *bytes.Buffer) {
	for _, key := range slices.Sorted(maps.Keys(l)) {
		b.WriteString(l[key])
	}
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
	var table, ratings, deaths, assays, results bytes.Buffer
	stands, seen, fates, last := lines{}, lines{}, lines{}, lines{}
	table.WriteString(invented + "tree,species,wood,diameter_cm,measured_at_m,status,x_m,y_m\n")
	ratings.WriteString(invented + "tree,treatment,day,rating_pct,status,cause\n")
	deaths.WriteString(invented + "tree,treatment,days,died\n")
	assays.WriteString(invented + "tree,day,mg_kg,tissue\n")
	results.WriteString(invented + "tree,wilt_pct,reason\n")
	for _, t := range trees {
		var i int
		if _, err := fmt.Sscanf(t.tag, "T%d", &i); err != nil {
			panic(err) // tags are made above
		}
		i--
		stands[t.tag] = fmt.Sprintf("%s,Castanea sativa,ring-porous,%.1f,1.30,healthy,%d.0,%d.0\n", t.tag, t.diameter, 8*(i%15), 215+8*(i/15))
		fates[t.tag] = fmt.Sprintf("%s,%s,%d,0\n", t.tag, t.treatment, ratedDays[len(ratedDays)-1])
	}
	over := map[string]bool{}
	for _, day := range ratedDays {
		for _, t := range trees {
			if over[t.tag] {
				continue
			}
			line := func(rating, status, cause string) {
				seen[fmt.Sprintf("%04d%s", day, t.tag)] = fmt.Sprintf("%s,%s,%d,%s,%s,%s\n", t.tag, t.treatment, day, rating, status, cause)
				if status == "dead" {
					rating, status = "100", ""
				}
				last[t.tag] = fmt.Sprintf("%s,%s,%s\n", t.tag, rating, status)
			}
			s := t.severity(day)
			switch {
			case t.gone > 0 && day >= t.gone:
				over[t.tag] = true
				line("", "removed", "other: felled for a track")
				fates[t.tag] = fmt.Sprintf("%s,%s,%d,0\n", t.tag, t.treatment, day)
			case s > 93:
				over[t.tag] = true
				line("", "dead", "disease")
				fates[t.tag] = fmt.Sprintf("%s,%s,%d,1\n", t.tag, t.treatment, day)
			case day != ratedDays[0] && day != ratedDays[len(ratedDays)-1] && rng.IntN(60) == 0:
				line("", "missed", "")
			default:
				line(fmt.Sprintf("%.0f", math.Min(100, 5*math.Round((s+6*rng.Float64())/5))), "", "")
			}
		}
	}
	stands.write(&table)
	seen.write(&ratings)
	fates.write(&deaths)
	last.write(&results)
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
	files["chestnut/closure.csv"] = wounds(rng, trees, func(tag string, day int) bool {
		return !strings.HasSuffix(seen[fmt.Sprintf("%04d%s", day, tag)], ",missed,\n")
	})
	files["chestnut/strip.csv"] = table.Bytes()
	files["chestnut/ratings.csv"] = ratings.Bytes()
	files["chestnut/deaths.csv"] = deaths.Bytes()
	files["chestnut/residues.csv"] = assays.Bytes()
	files["chestnut/results.csv"] = results.Bytes()
	files["chestnut/about.csv"] = []byte(invented + about)
}

// wounds are looks at the holes of six trees of each method; infusion's are
// wider and close later. A tree that a visit missed shows none that day.
func wounds(rng *rand.Rand, trees []stripTree, rated func(tag string, day int) bool) []byte {
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
					if !rated(t.tag, day) {
						continue
					}
					fmt.Fprintf(&out, "%s,%s,%d,%d,%.0f\n", t.tag, t.treatment, day, port, math.Min(100, 5*math.Round(10*float64(day)/half)))
				}
			}
		}
	}
	return out.Bytes()
}
