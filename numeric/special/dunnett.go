package special

import "math"

// Correlations holds the correlations of estimates that are compared at once.
type Correlations struct {
	r      [][]float64
	lambda []float64   // r_ij = lambda_i lambda_j, where that is so
	alike  []int       // for each lambda how many share its size; 0 where an earlier one stands for it
	lower  [][]float64 // Cholesky factor, for the other case
	boxes  []float64   // P(max |Z| <= i/boxPer), worked out once, for the other case
}

// NewCorrelations takes a correlation matrix: symmetric, ones on the diagonal,
// positive definite; 1 to 40 rows. It returns false for any other.
//
// Correlations of the form r_ij = lambda_i lambda_j, as those of treatments
// against one control are in a design without gaps, are recognised: they need
// one integral only.
func NewCorrelations(r [][]float64) (*Correlations, bool) {
	k := len(r)
	if k < 1 || k > 40 {
		return nil, false
	}
	c := &Correlations{}
	for i := range r {
		if len(r[i]) != k || math.Abs(r[i][i]-1) > 1e-9 {
			return nil, false
		}
		for j := range i {
			if !(math.Abs(r[i][j]) < 1) || math.Abs(r[i][j]-r[j][i]) > 1e-9 {
				return nil, false
			}
		}
		c.r = append(c.r, append([]float64(nil), r[i]...))
	}
	if c.lower = cholesky(c.r); c.lower == nil {
		return nil, false
	}
	if c.lambda = products(c.r); c.lambda == nil {
		c.tabulate()
		return c, true
	}
	c.group()
	return c, true
}

// group counts lambdas of one size. Their sign does not matter: the box and the
// density of z are even.
func (c *Correlations) group() {
	c.alike = make([]int, len(c.lambda))
	for i, l := range c.lambda {
		j := 0
		for j < i && math.Abs(math.Abs(c.lambda[j])-math.Abs(l)) > 1e-13 {
			j++
		}
		c.alike[j]++
	}
}

// boxPer is the number of tabled half-widths per unit, boxTop the last one:
// beyond, the box holds all but 1e-15.
const (
	boxPer = 8
	boxTop = 9
)

// tabulate works out the boxes of correlations that are not of the product
// form. The nearest correlations of that form are worked out both ways and
// their error is taken off: in a design with a few gaps little is left of it.
func (c *Correlations) tabulate() {
	points := lattice(len(c.lower) - 1)
	near := nearest(c.r)
	c.boxes = make([]float64, boxTop*boxPer+1)
	for i := 1; i < len(c.boxes); i++ {
		b := float64(i) / boxPer
		v := conditioned(c.lower, b, points)
		if near != nil {
			v += near.box(b) - conditioned(near.lower, b, points)
		}
		c.boxes[i] = v
	}
}

// nearest returns correlations lambda_i lambda_j near those given, by repeated
// least squares; nil where there are none.
func nearest(r [][]float64) *Correlations {
	k := len(r)
	l := make([]float64, k)
	for i := range l {
		l[i] = 0.7
	}
	for range 200 {
		for i := range l {
			up, down := 0.0, 0.0
			for j := range l {
				if j != i {
					up += r[i][j] * l[j]
					down += l[j] * l[j]
				}
			}
			if down > 0 {
				l[i] = math.Min(math.Max(up/down, -0.98), 0.98)
			}
		}
	}
	m := make([][]float64, k)
	for i := range m {
		m[i] = make([]float64, k)
		for j := range m[i] {
			m[i][j] = l[i] * l[j]
		}
		m[i][i] = 1
	}
	lower := cholesky(m)
	if lower == nil {
		return nil
	}
	c := &Correlations{r: m, lower: lower, lambda: l}
	c.group()
	return c
}

// Product reports that the correlations have the form lambda_i lambda_j, for
// which Within is accurate to 1e-11, else to 1e-5 where they are near
// that form and to about 3e-4 where they are not.
func (c *Correlations) Product() bool { return c.lambda != nil }

// products returns lambda with r_ij = lambda_i lambda_j and |lambda| < 1, or nil.
func products(r [][]float64) []float64 {
	k := len(r)
	out := make([]float64, k)
	switch {
	case k == 1:
		return out
	case k == 2:
		l := math.Sqrt(math.Abs(r[0][1]))
		out[0], out[1] = l, math.Copysign(l, r[0][1])
		return out
	}
	for i := range out {
		// From the two others with the strongest correlations.
		a, b := -1, -1
		for j := range out {
			if j == i {
				continue
			}
			switch {
			case a < 0 || math.Abs(r[i][j]) > math.Abs(r[i][a]):
				a, b = j, a
			case b < 0 || math.Abs(r[i][j]) > math.Abs(r[i][b]):
				b = j
			}
		}
		if r[a][b] == 0 {
			continue
		}
		sq := r[i][a] * r[i][b] / r[a][b]
		if sq < 0 || sq >= 1 {
			return nil
		}
		out[i] = math.Sqrt(sq)
	}
	for i := 1; i < k; i++ {
		if r[0][i] < 0 {
			out[i] = -out[i]
		}
	}
	for i := range out {
		for j := range i {
			if math.Abs(out[i]*out[j]-r[i][j]) > 1e-9 {
				return nil
			}
		}
	}
	return out
}

func cholesky(a [][]float64) [][]float64 {
	l := make([][]float64, len(a))
	for i := range a {
		l[i] = make([]float64, i+1)
		for j := 0; j <= i; j++ {
			s := a[i][j]
			for m := range j {
				s -= l[i][m] * l[j][m]
			}
			if i != j {
				l[i][j] = s / l[j][j]
				continue
			}
			if !(s > 1e-12) {
				return nil
			}
			l[i][i] = math.Sqrt(s)
		}
	}
	return l
}

// latticePoints is the size of the lattice rule; each point is used with its
// mirror image.
const latticePoints = 4096

// lattice returns the points of a Richtmyer rule in d dimensions, fractions of
// n sqrt(prime), folded by |2x - 1| (Genz and Bretz 2009, Computation of
// Multivariate Normal and t Probabilities, section 4.2, from memory).
func lattice(d int) [][]float64 {
	roots := make([]float64, 0, d)
	for n := 2; len(roots) < d; n++ {
		prime := true
		for m := 2; m*m <= n; m++ {
			prime = prime && n%m != 0
		}
		if prime {
			roots = append(roots, math.Sqrt(float64(n)))
		}
	}
	out := make([][]float64, 0, 2*latticePoints)
	for i := range latticePoints {
		x, mirror := make([]float64, d), make([]float64, d)
		for j, r := range roots {
			_, f := math.Modf(float64(float64(i+1)*r) + 0.5)
			x[j] = math.Abs(2*f - 1)
			mirror[j] = 1 - x[j]
		}
		out = append(out, x, mirror)
	}
	return out
}

// Within returns P(max |T_i| <= d) for Student's t variables over one estimate
// of the standard deviation with df degrees of freedom (Dunnett 1955, J. Amer.
// Statist. Assoc. 50:1096):
//
//	P = integral f(s) integral phi(z) prod [Phi((d s + l_i z)/c_i) - Phi((-d s + l_i z)/c_i)] dz ds,
//
// c_i = sqrt(1 - l_i^2), f the density of sqrt(chi^2_df/df). Correlations of
// another form: Genz's sequential conditioning on a lattice of 4,096 points
// and their mirror images, in the same outer integral. df: at least 1, also +Inf; NaN outside.
func (c *Correlations) Within(d, df float64) float64 {
	if !(df >= 1) || math.IsNaN(d) {
		return math.NaN()
	}
	if d <= 0 {
		return 0
	}
	s, w := chiNodes(df)
	sum := 0.0
	for i := range s {
		sum += w[i] * c.box(d*s[i])
	}
	return math.Min(1, sum)
}

// box is P(max |Z_i| <= b) of the normal variables.
func (c *Correlations) box(b float64) float64 {
	if b > boxTop {
		return 1
	}
	if c.lambda == nil {
		return c.tabled(b)
	}
	steep := 1.0
	for _, l := range c.lambda {
		steep = math.Max(steep, math.Abs(l)/math.Sqrt(1-l*l))
	}
	h := zStep / steep
	// Both z and -z give the same, so one half is summed.
	half := c.slice(b, 0) / 2
	for i := 1; float64(i)*h <= 8.6; i++ {
		z := float64(i) * h
		half += math.Exp(-z*z/2) * c.slice(b, z)
	}
	return math.Min(1, 2*h*half*invSqrt2Pi)
}

// invSqrt2Pi is 1/sqrt(2 pi) (computed, 17 digits).
const invSqrt2Pi = 0.39894228040143268

// slice is the probability of the box given the shared part z, even in z.
func (c *Correlations) slice(b, z float64) float64 {
	p := 1.0
	for i, n := range c.alike {
		if n > 0 {
			l := math.Abs(c.lambda[i])
			q := math.Sqrt(1 - l*l)
			p *= power(phi((l*z+b)/q)-phi((l*z-b)/q), n)
		}
	}
	return p
}

// tabled interpolates the table of boxes by cubics through four neighbours.
func (c *Correlations) tabled(b float64) float64 {
	x := b * boxPer
	i := min(max(int(x)-1, 0), len(c.boxes)-4)
	t := x - float64(i)
	y := c.boxes[i : i+4]
	v := y[0]*(t-1)*(t-2)*(t-3)/-6 + y[1]*t*(t-2)*(t-3)/2 - y[2]*t*(t-1)*(t-3)/2 + y[3]*t*(t-1)*(t-2)/6
	return math.Min(1, math.Max(0, v))
}

// conditioned is the box by sequential conditioning.
func conditioned(lower [][]float64, b float64, points [][]float64) float64 {
	k := len(lower)
	y := make([]float64, k)
	sum := 0.0
	for _, x := range points {
		p := 1.0
		for i := range k {
			m := 0.0
			for j := range i {
				m += lower[i][j] * y[j]
			}
			below := phi((-b - m) / lower[i][i])
			between := phi((b-m)/lower[i][i]) - below
			p *= between
			if i+1 < k {
				y[i] = math.Sqrt2 * math.Erfinv(2*math.Min(math.Max(below+float64(x[i]*between), 1e-16), 1-1e-16)-1)
			}
		}
		sum += p
	}
	return sum / float64(len(points))
}

// Critical returns d with P(max |T_i| <= d) = p, p above 0 and below 1 - 1e-9;
// NaN outside.
func (c *Correlations) Critical(p, df float64) float64 {
	if !(p > 0 && p < 1-1e-9) || !(df >= 1) {
		return math.NaN()
	}
	return rising(func(d float64) float64 { return c.Within(d, df) }, p)
}
