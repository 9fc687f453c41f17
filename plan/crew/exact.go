package crew

import "math"

// exactNodes is the largest walk solved to the optimum by dynamic programming over subsets; above it the search is
// heuristic. 2^12 subsets times 12 ends times 12 successors are half a million additions.
const exactNodes = 12

// exact puts the shortest order that keeps precedence into the route (Held and Karp 1962; Bellman 1962). Among equal
// lengths the order found first wins, so the answer is the same on every run.
func (r *route) exact() {
	n := r.n
	full := 1<<n - 1
	before := make([]int, n) // trees of an earlier class, which must be done first
	for v := range n {
		for w := range n {
			if r.class[w] < r.class[v] {
				before[v] |= 1 << w
			}
		}
	}
	best := make([]float64, (full+1)*n)
	from := make([]int8, (full+1)*n)
	for i := range best {
		best[i] = math.Inf(1)
	}
	for v := range n {
		if before[v] == 0 {
			best[(1<<v)*n+v] = r.d(int32(n), int32(v))
		}
	}
	for set := 1; set <= full; set++ {
		for v := range n {
			here := best[set*n+v]
			if math.IsInf(here, 1) {
				continue
			}
			for w := range n {
				if set>>w&1 == 1 || before[w]&^set != 0 {
					continue
				}
				to := (set|1<<w)*n + w
				if sum := here + r.d(int32(v), int32(w)); sum < best[to] {
					best[to], from[to] = sum, int8(v)
				}
			}
		}
	}
	end, shortest := 0, math.Inf(1)
	for v := range n {
		sum := best[full*n+v]
		if r.closed {
			sum += r.d(int32(v), int32(n))
		}
		if sum < shortest {
			end, shortest = v, sum
		}
	}
	for set, p := full, n; p >= 1; p-- {
		r.set(p, int32(end))
		set, end = set&^(1<<end), int(from[set*n+end])
	}
}
