package crew

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

type tsplibInstance struct {
	N      int          `json:"n"`
	Kind   string       `json:"edge_weight_type"`
	Best   int          `json:"optimal_length"`
	Tour   []int        `json:"optimal_tour_1based"`
	InTurn int          `json:"identity_tour_length"`
	Coords [][2]float64 `json:"coords"`
}

// tsplibDistance is TSPLIB95's rule (Reinelt 1991): EUC_2D rounded to the nearest integer, ATT and GEO as its report says.
func tsplibDistance(t *testing.T, in tsplibInstance) func(i, j int) float64 {
	c := in.Coords
	switch in.Kind {
	case "EUC_2D":
		return func(i, j int) float64 {
			return math.Floor(math.Hypot(c[i][0]-c[j][0], c[i][1]-c[j][1]) + 0.5)
		}
	case "ATT":
		return func(i, j int) float64 {
			r := math.Sqrt(((c[i][0]-c[j][0])*(c[i][0]-c[j][0]) + (c[i][1]-c[j][1])*(c[i][1]-c[j][1])) / 10)
			n := math.Floor(r + 0.5)
			if n < r {
				n++
			}
			return n
		}
	case "GEO":
		rad := func(v float64) float64 {
			deg := math.Trunc(v)
			return 3.141592 * (deg + 5*(v-deg)/3) / 180
		}
		return func(i, j int) float64 {
			if i == j {
				return 0
			}
			q1 := math.Cos(rad(c[i][1]) - rad(c[j][1]))
			q2 := math.Cos(rad(c[i][0]) - rad(c[j][0]))
			q3 := math.Cos(rad(c[i][0]) + rad(c[j][0]))
			return math.Trunc(6378.388*math.Acos(0.5*((1+q1)*q2-(1-q1)*q3)) + 1)
		}
	}
	t.Fatalf("no rule for %s", in.Kind)
	return nil
}

func closedLength(order []int, d func(i, j int) float64) float64 {
	sum := 0.0
	for k, i := range order {
		sum += d(i, order[(k+1)%len(order)])
	}
	return sum
}

// Expected: stored TSPLIB95 optima (check/08_routing), bound 5 % from SCIENCE S9. The distance rules are held against
// the recomputed lengths of the stored optimal and identity tours, exactly.
func TestFindTour_TSPLIB(t *testing.T) {
	raw, err := os.ReadFile("../../check/08_routing/tsplib.json")
	if err != nil {
		t.Fatal(err)
	}
	var all map[string]tsplibInstance
	if err := json.Unmarshal(raw, &all); err != nil {
		t.Fatal(err)
	}
	if len(all) < 5 {
		t.Fatalf("only %d instances", len(all))
	}
	for name, in := range all {
		t.Run(name, func(t *testing.T) {
			d := tsplibDistance(t, in)
			turn := make([]int, in.N)
			for i := range turn {
				turn[i] = i
			}
			if got := closedLength(turn, d); got != float64(in.InTurn) {
				t.Fatalf("distance rule: tour 1..n is %v, want %d", got, in.InTurn)
			}
			if in.Tour != nil {
				best := make([]int, in.N)
				for i, v := range in.Tour {
					best[i] = v - 1
				}
				if got := closedLength(best, d); got != float64(in.Best) {
					t.Fatalf("distance rule: stored tour is %v, want %d", got, in.Best)
				}
			}
			pts := make([]Point, in.N)
			for i, c := range in.Coords {
				pts[i] = Point{c[0], c[1]}
			}
			worst := 0.0
			for seed := uint64(1); seed <= 5; seed++ {
				order, length, err := FindTour(pts, TourOptions{Closed: true, Distance: d, Seed: seed})
				if err != nil {
					t.Fatal(err)
				}
				checkPermutation(t, order, in.N)
				if got := closedLength(order, d); got != length {
					t.Fatalf("length %v, order gives %v", length, got)
				}
				excess := length/float64(in.Best) - 1
				worst = max(worst, excess)
				if excess > 0.05 || excess < 0 {
					t.Errorf("seed %d: %v, optimum %d, excess %.4f", seed, length, in.Best, excess)
				}
			}
			t.Logf("largest excess over the optimum in 5 seeds: %.4f", worst)
		})
	}
}

func checkPermutation(t interface{ Fatalf(string, ...any) }, order []int, n int) {
	seen := make([]bool, n)
	for _, i := range order {
		if i < 0 || i >= n || seen[i] {
			t.Fatalf("%d is out of range or visited twice", i)
		}
		seen[i] = true
	}
	if len(order) != n {
		t.Fatalf("%d of %d visited", len(order), n)
	}
}

// Expected: for many uniform points the shortest tour tends to 0.7124 sqrt(n A) (Beardwood, Halton and Hammersley 1959; the
// constant from Johnson and McGeoch 1997, from memory); bound 1.10 from SCIENCE S9. The edge of the square adds a little.
func TestFindTour_UniformPoints(t *testing.T) {
	for _, n := range []int{2_000, 100_000} {
		t.Run(strconv.Itoa(n), func(t *testing.T) {
			rng := rand.New(rand.NewPCG(7, 7))
			pts := make([]Point, n)
			for i := range pts {
				pts[i] = Point{1000 * rng.Float64(), 1000 * rng.Float64()}
			}
			order, length, err := FindTour(pts, TourOptions{Closed: true, Seed: 1})
			if err != nil {
				t.Fatal(err)
			}
			checkPermutation(t, order, n)
			got := closedLength(order, func(i, j int) float64 { return distanceM(pts[i], pts[j]) })
			if math.Abs(got-length) > 1e-9*got {
				t.Fatalf("length %v, order gives %v", length, got)
			}
			ratio := got / (0.7124 * math.Sqrt(float64(n)*1e6))
			t.Logf("n %d: ratio %.4f", n, ratio)
			if ratio > 1.10 {
				t.Errorf("ratio %.4f", ratio)
			}
		})
	}
}

func randomStops(rng *rand.Rand, n int, classes int) []Stop {
	stops := make([]Stop, n)
	healths := []Health{Healthy, Suspect, Symptomatic}
	for i := range stops {
		stops[i] = Stop{Tree: fmt.Sprint("T", i+1), Health: healths[rng.IntN(classes)],
			At: &Point{100 * rng.Float64(), 100 * rng.Float64()}}
	}
	return stops
}

// bruteWalk is the slow oracle: all orders that keep precedence.
func bruteWalk(stops []Stop, start *Point, back bool) float64 {
	best := math.Inf(1)
	used := make([]bool, len(stops))
	var step func(here *Point, done int, sum float64, rank uint8)
	step = func(here *Point, done int, sum float64, rank uint8) {
		if sum >= best {
			return
		}
		if done == len(stops) {
			if back {
				sum += distanceM(*here, *start)
			}
			best = min(best, sum)
			return
		}
		for i, s := range stops {
			r, _ := s.Health.rank()
			if used[i] || r < rank {
				continue
			}
			blocked := false
			for j, o := range stops {
				q, _ := o.Health.rank()
				blocked = blocked || (!used[j] && q < r)
			}
			if blocked {
				continue
			}
			used[i] = true
			leg := 0.0
			if here != nil {
				leg = distanceM(*here, *s.At)
			}
			step(s.At, done+1, sum+leg, r)
			used[i] = false
		}
	}
	step(start, 0, 0, 0)
	return best
}

// The answer for 8 trees equals the enumeration of all orders (tolerance 1e-9 m, rounding of sums); so does, on these
// trees, the search that larger walks use.
func TestFindWalk_EqualsBruteForceOnEightTrees(t *testing.T) {
	largest, misses, searched := 0.0, 0, 0
	for seed := uint64(0); seed < 30; seed++ {
		rng := rand.New(rand.NewPCG(seed, 1))
		stops := randomStops(rng, 8, 1+int(seed%3))
		var park *Point
		if seed%4 != 0 {
			park = &Point{50, -20}
		}
		back := park != nil && seed%5 == 0
		want := bruteWalk(stops, park, back)
		w, err := FindWalk(stops, WalkOptions{Parking: park, Return: back, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		largest = max(largest, math.Abs(w.LengthM-want))
		if w.Method != MethodExact || math.Abs(w.LengthM-want) > 1e-9 {
			t.Errorf("seed %d: %s %v, brute force %v", seed, w.Method, w.LengthM, want)
		}
		pts, cls := make([]Point, 8), make([]uint8, 8)
		for i, s := range stops {
			pts[i] = *s.At
			cls[i], _ = s.Health.rank()
		}
		r := newRoute(pts, cls, park, nil)
		r.closed = back
		r.search(seed, 0)
		searched++
		if got := r.length(); got < want-1e-9 {
			t.Errorf("seed %d: search %v below the shortest %v", seed, got, want)
		} else if got > want+1e-9 {
			misses++
		}
	}
	t.Logf("exact: largest difference %.1e m; search: %d of %d above the shortest", largest, misses, searched)
	if misses > 3 {
		t.Errorf("search missed the shortest walk %d times in %d", misses, searched)
	}
}

func checkPrecedence(t interface{ Fatalf(string, ...any) }, stops []Stop, order []int) {
	last := uint8(0)
	for _, i := range order {
		r, _ := stops[i].Health.rank()
		if r < last {
			t.Fatalf("%s (%s) after a tree of a later class", stops[i].Tree, stops[i].Health)
		}
		last = r
	}
}

// Every tree once, precedence kept, legs add up, no worse than the start order, and the same walk for any input order.
func TestFindWalk_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		healths := rapid.SampledFrom([]Health{Healthy, Suspect, Symptomatic})
		grid := rapid.IntRange(0, 12)
		stops := make([]Stop, n)
		for i := range stops {
			stops[i] = Stop{Tree: fmt.Sprintf("R%d", i), Health: healths.Draw(t, "health")}
			if rapid.IntRange(0, 9).Draw(t, "placed") > 0 {
				stops[i].At = &Point{float64(grid.Draw(t, "x")), float64(grid.Draw(t, "y"))}
			}
		}
		opt := WalkOptions{Seed: 3, Kicks: 300}
		if rapid.Bool().Draw(t, "parked") {
			opt.Parking = &Point{-5, 3}
			opt.Return = rapid.Bool().Draw(t, "back")
		}
		w, err := FindWalk(stops, opt)
		if err != nil {
			t.Fatalf("%v", err)
		}
		checkPermutation(t, w.Order, n)
		checkPrecedence(t, stops, w.Order)
		sum := 0.0
		for _, l := range w.LegsM {
			sum += l
		}
		if !opt.Return && math.Abs(sum-w.LengthM) > 1e-9 {
			t.Fatalf("legs %v, length %v", sum, w.LengthM)
		}
		shuffled := rapid.Permutation(stops).Draw(t, "shuffled")
		v, err := FindWalk(shuffled, opt)
		if err != nil {
			t.Fatalf("%v", err)
		}
		for k := range w.Order {
			if stops[w.Order[k]].Tree != shuffled[v.Order[k]].Tree {
				t.Fatalf("visit %d depends on the input order", k)
			}
		}
	})
}

// Improvement never loses against the order along the curve, and precedence survives a large mixed block.
func TestFindWalk_MixedBlockOfThreeThousand(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 2))
	stops := randomStops(rng, 3000, 3)
	opt := WalkOptions{Parking: &Point{0, 0}, Seed: 5, Kicks: 20_000}
	w, err := FindWalk(stops, opt)
	if err != nil {
		t.Fatal(err)
	}
	checkPermutation(t, w.Order, 3000)
	checkPrecedence(t, stops, w.Order)
	// Three open paths of about 1,000 uniform points on the same hectare; 1.10 as for the single one.
	if ratio := w.LengthM / (3 * 0.7124 * math.Sqrt(1000*1e4)); ratio > 1.10 {
		t.Errorf("ratio %.4f", ratio)
	}
	for i := range stops {
		if stops[i].Tree != fmt.Sprint("T", i+1) {
			t.Fatal("the caller's slice was changed")
		}
	}
}

func TestFindWalk_WithoutPositionsGoesByTag(t *testing.T) {
	stops := []Stop{{Tree: "A10"}, {Tree: "A2", Health: Symptomatic}, {Tree: "A9"}, {Tree: "A02", Health: Suspect}, {Tree: "A1"}}
	w, err := FindWalk(stops, WalkOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, i := range w.Order {
		got = append(got, stops[i].Tree)
	}
	if want := []string{"A1", "A9", "A10", "A02", "A2"}; !slices.Equal(got, want) || w.Method != MethodTags || w.LengthM != 0 {
		t.Errorf("%v by %s", got, w.Method)
	}
}

func TestCompareTags_IsATotalOrder(t *testing.T) {
	tag := rapid.StringMatching(`[A-C]{0,2}[0-2]{0,3}-?[0-9]{0,2}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := tag.Draw(t, "a"), tag.Draw(t, "b"), tag.Draw(t, "c")
		if CompareTags(a, b) != -CompareTags(b, a) || (CompareTags(a, b) == 0) != (a == b) {
			t.Fatalf("%q %q", a, b)
		}
		if CompareTags(a, b) <= 0 && CompareTags(b, c) <= 0 && CompareTags(a, c) > 0 {
			t.Fatalf("%q %q %q", a, b, c)
		}
	})
}

func TestFindWalk_Refuses(t *testing.T) {
	nan := math.NaN()
	for name, f := range map[string]func() error{
		"position not a number": func() error {
			_, err := FindWalk([]Stop{{Tree: "1", At: &Point{nan, 0}}}, WalkOptions{})
			return err
		},
		"unknown health": func() error { _, err := FindWalk([]Stop{{Tree: "1", Health: "odd"}}, WalkOptions{}); return err },
		"way back to nowhere": func() error {
			_, err := FindWalk([]Stop{{Tree: "1", At: &Point{}}}, WalkOptions{Return: true})
			return err
		},
		"parking at infinity": func() error {
			_, err := FindWalk(nil, WalkOptions{Parking: &Point{math.Inf(1), 0}})
			return err
		},
		"tour point not a number": func() error { _, _, err := FindTour([]Point{{0, nan}}, TourOptions{}); return err },
	} {
		if f() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// machineCase is one row of check/08_routing/identical_machines.csv.
type machineCase struct {
	name     string
	machines int
	jobs     []int64
	optimum  int64
	found    int64
}

func machineCases(t *testing.T) []machineCase {
	f, err := os.Open("../../check/08_routing/identical_machines.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) int64 {
		v, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	var out []machineCase
	for _, row := range rows[1:] {
		c := machineCase{name: row[0], machines: int(number(row[1])), optimum: number(row[3]), found: number(row[4])}
		for _, j := range strings.Fields(row[2]) {
			c.jobs = append(c.jobs, number(j))
		}
		out = append(out, c)
	}
	if len(out) < 8 {
		t.Fatalf("only %d cases", len(out))
	}
	return out
}
