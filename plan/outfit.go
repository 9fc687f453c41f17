package plan

import "sapward/plan/crew"

// Outfit is what the crew takes out in the morning: who goes where when, what
// to pack, what to mix, what it costs. It is made from a plan by Equip.
type Outfit struct {
	Schedule crew.Schedule  `json:"schedule"`
	Kit      crew.Kit       `json:"kit"`
	Mixing   crew.Mix       `json:"mixing"`
	Cost     *crew.Cost     `json:"cost,omitempty"`
	Pilot    *crew.Rescaled `json:"pilot,omitempty"`
}
