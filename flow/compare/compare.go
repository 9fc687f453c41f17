// Package compare puts injection beside infusion for one tree of a plan: how
// soon, how much of the tree and how long the active stands above the effective
// level entered, in every draw of what nobody knows for sure, and what would
// have to be known to say more. It says nothing of a disease or a pest.
//
// Both methods are followed through the same draws (package protect). Every
// probability is that of infusion against injection.
package compare

import (
	"errors"

	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/flow/sap"
)

// Defaults of a comparison.
const (
	// DefaultDraws and DefaultDays are those of the command line.
	DefaultDraws = 2000
	DefaultDays  = 365
	// mostDriverPoints is the number of base points for the Sobol indices, and
	// mostCalibrationDraws that of the draws that assays weigh; both go down with
	// the draws that are asked for, an eighth and eightfold of them.
	mostDriverPoints     = 256
	mostCalibrationDraws = 16384
)

// Question is what is compared: one tree with each method's ports.
type Question struct {
	Case      protect.Case
	Injection protect.Treatment // no port: this method is not to be had
	Infusion  protect.Treatment
	// Equal is both methods through an equal number of ports, so that ports and
	// method are not confused; nil: not asked. Injection comes first.
	Equal   []protect.Treatment
	Draws   int // 0: DefaultDraws
	Seed    uint64
	Workers int // 0: as many as processors; never changes the answer
	// Known are assays of trees treated before; none: the parameter tables alone.
	Known []protect.Sampled
}

// Method is what the draws say of one method.
type Method struct {
	Method plume.Method
	protect.Summary
	// Prior is the same before the assays were weighed; nil without assays.
	Prior *protect.Summary
}

// Pair is both methods followed through the same draws.
type Pair struct {
	Ports   int // equal number of ports; 0: each its own
	Methods []Method
	Chances *protect.Chances // infusion against injection; nil with one method only
}

// Answer is the whole comparison.
type Answer struct {
	Own       Pair  // each with the ports of its plan
	Equal     *Pair // both at an equal number of ports
	Prior     *protect.Chances
	Verdict   Verdict
	Drivers   []Driver
	Advice    []Advice
	Posterior *protect.Posterior
}

// ErrNoMethod: neither method has a port.
var ErrNoMethod = errors.New("no method to compare")

// ways returns the methods that can be had, injection first.
func (q Question) ways() []protect.Treatment {
	var out []protect.Treatment
	for _, t := range []protect.Treatment{q.Injection, q.Infusion} {
		if len(t.Ports) > 0 {
			out = append(out, t)
		}
	}
	return out
}

// Compare answers the question. The same question gives the same answer.
//
// Errors: ErrNoMethod; draws not 16 to 1e6; a value that the model cannot use.
func Compare(q Question) (Answer, error) {
	if q.Draws == 0 {
		q.Draws = DefaultDraws
	}
	if err := sap.Check(sap.Need{Field: "draws", Value: float64(q.Draws), OK: q.Draws >= 16 && q.Draws <= 1e6, Needs: "16 to 1e6"}); err != nil {
		return Answer{}, err
	}
	if len(q.ways()) == 0 {
		return Answer{}, ErrNoMethod
	}
	q.Case.Trunk = q.Case.Active.EffectiveMetric != plume.InLeaf // a trunk has no leaves to judge
	draws, err := protect.Draws(q.Case, q.Draws, q.Seed)
	if err != nil {
		return Answer{}, err
	}
	var a Answer
	own, outcomes, err := q.follow(q.ways(), draws)
	if err != nil {
		return a, err
	}
	a.Own = own
	if len(q.Known) > 0 {
		if draws, outcomes, err = q.weigh(&a); err != nil {
			return a, err
		}
	}
	if len(q.Equal) == 2 {
		pair, _, err := q.follow(q.Equal, draws)
		if err != nil {
			return a, err
		}
		pair.Ports = len(q.Equal[0].Ports)
		a.Equal = &pair
	}
	a.Verdict = judge(a.Own)
	if a.Own.Chances == nil {
		return a, nil
	}
	score := scores(outcomes, a.Verdict)
	if a.Advice, err = q.advise(draws, score); err != nil {
		return a, err
	}
	if a.Posterior == nil {
		a.Drivers, err = q.drivers(a.Verdict)
	} else {
		a.Drivers, err = q.ranked(draws, score)
	}
	return a, err
}

// follow runs treatments through draws.
func (q Question) follow(ways []protect.Treatment, draws []protect.Draw) (Pair, [][]protect.Outcome, error) {
	var p Pair
	var all [][]protect.Outcome
	for _, t := range ways {
		o, err := protect.Evaluate(q.Case, t, draws, q.Workers)
		if err != nil {
			return p, nil, err
		}
		s, err := protect.Summarise(q.Case, o)
		if err != nil {
			return p, nil, err
		}
		p.Methods = append(p.Methods, Method{Method: t.Method(), Summary: s})
		all = append(all, o)
	}
	if len(all) == 2 {
		x := protect.Compare(all[1], all[0])
		p.Chances = &x
	}
	return p, all, nil
}

// weigh replaces the prior by the draws that the assays leave, and keeps the
// prior beside them.
func (q Question) weigh(a *Answer) ([]protect.Draw, [][]protect.Outcome, error) {
	post, err := protect.CalibrateAll(q.Case, q.Known, min(mostCalibrationDraws, max(2048, 8*q.Draws)), q.Seed, q.Workers)
	if err != nil {
		return nil, nil, err
	}
	draws, err := post.Draws(q.Draws, q.Seed)
	if err != nil {
		return nil, nil, err
	}
	before := a.Own
	own, outcomes, err := q.follow(q.ways(), draws)
	if err != nil {
		return nil, nil, err
	}
	for i := range own.Methods {
		s := before.Methods[i].Summary
		own.Methods[i].Prior = &s
	}
	a.Own, a.Prior, a.Posterior = own, before.Chances, post
	return draws, outcomes, nil
}
