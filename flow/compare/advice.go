package compare

import (
	"math"

	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/numeric/quasi"
)

// Advice is an assay that would help to settle the verdict: wood taken from a
// tree treated by a method, at a height, on the line of a port or midway between
// two, some days after.
type Advice struct {
	Method     plume.Method
	DayD       float64
	HeightM    float64
	AzimuthDeg float64
	Between    bool
	// Together is the share of the doubt about the score that this assay and
	// those named before it would take away, in the mean over what they may find.
	Together float64
	Expect   protect.Band // mg/kg dry wood: what the draws expect to be found
}

const (
	advised     = 4    // assays named at most
	adviceDraws = 2048 // draws used at most
	adviceLeast = 0.02 // an assay must take away this much more to be named
	// assayFloor is a detection limit for the estimate, mg/kg: program default.
	assayFloor = 0.01
	// assayNoise is the log-sd of an assay: that of the calibration (MODEL 6).
	assayNoise = 0.5
)

// advise names the assays that would take most of the doubt away, one after the
// other, each beside those before it (an estimate of the expected value of
// sample information by grouping the draws by what the assays would show). A
// clear verdict needs none: nil.
func (q Question) advise(draws []protect.Draw, score []float64) ([]Advice, error) {
	if q.Case.Tree.Wood.WholeStem {
		return nil, nil
	}
	n := min(len(draws), adviceDraws)
	draws, score = draws[:n], score[:n]
	var candidates []Advice
	var seen [][]float64
	for _, t := range q.ways() {
		c, places := q.candidates(t)
		found, err := protect.Probe(q.Case, t, places, draws, false, q.Workers)
		if err != nil {
			return nil, err
		}
		for k := range c {
			logs, values := make([]float64, n), make([]float64, n)
			for i := range logs {
				values[i] = found[i][k]
				noise := assayNoise * math.Sqrt2 * math.Erfinv(2*quasi.Uniform(q.Seed, uint64(i*1000+len(seen)))-1)
				logs[i] = math.Max(math.Log(assayFloor), math.Log(values[i]+1e-12)+noise)
			}
			c[k].Expect = protect.BandOf(values)
			candidates, seen = append(candidates, c[k]), append(seen, logs)
		}
	}
	var out []Advice
	joint := make([]int, n) // groups so far
	before := 0.0
	for len(out) < advised {
		best, most := -1, before+adviceLeast
		var bestJoint []int
		for k := range candidates {
			g := groups(seen[k], perAssay(len(out)))
			j := cross(joint, g)
			if x := explained(score, j); x > most {
				best, most, bestJoint = k, x, j
			}
		}
		if best < 0 {
			break
		}
		c := candidates[best]
		c.Together = most
		out = append(out, c)
		joint, before = bestJoint, most
	}
	return out, nil
}

// perAssay is how finely an assay's result is told apart, coarser the more
// assays are read together, so that groups stay filled.
func perAssay(before int) int { return []int{16, 6, 3, 2}[min(before, 3)] }

// cross numbers the pairs of groups.
func cross(a, b []int) []int {
	out := make([]int, len(a))
	for i := range a {
		out[i] = a[i]*64 + b[i]
	}
	return out
}

// candidates are the assays looked at for a treatment: low, middle and top of
// the crown and the trunk below it, on the line of a port and midway to the
// next, on up to four days.
func (q Question) candidates(t protect.Treatment) ([]Advice, []protect.Place) {
	first := t.Ports[0]
	next := nearestGap(t)
	crown := q.Case.Tree.Crown
	var heights []float64
	for _, z := range []float64{crown[0].HeightM / 2, crown[0].HeightM, crown[len(crown)/2].HeightM, crown[len(crown)-1].HeightM} {
		if z = math.Round(2*z) / 2; z >= 1 { // nobody measures a height in a tree more finely
			heights = append(heights, z)
		}
	}
	horizon := q.horizon()
	var out []Advice
	var places []protect.Place
	for _, day := range []float64{14, 30, 60, 120, 365} {
		if day > horizon {
			continue
		}
		for _, z := range heights {
			for _, between := range []bool{false, true} {
				az := first.AzimuthDeg
				if between {
					az = math.Mod(az+next/2, 360)
				}
				out = append(out, Advice{Method: t.Method(), DayD: day, HeightM: z, AzimuthDeg: az, Between: between})
				places = append(places, protect.Place{DayD: day, HeightM: z, AzimuthDeg: az, Metric: plume.InWood})
			}
		}
	}
	return out, places
}

// horizon is how far the case looks ahead.
func (q Question) horizon() float64 {
	if q.Case.HorizonD > 0 {
		return q.Case.HorizonD
	}
	return math.Min(protect.DefaultHorizonD, q.Case.Season.LengthD())
}
