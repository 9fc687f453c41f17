package web

import (
	"sync"
	"time"

	"sapward/internal/app"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// laid is a plan with what its pictures and papers need, of a draft or of an
// approved plan.
type laid struct {
	here      string
	name      string
	block     app.Block
	estate    app.Estate
	plan      plan.Plan
	card      label.Card
	inputs    app.Inputs
	wounds    []tree.Wound
	obstacles []tree.Obstacle
	limbs     []tree.Limb
	stamp     time.Time
	id        string
	version   int
}

// lastLaid keeps the plan last looked at for a moment, so that walking round a
// trunk does not plan the block anew at every step.
type lastLaid struct {
	mu  sync.Mutex
	key string
	at  time.Time
	l   laid
}

// turnable is how long a plan is kept for turning.
const turnable = 20 * time.Second

func (k *lastLaid) get(key string, now time.Time) (laid, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.l, k.key == key && now.Sub(k.at) < turnable
}

func (k *lastLaid) put(key string, now time.Time, l laid) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.key, k.at, k.l = key, now, l
}

func fromOutcome(d app.Draft, b app.BlockView, o app.Outcome) laid {
	return laid{
		here: "/drafts/" + d.ID, name: d.Facts.Name, block: b.Block, estate: b.Estate, plan: o.Plan, card: o.Request.Card, inputs: o.Inputs,
		wounds: o.Request.Wounds, obstacles: o.Request.Obstacles, limbs: o.Request.Limbs, id: d.ID, version: d.Version, stamp: d.At,
	}
}

func fromPlan(v app.PlanView) laid {
	return laid{
		here: "/plans/" + v.ID, name: v.Facts.Name, block: v.Block, estate: v.Estate, plan: v.Doc, card: v.Reading.Card, inputs: v.Inputs,
		wounds: v.Inputs.CoreWounds(), obstacles: v.Inputs.CoreObstacles(), limbs: v.Inputs.CoreLimbs(), id: v.ID, version: v.Version, stamp: v.At,
	}
}

// places are where the trees of a plan stood when it was made.
func (l laid) places() (out []app.Place) {
	for _, t := range l.inputs.Trees {
		out = append(out, app.Place{Tag: t.Tag, Status: t.Status, DiameterCM: t.Diameter(), XM: t.XM, YM: t.YM, Lat: t.Lat, Lon: t.Lon})
	}
	return out
}
