package plume

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"sapward/flow/sap"
)

// Balance is where the dose is at a moment, in g.
type Balance struct {
	TimeD         float64
	DoseG         float64
	DepotG        float64 // not yet dissolved
	WoodG         float64 // in sapwood above the datum of the ports, by integrating the field
	BelowG        float64 // in wood below the datum, by integrating the field
	LeavesG       float64 // delivered to the leaves so far
	DecayedG      float64
	RetiredG      float64 // left behind in retired rings
	RelativeError float64 // (sum of all - dose)/dose
}

// MaxImbalance is the relative error of a balance at which a run fails.
const MaxImbalance = 1e-6

// BalanceError reports a run whose mass does not balance.
type BalanceError struct{ Balance Balance }

// Error returns the time and the relative error.
func (e *BalanceError) Error() string {
	return fmt.Sprintf("mass balance is off by %.2g of the dose at day %.4g", e.Balance.RelativeError, e.Balance.TimeD)
}

// Account follows the mass along a path of moments since application (as
// sap.Clock.Path gives): one balance for each moment.
//
//	depot + wood + below + leaves + decayed + retired = dose
//
// Wood is the integral of the field weighted by the pipes that still stand,
// leaves come from the closed form beyond each crown level, losses from
// integrating over the path (mass not yet delivered taken as linear in Lambda
// between moments; ring renewal at the end of its step), so that the sum is a
// check and not an identity. Errors: *BalanceError above MaxImbalance; an empty
// path, or one that runs backwards.
func (m *Model) Account(path []sap.Moment) ([]Balance, error) { return m.account(path, false) }

// flow is the state of one stream, per gram.
type flow struct{ depot, standing float64 }

func (m *Model) account(path []sap.Moment, lastOnly bool) ([]Balance, error) {
	if err := sap.Check(sap.Positive("path_moments", float64(len(path)))); err != nil {
		return nil, err
	}
	if path[0] != (sap.Moment{}) {
		path = append([]sap.Moment{{}}, path...)
	}
	balances := make([]Balance, 0, len(path))
	var sums Balance
	before := make([]flow, len(m.streams))
	for i := range before {
		before[i] = flow{standing: 1} // what is emplaced beyond a pipe's end goes to its leaves at once
	}
	for n, at := range path {
		last := path[max(0, n-1)]
		d := at.Since(last)
		if !(d.TimeD >= 0 && d.DistanceM >= 0 && d.Loss >= 0 && d.Springs >= 0) {
			return nil, &sap.InputError{Field: "path", Value: at.TimeD, Needs: "moments that do not run backwards"}
		}
		left := m.Remaining(last)
		kept := math.Exp(-d.Loss)
		carried := math.Pow(m.column.Medium.RingCarryOver, float64(d.Springs))
		b := Balance{TimeD: at.TimeD, DoseG: m.dose}
		for i := range m.streams {
			st := &m.streams[i]
			now := m.state(i, at.DistanceM)
			n0, n1 := before[i].standing, now.standing
			sums.LeavesG += st.mass * left * (n0 - n1) * meanKept(d.Loss)
			sums.DecayedG += st.mass * left * (n0*-math.Expm1(-d.Loss) + (n1-n0)*meanLost(d.Loss))
			sums.RetiredG += st.mass * left * kept * (1 - carried) * n1
			b.DepotG += st.mass * left * kept * carried * now.depot
			before[i] = now
			if !lastOnly || n == len(path)-1 {
				wood, below := m.inWood(i, at.DistanceM)
				b.WoodG += st.mass * left * kept * carried * wood
				b.BelowG += st.mass * left * kept * carried * below
			}
		}
		b.LeavesG, b.DecayedG, b.RetiredG = sums.LeavesG, sums.DecayedG, sums.RetiredG
		if lastOnly && n < len(path)-1 {
			continue
		}
		b.RelativeError = (b.DepotG+b.WoodG+b.BelowG+b.LeavesG+b.DecayedG+b.RetiredG)/b.DoseG - 1
		if !(math.Abs(b.RelativeError) < MaxImbalance) {
			return nil, &BalanceError{b}
		}
		balances = append(balances, b)
	}
	return balances, nil
}

// meanKept is the mean of e^-s over s in (0, loss); meanLost is the integral of
// (s/loss) e^-s over it. Both are exact for mass linear in Lambda.
func meanKept(loss float64) float64 {
	if loss < 1e-8 {
		return 1 - loss/2
	}
	return -math.Expm1(-loss) / loss
}

func meanLost(loss float64) float64 {
	if loss < 1e-4 {
		return loss/2 - loss*loss/3 + loss*loss*loss/8
	}
	return (-math.Expm1(-loss) - loss*math.Exp(-loss)) / loss
}

// state returns the depot and the mass not yet delivered, per gram of a stream.
func (m *Model) state(i int, x float64) flow {
	st := &m.streams[i]
	f := flow{depot: 1 - st.emission.Released(x), standing: 1}
	for _, l := range m.taper.levels {
		f.standing -= l.Share * m.tube.Beyond(st.emission, m.taper.at(l.HeightM)-st.xi, x)
	}
	return f
}

// gaussNodes and gaussWeights are the 10-point Gauss-Legendre rule on (-1, 1).
var gaussNodes, gaussWeights = func() ([]float64, []float64) {
	x, w := make([]float64, 10), make([]float64, 10)
	quad.Legendre{}.FixedLocations(x, w, -1, 1)
	return x, w
}()

// between returns the integral of f from a to b by one Gauss-Legendre panel.
func between(f func(float64) float64, a, b float64) float64 {
	sum := 0.0
	for i, x := range gaussNodes {
		sum += gaussWeights[i] * f((a+b)/2+(b-a)/2*x)
	}
	return sum * (b - a) / 2
}

// inWood integrates the density of a stream, per gram, over the wood above and
// below the datum, in the coordinate xi. Panels end where the density or the
// pipes have an edge, and at the speeds of the tubes' normal scores, so that a
// front of any steepness is resolved.
func (m *Model) inWood(i int, x float64) (above, below float64) {
	st := &m.streams[i]
	e, a := st.emission, m.tube.LogSD
	edges := []float64{-st.xi} // the datum
	fronts := [][2]float64{{e.FromM, x}, {e.ToM, x}}
	if e.ReleaseM > 0 {
		fronts = [][2]float64{{e.FromM, x}, {e.FromM, math.Max(0, x-e.ReleaseM)}}
	}
	for _, f := range fronts {
		edges = append(edges, f[0], f[0]+f[1])
		if f[1] > 0 && a > 0 {
			for score := -9.0; score <= 9; score += 0.75 {
				edges = append(edges, f[0]+f[1]*math.Exp(score*a-a*a/2))
			}
		}
	}
	ends := make([]float64, len(m.taper.levels))
	for j, l := range m.taper.levels {
		ends[j] = m.taper.at(l.HeightM) - st.xi
		edges = append(edges, ends[j])
	}
	edges = ascending(edges)
	if age, ok := e.point(x); ok && a == 0 { // plug flow of a point: no density to integrate
		return m.pointMass(st, e.FromM+math.Max(0, age), ends)
	}
	for n := 1; n < len(edges); n++ {
		lo, hi := edges[n-1], edges[n]
		if hi <= math.Min(e.FromM, -st.xi) {
			continue
		}
		standing := 1.0
		for j, end := range ends {
			if end <= lo {
				standing -= m.taper.levels[j].Share
			}
		}
		if standing < 1e-15 {
			break
		}
		mass := standing * between(func(u float64) float64 { return m.tube.Density(e, u, x) }, lo, hi)
		if hi <= -st.xi {
			below += mass
		} else {
			above += mass
		}
	}
	return above, below
}

// pointMass puts a whole gram at u above its port, less what has been delivered.
func (m *Model) pointMass(st *stream, u float64, ends []float64) (above, below float64) {
	standing := 1.0
	for j, end := range ends {
		if u >= end {
			standing -= m.taper.levels[j].Share
		}
	}
	if u < -st.xi {
		return 0, standing
	}
	return standing, 0
}
