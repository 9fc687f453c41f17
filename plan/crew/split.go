package crew

import (
	"container/heap"
	"slices"
)

// maxSeconds bounds a single time: over three years, so that sums over any block stay inside 64 bits.
const maxSeconds = int64(100_000_000)

// maxJobs bounds the number of jobs of one split.
const maxJobs = 10_000_000

// Piece is one person's contiguous part of the walk: the jobs From up to, not including, To.
type Piece struct {
	From  int   `json:"from"`
	To    int   `json:"to"`
	LoadS int64 `json:"load_s"` // way to the first job, jobs and ways between them
}

// Split is a walk cut into contiguous pieces, one a person; later persons may get none when there are few jobs.
type Split struct {
	Pieces      []Piece `json:"pieces"`
	LongestS    int64   `json:"longest_s"`     // the longest piece: the smallest possible for contiguous pieces
	LowerBoundS int64   `json:"lower_bound_s"` // no division, contiguous or not, finishes sooner
}

// SplitJobs cuts jobs, in the order given, into at most `people` contiguous pieces so that the longest piece is as
// short as possible. It finds the limit by binary search: a limit is reachable when filling one person after another
// up to it needs no more people than there are. The lower bound is max(longest job, total/people rounded up)
// (Graham 1969). Seconds are whole and not negative.
//
// Errors: no people, negative or too large times.
func SplitJobs(jobsS []int64, people int) (Split, error) {
	return SplitWalk(jobsS, make([]int64, len(jobsS)), make([]int64, len(jobsS)), people)
}

// SplitWalk is SplitJobs with the ways: workS[i] is spent at tree i, leadS[i] on the way to it from the parking point
// when it is the first of a piece, linkS[i] on the way from the tree before it otherwise (linkS[0] is not used).
//
// Going straight to a tree must not take longer than going by the tree before it: leadS[i] <= leadS[i-1] + workS[i-1]
// + linkS[i]; otherwise filling up greedily would not be optimal and the answer is the error
// detour-longer-than-way-round. Straight ways rounded up to whole seconds satisfy it.
//
// The lower bound counts each tree's work with the shorter of its two ways, and the farthest single visit.
func SplitWalk(workS, leadS, linkS []int64, people int) (Split, error) {
	n := len(workS)
	switch {
	case people < 1:
		return Split{}, fault(CodeOutOfRange, "people", "%d", people)
	case len(leadS) != n || len(linkS) != n:
		return Split{}, fault(CodeOutOfRange, "lead_s, link_s", "%d jobs, %d leads, %d links", n, len(leadS), len(linkS))
	case n > maxJobs:
		return Split{}, fault(CodeTooLarge, "jobs", "%d", n)
	}
	var longest, total, least int64
	for i := range n {
		if min(workS[i], leadS[i], linkS[i]) < 0 || max(workS[i], leadS[i], linkS[i]) > maxSeconds {
			return Split{}, fault(CodeOutOfRange, "jobs", "job %d: work %d s, lead %d s, link %d s", i, workS[i], leadS[i], linkS[i])
		}
		if i > 0 && leadS[i] > leadS[i-1]+workS[i-1]+linkS[i] {
			return Split{}, fault(CodeTriangle, "lead_s", "job %d", i)
		}
		longest = max(longest, leadS[i]+workS[i])
		if i == 0 {
			total += leadS[i] + workS[i]
			least += leadS[i] + workS[i]
		} else {
			total += linkS[i] + workS[i]
			least += min(leadS[i], linkS[i]) + workS[i]
		}
	}
	bound := max(longest, (least+int64(people)-1)/int64(people))
	lo, hi := bound, max(bound, total)
	for lo < hi {
		mid := lo + (hi-lo)/2
		if piecesNeeded(workS, leadS, linkS, mid, people) <= people {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	s := Split{LowerBoundS: bound}
	for k, i := 0, 0; k < people; k++ {
		p := Piece{From: i, To: i}
		if i < n {
			p.LoadS = leadS[i] + workS[i]
			i++
			// One job stays for everyone still to come, as long as there are enough.
			for i < n && n-i > people-k-1 && p.LoadS+linkS[i]+workS[i] <= lo {
				p.LoadS += linkS[i] + workS[i]
				i++
			}
			p.To = i
		}
		s.LongestS = max(s.LongestS, p.LoadS)
		s.Pieces = append(s.Pieces, p)
	}
	return s, nil
}

// piecesNeeded fills pieces up to the limit and stops counting above `most`.
func piecesNeeded(work, lead, link []int64, limit int64, most int) int {
	pieces := 0
	for i := 0; i < len(work) && pieces <= most; {
		pieces++
		load := lead[i] + work[i]
		for i++; i < len(work) && load+link[i]+work[i] <= limit; i++ {
			load += link[i] + work[i]
		}
	}
	return pieces
}

// Assignment gives every job to a person regardless of neighbourhood.
type Assignment struct {
	Person      []int   `json:"person"` // by job
	LoadsS      []int64 `json:"loads_s"`
	LongestS    int64   `json:"longest_s"`
	LowerBoundS int64   `json:"lower_bound_s"`
}

// ListSchedule gives each job in turn to the person free first (the lower number among equals). Its finish is at most
// (2 - 1/m) times the best possible with m people (Graham 1966, Bell System Technical Journal 45:1563).
func ListSchedule(jobsS []int64, people int) (Assignment, error) {
	order := make([]int, len(jobsS))
	for i := range order {
		order[i] = i
	}
	return listSchedule(jobsS, order, people)
}

// LongestFirst is ListSchedule with the jobs sorted longest first: at most 4/3 - 1/(3m) times the best possible
// (Graham 1969, SIAM Journal on Applied Mathematics 17:416). It shows what keeping pieces contiguous costs.
func LongestFirst(jobsS []int64, people int) (Assignment, error) {
	order := make([]int, len(jobsS))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return sign(int(jobsS[b] - jobsS[a])) })
	return listSchedule(jobsS, order, people)
}

func listSchedule(jobs []int64, order []int, people int) (Assignment, error) {
	switch {
	case people < 1 || people > maxJobs:
		return Assignment{}, fault(CodeOutOfRange, "people", "%d", people)
	case len(jobs) > maxJobs:
		return Assignment{}, fault(CodeTooLarge, "jobs", "%d", len(jobs))
	}
	a := Assignment{Person: make([]int, len(jobs)), LoadsS: make([]int64, people)}
	free := make(freeHeap, people)
	for k := range free {
		free[k].person = k
	}
	var total int64
	for _, i := range order {
		if jobs[i] < 0 || jobs[i] > maxSeconds {
			return Assignment{}, fault(CodeOutOfRange, "jobs", "job %d: %d s", i, jobs[i])
		}
		k := free[0].person
		a.Person[i] = k
		a.LoadsS[k] += jobs[i]
		free[0].load = a.LoadsS[k]
		heap.Fix(&free, 0)
		total += jobs[i]
		a.LowerBoundS = max(a.LowerBoundS, jobs[i])
		a.LongestS = max(a.LongestS, a.LoadsS[k])
	}
	a.LowerBoundS = max(a.LowerBoundS, (total+int64(people)-1)/int64(people))
	return a, nil
}

// freeHeap orders people by the time they are free.
type freeHeap []struct {
	load   int64
	person int
}

func (h freeHeap) Len() int { return len(h) }
func (h freeHeap) Less(i, j int) bool {
	if h[i].load != h[j].load {
		return h[i].load < h[j].load
	}
	return h[i].person < h[j].person
}
func (h freeHeap) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *freeHeap) Push(any)     {}
func (h *freeHeap) Pop() any     { return nil }
