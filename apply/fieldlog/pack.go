package fieldlog

import (
	"sapward/finding"
	"sapward/measure/tree"
	"sapward/plan"
)

// PackSchema names the form of a pack.
const PackSchema = "sapward/day/1"

// Pack is all a phone carries for a day: it is complete without signal.
type Pack struct {
	Schema   string `json:"schema"`
	Day      string `json:"day"`     // identifier of the day
	Version  int    `json:"version"` // grows when the lead changes trees or people
	Engine   string `json:"engine"`
	Plan     string `json:"plan"`
	Estate   string `json:"estate"`
	Block    string `json:"block"`
	Zone     string `json:"zone"` // IANA name
	On       string `json:"on"`   // day of work, 2026-06-03
	Practice bool   `json:"practice_only"`
	Units    string `json:"units"` // metric or us, for reading and showing

	Method   string       `json:"method"`
	Product  Product      `json:"product"`
	Help     Help         `json:"help"`
	Keep     string       `json:"keep"` // the card's words on ports afterwards; empty: it says nothing
	Ends     string       `json:"ends"` // pull, leave, or empty: either may be noted
	MixLifeH float64      `json:"mix_life_h,omitempty"`
	ExpectS  int64        `json:"expected_uptake_s"` // 0: no estimate
	Depth    [2]int64     `json:"sapwood_depth_mm"`  // of the card; zeros: not on the card
	HoleUM   int64        `json:"hole_um"`
	GradUL   int64        `json:"graduation_ul"`
	PortMost int64        `json:"port_most_ul"` // 0: the card bounds no port
	Request  plan.Request `json:"request"`
	Frame    plan.Frame   `json:"frame"`

	Class    []plan.ClassRow `json:"class_card"`
	Cautions []plan.Caution  `json:"cautions"`
	Trees    []PackTree      `json:"trees"`
	People   []Person        `json:"people"`
}

// Product is what stands on the container, for the gate and the incident page.
type Product struct {
	Name         string   `json:"name"`
	Registration string   `json:"registration"`
	Actives      []string `json:"actives"`
	Restricted   bool     `json:"restricted_use"`
	Invented     bool     `json:"invented"`
}

// Help is what the card says about people, word by word.
type Help struct {
	FirstAid   string   `json:"first_aid"`
	Emergency  string   `json:"emergency_number"`
	Spill      string   `json:"spill"`
	Storage    string   `json:"storage"`
	Mix        []string `json:"gear_mix"`
	Apply      []string `json:"gear_apply"`
	Clean      []string `json:"gear_clean"`
	EarlyEntry []string `json:"gear_early_entry"`
}

// Person is somebody of the day's crew.
type Person struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Role string `json:"role"`
}

// PackTree is one tree of the day with what is planned for it.
type PackTree struct {
	Key     string            `json:"key"`  // opaque, in the tag's QR code
	Code    string            `json:"code"` // for people, with a check character
	Tag     string            `json:"tree"`
	Order   int               `json:"order"` // in the walk, from 1
	Person  string            `json:"person,omitempty"`
	Pilot   bool              `json:"pilot,omitempty"`
	Status  string            `json:"status,omitempty"`
	Species string            `json:"species,omitempty"`
	XM      *float64          `json:"x_m,omitempty"`
	YM      *float64          `json:"y_m,omitempty"`
	Lat     *float64          `json:"lat,omitempty"`
	Lon     *float64          `json:"lon,omitempty"`
	Taped   tree.Tree         `json:"taped"`
	Units   []plan.Tree       `json:"units"`
	Refused []finding.Finding `json:"refused,omitempty"`
}
