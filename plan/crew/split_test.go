package crew

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// bruteSplit is the slow oracle: every way to cut the walk into at most k pieces.
func bruteSplit(work, lead, link []int64, k int) int64 {
	var cut func(from, k int) int64
	cut = func(from, k int) int64 {
		if from == len(work) {
			return 0
		}
		if k == 0 {
			return math.MaxInt64
		}
		best := int64(math.MaxInt64)
		load := int64(0)
		for to := from; to < len(work); to++ {
			if to == from {
				load += lead[to]
			} else {
				load += link[to]
			}
			load += work[to]
			best = min(best, max(load, cut(to+1, k-1)))
		}
		return best
	}
	return cut(0, k)
}

func checkSplit(t interface{ Fatalf(string, ...any) }, s Split, work, lead, link []int64, people int) {
	at, longest := 0, int64(0)
	for _, p := range s.Pieces {
		if p.From != at || p.To < p.From {
			t.Fatalf("pieces are not contiguous: %+v", s.Pieces)
		}
		load := int64(0)
		for i := p.From; i < p.To; i++ {
			if i == p.From {
				load += lead[i] + work[i]
			} else {
				load += link[i] + work[i]
			}
		}
		if load != p.LoadS {
			t.Fatalf("piece %+v has load %d", p, load)
		}
		longest = max(longest, load)
		at = p.To
	}
	if at != len(work) || len(s.Pieces) != people || longest != s.LongestS || longest < s.LowerBoundS {
		t.Fatalf("%+v for %d jobs and %d people", s, len(work), people)
	}
}

// Equal to exhaustive search (exact, integers), pieces contiguous and complete, finish never below the lower bound.
func TestSplit_EqualsExhaustiveSearch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 11).Draw(t, "n")
		people := rapid.IntRange(1, 5).Draw(t, "people")
		work, lead, link := make([]int64, n), make([]int64, n), make([]int64, n)
		walking := rapid.Bool().Draw(t, "walking")
		for i := range n {
			work[i] = rapid.Int64Range(0, 30).Draw(t, "work")
			if walking {
				link[i] = rapid.Int64Range(0, 9).Draw(t, "link")
				lead[i] = rapid.Int64Range(0, 20).Draw(t, "lead")
				if i > 0 {
					lead[i] = min(lead[i], lead[i-1]+work[i-1]+link[i])
				}
			}
		}
		s, err := SplitWalk(work, lead, link, people)
		if err != nil {
			t.Fatalf("%v", err)
		}
		checkSplit(t, s, work, lead, link, people)
		if want := bruteSplit(work, lead, link, people); s.LongestS != want {
			t.Fatalf("longest %d, exhaustive search %d", s.LongestS, want)
		}
		busy := 0
		for _, p := range s.Pieces {
			if p.To > p.From {
				busy++
			}
		}
		if busy != min(n, people) {
			t.Fatalf("%d people busy with %d jobs for %d", busy, n, people)
		}
	})
}

// Worked by hand: 5 4 3 2 4 for two people: 5+4 | 3+2+4 gives 9 and 9, the lower bound of 18/2.
func TestSplitJobs_ByHand(t *testing.T) {
	s, err := SplitJobs([]int64{5, 4, 3, 2, 4}, 2)
	if err != nil || s.LongestS != 9 || s.LowerBoundS != 9 || s.Pieces[0].To != 2 {
		t.Errorf("%+v %v", s, err)
	}
}

// check/08_routing/identical_machines.csv (Graham 1966, 1969): the heuristics give the published finish exactly, keep
// Graham's bounds against the optimum, and no contiguous split beats the optimum or the lower bound.
func TestSchedules_AgainstGraham(t *testing.T) {
	for _, c := range machineCases(t) {
		byList := strings.HasPrefix(c.name, "list")
		rule, bound := LongestFirst, 4.0/3-1/(3*float64(c.machines))
		if byList {
			rule, bound = ListSchedule, 2-1/float64(c.machines)
		}
		a, err := rule(c.jobs, c.machines)
		if err != nil {
			t.Fatal(err)
		}
		if a.LongestS != c.found {
			t.Errorf("%s on %d: finish %d, published %d", c.name, c.machines, a.LongestS, c.found)
		}
		if float64(a.LongestS) > bound*float64(c.optimum)*(1+1e-12) || a.LowerBoundS > c.optimum {
			t.Errorf("%s on %d: finish %d, bound %d, optimum %d", c.name, c.machines, a.LongestS, a.LowerBoundS, c.optimum)
		}
		s, err := SplitJobs(c.jobs, c.machines)
		if err != nil {
			t.Fatal(err)
		}
		if s.LongestS < c.optimum || s.LowerBoundS > c.optimum {
			t.Errorf("%s on %d: contiguous finish %d, bound %d, optimum %d", c.name, c.machines, s.LongestS, s.LowerBoundS, c.optimum)
		}
		// A contiguous division never beats the best of all divisions, and list order fills at most total/m + longest.
		if longest := a.LowerBoundS; s.LongestS > 2*longest {
			t.Errorf("%s on %d: contiguous finish %d above twice the lower bound %d", c.name, c.machines, s.LongestS, longest)
		}
	}
}

// Graham's bounds against brute force over all assignments of small cases.
func TestSchedules_BoundsAgainstBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		jobs := rapid.SliceOfN(rapid.Int64Range(0, 40), 1, 7).Draw(t, "jobs")
		m := rapid.IntRange(1, 3).Draw(t, "people")
		best := int64(math.MaxInt64)
		loads := make([]int64, m)
		var place func(i int)
		place = func(i int) {
			if i == len(jobs) {
				top := int64(0)
				for _, l := range loads {
					top = max(top, l)
				}
				best = min(best, top)
				return
			}
			for k := range loads {
				loads[k] += jobs[i]
				place(i + 1)
				loads[k] -= jobs[i]
			}
		}
		place(0)
		list, _ := ListSchedule(jobs, m)
		sorted, _ := LongestFirst(jobs, m)
		f, b := float64(m), float64(best)+1e-9
		if float64(list.LongestS) > (2-1/f)*b || float64(sorted.LongestS) > (4.0/3-1/(3*f))*b {
			t.Fatalf("list %d, longest first %d, best %d, %d people", list.LongestS, sorted.LongestS, best, m)
		}
		if min(list.LongestS, sorted.LongestS) < best || list.LowerBoundS > best {
			t.Fatalf("below the best: %+v %+v %d", list, sorted, best)
		}
	})
}

func TestSplit_Refuses(t *testing.T) {
	one := []int64{1}
	for name, f := range map[string]func() error{
		"nobody":          func() error { _, err := SplitJobs(one, 0); return err },
		"negative job":    func() error { _, err := SplitJobs([]int64{-1}, 1); return err },
		"years":           func() error { _, err := SplitJobs([]int64{maxSeconds + 1}, 1); return err },
		"unequal lengths": func() error { _, err := SplitWalk(one, nil, one, 1); return err },
		"broken triangle": func() error {
			_, err := SplitWalk([]int64{1, 1}, []int64{0, 50}, []int64{0, 1}, 2)
			return err
		},
		"list for nobody": func() error { _, err := ListSchedule(one, 0); return err },
		"list negative":   func() error { _, err := LongestFirst([]int64{-2}, 2); return err },
	} {
		if f() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
