package plan

import (
	"slices"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/dose"
	"sapward/plan/label"
	"sapward/plan/port"
)

// trunk is one girth on which ports go, with all that bounds them there.
type trunk struct {
	stem   tree.Stem
	place  label.Place
	girth  q.LengthSpan
	count  port.Count
	levels port.Levels
	wounds []tree.Wound
	holes  []port.Hole
	arcs   []port.Arc
	flares []float64
	even   dose.Counts // numbers of ports that fit at equal spacing
	any    dose.Counts // numbers that fit at all
	most   int         // greatest number looked at
	tried  bool        // unequal spacing has been tried
	why    *finding.Finding
	said   []finding.Finding
}

// limb is a limb that takes a share of the dose.
type limb struct {
	tree.Limb
	most int // ports it can take
}

// place is where this card's trunk ports go: the root flare before the trunk.
func placeOf(r label.PortRule) label.Place {
	if r.Allows(label.RootFlare) {
		return label.RootFlare
	}
	return label.Trunk
}

// season is the year in which the work counts wounds as old or recent; 0, when
// the day is open, counts every hole as recent.
func (j *Job) season() int { return j.r.On.Year }

// girthAt is the girth where ports go: the flare's, if that is where they go
// and it was taped, else the trunk's.
func girthAt(s tree.Stem, place label.Place) q.LengthSpan {
	if place == label.RootFlare {
		return s.PortGirth()
	}
	return s.Girth
}

// bareTrunk is a trunk without old holes or obstacles.
func (j *Job) bareTrunk(s tree.Stem, most int) trunk {
	rule := j.use.Ports
	k := trunk{stem: s, place: placeOf(rule), girth: girthAt(s, placeOf(rule)), levels: port.HeightLevels(rule, placeOf(rule), q.Length{})}
	k.count = port.Counts(rule, k.girth, 0)
	j.bound(&k, most)
	return k
}

// trunk gathers what is known of one stem of a tree that takes at most so many
// ports.
func (j *Job) trunk(t *tree.Tree, s tree.Stem, most int) trunk {
	wounds := ofStem(j.wounds[t.Tag], t, s.Name, func(w tree.Wound) string { return w.Stem })
	obstacles := ofStem(j.obstacles[t.Tag], t, s.Name, func(o tree.Obstacle) string { return o.Stem })
	if len(wounds) == 0 && len(obstacles) == 0 {
		return j.bareTrunk(s, most)
	}
	rule := j.use.Ports
	k := trunk{stem: s, place: placeOf(rule), girth: girthAt(s, placeOf(rule)), wounds: wounds}
	k.levels = port.HeightLevels(rule, k.place, q.Length{})
	var blocked []tree.Obstacle
	for _, o := range obstacles {
		if strings.EqualFold(o.Kind, "flare") || strings.EqualFold(o.Kind, "root flare") {
			width := port.Turn(o.ToDeg-o.FromDeg, 360)
			k.flares = append(k.flares, port.Turn(o.FromDeg+width/2, 360))
			continue
		}
		blocked = append(blocked, o)
	}
	hole := q.Length{}
	if rule.Hole.Known {
		hole = rule.Hole.Value
	}
	k.arcs = port.Arcs(blocked, k.girth, hole)
	low, high := k.heights()
	k.holes = port.Holes(wounds, port.KeepOutFor(rule.KeepOut), low, high, j.season())
	k.count = port.Counts(rule, k.girth, len(k.flares))
	j.bound(&k, most)
	return k
}

// ofStem returns the rows about one stem of a tree. A row without a stem, or
// with one the tree does not have, counts on every stem: a hole is never lost
// to a slip of the pen.
func ofStem[T any](rows []T, t *tree.Tree, stem string, name func(T) string) []T {
	if len(rows) == 0 || len(t.Stems) == 1 {
		return rows
	}
	var out []T
	for _, r := range rows {
		n := name(r)
		known := slices.ContainsFunc(t.Stems, func(s tree.Stem) bool { return strings.EqualFold(s.Name, n) })
		if n == "" || !known || strings.EqualFold(n, stem) {
			out = append(out, r)
		}
	}
	return out
}

// heights is the band of height that ports of this trunk may take, whatever
// their number.
func (k *trunk) heights() (low, high q.Length) {
	low, high = k.levels.Span(2)
	if l, h := k.levels.Span(3); high.Less(h) || l.Less(low) {
		if high.Less(h) {
			high = h
		}
		if l.Less(low) {
			low = l
		}
	}
	return low, high
}

// ring is the trunk's girth with its keep-outs.
func (j *Job) ring(k *trunk) port.Ring {
	return port.NewRing(k.girth, j.use.Ports, k.holes, k.arcs, k.flares)
}

// bound works out which numbers of ports the trunk can have: the card's counts,
// the wound share, and room between old holes and obstacles.
func (j *Job) bound(k *trunk, doseMost int) {
	if f, bad := k.levels.Finding(2); bad {
		k.why = j.at(f)
		return
	}
	if f, bad := k.count.Finding(); bad {
		k.why = j.at(f)
		return
	}
	most := min(k.count.Max, dose.MaxPorts, max(doseMost, k.count.Min))
	if hole := j.use.Ports.Hole; hole.Known {
		limits := port.WoundLimitsFor(j.use.Ports)
		room := port.MostPorts(k.wounds, j.season(), hole.Value, k.girth, limits.Max)
		if room < k.count.Min {
			share, _ := port.WoundShare(k.wounds, j.season(), k.count.Min, hole.Value, k.girth)
			if f, over := limits.Judge(share); over && f.Severity == finding.Refused {
				if f.Reason = j.r.Overrides[f.ID]; f.Reason == "" || f.Force == finding.Mandatory {
					f.Reason = ""
					k.why = j.at(f)
					return
				}
				f.Severity = finding.Warning
				k.said = append(k.said, *j.at(f))
			}
		} else {
			most = min(most, room)
			if share, ok := port.WoundShare(k.wounds, j.season(), k.count.Min, hole.Value, k.girth); ok {
				if f, over := limits.Judge(share); over {
					k.said = append(k.said, *j.at(f))
				}
			}
		}
	}
	if len(k.holes) == 0 && len(k.arcs) == 0 {
		k.even.AddRange(k.count.Min, most)
		k.any = k.even
		return
	}
	j.fit(k, most)
}

// fit finds the numbers of ports for which old holes and obstacles leave room.
func (j *Job) fit(k *trunk, most int) {
	r := j.ring(k)
	ns, evenly, err := port.Placeable(r, k.count.Min, most)
	if err != nil {
		f := finding.Finding{ID: "port-ring-bad", Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByEstimate}
		k.why = &f
		return
	}
	for _, n := range ns {
		k.any.Add(n)
		if evenly {
			k.even.Add(n)
		}
	}
	k.most, k.tried = most, !evenly
	if !k.any.Empty() {
		return
	}
	l, _ := port.Place(r, k.count.Min)
	keep := port.KeepOutFor(j.use.Ports.KeepOut)
	f, bad := l.Finding(k.count.Min, keep.SidewaysCard)
	if !bad {
		return
	}
	if reason := j.r.Overrides[f.ID]; reason != "" && f.Force == finding.Advisory && len(k.holes) > 0 {
		k.holes = nil // the default distance from old holes is set aside for this trunk
		f.Severity, f.Reason = finding.Warning, reason
		k.said = append(k.said, *j.at(f))
		j.fit(k, most)
		return
	}
	low, high := k.heights()
	if when, err := port.RoomOpens(r, k.wounds, keep, low, high, j.season(), k.count.Min, most); err == nil && when.Season > 0 {
		f.Args["season"] = finding.Text(exact.Int(int64(when.Season)).String())
	}
	k.why = j.at(f)
}

// reserved is how many numbers of ports at unequal spacing are looked for:
// enough for a fill to be found, few enough that a badly marked trunk does not
// hold up a block.
const reserved = 6

// reserve adds numbers of ports that fit only at unequal spacing, the smallest
// from least on. It is asked for when no number that fits evenly suits the
// dose.
func (j *Job) reserve(k *trunk, least int) {
	if k.tried || len(k.holes) == 0 && len(k.arcs) == 0 {
		return
	}
	k.tried = true
	r := j.ring(k)
	found := 0
	for n := max(k.count.Min, least); n <= k.most && found < reserved; n++ {
		if k.any.Has(n) {
			continue
		}
		if l, err := port.Place(r, n); err == nil && l.Reason == port.Placed {
			k.any.Add(n)
			found++
		}
	}
}

// at gives a finding its place on the card.
func (j *Job) at(f finding.Finding) *finding.Finding {
	if f.Ref != "" {
		f.Ref = j.ref + "." + f.Ref
	}
	return &f
}

// limbsOf returns the tree's limbs, when a share of the dose goes to limbs.
func (j *Job) limbsOf(t *tree.Tree) []limb {
	if j.r.LimbShare.Sign() == 0 {
		return nil
	}
	var out []limb
	for _, l := range j.limbs[t.Tag] {
		out = append(out, limb{l, port.LimbPorts(j.use.Ports, l)})
	}
	return out
}

// limbPorts is how many of n ports go to limbs: the limb share, rounded to the
// nearest port.
func (j *Job) limbPorts(n int) int {
	return int(exact.Int(int64(n)).Mul(j.r.LimbShare).Add(exact.Frac(1, 2)).Floor())
}

// countsOf returns the numbers of ports a unit can have on its trunks and
// limbs together, given the numbers of each trunk.
func (j *Job) countsOf(u *unit, set func(*trunk) dose.Counts) (counts dose.Counts) {
	for i := range u.trunks {
		if i == 0 {
			counts = set(&u.trunks[i])
			continue
		}
		counts = sums(counts, set(&u.trunks[i]))
	}
	if len(u.limbs) > 0 {
		counts = j.withLimbs(u, counts)
	}
	return j.upToMost(counts, u.sharers)
}

// standAgainst says what stands against ports on a unit's trunks and limbs, and
// keeps what there is to say.
func (j *Job) standAgainst(u *unit) []finding.Finding {
	for i := range u.trunks {
		k := &u.trunks[i]
		if k.why != nil {
			return []finding.Finding{*k.why}
		}
		u.findings = append(u.findings, k.said...)
	}
	for _, l := range u.limbs {
		for _, f := range port.LimbFindings(j.use.Ports, l.Limb, j.r.Climber) {
			if f.Severity == finding.Refused {
				return []finding.Finding{*j.at(f)}
			}
			u.findings = append(u.findings, *j.at(f))
		}
	}
	return nil
}

// upToMost keeps the card's greatest number of ports a tree, shared by the
// tree's dose units.
func (j *Job) upToMost(c dose.Counts, units int) dose.Counts {
	most := j.use.Ports.Max
	if most <= 0 {
		return c
	}
	var out dose.Counts
	for n := 1; n <= most/units; n++ {
		if c.Has(n) {
			out.Add(n)
		}
	}
	return out
}

// withLimbs turns trunk counts into counts over trunk and limbs.
func (j *Job) withLimbs(u *unit, trunk dose.Counts) (out dose.Counts) {
	for n := 1; n <= dose.MaxPorts; n++ {
		up := j.limbPorts(n)
		if trunk.Has(n-up) && (up == 0 || j.dealLimbs(u, up) != nil) {
			out.Add(n)
		}
	}
	return out
}

// dealLimbs divides limb ports by cross-section; nil when a limb would get
// more than its girth can take.
func (j *Job) dealLimbs(u *unit, ports int) []int {
	limbs := make([]tree.Limb, len(u.limbs))
	for i, l := range u.limbs {
		limbs[i] = l.Limb
	}
	parts, err := port.SplitLimbs(ports, limbs)
	if err != nil {
		return nil
	}
	for i, n := range parts {
		if n > u.limbs[i].most {
			return nil
		}
	}
	return parts
}

// sums is the set of sums of one member of each.
func sums(a, b dose.Counts) (out dose.Counts) {
	for x := max(a.Min(), 0); x <= a.Max(); x++ {
		if !a.Has(x) {
			continue
		}
		for y := max(b.Min(), 0); y <= b.Max(); y++ {
			if b.Has(y) {
				out.Add(x + y)
			}
		}
	}
	return out
}
