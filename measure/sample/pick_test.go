package sample_test

import (
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"sapward/measure/sample"
)

// oracle is PCG-DXSM with 128 bits of state, written from its definition
// (O'Neill 2014 with the DXSM output of 2019, constants from memory) in big
// integers: it shows that the drawing can be redone without this program.
type oracle struct{ state *big.Int }

func hex(s string) *big.Int {
	v, _ := new(big.Int).SetString(s, 16)
	return v
}

var (
	two128 = new(big.Int).Lsh(big.NewInt(1), 128)
	two64  = new(big.Int).Lsh(big.NewInt(1), 64)
)

func newOracle(seed uint64) *oracle {
	return &oracle{new(big.Int).Lsh(new(big.Int).SetUint64(seed), 64)}
}

func (o *oracle) next() *big.Int {
	o.state.Mul(o.state, hex("2360ed051fc65da44385df649fccf645"))
	o.state.Add(o.state, hex("5851f42d4c957f2d14057b7ef767814f"))
	o.state.Mod(o.state, two128)
	lo := new(big.Int).Mod(o.state, two64)
	hi := new(big.Int).Rsh(o.state, 64)
	mul := hex("da942042e4dd58b5")
	hi.Xor(hi, new(big.Int).Rsh(hi, 32))
	hi.Mod(hi.Mul(hi, mul), two64)
	hi.Xor(hi, new(big.Int).Rsh(hi, 48))
	lo.Or(lo, big.NewInt(1))
	return hi.Mod(hi.Mul(hi, lo), two64)
}

func (o *oracle) below(n int) int {
	b := big.NewInt(int64(n))
	reject := new(big.Int).Mod(two64, b)
	for {
		m := new(big.Int).Mul(o.next(), b)
		if new(big.Int).Mod(m, two64).Cmp(reject) >= 0 {
			return int(m.Rsh(m, 64).Int64())
		}
	}
}

func TestPick_Oracle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		block := rapid.IntRange(1, 300).Draw(t, "block")
		n := rapid.IntRange(1, block).Draw(t, "n")
		seed := rapid.Uint64().Draw(t, "seed")
		o := newOracle(seed)
		all := make([]int, block)
		for i := range all {
			all[i] = i + 1
		}
		for i := range n {
			j := i + o.below(block-i)
			all[i], all[j] = all[j], all[i]
		}
		want := slices.Sorted(slices.Values(all[:n]))
		got, err := sample.Pick(n, block, seed)
		if err != nil || !slices.Equal(got.Picked, want) {
			t.Fatalf("%v %v, want %v", got.Picked, err, want)
		}
		if got.Seed != seed || got.BlockTrees != block || got.Algorithm != sample.AlgorithmRandom {
			t.Fatalf("%+v", got)
		}
		// A smaller sample of the same seed is part of the larger one.
		less, err := sample.Pick((n+1)/2, block, seed)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range less.Picked {
			if !slices.Contains(got.Picked, k) {
				t.Fatalf("%v is not within %v", less.Picked, got.Picked)
			}
		}
	})
}

// Every one of the 20 sets of 3 out of 6 is equally likely: chi-square on 19
// degrees of freedom, 20,000 seeds; 43.82 is the 0.999 quantile (R qchisq). The
// seeds are fixed, so the outcome is too.
func TestPick_EqualChances(t *testing.T) {
	count := map[string]int{}
	const draws = 20000
	for seed := range uint64(draws) {
		p, err := sample.Pick(3, 6, seed)
		if err != nil {
			t.Fatal(err)
		}
		count[fmt.Sprint(p.Picked)]++
	}
	chi := 0.0
	for _, c := range count {
		d := float64(c) - draws/20.0
		chi += d * d / (draws / 20.0)
	}
	t.Logf("%d sets, chi-square %.1f on 19", len(count), chi)
	if len(count) != 20 || chi > 43.82 {
		t.Errorf("%d sets, chi-square %.1f", len(count), chi)
	}
}

// Walking order with a hand-made natural order; the order of the input does not
// matter, and no slice is changed.
func TestPickTags(t *testing.T) {
	order := []string{"1", "2", "10", "A", "A-1", "A-2", "A-10", "A-10b", "B002", "B02", "B2", "B3", "T9 x10", "T10 x2", "T010 x3"}
	r := rand.New(rand.NewPCG(1, 1))
	for seed := range uint64(50) {
		shuffled := slices.Clone(order)
		r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		before := slices.Clone(shuffled)
		whole, err := sample.PickTags(len(order), shuffled, seed)
		if err != nil || !slices.Equal(whole.Picked, order) {
			t.Fatalf("%q %v, want %q", whole.Picked, err, order)
		}
		some, err := sample.PickTags(4, shuffled, seed)
		if err != nil {
			t.Fatal(err)
		}
		numbers, err := sample.Pick(4, len(order), seed)
		if err != nil {
			t.Fatal(err)
		}
		for i, k := range numbers.Picked {
			if some.Picked[i] != order[k-1] {
				t.Fatalf("%q for the numbers %v", some.Picked, numbers.Picked)
			}
		}
		if !slices.Equal(shuffled, before) {
			t.Fatal("the caller's slice was changed")
		}
	}
	for _, tags := range [][]string{{"a", ""}, {"a", "b", "a"}} {
		if _, err := sample.PickTags(1, tags, 1); !errors.Is(err, sample.ErrTag) {
			t.Errorf("%q: %v", tags, err)
		}
	}
}

// The natural order is a total order: sorting any shuffle gives one result.
func TestPickTags_AnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tags := rapid.SliceOfNDistinct(rapid.StringMatching(`[a0-2]{1,5}`), 1, 30, rapid.ID[string]).Draw(t, "tags")
		a, err := sample.PickTags(len(tags), tags, 1)
		if err != nil {
			t.Fatal(err)
		}
		other := rapid.Permutation(tags).Draw(t, "other")
		b, err := sample.PickTags(len(tags), other, 1)
		if err != nil || !slices.Equal(a.Picked, b.Picked) {
			t.Fatalf("%q and %q, %v", a.Picked, b.Picked, err)
		}
	})
}

// Rows of 3, 0, 4 and 2 trees: the walk is 1/1 1/2 1/3, row 2 empty, then row 3
// upwards, row 4 downwards: 4/2, 4/1.
func TestPickRows_Walk(t *testing.T) {
	got, err := sample.PickRows(9, []int{3, 0, 4, 2}, 7)
	if err != nil {
		t.Fatal(err)
	}
	want := []sample.Place{{1, 1, 1}, {1, 2, 2}, {1, 3, 3}, {3, 1, 4}, {3, 2, 5}, {3, 3, 6}, {3, 4, 7}, {4, 2, 8}, {4, 1, 9}}
	if !slices.Equal(got.Picked, want) || got.BlockTrees != 9 || got.Algorithm != sample.AlgorithmRows {
		t.Errorf("%+v", got)
	}
}

// Every tree has the chance n/N, exactly: over the N possible starts each tree
// is taken n times; the steps between trees differ by at most one. The starts are
// gathered from many seeds.
func TestPickRows_EqualChances(t *testing.T) {
	for _, c := range []struct {
		n    int
		rows []int
	}{{3, []int{5, 5, 1}}, {4, []int{4, 4}}, {1, []int{7}}, {5, []int{3, 6, 4}}} {
		total := 0
		for _, r := range c.rows {
			total += r
		}
		seen := map[int]bool{}
		times := make([]int, total+1)
		for seed := uint64(0); len(seen) < total && seed < 10000; seed++ {
			start := newOracle(seed).below(total)
			if seen[start] {
				continue
			}
			seen[start] = true
			p, err := sample.PickRows(c.n, c.rows, seed)
			if err != nil || len(p.Picked) != c.n {
				t.Fatal(p, err)
			}
			for i, k := range p.Picked {
				times[k.Number]++
				if i > 0 {
					if step := k.Number - p.Picked[i-1].Number; step != total/c.n && step != (total+c.n-1)/c.n {
						t.Errorf("step %d of %d in %d", step, c.n, total)
					}
				}
			}
		}
		for k, v := range times[1:] {
			if v != c.n {
				t.Errorf("tree %d taken %d times of %d starts, want %d", k+1, v, total, c.n)
			}
		}
	}
}

func TestPick_Refuses(t *testing.T) {
	for _, c := range [][2]int{{0, 5}, {-1, 5}, {6, 5}, {1, 0}, {1, -3}} {
		if _, err := sample.Pick(c[0], c[1], 1); !errors.Is(err, sample.ErrBlock) {
			t.Error(c, err)
		}
		if _, err := sample.PickRows(c[0], []int{c[1]}, 1); !errors.Is(err, sample.ErrBlock) {
			t.Error(c, err)
		}
	}
	if _, err := sample.PickTags(2, []string{"a"}, 1); !errors.Is(err, sample.ErrBlock) {
		t.Error(err)
	}
	if _, err := sample.PickRows(1, nil, 1); !errors.Is(err, sample.ErrBlock) {
		t.Error(err)
	}
	if _, err := sample.PickRows(1, []int{1<<31 - 1, 1<<31 - 1}, 1); !errors.Is(err, sample.ErrBlock) {
		t.Error(err)
	}
	if p, err := sample.Pick(3, 1<<31-1, 5); err != nil || len(p.Picked) != 3 {
		t.Error(p, err)
	}
}
