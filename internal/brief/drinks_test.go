package brief

import (
	"testing"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// How long a port drinks needs wood, crown and ports; more water taken by the
// tree is less time, and a card's pressure holds the device back.
func TestDrinks(t *testing.T) {
	known := &tree.Tree{Tag: "T1", Wood: tree.RingPorous, Crown: q.Known(q.New[q.LengthKind](800, "cm"))}
	laid := plan.Tree{Tag: "T1", DiameterCM: 40, Dose: 100_000, Ports: []plan.Port{{}, {}, {}, {}}}
	d := Drinks{DailyMm: 5, SunriseH: 5.5, SunsetH: 21, StartH: 8}
	minutes := func(d Drinks, card label.Card, m label.Method, by crew.Delivery) float64 {
		t.Helper()
		v, ok := d.Model(card, m, by)(known, laid)
		if !ok || v <= 0 {
			t.Fatalf("%v minutes, %v", v, ok)
		}
		return v
	}
	device := minutes(d, label.Card{}, label.Injection, crew.ByHand)
	held := label.Card{Uses: []label.Use{{Method: label.Injection, Pressure: q.Known(q.Range[q.PressureKind]{High: q.New[q.PressureKind](20, "kPa"), Low: q.New[q.PressureKind](0, "kPa")})}}}
	if slow := minutes(d, held, label.Injection, crew.ByHand); slow <= device {
		t.Errorf("held back to 20 kPa a port drinks for %v min, else %v", slow, device)
	}
	if other := minutes(d, held, label.Infusion, crew.ByHand); other != minutes(d, label.Card{}, label.Infusion, crew.ByHand) {
		t.Errorf("the pressure of another method holds infusion back: %v", other)
	}
	if gravity := minutes(d, label.Card{}, label.Injection, crew.Gravity); gravity <= device {
		t.Errorf("by gravity %v min, by device %v", gravity, device)
	}
	dry := d
	dry.DailyMm = 1
	if slow := minutes(dry, label.Card{}, label.Injection, crew.Gravity); slow <= minutes(d, label.Card{}, label.Injection, crew.Gravity) {
		t.Errorf("on a day of 1 mm a port drinks for %v min", slow)
	}
	for name, x := range map[string]*tree.Tree{"no wood": {Tag: "T1", Crown: known.Crown}, "no crown": {Tag: "T1", Wood: tree.RingPorous}} {
		if v, ok := d.Model(label.Card{}, label.Injection, crew.ByHand)(x, laid); ok {
			t.Errorf("%s: %v minutes", name, v)
		}
	}
	if _, ok := d.Model(label.Card{}, label.Injection, crew.ByHand)(known, plan.Tree{Tag: "T1", DiameterCM: 40}); ok {
		t.Error("no ports, and yet they drink")
	}
}
