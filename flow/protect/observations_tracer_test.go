package protect_test

import (
	"math"
	"testing"

	"sapward/flow/plume"
	"sapward/flow/sap"
)

// passing returns the sap distance at which a share of what entered at the
// port has passed a height: the root of Tube.Passed.
func passing(k plume.Tube, height, share float64) float64 {
	low, high := math.Log(height/1000), math.Log(height*1000)
	for range 60 {
		middle := (low + high) / 2
		if k.Passed(height, math.Exp(middle)) < share {
			low = middle
		} else {
			high = middle
		}
	}
	return math.Exp((low + high) / 2)
}

// "Arrival" is the day on which 10 % of what entered has passed the height, and
// "residence" the day on which 95 % has, both from the day of entry. What
// entered is spread over the tubes by their water, as a plume's patch is. The
// 95 % are MODEL's; the 10 % were chosen here before any result.
const (
	arrived = 0.10
	gone    = 0.95
)

// tubes returns for each draw the days to arrival and to the end at a height
// that may differ from draw to draw, at a steady flux.
func tubes(t testing.TB, s setting, n int, height func(i int) float64) (arrival, residence, speed []float64) {
	for i, d := range draws(t, s.question(t), n) {
		k, z := plume.Tube{LogSD: input(t, d, "tube_log_sd")}, height(i)
		v := input(t, d, "sap_flux_m_d") / (input(t, d, "water_fraction") * input(t, d, "retardation"))
		a := passing(k, z, arrived) / v
		arrival, residence, speed = append(arrival, a), append(residence, passing(k, z, gone)/v), append(speed, z/a)
	}
	return arrival, residence, speed
}

// across spreads heights evenly over a range, in an order that goes with no
// input (multiples of the golden ratio).
func across(low, high float64) func(int) float64 {
	return func(i int) float64 {
		_, f := math.Modf(float64(i+1) * (math.Sqrt(5) - 1) / 2)
		return low + (high-low)*f
	}
}

// C1. Setting: conifer table, labelled water (R = 1), heights spread evenly over
// the 13.5 to 58 m of the trees, the flux of the season's peak day and night.
func coniferTracer(t testing.TB) []row {
	s := setting{wood: wood(t, "conifer"), active: tracer(), perimeterM: 1.5, low: 5, top: 60, days: steady(2)}
	arrival, residence, speed := tubes(t, s, manyDraws, across(13.5, 58))
	seen, from := "D2O in conifers 13.5 to 58 m high", "Meinzer 2006 [F]"
	return []row{
		{"C1 arrival", seen, from, "day on which 10 % has passed the top", 2.5, 21, arrival, inside, asFit},
		{"C1 velocity", seen, from, "height over arrival, m/d", 2.4, 5.4, speed, inside, asFit},
		{"C1 residence", seen, from, "day on which 95 % has passed the top", 36, 79, residence, inside, asFit},
	}
}

// C1b. Setting: diffuse-porous table, labelled water; the flux is the 4 to 15
// m/d that MODEL names for this row, as 10 and 90 % points about their geometric
// middle. One row with the flux of the table (0.8/2/4 m/d) stands beside it.
// Single arrivals are met when the day of the report, from the day before, is:
// "26 m in 1 d" reads 0 to 1, "28 m in 2 d" 1 to 2, and so on. Their residence
// is asked at the four heights in turn.
func tropicalTracer(t testing.TB) []row {
	w := wood(t, "diffuse-porous")
	table := setting{wood: w, active: tracer(), perimeterM: 1.5, low: 5, top: 40, days: steady(2)}
	w.SapFluxMPerD = &sap.Parameter{Low: 4, Typical: math.Sqrt(4 * 15), High: 15, Marks: []sap.Mark{sap.Derived}, Source: "named for this observation"}
	fast := table
	fast.wood = w
	heights, reported := []float64{26, 28, 38, 22}, []float64{1, 2, 3, 5}
	names := []string{"C1b 26 m", "C1b 28 m", "C1b 38 m", "C1b 22 m"}
	verdicts := []string{inside, inside, inside, outside}
	seen := []string{"D2O in a tropical tree, 26 m in 1 d", "28 m in 2 d", "38 m in 3 d", "22 m in 5 d"}
	var rows []row
	for i, z := range heights {
		a, _, _ := tubes(t, fast, manyDraws, func(int) float64 { return z })
		rows = append(rows, row{names[i], seen[i], "James 2003 [F]", "day on which 10 % has passed, flux 4 to 15 m/d", reported[i] - 1, reported[i], a, verdicts[i], asFit})
	}
	turn := func(i int) float64 { return heights[i%4] }
	_, r, _ := tubes(t, fast, manyDraws, turn)
	a, _, _ := tubes(t, table, manyDraws, turn)
	return append(rows, row{"C1b residence", "D2O residence of 2 to 22 d", "James 2003 [F]", "day on which 95 % has passed, flux 4 to 15 m/d", 2, 22, r, inside, asFit},
		row{"C1b table flux", "arrivals in 1 to 5 d, 22 to 38 m high", "James 2003 [F]", "day on which 10 % has passed, flux of the wood table", 1, 5, a, inside, asFit})
}

// C1c. Setting: a tree of 10 m (MODEL says "small-tree test", no height), flux
// of the tables, labelled water; residence as in C1.
func smallTracer(t testing.TB) []row {
	at := func(name string) []float64 {
		_, r, _ := tubes(t, setting{wood: wood(t, name), active: tracer(), perimeterM: 0.5, low: 2, top: 10, days: steady(2)}, manyDraws, func(int) float64 { return 10 })
		return r
	}
	from := "Maneely 2025 [F]"
	return []row{
		{"C1c fir", "D2O resided 7 to 11 d in Douglas-fir", from, "day on which 95 % has passed 10 m, conifer", 7, 11, at("conifer"), inside, asCheck},
		{"C1c aspen", "D2O resided 7 to 11 d in aspen", from, "day on which 95 % has passed 10 m, diffuse-porous", 7, 11, at("diffuse-porous"), inside, asCheck},
		{"C1c pulses", "sharp in fir, two pulses in aspen", from, "one pulse by construction", 0, 0, nil, asNone, asNone},
	}
}

func sunnySide(testing.TB) []row {
	return []row{{"C1d", "heat-pulse velocity in black oak 0.6 to 22 m/h, sunlit side up to 4 times shaded", "study of 1980 [F]", "flux is even round the stem and a mean over the day", 0, 0, nil, asNone, asNone}}
}

// C2. Setting: ring-porous table, a metre of girth with 16 or 8 equal ports of
// 6 mm, 10 m up; least over mean round the stem. Years of control are not
// computed: MODEL names no active and no dose for them.
func portsPerMetre(t testing.TB) []row {
	s := setting{wood: wood(t, "ring-porous"), active: tracer(), perimeterM: 1, low: 5, top: 15, days: steady(2)}
	var sixteen, eight, gain []float64
	for _, d := range draws(t, s.question(t), manyDraws) {
		v := 2 * input(t, d, "lateral_dispersivity_m") * 10
		a, b := leastOverMean(16, v), leastOverMean(8, v)
		sixteen, eight, gain = append(sixteen, a), append(eight, b), append(gain, a-b)
	}
	seen, from := "ash, same dose: 16 ports per m of girth more uniform, 8 per m less", "ash trials, Arboric. Urban For. [F]"
	return []row{
		{"C2 16 a metre", "control for 3 years (taken as: the least stays above half the mean)", from, "least over mean at 10 m, 16 ports a metre", 0.5, inf, sixteen, inside, asFit},
		{"C2 8 a metre", "control for only 2 years (taken as: the least falls below half the mean)", from, "least over mean at 10 m, 8 ports a metre", -inf, 0.5, eight, inside, asFit},
		{"C2 order", seen, from, "least over mean, 16 less 8 ports a metre", 0, inf, gain, inside, asFit},
	}
}

// leastOverMean returns the least over the mean round a metre of n equal ports.
func leastOverMean(n int, variance float64) float64 {
	const points = 33
	least := inf
	for i := range points {
		y, sum := float64(i)/(points-1)/float64(2*n), 0.0
		for p := range n {
			d := y - float64(p)/float64(n)
			sum += plume.Around(d-math.Round(d), 0.003, variance, 1)
		}
		least = math.Min(least, sum/float64(n))
	}
	return least
}
