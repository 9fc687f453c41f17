package web

import (
	"encoding/json"
	"strconv"

	"sapward/plan/crew"
)

// priced are the items that settings ask a price for.
var priced = []struct{ item, unit string }{
	{crew.CostProduct, "L"}, {crew.CostLabour, "h"}, {"kit-ports", "piece"}, {"kit-syringes", "piece"}, {"kit-bits", "piece"}, {"kit-paint", "piece"},
}

// stepRows are the step times a day is planned with, and where they come from.
func (v *view) stepRows(own json.RawMessage) (rows []stepRow, source string) {
	steps, err := crew.DefaultSteps()
	source = v.T("web-steps-default")
	if len(own) > 0 {
		if s, ownErr := crew.ParseSteps(own); ownErr == nil {
			steps, source = s, s.Source
		}
	}
	if err != nil {
		return nil, source
	}
	for _, s := range steps.Steps {
		text := ""
		if s.PerTreeS > 0 {
			text = v.S("web-per-tree", "s", s.PerTreeS)
		}
		if s.PerPortS > 0 {
			if text != "" {
				text += " + "
			}
			text += v.S("web-per-port", "s", s.PerPortS)
		}
		rows = append(rows, stepRow{v.T("crew-" + s.ID), text})
	}
	rows = append(rows, stepRow{v.T("crew-walk"), strconv.FormatInt(steps.WalkingMMin, 10) + " m/min"})
	return rows, source
}
