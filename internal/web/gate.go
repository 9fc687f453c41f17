package web

import (
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/plan/crew"
)

// gateView is the morning's gate of an approved plan.
type gateView struct {
	Form    form
	Outcome string
	On      string
	Items   []crew.Item
	May     bool
}

// asked are the items a person answers by hand; the others follow from readings.
func byHand(items []crew.Item) (out []crew.Item) {
	for _, it := range items {
		switch it.ID {
		case crew.GateContainer, crew.GateTemperature, crew.GateDeficit, crew.GateHeat, crew.GateCertificate, crew.GateBloom, crew.GateRegistration, crew.GateMonth, crew.GatePlan:
			continue
		}
		out = append(out, it)
	}
	return out
}

func (c *call) gateForm(here string, items []crew.Item) form {
	f := form{Name: "gate", Action: here + "/gate", Submit: c.T("web-gate-keep"), Once: true, Wide: true, Inputs: []input{
		{Name: "on", Label: c.T("web-today"), Kind: "date"},
		{Name: "container", Label: c.T("web-container")},
		{Name: "temperature", Label: c.T("web-temperature"), Kind: "number", Unit: pick(c.US, "°F", "°C")},
		{Name: "certificate", Label: c.T("web-certificate"), Kind: "date"},
		{Name: "bloom", Label: c.T("web-bloom"), Kind: "select", Options: []option{{"", c.T("web-not-said")}, {"no", c.T("web-bloom-no")}, {"yes", c.T("web-bloom-yes")}, {"after", c.T("web-bloom-after")}}},
	}}
	answers := []option{{"", c.T("crew-unanswered")}, {"yes", c.T("crew-yes")}, {"no", c.T("crew-no")}}
	for _, it := range byHand(items) {
		f.Inputs = append(f.Inputs, input{Name: it.ID, Label: c.T(it.ID), Kind: "select", Options: answers})
	}
	return f
}

// keepGate keeps a morning's answers and says go or not.
func (s *Server) keepGate(c *call) error {
	g := brief.Gate{On: c.field("on"), Bloom: c.field("bloom"), CertificateTo: c.field("certificate"), Answers: map[string]bool{}}
	for _, n := range strings.FieldsFunc(c.field("container"), func(r rune) bool { return r == ',' || r == ';' }) {
		if n = strings.TrimSpace(n); n != "" {
			g.Containers = append(g.Containers, n)
		}
	}
	if text := c.field("temperature"); text != "" {
		x, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil {
			return &finding.Fault{Class: finding.Usage, ID: "web-temperature-bad"}
		}
		if c.US {
			x = (x - 32) / 1.8
		}
		g.Temperature = &x
	}
	for name, values := range c.r.PostForm {
		if strings.HasPrefix(name, "gate-") && len(values) > 0 && values[0] != "" {
			g.Answers[name] = values[0] == "yes"
		}
	}
	if _, err := s.app.KeepGate(c.r.Context(), c.actor, c.id(), g); err != nil {
		return err
	}
	return c.gone("/plans/"+c.id()+"#gate", c.T("web-done-gate"), "")
}
