package trial

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strconv"
	"strings"

	"sapward/finding"
)

// Site is a tree of the block that a trial may use.
type Site struct {
	Tree       string
	SizeCM     *float64 // trunk diameter
	CrownClass *float64
	DistanceM  *float64 // to the nearest infected tree
	Block      string   // given by the user
	X, Y       *float64 // m
	Infected   bool     // shows the disease or is dead of it
	Unfit      bool     // infected, suspect or struck out: not in the trial
	Where      finding.Where
}

// Distances returns the sites with the distance to the nearest infected tree
// where none was given, both trees having positions.
func Distances(sites []Site) []Site {
	out := slices.Clone(sites)
	var infected []place
	for _, s := range sites {
		if s.Infected && s.X != nil && s.Y != nil {
			infected = append(infected, place{*s.X, *s.Y})
		}
	}
	for i, s := range out {
		if s.DistanceM != nil || s.X == nil || s.Y == nil {
			continue
		}
		nearest := math.Inf(1)
		for _, o := range infected {
			nearest = math.Min(nearest, math.Hypot(*s.X-o.X, *s.Y-o.Y))
		}
		out[i].DistanceM = some(nearest)
	}
	return out
}

// BlockBy names what plots are sorted by to form blocks.
type BlockBy string

// What blocks are formed by: trunk size, crown class, distance to infection,
// the order of the file (along the rows), or a column of the user.
const (
	BySize     BlockBy = "size"
	ByCrown    BlockBy = "crown"
	ByDistance BlockBy = "distance"
	ByOrder    BlockBy = "order"
	ByColumn   BlockBy = "column"
)

// Request asks for a layout.
type Request struct {
	Design       Design
	Treatments   []string
	Control      string
	Subs         []string // second factor of a split plot
	Replicates   int      // plots (main plots in a split plot) of each treatment
	TreesPerPlot int      // 0: 1
	BlockBy      BlockBy
	BufferTrees  int     // trees left out between plots, along the order of the file
	GraftM       float64 // root-graft distance: trees of other plots nearer than this are buffers
	Unit         string  // tree or plot
	PreRated     bool    // an assessment before the treatment is stored
	Blinded      bool    // the assessor does not know the treatments
	Seed         uint64
}

// Plot is one experimental unit of a layout.
type Plot struct {
	Plot      int      `json:"plot"`
	Block     string   `json:"block,omitempty"`
	Main      int      `json:"main_plot,omitempty"`
	Treatment string   `json:"treatment"`
	Sub       string   `json:"sub,omitempty"`
	Letter    string   `json:"letter"` // stands for the treatment on sheets without its name
	Trees     []string `json:"trees"`
	SizeCM    *float64 `json:"mean_size_cm,omitempty"`
	Crown     *float64 `json:"mean_crown_class,omitempty"`
	DistanceM *float64 `json:"mean_distance_m,omitempty"`
}

// PlacedTree says what became of each tree of the file.
type PlacedTree struct {
	Tree string   `json:"tree"`
	Role string   `json:"role"` // plot, buffer, unused, unfit
	Plot int      `json:"plot,omitempty"`
	X    *float64 `json:"x_m,omitempty"`
	Y    *float64 `json:"y_m,omitempty"`
}

// Layout is the answer to `sapward trial design`.
type Layout struct {
	Design       Design            `json:"design"`
	Treatments   []string          `json:"treatments"`
	Subs         []string          `json:"subs,omitempty"`
	Control      string            `json:"control,omitempty"`
	Letters      map[string]string `json:"letters"` // by treatment
	Replicates   int               `json:"replicates"`
	TreesPerPlot int               `json:"trees_per_plot"`
	BlockBy      BlockBy           `json:"block_by,omitempty"`
	BufferTrees  int               `json:"buffer_trees"`
	GraftM       float64           `json:"graft_m"`
	Unit         string            `json:"unit"`
	Seed         uint64            `json:"seed"`
	Generator    string            `json:"generator"`
	ResidualDF   int               `json:"residual_df"`
	Plots        []Plot            `json:"plots"`
	Trees        []PlacedTree      `json:"trees"`
	Notes        []finding.Finding `json:"notes"`
}

// Generator names how random numbers come about, so that anyone can deal the
// treatments again.
const Generator = "PCG-DXSM, state words seed and 0x5361707761726400; each shuffle runs i from n-1 to 1 and swaps i with j = IntN(i+1)"

// ResidualDF is the number of degrees of freedom left for the error that tests
// the treatments: t(r-1), (t-1)(r-1) in complete blocks and on main plots.
func ResidualDF(d Design, treatments, replicates int) int {
	if d == CRD {
		return treatments * (replicates - 1)
	}
	return (treatments - 1) * (replicates - 1)
}

// LayOut makes plots of the trees, forms blocks and deals the treatments.
//
// Plots are runs of neighbouring trees in the order of the file; between them
// BufferTrees trees are left out, and with positions every tree nearer than
// GraftM to a tree of another plot is (Epstein 1978 found grafts of elms mostly
// within 7.6 m, from memory). More plots than needed are thinned at random.
// Blocks are runs of plots sorted by the mean of BlockBy. Treatments are dealt
// inside blocks by the generator named, and letters to treatments.
//
// Errors: finding.Faults, all at once.
func LayOut(sites []Site, q Request) (Layout, error) {
	q, err := q.filled(sites)
	if err != nil {
		return Layout{}, err
	}
	l := Layout{Design: q.Design, Treatments: slices.Clone(q.Treatments), Subs: slices.Clone(q.Subs), Control: q.Control, Replicates: q.Replicates,
		TreesPerPlot: q.TreesPerPlot, BlockBy: q.BlockBy, BufferTrees: q.BufferTrees, GraftM: q.GraftM, Unit: q.Unit, Seed: q.Seed,
		Generator: Generator, Letters: map[string]string{}, Notes: []finding.Finding{}}
	if q.Design == CRD {
		l.BlockBy = ""
	}
	rng := rand.New(rand.NewPCG(q.Seed, stream))
	runs, role := q.runs(sites)
	if q.Design == SplitPlot {
		runs = joined(runs, len(q.Subs))
	}
	blocks, err := q.blocks(sites, runs, rng)
	if err != nil {
		return Layout{}, err
	}
	letters := rng.Perm(len(q.Treatments))
	for i, k := range letters {
		l.Letters[q.Treatments[k]] = letter(i)
	}
	for b, block := range blocks {
		deal := make([]string, 0, len(block.runs))
		for i := range block.runs {
			deal = append(deal, q.Treatments[i%len(q.Treatments)])
		}
		shuffle(rng, deal)
		for i, run := range block.runs {
			subs := []string{""}
			if q.Design == SplitPlot {
				subs = slices.Clone(q.Subs)
				shuffle(rng, subs)
			}
			for s, sub := range subs {
				members := run[s*len(run)/len(subs) : (s+1)*len(run)/len(subs)]
				p := Plot{Block: block.name, Treatment: deal[i], Sub: sub, Letter: l.Letters[deal[i]]}
				if q.Design == SplitPlot {
					p.Main = b*len(q.Treatments) + i + 1
				}
				for _, m := range members {
					p.Trees = append(p.Trees, sites[m].Tree)
				}
				p.SizeCM = meanOf(sites, members, func(s Site) *float64 { return s.SizeCM })
				p.Crown = meanOf(sites, members, func(s Site) *float64 { return s.CrownClass })
				p.DistanceM = meanOf(sites, members, func(s Site) *float64 { return s.DistanceM })
				l.Plots = append(l.Plots, p)
			}
		}
	}
	// Plot numbers follow the order of the trees in the file, so that they tell
	// nothing about block or treatment.
	first := map[string]int{}
	for i, s := range sites {
		first[s.Tree] = i
	}
	sort.SliceStable(l.Plots, func(i, j int) bool { return first[l.Plots[i].Trees[0]] < first[l.Plots[j].Trees[0]] })
	plotOf := map[string]int{}
	for i := range l.Plots {
		l.Plots[i].Plot = i + 1
		for _, t := range l.Plots[i].Trees {
			plotOf[t] = i + 1
		}
	}
	for i, s := range sites {
		t := PlacedTree{Tree: s.Tree, Role: role[i], Plot: plotOf[s.Tree], X: s.X, Y: s.Y}
		if t.Plot > 0 {
			t.Role = "plot"
		} else if t.Role == "plot" {
			t.Role = "unused"
		}
		l.Trees = append(l.Trees, t)
	}
	l.ResidualDF = ResidualDF(q.Design, len(q.Treatments), q.Replicates)
	l.check(sites, q)
	finding.Sort(l.Notes)
	return l, nil
}

// shuffle is Fisher and Yates' (Durstenfeld 1964).
func shuffle[T any](rng *rand.Rand, x []T) {
	for i := len(x) - 1; i > 0; i-- {
		j := rng.IntN(i + 1)
		x[i], x[j] = x[j], x[i]
	}
}

// letter names the i-th treatment: A to Z, AA and on.
func letter(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return letter(i/26-1) + letter(i%26)
}

// filled checks the request.
func (q Request) filled(sites []Site) (Request, error) {
	var fs finding.Faults
	usage := func(id string, a finding.Args) {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: id, Args: a})
	}
	option := func(name, text string) {
		usage("trial-option-unknown", finding.Args{"option": finding.Text(name), "text": finding.Text(text)})
	}
	if !q.Design.Known() {
		option("design", string(q.Design))
	}
	if q.TreesPerPlot == 0 {
		q.TreesPerPlot = 1
	}
	if q.Unit == "" {
		q.Unit = "tree"
		if q.TreesPerPlot > 1 {
			q.Unit = "plot"
		}
	}
	if q.Unit != "tree" && q.Unit != "plot" {
		option("unit", q.Unit)
	}
	if q.Unit == "tree" && q.TreesPerPlot > 1 {
		usage("trial-unit-tree", finding.Args{"count": finding.Count(q.TreesPerPlot)})
	}
	if q.BlockBy == "" && q.Design != CRD {
		q.BlockBy = ByOrder
	}
	switch q.BlockBy {
	case "", BySize, ByCrown, ByDistance, ByOrder, ByColumn:
	default:
		option("block-by", string(q.BlockBy))
	}
	names := func(list []string, least int, id string) {
		seen := map[string]bool{}
		for _, s := range list {
			if s == "" || seen[strings.ToLower(s)] {
				usage("trial-name-twice", finding.Args{"name": finding.Text(s)})
			}
			seen[strings.ToLower(s)] = true
		}
		if len(list) < least || len(list) > 40 {
			usage(id, finding.Args{"count": finding.Count(len(list))})
		}
	}
	names(q.Treatments, 2, "trial-treatments-count")
	if q.Design == SplitPlot {
		names(q.Subs, 2, "trial-subs-count")
	} else if len(q.Subs) > 0 {
		usage("trial-subs-without-split", nil)
	}
	if q.Control != "" && !slices.Contains(q.Treatments, q.Control) {
		usage("trial-control-unknown", finding.Args{"control": finding.Text(q.Control), "treatments": finding.Text(strings.Join(q.Treatments, ", "))})
	}
	for _, x := range []struct {
		option      string
		v, low, top int
	}{{"replicates", q.Replicates, 2, 1000}, {"trees-per-plot", q.TreesPerPlot, 1, 1000}, {"buffer", q.BufferTrees, 0, 1000}} {
		if x.v < x.low || x.v > x.top {
			usage("trial-option-range", finding.Args{"option": finding.Text(x.option), "value": finding.Count(x.v), "low": finding.Count(x.low), "high": finding.Count(x.top)})
		}
	}
	if !(q.GraftM >= 0 && q.GraftM <= 1000) {
		usage("trial-option-range", finding.Args{"option": finding.Text("graft"), "value": finding.Text(strconv.FormatFloat(q.GraftM, 'g', -1, 64)), "low": finding.Count(0), "high": finding.Count(1000)})
	}
	if len(sites) == 0 {
		fs = append(fs, finding.Bad("trial-no-trees", finding.Where{}, nil))
	}
	seen := map[string]bool{}
	for _, s := range sites {
		a := finding.Args{"tree": finding.Text(s.Tree)}
		if seen[s.Tree] {
			fs = append(fs, finding.Bad("trial-tree-twice", s.Where, a))
		}
		seen[s.Tree] = true
		if s.Unfit {
			continue
		}
		if q.Design == CRD {
			continue
		}
		missing := map[BlockBy]bool{BySize: s.SizeCM == nil, ByCrown: s.CrownClass == nil, ByDistance: s.DistanceM == nil, ByColumn: s.Block == ""}
		if missing[q.BlockBy] {
			a["what"] = finding.Text(string(q.BlockBy))
			fs = append(fs, finding.Bad("trial-key-missing", s.Where, a))
		}
	}
	return q, fs.OrNil()
}

// runs cuts the fit trees into runs of TreesPerPlot neighbours with buffers
// between; role is what each tree is so far.
func (q Request) runs(sites []Site) (runs [][]int, role []string) {
	role = make([]string, len(sites))
	located := q.GraftM > 0
	for _, s := range sites {
		located = located && s.X != nil && s.Y != nil
	}
	taken := cells{side: q.GraftM, at: map[[2]int][]place{}}
	var run []int
	skip := 0
	for i, s := range sites {
		switch {
		case s.Unfit:
			role[i] = "unfit"
			run = release(run, role) // a plot is not interrupted by a dead tree
			continue
		case skip > 0:
			role[i] = "buffer"
			skip--
			continue
		case len(run) > 0 && q.BlockBy == ByColumn && q.Design != CRD && sites[run[0]].Block != s.Block:
			run = release(run, role)
		}
		if located && taken.near(place{*s.X, *s.Y}) {
			role[i] = "buffer"
			run = release(run, role)
			continue
		}
		role[i] = "plot"
		run = append(run, i)
		if len(run) == q.TreesPerPlot {
			runs = append(runs, run)
			for _, k := range run {
				if located {
					taken.add(place{*sites[k].X, *sites[k].Y})
				}
			}
			run, skip = nil, q.BufferTrees
		}
	}
	release(run, role)
	return runs, role
}

// release gives back the trees of a run that did not fill a plot.
func release(run []int, role []string) []int {
	for _, i := range run {
		role[i] = "unused"
	}
	return nil
}

// place is a position in metres.
type place struct{ X, Y float64 }

// cells finds points nearer than side without looking at all of them.
type cells struct {
	side float64
	at   map[[2]int][]place
}

func (c cells) cell(p place) [2]int {
	return [2]int{int(math.Floor(p.X / c.side)), int(math.Floor(p.Y / c.side))}
}

func (c cells) add(p place) { c.at[c.cell(p)] = append(c.at[c.cell(p)], p) }

// near reports whether a point is nearer to p than side.
func (c cells) near(p place) bool {
	k := c.cell(p)
	for dx := -1; dx <= 1; dx++ {
		for dy := -1; dy <= 1; dy++ {
			for _, o := range c.at[[2]int{k[0] + dx, k[1] + dy}] {
				if math.Hypot(p.X-o.X, p.Y-o.Y) < c.side {
					return true
				}
			}
		}
	}
	return false
}

// joined makes main plots of n runs each.
func joined(runs [][]int, n int) (out [][]int) {
	for i := 0; i+n <= len(runs); i += n {
		out = append(out, slices.Concat(runs[i:i+n]...))
	}
	return out
}

type block struct {
	name string
	runs [][]int
}

// blocks thins the runs to the number needed and forms the blocks.
func (q Request) blocks(sites []Site, runs [][]int, rng *rand.Rand) ([]block, error) {
	t := len(q.Treatments)
	need := t * q.Replicates
	short := func(have int, where string) error {
		return finding.Faults{finding.Bad("trial-few-trees", finding.Where{}, finding.Args{"have": finding.Count(have), "need": finding.Count(need), "where": finding.Text(where)})}
	}
	if q.Design != CRD && q.BlockBy == ByColumn {
		var names []string
		by := map[string][][]int{}
		for _, r := range runs {
			name := sites[r[0]].Block
			if by[name] == nil {
				names = append(names, name)
			}
			by[name] = append(by[name], r)
		}
		sortNames(names)
		var out []block
		for _, name := range names {
			if len(by[name]) >= t {
				out = append(out, block{name, thin(by[name], t, rng)})
			}
		}
		if len(out) < q.Replicates {
			return nil, short(len(out)*t, strings.Join(names, ", "))
		}
		if len(out) > q.Replicates {
			index := make([]int, len(out))
			for i := range index {
				index[i] = i
			}
			shuffle(rng, index)
			index = index[:q.Replicates]
			slices.Sort(index)
			kept := make([]block, 0, q.Replicates)
			for _, i := range index {
				kept = append(kept, out[i])
			}
			out = kept
		}
		return out, nil
	}
	if len(runs) < need {
		return nil, short(len(runs), "")
	}
	runs = thin(runs, need, rng)
	if q.Design == CRD {
		return []block{{"", runs}}, nil
	}
	key := func(r []int) float64 {
		var v *float64
		switch q.BlockBy {
		case BySize:
			v = meanOf(sites, r, func(s Site) *float64 { return s.SizeCM })
		case ByCrown:
			v = meanOf(sites, r, func(s Site) *float64 { return s.CrownClass })
		case ByDistance:
			v = meanOf(sites, r, func(s Site) *float64 { return s.DistanceM })
		default:
			return float64(r[0])
		}
		return *v
	}
	sort.SliceStable(runs, func(i, j int) bool { return key(runs[i]) < key(runs[j]) })
	var out []block
	for b := range q.Replicates {
		out = append(out, block{strconv.Itoa(b + 1), runs[b*t : (b+1)*t]})
	}
	return out, nil
}

// thin keeps n runs at random, in their order.
func thin(runs [][]int, n int, rng *rand.Rand) [][]int {
	index := make([]int, len(runs))
	for i := range index {
		index[i] = i
	}
	if len(runs) > n {
		shuffle(rng, index)
		index = index[:n]
		slices.Sort(index)
	}
	out := make([][]int, 0, n)
	for _, i := range index {
		out = append(out, runs[i])
	}
	return out
}

// meanOf is the mean of a measure over trees, nil where one lacks it.
func meanOf(sites []Site, members []int, of func(Site) *float64) *float64 {
	sum := 0.0
	for _, i := range members {
		v := of(sites[i])
		if v == nil {
			return nil
		}
		sum += *v
	}
	if len(members) == 0 {
		return nil
	}
	return some(sum / float64(len(members)))
}

// check says what the layout leaves open (RULES section 5).
func (l *Layout) check(sites []Site, q Request) {
	say := func(f finding.Finding) { l.Notes = append(l.Notes, f) }
	if q.Control == "" {
		say(practice("trial-no-control", finding.Warning, nil))
	}
	if q.Replicates < LeastReplicates {
		say(practice("trial-few-replicates", finding.Warning, finding.Args{"count": finding.Count(q.Replicates), "least": finding.Count(LeastReplicates)}))
	}
	if l.ResidualDF < LeastDF {
		say(practice("trial-few-df", finding.Warning, finding.Args{"df": finding.Count(l.ResidualDF), "least": finding.Count(LeastDF)}))
	}
	if !q.PreRated {
		say(practice("trial-no-pre-rating", finding.Open, nil))
	}
	if !q.Blinded {
		say(practice("trial-not-blinded", finding.Open, nil))
	}
	if q.TreesPerPlot > 1 {
		say(practice("trial-trees-are-subsamples", finding.Note, finding.Args{"count": finding.Count(q.TreesPerPlot)}))
	}
	located := true
	for _, s := range sites {
		located = located && s.X != nil && s.Y != nil
	}
	switch {
	case q.GraftM == 0 && q.BufferTrees == 0:
		say(practice("trial-no-buffer", finding.Warning, nil))
	case q.GraftM > 0 && !located:
		say(practice("trial-no-positions", finding.Open, nil))
	}
	if q.GraftM > 0 && located {
		pairs := l.grafted(q.GraftM)
		if pairs.TreeCount > 0 {
			say(pairs)
		}
	}
	counts := map[string]int{}
	for _, t := range l.Trees {
		counts[t.Role]++
	}
	say(note("trial-trees-used", finding.Note, finding.Args{"plot": finding.Count(counts["plot"]), "buffer": finding.Count(counts["buffer"]),
		"unused": finding.Count(counts["unused"]), "unfit": finding.Count(counts["unfit"])}))
}

// grafted names trees of different plots nearer than the graft distance.
func (l *Layout) grafted(graft float64) finding.Finding {
	f := practice("trial-grafted-neighbours", finding.Warning, finding.Args{"distance": finding.Number(graft, "m")})
	var rated []PlacedTree
	for _, t := range l.Trees {
		if t.Plot > 0 {
			rated = append(rated, t)
		}
	}
	for i, a := range rated {
		for _, b := range rated[:i] {
			if a.Plot != b.Plot && math.Hypot(*a.X-*b.X, *a.Y-*b.Y) < graft {
				f.AddTree(b.Tree + "-" + a.Tree)
			}
		}
	}
	return f
}
