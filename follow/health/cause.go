package health

import (
	"sort"
	"strings"
)

// Cause is what made a tree ill or killed it, as seen. The list is closed; what
// it lacks is CauseOther, with words beside it.
type Cause string

// Causes. No cause stands for the disease that the treatment is against.
const (
	CauseNone        Cause = ""
	CauseDisease     Cause = "disease"       // the disease that the treatment is against
	CauseOtherIll    Cause = "other-disease" // another disease
	CauseInsects     Cause = "insects"
	CauseAnimals     Cause = "animals"
	CauseDrought     Cause = "drought"
	CauseWaterlogged Cause = "waterlogging"
	CauseFrost       Cause = "frost"
	CauseWind        Cause = "wind"
	CauseFire        Cause = "fire"
	CauseMachine     Cause = "machine" // machines, digging, vandals
	CauseTreatment   Cause = "treatment"
	CauseUnknown     Cause = "unknown"
	CauseOther       Cause = "other"
)

// Causes is the closed list, in the order of forms.
var Causes = []Cause{CauseDisease, CauseOtherIll, CauseInsects, CauseAnimals, CauseDrought, CauseWaterlogged, CauseFrost, CauseWind, CauseFire, CauseMachine, CauseTreatment, CauseUnknown, CauseOther}

// Known reports whether the cause is on the list, or none.
func (c Cause) Known() bool {
	if c == CauseNone {
		return true
	}
	for _, k := range Causes {
		if c == k {
			return true
		}
	}
	return false
}

// OfDisease reports whether a rating or a death counts as that of the disease:
// where the cause is the disease, none is told, or nobody knows. An unknown
// cause counts, so that no death is explained away.
func (c Cause) OfDisease() bool { return c == CauseNone || c == CauseDisease || c == CauseUnknown }

// Death reports whether a death counts in survival and efficacy: one of the
// disease, and one by the treatment itself. A death by another cause ends the
// watch on the tree.
func (c Cause) Death() bool { return c.OfDisease() || c == CauseTreatment }

// CauseTally is how many trees of a treatment were rated, found dead or gone for
// a cause.
type CauseTally struct {
	Treatment string `json:"treatment"`
	Cause     Cause  `json:"cause"`
	Rated     int    `json:"rated_trees"`
	Dead      int    `json:"dead"`
	Removed   int    `json:"removed"`
}

// TallyCauses counts the causes named in ratings: treatments by name, causes in
// the order of the list. A tree counts once in each column; one rated 0 has
// nothing to explain.
func TallyCauses(rows []Rating) []CauseTally {
	type key struct {
		treatment string
		cause     Cause
	}
	type tree struct {
		key
		tree, column string
	}
	seen, at := map[tree]bool{}, map[key]*CauseTally{}
	for _, r := range rows {
		if r.Cause == CauseNone || r.Status == Missed || r.Status == Seen && r.zero() {
			continue
		}
		k := key{r.Treatment, r.Cause}
		if at[k] == nil {
			at[k] = &CauseTally{Treatment: r.Treatment, Cause: r.Cause}
		}
		if t := (tree{k, r.Tree, string(r.Status)}); seen[t] {
			continue
		} else {
			seen[t] = true
		}
		switch r.Status {
		case Died:
			at[k].Dead++
		case Removed:
			at[k].Removed++
		default:
			at[k].Rated++
		}
	}
	place := map[Cause]int{}
	for i, c := range Causes {
		place[c] = i
	}
	out := []CauseTally{}
	for _, t := range at {
		out = append(out, *t)
	}
	sort.Slice(out, func(i, j int) bool {
		if c := strings.Compare(out[i].Treatment, out[j].Treatment); c != 0 {
			return c < 0
		}
		return place[out[i].Cause] < place[out[j].Cause]
	})
	return out
}

// zero reports a rating of 0: nothing seen, whatever the cause.
func (r Rating) zero() bool { return r.Pct != nil && *r.Pct == 0 || r.Class != nil && *r.Class == 0 }
