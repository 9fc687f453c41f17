package crew

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// Health is the state of a tree that decides when it is visited: healthy trees first, then suspect, symptomatic last
// (RULES 3, infected neighbourhood: work healthy to suspect, never back).
type Health string

// The states of a tree, in the order they are walked.
const (
	Healthy     Health = "healthy"
	Suspect     Health = "suspect"
	Symptomatic Health = "symptomatic"
)

func (h Health) rank() (uint8, bool) {
	switch h {
	case Healthy, "":
		return 0, true
	case Suspect:
		return 1, true
	case Symptomatic:
		return 2, true
	}
	return 0, false
}

// Point is a place on the ground in a plane metric system.
type Point struct {
	XM float64 `json:"x_m"`
	YM float64 `json:"y_m"`
}

func (p Point) finite() bool {
	return math.Abs(p.XM) <= maxCoordinate && math.Abs(p.YM) <= maxCoordinate
}

// maxCoordinate bounds coordinates in metres: beyond it squares lose the millimetre, and no map grid goes there.
const maxCoordinate = 1e8

// distanceM returns the straight way between two points in metres.
func distanceM(a, b Point) float64 {
	dx, dy := a.XM-b.XM, a.YM-b.YM
	return math.Sqrt(float64(dx*dx) + float64(dy*dy))
}

// Stop is one tree to be visited. At is nil where the position is not known.
type Stop struct {
	Tree   string `json:"tree"`
	At     *Point `json:"at,omitempty"`
	Health Health `json:"health"`
}

// WalkOptions steer Walk. The zero value walks from nowhere in particular with the default effort and seed 0.
type WalkOptions struct {
	Parking *Point // where the walk starts; nil: at whichever tree is best
	Return  bool   // the way back to the start counts as well
	Seed    uint64
	Kicks   int // perturbations tried; 0 the default for the size, negative none
}

// How a walk was found.
const (
	MethodExact     = "exact"     // shortest possible, by dynamic programming
	MethodPerturbed = "perturbed" // Hilbert order, 2-opt and Or-opt, perturbed; no proof of shortness
	MethodTags      = "tags"      // no tree has a position: natural order of the tags
)

// Walk is an order of visits.
type Walk struct {
	Order     []int     `json:"order"`      // indices into the stops, first visit first
	LegsM     []float64 `json:"legs_m"`     // way to each visit from the one before (or parking); 0 where unknown
	LengthM   float64   `json:"length_m"`   // sum of the known legs, the way back included when it counts
	Unplaced  int       `json:"unplaced"`   // trees without a position; they close their class in tag order
	Method    string    `json:"method"`     // MethodExact, MethodPerturbed or MethodTags
	Kicks     int       `json:"kicks"`      // perturbations tried before the search stopped; it stops at their number
	Seed      uint64    `json:"seed"`       // of the PCG generator
	LongestM  float64   `json:"longest_m"`  // longest known leg
	Neighbour int       `json:"neighbours"` // candidate neighbours per tree in the search; 0 when not searched
}

// FindWalk returns the order in which to visit the stops: healthy before suspect before symptomatic without exception,
// and within that a short open path from the parking point (or a round trip with Return).
//
// Up to 12 placed trees the walk is the shortest there is. Above, it starts from the order along Hilbert's curve and
// is improved by 2-opt and Or-opt with neighbour lists, then by local double-bridge perturbations kept only when they
// help. Moves never leave a class, so the classes are improved together, joints included. The answer depends on
// stops, options and seed only, not on the order of the input. Distances are straight lines: a fence or a ditch is not known.
//
// Trees without a position follow the placed trees of their class in the natural order of their tags.
//
// Errors: coordinates that are not finite or beyond 1e8 m, unknown health, Return without a parking point.
func FindWalk(stops []Stop, opt WalkOptions) (Walk, error) {
	classes := make([]uint8, len(stops))
	var placed, unplaced []int
	for i, s := range stops {
		c, ok := s.Health.rank()
		if !ok {
			return Walk{}, fault(CodeUnknown, "health", "%s: %q", s.Tree, string(s.Health))
		}
		classes[i] = c
		if s.At == nil {
			unplaced = append(unplaced, i)
			continue
		}
		if !s.At.finite() {
			return Walk{}, fault(CodeNotFinite, "x_m, y_m", "%s", s.Tree)
		}
		placed = append(placed, i)
	}
	if opt.Parking != nil && !opt.Parking.finite() {
		return Walk{}, fault(CodeNotFinite, "parking", "not a usable point")
	}
	if opt.Return && opt.Parking == nil {
		return Walk{}, fault(CodeMissing, "parking", "a way back needs a place to go back to")
	}
	slices.SortFunc(unplaced, func(a, b int) int {
		return cmp.Or(cmp.Compare(classes[a], classes[b]), CompareTags(stops[a].Tree, stops[b].Tree), cmp.Compare(a, b))
	})
	slices.SortFunc(placed, func(a, b int) int {
		p, q := stops[a].At, stops[b].At
		return cmp.Or(cmp.Compare(classes[a], classes[b]), CompareTags(stops[a].Tree, stops[b].Tree),
			cmp.Compare(p.XM, q.XM), cmp.Compare(p.YM, q.YM), cmp.Compare(a, b))
	})
	w := Walk{Seed: opt.Seed, Unplaced: len(unplaced), Method: MethodTags}
	var order []int
	if len(placed) > 0 {
		pts := make([]Point, len(placed))
		cls := make([]uint8, len(placed))
		for k, i := range placed {
			pts[k], cls[k] = *stops[i].At, classes[i]
		}
		r := newRoute(pts, cls, opt.Parking, nil)
		r.closed = opt.Return
		w.Method, w.Kicks, w.Neighbour = r.solve(opt.Seed, opt.Kicks)
		for _, v := range r.at[1:] {
			order = append(order, placed[v])
		}
	}
	w.Order = merge(order, unplaced, classes)
	w.measure(stops, opt)
	return w, nil
}

// merge puts the unplaced trees behind the placed ones of their class.
func merge(placed, unplaced []int, class []uint8) []int {
	out := make([]int, 0, len(placed)+len(unplaced))
	for c := uint8(0); c <= 2; c++ {
		for _, i := range placed {
			if class[i] == c {
				out = append(out, i)
			}
		}
		for _, i := range unplaced {
			if class[i] == c {
				out = append(out, i)
			}
		}
	}
	return out
}

// measure fills the legs. A leg spans the unplaced trees between two placed ones.
func (w *Walk) measure(stops []Stop, opt WalkOptions) {
	w.LegsM = make([]float64, len(w.Order))
	here := opt.Parking
	for k, i := range w.Order {
		at := stops[i].At
		if at == nil {
			continue
		}
		if here != nil {
			w.LegsM[k] = distanceM(*here, *at)
			w.LengthM += w.LegsM[k]
			w.LongestM = max(w.LongestM, w.LegsM[k])
		}
		here = at
	}
	if opt.Return && here != nil {
		w.LengthM += distanceM(*here, *opt.Parking)
	}
}

// TourOptions steer FindTour.
type TourOptions struct {
	Closed   bool
	Distance func(i, j int) float64 // between two of the points; symmetric, not negative; nil: straight line
	Seed     uint64
	Kicks    int // as in WalkOptions
}

// FindTour orders points without classes or tags: a closed tour, or an open path with both ends free. It runs the
// search of FindWalk and serves where distances are not straight lines (a matrix of walking times) and in the checks.
// Length is in the unit of Distance. Neighbours are chosen by the straight line in any case.
func FindTour(points []Point, opt TourOptions) (order []int, length float64, err error) {
	for i, p := range points {
		if !p.finite() {
			return nil, 0, fault(CodeNotFinite, "points", "number %d", i)
		}
	}
	if len(points) < 2 {
		return make([]int, len(points)), 0, nil
	}
	sorted := make([]int, len(points))
	for i := range sorted {
		sorted[i] = i
	}
	slices.SortFunc(sorted, func(a, b int) int {
		return cmp.Or(cmp.Compare(points[a].XM, points[b].XM), cmp.Compare(points[a].YM, points[b].YM), cmp.Compare(a, b))
	})
	node := sorted // node of the route -> index of the point; a closed tour starts at the last of them
	var start *Point
	n := len(node)
	if opt.Closed {
		n--
		start = &points[node[n]]
	}
	pts := make([]Point, n)
	for k := range n {
		pts[k] = points[node[k]]
	}
	var dist func(i, j int) float64
	if opt.Distance != nil {
		dist = func(i, j int) float64 { return opt.Distance(node[i], node[j]) }
	}
	r := newRoute(pts, make([]uint8, n), start, dist)
	r.closed = opt.Closed
	r.solve(opt.Seed, opt.Kicks)
	if opt.Closed {
		order = append(order, node[n])
	}
	for _, v := range r.at[1:] {
		order = append(order, node[v])
	}
	return order, r.length(), nil
}

// newRoute places the start and the trees along Hilbert's curve, class by class, each class begun at the nearer end.
func newRoute(pts []Point, class []uint8, start *Point, dist func(i, j int) float64) *route {
	n := len(pts)
	r := &route{n: n, dist: dist, free: start == nil, class: append(slices.Clone(class), startClass),
		x: make([]float64, n+1), y: make([]float64, n+1), at: make([]int32, n+1), pos: make([]int32, n+1),
		queued: make([]bool, n+1), maxMove: n + 1}
	low, high := pts[0], pts[0]
	all := pts
	if start != nil {
		all = append(slices.Clone(pts), *start)
	}
	for _, p := range all {
		low = Point{min(low.XM, p.XM), min(low.YM, p.YM)}
		high = Point{max(high.XM, p.XM), max(high.YM, p.YM)}
	}
	for i, p := range all {
		r.x[i], r.y[i] = p.XM-low.XM, p.YM-low.YM
	}
	extent := max(high.XM-low.XM, high.YM-low.YM)
	r.eps = 1e-9 + extent*1e-12
	keys := hilbertKeys(r.x[:n], r.y[:n], extent)
	order := make([]int32, n)
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(a, b int32) int {
		return cmp.Or(cmp.Compare(class[a], class[b]), cmp.Compare(keys[a], keys[b]), cmp.Compare(a, b))
	})
	here := int32(n)
	for lo := 0; lo < n; {
		hi := lo + 1
		for hi < n && class[order[hi]] == class[order[lo]] {
			hi++
		}
		if r.d(here, order[hi-1]) < r.d(here, order[lo]) {
			slices.Reverse(order[lo:hi])
		}
		here = order[hi-1]
		lo = hi
	}
	r.at[0], r.pos[n] = int32(n), 0
	for k, v := range order {
		r.at[k+1], r.pos[v] = v, int32(k+1)
	}
	return r
}

// Effort of the search: our own settings, chosen by trying them on uniform points.
const (
	neighboursSmall = 10     // up to largeWalk trees
	neighboursLarge = 7      // above
	neighboursOther = 4      // of the class before and after
	largeWalk       = 12_000 // trees
	longestMove     = 25_000 // positions a move may span above largeWalk
	kickSegment     = 40     // longest segment a kick exchanges
	kicksLeast      = 4_000
	kicksPerTree    = 60
	kicksMost       = 100_000
)

// solve orders the route and returns how, with how many kicks and with how many neighbours a tree.
func (r *route) solve(seed uint64, kicks int) (method string, used, k int) {
	if r.n <= exactNodes {
		r.exact()
		return MethodExact, 0, 0
	}
	used, k = r.search(seed, kicks)
	return MethodPerturbed, used, k
}

func (r *route) search(seed uint64, kicks int) (used, k int) {
	k = neighboursSmall
	if r.n > largeWalk {
		k = neighboursLarge
		r.maxMove = longestMove
	}
	r.neighbours(k, neighboursOther)
	for p := 0; p <= r.n; p++ {
		r.push(r.at[p])
	}
	r.settle()
	if kicks == 0 {
		kicks = min(max(kicksLeast, kicksPerTree*r.n), kicksMost)
	}
	kicks = max(kicks, 0)
	rng := rand.New(rand.NewPCG(seed, 0x5a9))
	longest := min(kickSegment, max(1, r.n/2))
	for range kicks {
		r.kick(rng, longest)
	}
	return kicks, k
}
