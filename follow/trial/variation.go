package trial

import (
	"math"
	"slices"

	"sapward/finding"
)

// Rated is one rated tree, for Vary: what it got, the block or run of neighbours
// it stands in, and its plot where plots hold several trees.
type Rated struct {
	Treatment, Block, Plot string
	Value                  float64
}

// RatedMean is the mean of the rated trees of a treatment.
type RatedMean struct {
	Treatment string  `json:"treatment"`
	Trees     int     `json:"trees"`
	Mean      float64 `json:"mean"`
}

// Variation is how much rated trees differ apart from what they got: the
// standard deviations that Power asks for. One that the data cannot give is nil.
type Variation struct {
	Trees   int         `json:"trees"`
	Plots   int         `json:"plots"`
	Blocks  int         `json:"blocks"`
	DF      int         `json:"df"` // behind the spread between plots
	Means   []RatedMean `json:"means"`
	BlockSD *float64    `json:"block_sd"`
	PlotSD  *float64    `json:"plot_sd"`
	TreeSD  *float64    `json:"tree_sd"`
	// Single says that plots held one tree each: TreeSD then holds the spread of
	// plots too and PlotSD is 0.
	Single bool `json:"single_trees"`
}

// mostBlocks bounds the blocks of Vary (program default): more are no better
// known, and the fit grows with their square.
const mostBlocks = 80

// Vary estimates the standard deviations between blocks, plots and trees by
// equating mean squares with what they are expected to be (Henderson 1953,
// method 3, from memory), in the model y = treatment + block + plot + tree with
// random blocks, plots and trees:
//
//	trees:  the mean square within plots
//	plots:  (mean square of plot means, after treatments and blocks) - trees/n,
//	        n the harmonic mean of trees in a plot
//	blocks: (SS of blocks after treatments - (b-1) MS)/k,
//	        k = N - sum over treatments of sum n_ij^2/n_i
//
// A component that comes out negative is 0. Errors: finding.Faults where fewer
// than three trees are rated, no spread can be told, or a value is no number.
func Vary(rows []Rated) (Variation, error) {
	v := Variation{Trees: len(rows), Means: []RatedMean{}}
	bad := func(id string, a finding.Args) (Variation, error) {
		return Variation{}, finding.Faults{{Class: finding.Usage, ID: id, Args: a}}
	}
	if len(rows) < 3 {
		return bad("trial-vary-few", finding.Args{"count": finding.Count(len(rows))})
	}
	type plot struct {
		treatment, block int
		sum              float64
		n                int
	}
	var treatments, blocks []string
	index := func(list *[]string, name string) int {
		i := slices.Index(*list, name)
		if i < 0 {
			i = len(*list)
			*list = append(*list, name)
		}
		return i
	}
	var plots []*plot
	of := make([]*plot, len(rows))
	at := map[[3]string]*plot{}
	sums, counts := []float64{}, []int{}
	for i, r := range rows {
		if !finite(r.Value) {
			return bad("trial-vary-number", nil)
		}
		t, b := index(&treatments, r.Treatment), index(&blocks, r.Block)
		if t == len(sums) {
			sums, counts = append(sums, 0), append(counts, 0)
		}
		sums[t], counts[t] = sums[t]+r.Value, counts[t]+1
		key := [3]string{r.Treatment, r.Block, r.Plot}
		p := at[key]
		if p == nil || r.Plot == "" { // a tree by itself
			p = &plot{treatment: t, block: b}
			plots = append(plots, p)
			at[key] = p
		}
		p.sum, p.n, of[i] = p.sum+r.Value, p.n+1, p
	}
	if len(blocks) > mostBlocks {
		return bad("trial-vary-blocks", finding.Args{"count": finding.Count(len(blocks)), "most": finding.Count(mostBlocks)})
	}
	for i, name := range treatments {
		v.Means = append(v.Means, RatedMean{name, counts[i], sums[i] / float64(counts[i])})
	}
	v.Plots, v.Blocks, v.Single = len(plots), len(blocks), len(plots) == len(rows)

	within, dfWithin, inverse := 0.0, 0, 0.0
	for i, r := range rows {
		d := r.Value - of[i].sum/float64(of[i].n)
		within += float64(d * d)
	}
	y, tr, bl := make([]float64, len(plots)), make([]int, len(plots)), make([]int, len(plots))
	n := make([][]float64, len(treatments))
	for i := range n {
		n[i] = make([]float64, len(blocks))
	}
	for i, p := range plots {
		y[i], tr[i], bl[i] = p.sum/float64(p.n), p.treatment, p.block
		n[p.treatment][p.block]++
		dfWithin += p.n - 1
		inverse += 1 / float64(p.n)
	}
	cols := append([][]float64{ones(len(y))}, dummies(tr, len(treatments))...)
	plain, _ := fitLinear(cols, y)
	full := plain
	if len(blocks) > 1 {
		if m, bad := fitLinear(append(slices.Clone(cols), dummies(bl, len(blocks))...), y); bad < 0 && m.df() > 0 {
			full = m
		}
	}
	if plain == nil || full == nil || full.df() < 1 {
		return bad("trial-vary-none", nil)
	}
	v.DF = full.df()
	ms := full.rss / float64(v.DF)
	root := func(x float64) *float64 { return some(math.Sqrt(math.Max(x, 0))) }
	tree := 0.0
	if v.Single || dfWithin == 0 {
		v.TreeSD, v.PlotSD = root(ms), root(0)
	} else {
		tree = within / float64(dfWithin)
		v.TreeSD, v.PlotSD = root(tree), root(ms-tree*inverse/float64(len(plots)))
	}
	if full != plain {
		k := float64(len(plots))
		for _, row := range n {
			sum, squares := 0.0, 0.0
			for _, x := range row {
				sum, squares = sum+x, squares+float64(x*x)
			}
			k -= squares / sum
		}
		if k > 0 {
			v.BlockSD = root((plain.rss - full.rss - float64(len(blocks)-1)*ms) / k)
		}
	}
	if least := dependent * norm(y); ms <= least*least && tree <= least*least { // all alike, but for rounding
		return bad("trial-vary-none", nil)
	}
	return v, nil
}
