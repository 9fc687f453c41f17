package sample

import (
	"fmt"
	"math/bits"
	"math/rand/v2"
	"slices"
	"strings"
)

// Algorithms of drawing, named in each result so that anyone can draw again.
const (
	AlgorithmRandom = "PCG-DXSM 128 (Go math/rand/v2 NewPCG, seed words SEED and 0); bounded numbers by multiply and reject (Lemire 2019); forward Fisher-Yates shuffle, first n"
	AlgorithmRows   = "PCG-DXSM 128 (Go math/rand/v2 NewPCG, seed words SEED and 0); bounded numbers by multiply and reject (Lemire 2019); one start r below N, tree floor((r + i N)/n) + 1 for i = 0 to n-1"
)

// Picked lists the trees to tape by their number, 1 to BlockTrees, in walking
// order.
type Picked struct {
	Picked     []int  `json:"picked"`
	BlockTrees int    `json:"block_trees"`
	Seed       uint64 `json:"seed"`
	Algorithm  string `json:"algorithm"`
}

// PickedTags lists the trees to tape by tag, in natural order of the tags.
type PickedTags struct {
	Picked     []string `json:"picked"`
	BlockTrees int      `json:"block_trees"`
	Seed       uint64   `json:"seed"`
	Algorithm  string   `json:"algorithm"`
}

// Place is a tree given by its row and its place in the row, both from 1. Places
// count from the same end in every row; Number counts along the walk.
type Place struct {
	Row    int `json:"row"`
	Place  int `json:"place"`
	Number int `json:"number"`
}

// PickedPlaces lists the trees to tape by row and place, in walking order.
type PickedPlaces struct {
	Picked     []Place `json:"picked"`
	BlockTrees int     `json:"block_trees"`
	Seed       uint64  `json:"seed"`
	Algorithm  string  `json:"algorithm"`
}

// below returns an unbiased number from 0 to n-1 (Lemire 2019, ACM Transactions
// on Modeling and Computer Simulation 29(1), from memory): the high word of a
// 64-bit draw times n, drawn again while the low word is below 2^64 mod n.
func below(src *rand.PCG, n uint64) uint64 {
	hi, lo := bits.Mul64(src.Uint64(), n)
	for threshold := -n % n; lo < threshold; {
		hi, lo = bits.Mul64(src.Uint64(), n)
	}
	return hi
}

func checkPick(n, block int) error {
	if block < 1 || n < 1 || n > block {
		return fmt.Errorf("%w: %d to be taped of %d", ErrBlock, n, block)
	}
	return nil
}

// Pick draws n of the trees numbered 1 to blockTrees at random without
// replacement: every set of n is equally likely. The same seed gives the same
// trees everywhere. A larger n with the same seed keeps the trees of the smaller
// one and adds to them, so that trunks already taped stay in the sample.
//
// Time and memory grow with n, not with blockTrees.
// Errors: ErrBlock unless 1 <= n <= blockTrees.
func Pick(n, blockTrees int, seed uint64) (Picked, error) {
	if err := checkPick(n, blockTrees); err != nil {
		return Picked{}, err
	}
	src := rand.NewPCG(seed, 0)
	moved := make(map[int]int, n) // the shuffled positions that differ from the start
	at := func(i int) int {
		if v, ok := moved[i]; ok {
			return v
		}
		return i
	}
	out := make([]int, n)
	for i := range n {
		j := i + int(below(src, uint64(blockTrees-i)))
		out[i] = at(j) + 1
		moved[j] = at(i)
	}
	slices.Sort(out)
	return Picked{out, blockTrees, seed, AlgorithmRandom}, nil
}

// PickTags draws n of the tags at random without replacement, as Pick does over
// the tags in natural order: runs of digits compare as numbers, so T2 comes
// before T10. The order in which the tags are given does not matter.
//
// Errors: ErrBlock unless 1 <= n <= len(tags); ErrTag for an empty tag or one
// that stands twice (a tree of several stems is one tree).
func PickTags(n int, tags []string, seed uint64) (PickedTags, error) {
	if err := checkPick(n, len(tags)); err != nil {
		return PickedTags{}, err
	}
	sorted := slices.Clone(tags)
	slices.SortFunc(sorted, compareNatural)
	for i, t := range sorted {
		if t == "" {
			return PickedTags{}, fmt.Errorf("%w: a tag is empty", ErrTag)
		}
		if i > 0 && t == sorted[i-1] {
			return PickedTags{}, fmt.Errorf("%w: %q stands twice", ErrTag, t)
		}
	}
	p, err := Pick(n, len(sorted), seed)
	if err != nil {
		return PickedTags{}, err
	}
	out := make([]string, n)
	for i, k := range p.Picked {
		out[i] = sorted[k-1]
	}
	return PickedTags{out, len(tags), seed, AlgorithmRandom + "; tags in natural order"}, nil
}

// PickRows draws n trees evenly along the rows from a random start. rows[i] is
// the number of trees in row i+1. The walk goes up the first row, down the
// second, and so on; every tree has the same chance n/N. Systematic samples
// spread well, but where the block has a pattern of the same step as the sample
// (a pollinator every tenth tree) they mislead, and the t interval is then only
// approximate (Freese 1962 on systematic sampling, from memory).
//
// Errors: ErrBlock for no row, a negative row, or unless 1 <= n <= trees in all.
func PickRows(n int, rows []int, seed uint64) (PickedPlaces, error) {
	total := 0
	for i, r := range rows {
		if r < 0 || r > 1<<31-1-total {
			return PickedPlaces{}, fmt.Errorf("%w: row %d has %d trees", ErrBlock, i+1, r)
		}
		total += r
	}
	if err := checkPick(n, total); err != nil {
		return PickedPlaces{}, err
	}
	src := rand.NewPCG(seed, 0)
	r := below(src, uint64(total))
	out := make([]Place, 0, n)
	row, before := 0, 0 // before: trees in the rows already walked
	for i := range n {
		k := int((r + uint64(i)*uint64(total)) / uint64(n))
		for k >= before+rows[row] {
			before += rows[row]
			row++
		}
		place := k - before + 1
		if row%2 == 1 {
			place = rows[row] - (k - before)
		}
		out = append(out, Place{Row: row + 1, Place: place, Number: k + 1})
	}
	return PickedPlaces{out, total, seed, AlgorithmRows}, nil
}

// compareNatural orders tags so that runs of ASCII digits compare as numbers;
// tags that differ only in leading zeros are ordered by their bytes.
func compareNatural(a, b string) int {
	x, y := a, b
	for x != "" && y != "" {
		if isDigit(x[0]) && isDigit(y[0]) {
			dx, dy := digits(x), digits(y)
			x, y = x[len(dx):], y[len(dy):]
			nx, ny := strings.TrimLeft(dx, "0"), strings.TrimLeft(dy, "0")
			if len(nx) != len(ny) {
				return len(nx) - len(ny)
			}
			if c := strings.Compare(nx, ny); c != 0 {
				return c
			}
			continue
		}
		if x[0] != y[0] {
			return int(x[0]) - int(y[0])
		}
		x, y = x[1:], y[1:]
	}
	if x != "" || y != "" {
		return len(x) - len(y)
	}
	return strings.Compare(a, b)
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// digits returns the run of digits s begins with.
func digits(s string) string {
	i := 0
	for i < len(s) && isDigit(s[i]) {
		i++
	}
	return s[:i]
}
